//! `vehicles.toml`: kinds, vehicles and loggers.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use secrecy::{ExposeSecret as _, SecretString};
use url::Url;

use super::address::{self, Template};
use super::calendar;
use super::check::Names;
use super::content;
use super::depot::{DAY, DepotFile, zone};
use super::notes::{At, Doc, Draft, Notes, Spot};
use super::patterns;
use super::raw::{Shape, Table};
use super::secret::Secrets;
use super::serial;
use super::vin;
use super::{Backlog, Kind, Logger, Login, OpenFile, Order, Remove, Vehicle};
use crate::model::{BadId, LoggerId, Proof, VehicleId};

const MINUTE: Duration = Duration::from_secs(60);

/// What the vehicle list says.
#[derive(Debug)]
pub(super) struct FleetFile<'d> {
    /// Kinds whose files are removed, and where they say so.
    pub removing: Vec<At<&'d str>>,
    /// Kinds whose files are read a second time before they are archived, and where they say so.
    pub rereading: Vec<At<&'d str>>,
    pub vehicles: Vec<At<Arc<Vehicle>>>,
    pub loggers: Vec<At<Arc<Logger>>>,
    /// Whether every logger was understood, so that one that is not in `loggers` is not there.
    pub all_loggers: bool,
    pub access_points_used: BTreeSet<&'d str>,
}

/// Reads all of it.
pub(super) fn read<'d>(
    notes: &'d Notes,
    doc: &'d Doc<'d>,
    secrets: &Secrets<'_>,
    depot: &DepotFile<'_>,
) -> FleetFile<'d> {
    let file = doc.source.name.display().to_string();
    let mut root = Table::root(notes, doc.which, &file, doc.table.get_ref());
    let mut kinds = BTreeMap::new();
    let mut kind_names = Names::new("kind");
    for (name, table) in root.named("kind") {
        kind_names.add(notes, name);
        kinds.insert(name.value, KindRead::new(notes, doc, secrets, name, table));
    }
    let mut access_points_used = BTreeSet::new();
    let mut vehicle_names = Names::of_folders("vehicle");
    let mut vehicles = Vec::new();
    for table in root.tables("vehicle") {
        let read = vehicle(notes, table, depot, &mut vehicle_names, &mut access_points_used);
        vehicles.extend(read);
    }
    let mut reader = Loggers {
        notes,
        doc,
        secrets,
        kinds: &kinds,
        kind_names: &kind_names,
        vehicle_names: &vehicle_names,
        vehicles: &vehicles,
        names: Names::of_folders("logger"),
        addresses: BTreeMap::new(),
        told: BTreeSet::new(),
        clear_text: BTreeMap::new(),
        nameless: BTreeMap::new(),
    };
    let tables = root.tables("logger");
    let count = tables.len();
    let loggers: Vec<_> = tables.into_iter().filter_map(|table| reader.logger(table)).collect();
    reader.finish();
    root.finish(|key| match key {
        "depot" | "poll" | "access_point" | "archive" | "report" => {
            Some(format!("`{key}` belongs in the depot's file"))
        }
        _ => None,
    });
    let all_loggers = loggers.len() == count;
    let saying = |spot: fn(&KindRead<'_>) -> Option<Spot>| {
        kinds.iter().filter_map(|(name, kind)| Some(At { value: *name, spot: spot(kind)? })).collect()
    };
    let (removing, rereading) = (saying(|kind| kind.remove), saying(|kind| kind.reread));
    FleetFile { removing, rereading, vehicles, loggers, all_loggers, access_points_used }
}

/// A kind, and what it lends to its loggers.
#[derive(Debug)]
struct KindRead<'d> {
    kind: Arc<Kind>,
    /// Where it says that files are removed.
    remove: Option<Spot>,
    /// Where it says that its files are read twice.
    reread: Option<Spot>,
    /// `Some(None)` for an address that was refused.
    url: Option<Option<Template<'d>>>,
    user: Option<At<&'d str>>,
    password: Option<At<SecretString>>,
    /// Whether it has one at all, good or bad.
    password_given: bool,
}

/// The keys that give a password.
const PASSWORDS: [&str; 3] = ["password_file", "password_env", "password"];

