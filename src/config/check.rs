//! Checks a pair as a whole and makes the [`Config`] of it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use toml::de::{DeTable, DeValue};

use super::depot::{self, DepotFile};
use super::fleet::{self, FleetFile};
use super::mask::is_secret_key;
use super::notes::{At, Doc, Draft, Notes, Spot, Which};
use super::pair::{Pair, Source};
use super::problem::Problems;
use super::raw::nearest;
use super::secret::{Env, Secrets};
use super::{ArchiveTarget, Config};

/// A pair that can be used.
#[derive(Debug)]
pub struct Checked {
    /// What it says.
    pub config: Config,
    /// What somebody should look at.
    pub warnings: Problems,
}

/// Checks a pair. Everything wrong with it is told at once, warnings too; with warnings alone it
/// can be used. Reads nothing but what `env` gives, and the machine's time zones.
pub fn check(pair: &Pair, env: &dyn Env) -> Result<Checked, Problems> {
    let notes = Notes::default();
    let depot = Doc::parse(Which::Depot, &pair.depot, &notes);
    let vehicles = Doc::parse(Which::Vehicles, &pair.vehicles, &notes);
    let config = {
        for doc in [&depot, &vehicles] {
            misplaced_variables(&notes, doc.which, doc.table.get_ref());
        }
        let depot_file = depot::read(&notes, &depot);
        let secrets = Secrets::new(&notes, env);
        let fleet_file = fleet::read(&notes, &vehicles, &secrets, &depot_file);
        secrets.finish();
        across(&notes, &depot_file, &fleet_file);
        assemble(depot_file, fleet_file)
    };
    let problems = notes.finish(&[depot, vehicles]);
    match config {
        Some(config) if problems.errors() == 0 => Ok(Checked { config, warnings: problems }),
        _ => Err(problems),
    }
}

/// What is wrong with the depot's file when the vehicle list cannot be read.
pub(super) fn depot_alone(source: &Source, missing: Draft) -> Problems {
    let notes = Notes::default();
    let doc = Doc::parse(Which::Depot, source, &notes);
    notes.push(missing);
    misplaced_variables(&notes, doc.which, doc.table.get_ref());
    let _ = depot::read(&notes, &doc);
    notes.finish(&[doc])
}

fn assemble(depot: DepotFile<'_>, fleet: FleetFile<'_>) -> Option<Config> {
    Some(Config {
        depot: depot.depot?,
        poll: depot.poll,
        report: depot.report,
        audit: depot.audit,
        access_points: depot.access_points.into_iter().map(|at| at.value).collect(),
        archives: depot.archives.into_iter().map(|at| Arc::new(at.value)).collect(),
        vehicles: fleet.vehicles.into_iter().map(|at| at.value).collect(),
        loggers: fleet.loggers.into_iter().map(|at| at.value).collect(),
    })
}

/// What the two files say together.
fn across(notes: &Notes, depot: &DepotFile<'_>, fleet: &FleetFile<'_>) {
    let known = |name: &str| depot.access_points.iter().any(|point| point.value.name == name);
    // A mistyped name was told already, and may be the one that is missing here.
    let all_points = fleet.access_points_used.iter().all(|name| known(name));
    for point in depot.access_points.iter().filter(|_| all_points) {
        let name = point.value.name.as_str();
        if !fleet.access_points_used.contains(name) {
            let message = format!("no vehicle uses the access point `{name}`");
            let help = format!("write access_point = \"{name}\" at the vehicles that stand there");
            notes.push(Draft::warning(point.spot, message).help(help).absence());
        }
    }
    for vehicle in fleet.vehicles.iter().filter(|_| fleet.all_loggers) {
        let id = &vehicle.value.id;
        if !fleet.loggers.iter().any(|logger| logger.value.vehicle == *id) {
            let message = format!("vehicle {id} has no logger");
            let help = format!("add a [[logger]] with vehicle = \"{id}\", or take the vehicle out");
            notes.push(Draft::warning(vehicle.spot, message).help(help).absence());
        }
    }
    if fleet.loggers.is_empty() && fleet.all_loggers {
        let message = "there is no logger in the vehicle list";
        notes.push(
            Draft::warning(Spot::file(Which::Vehicles), message)
                .help("add a [[logger]] for each logger that is fitted")
                .absence(),
        );
    }
    let required = depot.archives.iter().filter(|archive| archive.value.required).count();
    for kind in fleet.removing.iter().filter(|_| required == 1) {
        let message =
            format!("files of kind `{}` leave their loggers once a single archive has them", kind.value);
        let help = "add a second [[archive]]; otherwise the copy in the archive is the only one there is";
        notes.push(Draft::warning(kind.spot, message).help(help));
    }
    for kind in &fleet.rereading {
        let mut mine =
            fleet.loggers.iter().map(|at| &at.value).filter(|logger| logger.kind.name == kind.value);
        let metered =
            |name: &str| depot.access_points.iter().any(|p| p.value.metered && p.value.name == name);
        let point = mine.find_map(|logger| logger.access_point.as_deref().filter(|name| metered(name)));
        let Some(point) = point else { continue };
        let message = format!(
            "files of kind `{}` are read twice, also over the access point `{point}`, which is metered",
            kind.value
        );
        let help = "each of them costs twice its volume there; give the loggers there a kind with proof = \"length\"";
        notes.push(Draft::warning(kind.spot, message).help(help));
    }
    let Some(state) = depot.depot.as_ref().map(|d| &d.state_dir) else { return };
    for archive in &depot.archives {
        let ArchiveTarget::File(path) = &archive.value.target;
        let (name, shown) = (&archive.value.name, state.display());
        let message = if path.starts_with(state) {
            format!("archive {name} lies inside state_dir, {shown}")
        } else if state.starts_with(path) {
            format!("state_dir, {shown}, lies inside archive {name}")
        } else {
            continue;
        };
        notes.push(Draft::error(archive.spot, message).help("give each of them a folder of its own"));
    }
}

