//! `yarder.toml`: the depot's own file.

use std::path::{Component, Path, PathBuf};
use std::time::Duration;

use jiff::civil::Time;
use jiff::tz::TimeZone;
use url::Url;

use super::audit::{self, Audits};
use super::calendar::{self, Weekdays};
use super::check::Names;
use super::notes::{At, Doc, Draft, Notes};
use super::raw::{Keys, Shape, Table, UNSUPPORTED, nearest};
use super::{AccessPoint, ArchiveConfig, ArchiveTarget, Depot, Layout, Poll, Reports};
use crate::model::{ArchiveName, VehicleId};

const SECOND: Duration = Duration::from_secs(1);
const HOUR: Duration = Duration::from_secs(3600);
pub(super) const DAY: Duration = Duration::from_secs(86_400);
const MB: u64 = 1_000_000;
const GB: u64 = 1_000 * MB;
const TRANSFERS: std::ops::RangeInclusive<u64> = 1..=64;

/// What the depot's file says; `depot` is missing only beside an error.
#[derive(Debug)]
pub(super) struct DepotFile<'d> {
    pub depot: Option<Depot>,
    pub poll: Poll,
    pub report: Reports,
    pub audit: Audits,
    pub access_points: Vec<At<AccessPoint>>,
    pub access_point_names: Names<'d>,
    pub archives: Vec<At<ArchiveConfig>>,
}

/// Reads all of it.
pub(super) fn read<'d>(notes: &'d Notes, doc: &'d Doc<'d>) -> DepotFile<'d> {
    let file = doc.source.name.display().to_string();
    let mut root = Table::root(notes, doc.which, &file, doc.table.get_ref());
    let depot = match root.table("depot", "[depot]") {
        Some(table) => depot(table),
        None => {
            let help = "add [depot] with name = \"...\" and time_zone = \"...\"";
            let draft = Draft::error(root.spot, "there is no [depot]").help(help).absence();
            if doc.table.get_ref().get("depot").is_none() {
                root.push(draft);
            }
            None
        }
    };
    let poll = poll(root.table("poll", "[poll]").unwrap_or_else(|| Table::absent(notes, "[poll]")));
    let (access_points, access_point_names) = access_points(notes, &mut root);
    let archives = archives(notes, &mut root);
    let report = report(root.table("report", "[report]").unwrap_or_else(|| Table::absent(notes, "[report]")));
    let audit =
        audit::read(root.table("audit", "[audit]").unwrap_or_else(|| Table::absent(notes, "[audit]")));
    root.refused("web", Shape::Table(WEB));
    root.refused("intake", Shape::Table(INTAKE));
    root.refused("after", Shape::Tables(AFTER));
    root.finish(|key| match key {
        "vehicle" | "logger" | "kind" => Some(format!("`{key}` belongs in the vehicle list")),
        _ => None,
    });
    DepotFile { depot, poll, report, audit, access_points, access_point_names, archives }
}

fn report(mut table: Table<'_>) -> Reports {
    let default = Reports::default();
    let reports = Reports {
        at: table.clocks("at", "[\"05:00\"]").unwrap_or(default.at),
        keep: table.span("keep", default.keep, DAY..=3650 * DAY),
    };
    table.refused("mail", Shape::Table(MAIL));
    table.refused("alert", Shape::Table(ALERT));
    table.finish(|key| belongs(key, "[report]"));
    reports
}

const MAIL: Keys = &[
    ("from", Shape::Text),
    ("to", Shape::Texts),
    ("smtp", Shape::Text),
    ("user", Shape::Text),
    ("password_file", Shape::Text),
    ("password_env", Shape::Text),
    ("password", Shape::Text),
];
const ALERT: Keys = &[("to", Shape::Texts), ("url", Shape::Text)];
const WEB: Keys = &[
    ("listen", Shape::Text),
    ("token_file", Shape::Text),
    ("cert_file", Shape::Text),
    ("key_file", Shape::Text),
];
const INTAKE: Keys = &[
    ("ack", Shape::Text),
    ("ftp", Shape::Table(INTAKE_FTP)),
    ("http", Shape::Table(INTAKE_HTTP)),
    ("inbox", Shape::Table(&[("dir", Shape::Text), ("settle", Shape::Span), ("after", Shape::Text)])),
];
const INTAKE_FTP: Keys = &[
    ("listen", Shape::Text),
    ("passive_ports", Shape::Text),
    ("cert_file", Shape::Text),
    ("key_file", Shape::Text),
    ("plain", Shape::Flag),
    ("quiet", Shape::Span),
];
const INTAKE_HTTP: Keys = &[("listen", Shape::Text), ("cert_file", Shape::Text), ("key_file", Shape::Text)];
const AFTER: Keys = &[("on", Shape::Text), ("run", Shape::Texts), ("url", Shape::Text)];

