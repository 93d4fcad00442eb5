//! The two files of a configuration as one value, and the last good pair beside the ledger.
//!
//! *Crash*: the last good pair is one file, replaced by rename, so that it always holds two
//! texts that belong together.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::notes::{Doc, Draft, Notes, Spot, Which};
use super::problem::Problems;
use super::{Checked, Config, Env, RealEnv, check};
use crate::durable::{self, Disk};
use crate::model::Digest;

/// Longest configuration file that is read, in bytes.
const MAX_FILE: usize = 4 * 1024 * 1024;
/// The vehicle list's name where `vehicles` does not tell it.
const VEHICLES: &str = "vehicles.toml";
/// Where the service keeps its state when systemd does not tell.
const STATE_DIR: &str = "/var/lib/yarder";
const KEPT: &str = "pair.json";

/// One file: its name as it was given, and its text.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Source {
    /// Its path; what is relative in it is relative to its folder.
    pub name: PathBuf,
    /// What stands in it.
    pub text: String,
}

impl Source {
    pub(super) fn folder(&self) -> &Path {
        self.name.parent().unwrap_or(Path::new(""))
    }
}

impl fmt::Debug for Source {
    /// The text may hold a password.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({} bytes)", self.name.display(), self.text.len())
    }
}

/// The two files of a configuration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pair {
    /// `yarder.toml`
    pub depot: Source,
    /// `vehicles.toml`
    pub vehicles: Source,
}

impl Pair {
    /// Of both texts: equal for pairs that say the same in the same words.
    pub fn digest(&self) -> Digest {
        let length = (self.depot.text.len() as u64).to_be_bytes();
        Digest::of(&[&length, self.depot.text.as_bytes(), self.vehicles.text.as_bytes()].concat())
    }

    /// Reads both files. The problems tell the one that cannot be read, and everything wrong with
    /// the other.
    pub fn read(disk: &dyn Disk, path: &Path) -> Result<Self, Problems> {
        let notes = Notes::default();
        let depot = match read_file(disk, path) {
            Ok(depot) => depot,
            Err(why) => {
                let source = Source { name: path.to_owned(), text: String::new() };
                let doc = Doc::parse(Which::Depot, &source, &notes);
                let message = format!("the configuration cannot be read: {why}");
                let help = "name the file with --config, or create it";
                notes.push(Draft::error(Spot::file(Which::Depot), message).help(help));
                return Err(notes.finish(&[doc]));
            }
        };
        let (name, spot) = vehicles_of(&depot);
        match read_file(disk, &name) {
            Ok(vehicles) => Ok(Self { depot, vehicles }),
            Err(why) => {
                let message = format!("the vehicle list {} cannot be read: {why}", name.display());
                let help = "create it, or name it with `vehicles` in [depot]";
                let missing = Draft::error(spot, message).help(help);
                Err(check::depot_alone(&depot, missing))
            }
        }
    }
}

/// The vehicle list that a depot file names, and where it does so.
fn vehicles_of(depot: &Source) -> (PathBuf, Spot) {
    let doc = Doc::parse(Which::Depot, depot, &Notes::default());
    let told = doc.table.get_ref().get("depot").and_then(|d| d.get_ref().get("vehicles"));
    let spot = told.map_or(Spot::file(Which::Depot), |v| Spot::new(Which::Depot, v.span()));
    let name = told.and_then(|v| v.get_ref().as_str()).unwrap_or(VEHICLES);
    (depot.folder().join(name), spot)
}

fn read_file(disk: &dyn Disk, path: &Path) -> Result<Source, String> {
    let bytes = match durable::read_small(disk, path, MAX_FILE) {
        Ok(Some(bytes)) => bytes,
        Ok(None) => return Err("there is no such file".to_owned()),
        Err(e) => return Err(e.to_string()),
    };
    let text = String::from_utf8(bytes).map_err(|_| "it is no UTF-8 text".to_owned())?;
    Ok(Source { name: path.to_owned(), text })
}

/// A pair that was read and can be used.
#[derive(Debug)]
pub struct Loaded {
    /// What it says.
    pub config: Config,
    /// What somebody should look at.
    pub warnings: Problems,
    /// Its texts.
    pub pair: Pair,
}

/// Reads and checks the pair that begins at a path; what is wrong is told all at once.
pub fn load(path: &Path) -> Result<Loaded, Problems> {
    let pair = Pair::read(&durable::OsDisk::new(), path)?;
    let Checked { config, warnings } = check::check(&pair, &RealEnv)?;
    Ok(Loaded { config, warnings, pair })
}

/// The folder of the last good pair. It cannot follow `state_dir`, since a broken file cannot
/// tell that: `$STATE_DIRECTORY` is what systemd made for the service (the first, where it lists
/// several with colons, systemd.exec(5)).
pub fn last_good_dir(env: &dyn Env) -> PathBuf {
    let told = env.var("STATE_DIRECTORY");
    let first = told.as_deref().and_then(|list| list.split(':').find(|dir| !dir.is_empty()));
    Path::new(first.unwrap_or(STATE_DIR)).join("last-good")
}

/// Keeps a pair as the last good one, durably and as a whole, in the folder that
/// [`last_good_dir`] gives. It may hold inline passwords: mode 0600 in a folder of mode 0700.
pub fn keep_good(disk: &dyn Disk, dir: &Path, pair: &Pair) -> io::Result<()> {
    durable::create_dirs(disk, dir, 0o700)?;
    let whole = |source: &Source| {
        let name = std::path::absolute(&source.name)?;
        Ok::<_, io::Error>(Source { name, text: source.text.clone() })
    };
    let kept = Pair { depot: whole(&pair.depot)?, vehicles: whole(&pair.vehicles)? };
    let bytes = serde_json::to_vec_pretty(&kept)?;
    durable::replace(disk, &dir.join(KEPT), &dir.join(".pair.json.new"), &bytes, 0o600)
}

/// The last good pair; `None` where none was kept. The files' names are those from which it
/// came, made absolute, so that relative paths in it still mean the same.
pub fn load_good(disk: &dyn Disk, dir: &Path) -> io::Result<Option<Pair>> {
    // JSON escapes may make a text up to six times as long.
    let bytes = durable::read_small(disk, &dir.join(KEPT), 16 * MAX_FILE)?;
    Ok(bytes.map(|bytes| serde_json::from_slice(&bytes)).transpose()?)
}