/// `${NAME}` where it would be taken as it stands.
fn misplaced_variables(notes: &Notes, which: Which, table: &DeTable<'_>) {
    fn look(notes: &Notes, which: Which, key: &str, value: &toml::Spanned<DeValue<'_>>) {
        match value.get_ref() {
            DeValue::Table(table) => misplaced_variables(notes, which, table),
            DeValue::Array(items) => items.iter().for_each(|item| look(notes, which, key, item)),
            DeValue::String(text)
                if text.contains("${") && !key.ends_with("_file") && !is_secret_key(key) =>
            {
                let message = format!("`{key}` does not take environment variables");
                let help = "write the value itself; ${NAME} works in keys that end in _file alone";
                notes.push(Draft::error(Spot::new(which, value.span()), message).help(help));
            }
            _ => {}
        }
    }
    for (key, value) in table {
        look(notes, which, key.get_ref(), value);
    }
}

/// Names of one sort, to find doubles and what a reference means.
#[derive(Debug)]
pub(super) struct Names<'n> {
    /// `vehicle`
    sort: &'static str,
    /// Whether they become folders in archives.
    folders: bool,
    first: BTreeMap<String, At<&'n str>>,
    all: BTreeSet<&'n str>,
}

impl<'n> Names<'n> {
    pub fn new(sort: &'static str) -> Self {
        Self { sort, folders: false, first: BTreeMap::new(), all: BTreeSet::new() }
    }

    /// Names that become folders: on a Windows share, two that differ in case alone would meet.
    pub fn of_folders(sort: &'static str) -> Self {
        Self { folders: true, ..Self::new(sort) }
    }

    /// Takes a name, or notes that it is taken.
    pub fn add(&mut self, notes: &Notes, name: At<&'n str>) -> bool {
        self.all.insert(name.value);
        let key = if self.folders { name.value.to_ascii_lowercase() } else { name.value.to_owned() };
        let Some(first) = self.first.get(&key) else {
            self.first.insert(key, name);
            return true;
        };
        let draft = if first.value == name.value {
            let message = format!("there are two {}s `{}`", self.sort, name.value);
            Draft::error(name.spot, message).help("rename one of them, or take it out")
        } else {
            let message =
                format!("{}s `{}` and `{}` differ in case alone", self.sort, first.value, name.value);
            Draft::error(name.spot, message).help("rename one of them: on Windows shares they are one folder")
        };
        notes.push(draft.also(first.spot, "the first one"));
        false
    }

    /// Whether the name is there; notes that it is not.
    pub fn has(&self, notes: &Notes, name: At<&str>, lies_in: &str) -> bool {
        if self.all.contains(name.value) {
            return true;
        }
        let help = match nearest(name.value, self.all.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("add it to {lies_in}, or mend the name"),
        };
        let message = format!("there is no {} `{}`", self.sort, name.value);
        notes.push(Draft::error(name.spot, message).help(help).absence());
        false
    }
}