impl<'d> KindRead<'d> {
    fn new(
        notes: &Notes,
        doc: &Doc<'_>,
        secrets: &Secrets<'_>,
        name: At<&str>,
        mut table: Table<'d>,
    ) -> Self {
        let (files, files_text) = patterns::read(notes, &mut table);
        let order = table.choice("order", &[("name", Order::Name), ("time", Order::Time)], Order::Name);
        let open_words =
            [("newest", OpenFile::Newest), ("settled", OpenFile::Settled), ("none", OpenFile::None)];
        let open_file = table.choice("open_file", &open_words, OpenFile::Newest);
        let settle = table.span("settle", MINUTE, Duration::ZERO..=DAY);
        let closed_after_at = table.spot_of("closed_after");
        let closed_after = table.span("closed_after", 15 * MINUTE, Duration::ZERO..=30 * DAY);
        if closed_after < settle {
            let draft = Draft::error(
                closed_after_at.or(table.spot_of("settle")).unwrap_or(name.spot),
                format!("`closed_after` of kind `{}` is shorter than its `settle`", name.value),
            );
            notes.push(draft.help("make `closed_after` the longer one; it is 15min where it is not told"));
        }
        let time_zone = table.text("time_zone").and_then(|at| zone(&table, at)).unwrap_or(TimeZone::UTC);
        let content = content::known(&mut table);
        let limits = content::limits(notes, &mut table);
        let card_size = table.size("card_size", 1_000_000..=1_000_000_000_000_000);
        let proofs = [Proof::Digest, Proof::Reread, Proof::Secured, Proof::Length].map(|p| (p.as_str(), p));
        let reread = table.spot_of("proof");
        let proof = table.choice("proof", &proofs, Proof::Length);
        let reread = reread.filter(|_| proof == Proof::Reread);
        let quiet_when_done = table.span("quiet_when_done", 10 * MINUTE, Duration::from_millis(100)..=DAY);
        let backlogs = [("after-new", Backlog::AfterNew), ("all", Backlog::All), ("none", Backlog::None)];
        let backlog = table.choice("backlog", &backlogs, Backlog::AfterNew);
        table.only("reread_idle", Shape::Percent, "\"100%\"");
        table.only("reread_per_visit", Shape::Span, "\"60min\"");
        let remove = remove(notes, &mut table, name, proof);
        let user = user(notes, &mut table);
        let password_given = PASSWORDS.iter().any(|key| table.has(key));
        let password = secrets.password(&mut table, doc);
        let url = table.text("url").map(|at| Template::new(notes, at));
        table.finish(|key| match key {
            "host" | "urls" => Some(format!("`{key}` belongs in [[logger]]")),
            "works" | "season" | "away" | "leaves" => Some(format!("`{key}` belongs in [[vehicle]]")),
            _ => None,
        });
        let kind = Kind {
            name: name.value.to_owned(),
            files,
            files_text,
            order,
            open_file,
            settle,
            closed_after,
            time_zone,
            proof,
            quiet_when_done,
            backlog,
            content,
            limits,
            card_size,
            remove: remove.map(|at| at.value),
        };
        let remove = remove.map(|at| at.spot);
        Self { kind: Arc::new(kind), remove, reread, url, user, password, password_given }
    }
}

/// When archived files leave the loggers of a kind, and where that is written.
fn remove(notes: &Notes, table: &mut Table<'_>, kind: At<&str>, proof: Proof) -> Option<At<Remove>> {
    let spot = table.spot_of("remove").unwrap_or(kind.spot);
    let wanted = table.choice("remove", &[("never", false), ("archived", true)], false);
    let after = table.span("remove_after", 72 * 60 * MINUTE, Duration::ZERO..=365 * DAY);
    let least = [Proof::Digest, Proof::Reread].map(|proof| (proof.as_str(), proof));
    let least = table.choice("remove_proof", &least, Proof::Reread);
    if !wanted {
        return None;
    }
    if proof < least {
        let message = format!(
            "files of kind `{}` are removed with proof `{}`, and archived with `{}`: those with less stay on their loggers",
            kind.value,
            least.as_str(),
            proof.as_str()
        );
        let help = match least {
            Proof::Digest => {
                "write remove_proof = \"reread\", unless the loggers state digests of their files"
            }
            _ => "write proof = \"reread\" in the kind, unless the loggers state digests of their files",
        };
        notes.push(Draft::warning(spot, message).help(help));
    }
    Some(At { value: Remove { after, proof: least }, spot })
}