fn depot(mut table: Table<'_>) -> Option<Depot> {
    let name = table.needed("name", "\"north-yard\", the name of this site").and_then(|at| {
        // The same rule as for ids: it is a folder in archives.
        let bad = |e: crate::model::BadId| {
            table.push(Draft::error(at.spot, "`name` becomes a folder in archives").help(e.to_string()));
        };
        VehicleId::new(at.value).map_err(bad).ok().map(|_| at.value.to_owned())
    });
    let time_zone = table
        .needed("time_zone", "\"Europe/Oslo\", the IANA name of the zone that the depot lies in")
        .and_then(|at| zone(&table, at));
    let day_starts = table.clock("day_starts").unwrap_or(Time::constant(12, 0, 0, 0));
    let state_dir = match table.text("state_dir") {
        Some(at) => plain_absolute(&table, "state_dir", at.value, at),
        None => Some(PathBuf::from("/var/lib/yarder")),
    };
    // Which file it names was looked up when the pair was read.
    table.text("vehicles");
    let spool_limit = table.size("spool_limit", 16 * MB..=1_000_000 * GB).unwrap_or(200 * GB);
    let spool_reserve = table.size("spool_reserve", 0..=1_000_000 * GB).unwrap_or(2 * GB);
    let backup_limit = table.size("backup_limit", 16 * MB..=1_000_000 * GB).unwrap_or(10 * GB);
    let lost_keep = table.span("lost_keep", 7 * DAY, Duration::ZERO..=3650 * DAY);
    let works = calendar::works(&mut table).unwrap_or(Weekdays::DEFAULT);
    let season = calendar::season(&mut table);
    let holidays = table.days("holidays");
    table.only("spool_keep", Shape::Span, "\"0d\"");
    table.finish(|key| belongs(key, "[depot]"));
    let (name, time_zone, state_dir) = (name?, time_zone?, state_dir?);
    Some(Depot {
        name,
        time_zone,
        day_starts,
        state_dir,
        spool_limit,
        spool_reserve,
        backup_limit,
        lost_keep,
        works,
        season,
        holidays,
    })
}

fn poll(mut table: Table<'_>) -> Poll {
    let poll = Poll {
        every: table.span("every", 20 * SECOND, SECOND / 10..=HOUR),
        connect_timeout: table.span("connect_timeout", 3 * SECOND, SECOND / 10..=60 * SECOND),
        list_every: table.span("list_every", 60 * SECOND, SECOND / 10..=DAY),
        idle_timeout: table.span("idle_timeout", 20 * SECOND, SECOND / 10..=HOUR),
        max_transfers: table.number("max_transfers", TRANSFERS).unwrap_or(8) as usize,
    };
    table.finish(|key| belongs(key, "[poll]"));
    poll
}

/// Keys that are easily written below the wrong header.
fn belongs(key: &str, here: &str) -> Option<String> {
    let home = match key {
        "name" | "time_zone" | "day_starts" | "state_dir" | "vehicles" | "spool_limit" | "spool_reserve"
        | "backup_limit" | "lost_keep" | "holidays" => "[depot]",
        "every" | "connect_timeout" | "list_every" | "idle_timeout" | "max_transfers" => "[poll]",
        "layout" | "required" | "file_mode" => "[[archive]]",
        "away" | "leaves" => "[[vehicle]]",
        _ => return None,
    };
    (home != here).then(|| format!("`{key}` belongs in {home}"))
}

