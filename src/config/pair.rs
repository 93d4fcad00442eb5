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
                let help = "name the file with --config, or create it:\nconfig/yarder.toml of the package is the example to start from";
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
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => {
            return Err("this user may not: run the command as the service's user, or as root".to_owned());
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::durable::OsDisk;

    const DEPOT: &str = "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\n\n\
        [[archive]]\nname = \"central\"\nurl = \"file:///srv/can-archive\"\n";
    const VEHICLES: &str = "[kind.wifi]\nurl = \"https://{host}/\"\nuser = \"depot\"\n\
        password_file = \"secrets/loggers\"\n\n[[vehicle]]\nid = \"PLOW-03\"\n\n\
        [[logger]]\nid = \"L-0421\"\nvehicle = \"PLOW-03\"\nkind = \"wifi\"\nhost = \"10.20.0.43\"\n";

    fn yard() -> (tempfile::TempDir, PathBuf) {
        let dir = tempfile::tempdir().expect("folder");
        let path = dir.path().join("yarder.toml");
        std::fs::write(&path, DEPOT).expect("depot");
        std::fs::write(dir.path().join("vehicles.toml"), VEHICLES).expect("vehicles");
        std::fs::create_dir(dir.path().join("secrets")).expect("folder");
        OsDisk::new().create_new(&dir.path().join("secrets/loggers"), 0o600).expect("secret");
        std::fs::write(dir.path().join("secrets/loggers"), "hunter2\r\n").expect("secret");
        (dir, path)
    }

    #[test]
    fn a_pair_on_disk_gives_what_it_says() {
        use secrecy::ExposeSecret as _;
        let (_dir, path) = yard();
        let loaded = load(&path).unwrap_or_else(|p| panic!("{p}"));
        assert!(loaded.warnings.is_empty(), "{}", loaded.warnings);
        let logger = loaded.config.loggers.first().expect("logger");
        assert_eq!(logger.addresses.first().expect("address").as_str(), "https://10.20.0.43/");
        let login = logger.login.as_ref().expect("login");
        assert_eq!((login.user.as_str(), login.password.expose_secret()), ("depot", "hunter2"));
        let told = format!("{loaded:?}");
        assert!(!told.contains("hunter2") && !told.contains("password_file"), "{told}");
    }

    #[test]
    fn a_secret_that_everybody_can_read_is_warned_about() {
        use std::os::unix::fs::PermissionsExt as _;
        let (dir, path) = yard();
        let secret = dir.path().join("secrets/loggers");
        std::fs::set_permissions(secret, std::fs::Permissions::from_mode(0o644)).expect("mode");
        let loaded = load(&path).unwrap_or_else(|p| panic!("{p}"));
        assert!(loaded.warnings.to_string().contains("can be read by everybody"), "{}", loaded.warnings);
    }

    #[test]
    fn a_missing_vehicle_list_does_not_hide_what_else_is_wrong() {
        let (dir, path) = yard();
        std::fs::write(
            &path,
            DEPOT.replace("UTC", "UTD").replace("[depot]", "[depot]\nvehicles = \"no.toml\""),
        )
        .expect("depot");
        let said = load(&path).expect_err("wrong").to_string();
        assert!(said.contains("no.toml cannot be read: there is no such file"), "{said}");
        assert!(said.contains("there is no time zone \"UTD\""), "{said}");
        assert!(said.ends_with("2 errors"), "{said}");
        let said = load(&dir.path().join("other.toml")).expect_err("missing").to_string();
        assert!(said.contains("the configuration cannot be read: there is no such file"), "{said}");
    }

    #[test]
    fn the_last_good_pair_comes_back_with_the_names_it_had() {
        use std::os::unix::fs::PermissionsExt as _;
        let (dir, path) = yard();
        let kept = dir.path().join("state/last-good");
        let disk = OsDisk::new();
        assert_eq!(load_good(&disk, &kept).expect("none yet"), None);
        let pair = Pair::read(&disk, &path).expect("pair");
        keep_good(&disk, &kept, &pair).expect("kept");
        let mode = std::fs::metadata(kept.join(KEPT)).expect("file").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        std::fs::write(&path, "broken").expect("edit");
        assert_eq!(load_good(&disk, &kept).expect("kept"), Some(pair.clone()));
        let other =
            Pair { vehicles: Source { text: String::new(), ..pair.vehicles.clone() }, ..pair.clone() };
        assert_ne!(other.digest(), pair.digest());
        keep_good(&disk, &kept, &other).expect("kept again");
        assert_eq!(load_good(&disk, &kept).expect("kept"), Some(other));
    }

    #[test]
    fn the_place_of_the_last_good_pair_is_what_systemd_made() {
        #[derive(Debug)]
        struct Told(Option<&'static str>);
        impl Env for Told {
            fn var(&self, name: &str) -> Option<String> {
                self.0.filter(|_| name == "STATE_DIRECTORY").map(str::to_owned)
            }
            fn secret(&self, _: &Path) -> io::Result<super::super::SecretFile> {
                Err(io::ErrorKind::NotFound.into())
            }
        }
        for (told, dir) in [
            (None, "/var/lib/yarder/last-good"),
            (Some(""), "/var/lib/yarder/last-good"),
            (Some("/state"), "/state/last-good"),
            (Some("/state:/other"), "/state/last-good"),
        ] {
            assert_eq!(last_good_dir(&Told(told)), Path::new(dir));
        }
    }
}