fn user<'d>(notes: &Notes, table: &mut Table<'d>) -> Option<At<&'d str>> {
    let at = table.text("user")?;
    // A line break would begin a second command on an FTP control connection.
    if at.value.is_empty() || at.value.chars().any(char::is_control) {
        notes.push(Draft::error(at.spot, "`user` is empty or holds a control character"));
        return None;
    }
    Some(at)
}

fn vehicle<'d>(
    notes: &Notes,
    mut table: Table<'d>,
    depot: &DepotFile<'_>,
    names: &mut Names<'d>,
    used: &mut BTreeSet<&'d str>,
) -> Option<At<Arc<Vehicle>>> {
    let id = table.needed("id", "\"PLOW-03\"");
    let vin = table.text("vin").and_then(|at| vin::check(notes, at));
    let point = table.text("access_point");
    let point = point.filter(|at| {
        used.insert(at.value);
        depot.access_point_names.has(notes, *at, "the depot's file as an [[access_point]]")
    });
    let works = calendar::works(&mut table);
    let season = calendar::season(&mut table);
    let leaves = table.clock("leaves");
    let away = calendar::away(&mut table);
    table.finish(|key| {
        (key == "holidays").then(|| "`holidays` belongs in [depot]; write `away` here".to_owned())
    });
    let at = id?;
    names.add(notes, at);
    let id = VehicleId::new(at.value).map_err(|e| bad_id(notes, at.spot, &e)).ok()?;
    let access_point = point.map(|at| at.value.to_owned());
    let value = Vehicle { id, vin, access_point, works, season, away, leaves };
    Some(At { value: Arc::new(value), spot: at.spot })
}

fn bad_id(notes: &Notes, spot: Spot, bad: &BadId) {
    notes.push(Draft::error(spot, "an id becomes a folder in archives").help(bad.to_string()));
}

/// Reads loggers, and remembers what must not meet and what is told once.
struct Loggers<'r, 'd> {
    notes: &'r Notes,
    doc: &'r Doc<'d>,
    secrets: &'r Secrets<'r>,
    kinds: &'r BTreeMap<&'d str, KindRead<'d>>,
    kind_names: &'r Names<'d>,
    vehicle_names: &'r Names<'d>,
    vehicles: &'r [At<Arc<Vehicle>>],
    names: Names<'d>,
    addresses: BTreeMap<Url, Spot>,
    /// Places that have had their problem.
    told: BTreeSet<Spot>,
    /// For each kind: how many passwords go in clear text, and the first of them.
    clear_text: BTreeMap<String, (usize, &'static str, Spot)>,
    /// For each kind whose files are removed: how many loggers do not tell who they are, and the first.
    nameless: BTreeMap<String, (usize, Spot)>,
}

impl<'d> Loggers<'_, 'd> {
    fn logger(&mut self, mut table: Table<'d>) -> Option<At<Arc<Logger>>> {
        let notes = self.notes;
        // A logger that sends, or that moved, needs a later version: one problem is enough.
        let later = table.has("pushes") || table.has("fitted");
        let id = table.needed("id", "\"L-0421\"");
        let vehicle = match later {
            true => table.text("vehicle"),
            false => table.needed("vehicle", "\"PLOW-03\", the id of the vehicle that it is fitted in"),
        };
        let kind = table.needed("kind", "\"wifi-http\", the name of one of the kinds");
        if let Some(at) = id {
            self.names.add(notes, at);
        }
        if let Some(at) = vehicle {
            self.vehicle_names.has(notes, at, "this file as a [[vehicle]]");
        }
        if let Some(at) = kind {
            self.kind_names.has(notes, at, "this file as a [kind.NAME]");
        }
        let kind = kind.and_then(|at| self.kinds.get(at.value));
        let addresses = self.addresses(&mut table, kind, later);
        let login = self.login(&mut table, kind, &addresses);
        let tells = table.has("serial_from");
        let serial = serial::read(notes, &mut table, &addresses);
        table.refused("host_key", Shape::Text);
        table.refused("cert_sha256", Shape::Text);
        table.only("formerly", Shape::Texts, "[]");
        table.refused("fitted", Shape::Tables(&[("vehicle", Shape::Text), ("since", Shape::Date)]));
        table.only("pushes", Shape::Flag, "false");
        for key in ["push_user", "push_password_file", "push_password_env", "push_password"] {
            table.refused(key, Shape::Text);
        }
        for key in ["push_token_file", "push_token_env", "push_token"] {
            table.refused(key, Shape::Text);
        }
        table.refused("expect_every", Shape::Span);
        table.finish(|_| None);
        let (at, vehicle, kind) = (id?, vehicle?, kind?);
        let id = LoggerId::new(at.value).map_err(|e| bad_id(notes, at.spot, &e)).ok()?;
        let vehicle = self.vehicles.iter().find(|v| v.value.id.as_str() == vehicle.value)?;
        let logger = Logger {
            id,
            vehicle: vehicle.value.id.clone(),
            kind: kind.kind.clone(),
            addresses,
            login,
            access_point: vehicle.value.access_point.clone(),
            serial,
        };
        if !tells && kind.remove.is_some() {
            self.nameless.entry(kind.kind.name.clone()).or_insert((0, at.spot)).0 += 1;
        }
        Some(At { value: Arc::new(logger), spot: at.spot })
    }