fn access_points<'d>(notes: &Notes, root: &mut Table<'d>) -> (Vec<At<AccessPoint>>, Names<'d>) {
    let mut names = Names::new("access point");
    let mut points = Vec::new();
    for mut table in root.tables("access_point") {
        let name = table.needed("name", "\"east\"");
        let max_transfers = table.number("max_transfers", TRANSFERS).map(|n| n as usize);
        table.only("metered", Shape::Flag, "false");
        table.refused("max_rate", Shape::Rate);
        table.refused("subnets", Shape::Texts);
        table.refused("max_per_day", Shape::Size);
        table.finish(|key| belongs(key, "[[access_point]]"));
        let Some(name) = name else { continue };
        if name.value.is_empty() || name.value.len() > 64 || name.value.chars().any(char::is_control) {
            let draft = Draft::error(name.spot, "`name` of an access point wants 1 to 64 letters");
            notes.push(draft.help("write name = \"east\""));
        }
        if !names.add(notes, name) {
            continue;
        }
        let point = AccessPoint { name: name.value.to_owned(), max_transfers };
        points.push(At { value: point, spot: name.spot });
    }
    (points, names)
}

fn archives<'d>(notes: &Notes, root: &mut Table<'d>) -> Vec<At<ArchiveConfig>> {
    let mut names = Names::of_folders("archive");
    let mut archives: Vec<At<ArchiveConfig>> = Vec::new();
    let mut any_required = false;
    let mut first = None;
    for mut table in root.tables("archive") {
        first = first.or(Some(table.spot_of("required").unwrap_or(table.spot)));
        let name = table.needed("name", "\"central\"");
        let target = table.needed("url", "\"file:///srv/can-archive\"").and_then(|at| target(&table, at));
        let required = table.flag("required", true);
        any_required |= required;
        let layout = layout(&mut table);
        let file_mode = file_mode(&mut table).unwrap_or(0o640);
        table.only("optional_wait", Shape::Span, "\"7d\"");
        table.refused("since", Shape::Date);
        table.only("backfill", Shape::Flag, "false");
        table.refused("max_rate", Shape::Rate);
        table.refused("hours", Shape::Text);
        table.refused("expires", Shape::Span);
        for key in ["endpoint", "region", "access_key_file", "secret_key_file"] {
            table.refused(key, Shape::Text);
        }
        table.finish(|key| belongs(key, "[[archive]]"));
        let Some(name) = name else { continue };
        names.add(notes, name);
        let id = match ArchiveName::new(name.value) {
            Ok(id) => id,
            Err(e) => {
                notes.push(
                    Draft::error(name.spot, "`name` of an archive stands in receipts").help(e.to_string()),
                );
                continue;
            }
        };
        let (Some(target), Some(layout)) = (target, layout) else { continue };
        let ArchiveTarget::File(folder) = &target.value;
        for other in &archives {
            let ArchiveTarget::File(theirs) = &other.value.target;
            let message = if folder == theirs {
                format!("archives {} and {id} are one folder", other.value.name)
            } else if folder.starts_with(theirs) || theirs.starts_with(folder) {
                format!("one of the archives {} and {id} lies inside the other", other.value.name)
            } else {
                continue;
            };
            let draft = Draft::error(target.spot, message).help("give each archive a folder of its own");
            notes.push(draft.also(other.spot, "the first one"));
        }
        let value = ArchiveConfig { name: id, target: target.value, required, layout, file_mode };
        archives.push(At { value, spot: target.spot });
    }
    if first.is_none() {
        let help = "add [[archive]] with name = \"central\" and url = \"file:///srv/can-archive\"";
        notes.push(Draft::error(root.spot, "there is no archive").help(help).absence());
    } else if !any_required {
        let help = "write required = true for one, or take the line out: a file is safe when it lies there";
        notes.push(Draft::error(first.unwrap_or(root.spot), "no archive is required").help(help).absence());
    }
    archives
}

/// Schemes of later versions.
const LATER: &[&str] = &["s3", "sftp", "ftps", "ftp", "webdav", "webdavs"];

fn target(table: &Table<'_>, at: At<&str>) -> Option<At<ArchiveTarget>> {
    let refuse = |message: String, help: &str| {
        table.push(Draft::error(at.spot, message).help(help));
        None
    };
    let example = "write url = \"file:///srv/can-archive\"";
    let Some((scheme, rest)) = at.value.split_once("://") else {
        let help = format!("write url = \"file://{}\"", at.value);
        let help = if at.value.starts_with('/') { help.as_str() } else { example };
        return refuse("`url` of an archive has no scheme".to_owned(), help);
    };
    if scheme != "file" {
        if LATER.contains(&scheme) {
            let help = "use a folder, mounted shares included: url = \"file:///srv/can-archive\"";
            return refuse(format!("an archive at `{scheme}://` {UNSUPPORTED}"), help);
        }
        let help = match nearest(scheme, ["file"].into_iter().chain(LATER.iter().copied())) {
            Some(near) => format!("did you mean `{near}://`?"),
            None => example.to_owned(),
        };
        return refuse(format!("`{scheme}://` is no scheme of an archive"), &help);
    }
    if !rest.starts_with('/') {
        let help = format!("write three slashes: url = \"file:///{rest}\"");
        return refuse("`url` of an archive wants an absolute folder".to_owned(), &help);
    }
    let folder = Url::parse(at.value).ok().and_then(|url| url.to_file_path().ok());
    let Some(folder) = folder.filter(|_| !rest.contains(['?', '#'])) else {
        return refuse("`url` of an archive is no address of a folder".to_owned(), example);
    };
    plain_absolute(table, "url", rest, at)?;
    Some(At { value: ArchiveTarget::File(folder.components().collect()), spot: at.spot })
}

/// A path without `.` and `..`, which could hide that two folders are one.
fn plain_absolute(table: &Table<'_>, key: &str, text: &str, at: At<&str>) -> Option<PathBuf> {
    let path = Path::new(text);
    let plain = path.components().all(|c| matches!(c, Component::RootDir | Component::Normal(_)));
    if path.is_absolute() && plain && !text.split('/').any(|part| part == ".") {
        return Some(path.components().collect());
    }
    let message = format!("`{key}` wants an absolute path without `.` and `..`");
    table
        .push(Draft::error(at.spot, message).help("write the folder from the root on, like /var/lib/yarder"));
    None
}

fn layout(table: &mut Table<'_>) -> Option<Layout> {
    let Some(at) = table.text("layout") else { return Layout::parse(Layout::DEFAULT).ok() };
    let refuse = |bad: super::BadLayout| table.push(Draft::error(at.spot, bad.message).help(bad.help));
    Layout::parse(at.value).map_err(refuse).ok()
}

fn file_mode(table: &mut Table<'_>) -> Option<u32> {
    let at = table.text("file_mode")?;
    let mode = u32::from_str_radix(at.value, 8).ok().filter(|mode| (0o400..=0o777).contains(mode));
    let fits = mode.filter(|mode| mode & 0o400 != 0 && at.value.len() <= 4);
    if fits.is_none() {
        let message = format!("`file_mode` does not take \"{}\"", at.value);
        let help = "write octal permission bits that let the owner read, like \"0640\"";
        table.push(Draft::error(at.spot, message).help(help));
    }
    fits
}

/// A zone by its IANA name.
pub(super) fn zone(table: &Table<'_>, at: At<&str>) -> Option<TimeZone> {
    if let Ok(zone) = jiff::tz::db().get(at.value) {
        return Some(zone);
    }
    let names: Vec<String> = jiff::tz::db().available().map(|name| name.to_string()).collect();
    let city = |name: &&String| {
        let last = name.rsplit('/').next().unwrap_or(name);
        at.value.rsplit('/').next().is_some_and(|theirs| theirs.eq_ignore_ascii_case(last))
    };
    let near = names.iter().find(city).map(String::as_str);
    let near = near.or_else(|| nearest(at.value, names.iter().map(String::as_str)));
    let help = match near {
        Some(near) => format!("did you mean \"{near}\"?"),
        None if names.len() < 10 => {
            "this machine has no time zones but UTC: install its package `tzdata`".to_owned()
        }
        None => {
            "write an IANA name, like \"Europe/Oslo\"; `timedatectl list-timezones` lists them".to_owned()
        }
    };
    table.push(Draft::error(at.spot, format!("there is no time zone \"{}\"", at.value)).help(help));
    None
}