    fn addresses(&mut self, table: &mut Table<'d>, kind: Option<&KindRead<'d>>, later: bool) -> Vec<Url> {
        let notes = self.notes;
        let host = table.item("host");
        let url = table.item("url");
        let urls = table.item("urls");
        let given: Vec<_> = [host, url, urls].into_iter().flatten().collect();
        if let [first, second, ..] = given.as_slice() {
            let draft = Draft::error(second.key_spot, "the logger has two addresses");
            let help = "keep one of `host`, `url` and `urls`; several addresses of one logger go into `urls`";
            notes.push(draft.help(help).also(first.key_spot, "the other one"));
            return Vec::new();
        }
        let mut found = Vec::new();
        if let Some(host) = host.and_then(|item| item.text()) {
            match kind.map(|k| k.url) {
                Some(Some(Some(template))) => {
                    found.extend(template.with(notes, host).map(|value| At { value, spot: host.spot }));
                }
                Some(None) => {
                    let name = kind.map_or("", |k| k.kind.name.as_str());
                    let draft =
                        Draft::error(host.spot, format!("kind `{name}` has no `url` to put the host into"));
                    let help = format!(
                        "add url = \"http://{{host}}/\" to [kind.{name}], or write url = \"http://{}/\" here",
                        host.value
                    );
                    notes.push(draft.help(help));
                }
                // The kind, or its address, was refused already.
                Some(Some(None)) | None => {}
            }
        }
        let texts = match (url, urls) {
            (Some(url), _) => url.text().into_iter().collect(),
            (None, Some(urls)) => {
                let texts = urls.texts().unwrap_or_default();
                if texts.is_empty() && urls.value.as_array().is_some_and(|list| list.is_empty()) {
                    let draft = Draft::error(urls.spot, "`urls` is empty");
                    notes.push(draft.help("write urls = [\"http://10.20.0.43/\"]"));
                }
                texts
            }
            (None, None) => Vec::new(),
        };
        let parsed = texts.into_iter();
        found.extend(parsed.filter_map(|at| Some(At { value: address::parse(notes, at)?, spot: at.spot })));
        if given.is_empty() && !later {
            let help = match kind.and_then(|k| k.url) {
                Some(_) => "add host = \"10.20.0.43\"",
                None => "add url = \"http://10.20.0.43/\"",
            };
            notes.push(Draft::error(table.spot, "the logger has no address").help(help).absence());
        }
        for (nth, at) in found.iter().enumerate() {
            let own = found.iter().take(nth).any(|other| other.value == at.value);
            let Some(first) = self.addresses.get(&at.value) else {
                self.addresses.insert(at.value.clone(), at.spot);
                continue;
            };
            let (message, help) = match own {
                true => ("the logger has this address twice", "take one of them out"),
                false => (
                    "two loggers have one address, and nothing tells them apart",
                    "give each logger an address of its own",
                ),
            };
            notes.push(Draft::error(at.spot, message).help(help).also(*first, "the first one"));
        }
        found.into_iter().map(|at| at.value).collect()
    }

    fn login(
        &mut self,
        table: &mut Table<'d>,
        kind: Option<&KindRead<'d>>,
        addresses: &[Url],
    ) -> Option<Login> {
        let notes = self.notes;
        let given = PASSWORDS.iter().any(|key| table.has(key));
        let own_user = user(notes, table);
        let own_password = self.secrets.password(table, self.doc);
        let user = own_user.or_else(|| kind?.user);
        let password = match given {
            true => own_password,
            false => kind.and_then(|k| k.password.clone()),
        };
        let Some(user) = user else {
            if let Some(at) = password
                && self.told.insert(at.spot)
            {
                let draft = Draft::error(at.spot, "a password without a user");
                notes.push(draft.help("add user = \"...\" here or in the kind").absence());
            }
            return None;
        };
        // RFC 7617, section 2: a colon ends the user name.
        let http = addresses.iter().any(|url| matches!(url.scheme(), "http" | "https"));
        if http && user.value.contains(':') && self.told.insert(user.spot) {
            notes.push(Draft::error(user.spot, "a user name for HTTP holds no `:`"));
        }
        let Some(password) = password else {
            // Common practice of FTP servers: these two need none.
            let open = matches!(user.value, "anonymous" | "ftp");
            let kinds_too = kind.is_some_and(|k| k.password_given);
            if !open && !given && !kinds_too && self.told.insert(user.spot) {
                let message = format!("user `{}` has no password: an empty one is sent", user.value);
                let help = "add password_file = \"...\", or take `user` out where no login is needed";
                notes.push(Draft::warning(user.spot, message).help(help));
            }
            return Some(Login { user: user.value.to_owned(), password: SecretString::from("") });
        };
        if let (Some(kind), Some(url)) = (kind, addresses.iter().find(|url| address::is_clear_text(url)))
            && !password.value.expose_secret().is_empty()
        {
            let scheme = if url.scheme() == "http" { "http" } else { "ftp" };
            let entry = self.clear_text.entry(kind.kind.name.clone());
            entry.or_insert((0, scheme, password.spot)).0 += 1;
        }
        Some(Login { user: user.value.to_owned(), password: password.value })
    }

    /// Notes what is told once for all loggers of a kind.
    fn finish(self) {
        for (kind, (count, scheme, spot)) in self.clear_text {
            let whose = match count {
                1 => "the password of one logger".to_owned(),
                n => format!("the passwords of {n} loggers"),
            };
            let message =
                format!("{whose} of kind `{kind}` can be read on the way: {scheme} is not encrypted");
            let help = "use https:// where the loggers can; else a password that opens nothing else";
            self.notes.push(Draft::warning(spot, message).help(help));
        }
        for (kind, (count, spot)) in self.nameless {
            let whose = match count {
                1 => "one logger".to_owned(),
                n => format!("{n} loggers"),
            };
            let message =
                format!("nothing is removed from {whose} of kind `{kind}`: they do not tell who they are");
            let help =
                "add serial = \"...\" and serial_from = \"/device.json\", the file in which it tells that";
            self.notes.push(Draft::warning(spot, message).help(help).absence());
        }
    }
}

#[cfg(test)]
impl Kind {
    /// A kind that says no more than which files it has, for tests.
    pub fn of_files(files: &[&str]) -> Self {
        Self {
            name: "wifi-http".to_owned(),
            files: crate::link::Patterns::new(files).expect("patterns"),
            files_text: files.iter().map(|text| (*text).to_owned()).collect(),
            order: Order::Name,
            open_file: OpenFile::Newest,
            settle: Duration::from_secs(60),
            closed_after: Duration::from_secs(900),
            time_zone: jiff::tz::TimeZone::UTC,
            proof: Proof::Length,
            quiet_when_done: Duration::from_secs(600),
            backlog: Backlog::AfterNew,
            content: crate::inspect::Known::default(),
            limits: super::Limits::default(),
            card_size: None,
            remove: None,
        }
    }
}
