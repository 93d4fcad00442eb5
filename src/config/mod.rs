//! The configuration, checked: what the two TOML files say, with every default filled in.
//!
//! A [`Config`] may not be wrong. After the check no module re-validates, and none reads TOML.

mod address;
mod audit;
mod calendar;
mod check;
mod content;
mod depot;
mod fleet;
mod layout;
mod mask;
mod notes;
mod pair;
mod patterns;
mod problem;
mod raw;
mod reload;
mod secret;
mod serial;
mod units;
mod vin;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use secrecy::SecretString;
use url::Url;

pub use audit::Audits;
pub use calendar::{Away, Season, Weekdays};
pub use check::{Checked, check};
pub use layout::BadLayout;
pub use pair::{Loaded, Pair, Source, keep_good, last_good_dir, load, load_good};
pub use problem::{Place, Problem, Problems, Severity};
pub use reload::{Watch, drops_too_many};
pub use secret::{Env, RealEnv, SecretFile};

use crate::inspect::Known;
use crate::link::Patterns;
use crate::model::{ArchiveName, LoggerId, Proof, VehicleId};

/// One good pair of files.
#[derive(Debug, Clone)]
pub struct Config {
    /// The depot.
    pub depot: Depot,
    /// Pace and limits of the yard.
    pub poll: Poll,
    /// When reports are made, and how long they are kept.
    pub report: Reports,
    /// When archives are read again.
    pub audit: Audits,
    /// Wi-Fi cells, in the order of the file.
    pub access_points: Vec<AccessPoint>,
    /// Archives, in the order of the file; at least one is required.
    pub archives: Vec<Arc<ArchiveConfig>>,
    /// Vehicles, in the order of the file.
    pub vehicles: Vec<Arc<Vehicle>>,
    /// Loggers, in the order of the file.
    pub loggers: Vec<Arc<Logger>>,
}

impl Config {
    /// The logger of an id.
    pub fn logger(&self, id: &LoggerId) -> Option<&Arc<Logger>> {
        self.loggers.iter().find(|logger| logger.id == *id)
    }

    /// The vehicle of an id.
    pub fn vehicle(&self, id: &VehicleId) -> Option<&Arc<Vehicle>> {
        self.vehicles.iter().find(|vehicle| vehicle.id == *id)
    }
}

/// The site of this service.
#[derive(Debug, Clone)]
pub struct Depot {
    /// Its name; a folder name in archives.
    pub name: String,
    /// Its zone.
    pub time_zone: TimeZone,
    /// The clock time at which its day begins.
    pub day_starts: Time,
    /// Ledger, spool, last good configuration, socket.
    pub state_dir: PathBuf,
    /// Bytes that partial and whole files may take.
    pub spool_limit: u64,
    /// Bytes that stay free on the spool's disk.
    pub spool_reserve: u64,
    /// How long the partial of a lost file stays.
    pub lost_keep: Duration,
    /// Bytes that the ledger's backups may have.
    pub backup_limit: u64,
    /// Days of the week on which vehicles are expected.
    pub works: Weekdays,
    /// Part of the year in which they are; `None` for all of it.
    pub season: Option<Season>,
    /// Days on which none is.
    pub holidays: Vec<Date>,
}

/// Pace and limits of the yard.
#[derive(Debug, Clone)]
pub struct Poll {
    /// Between two knocks while something is pending.
    pub every: Duration,
    /// For a knock, and for each connection.
    pub connect_timeout: Duration,
    /// Between two listings of a visit while something is pending.
    pub list_every: Duration,
    /// Silence on an open transfer after which it counts as cut.
    pub idle_timeout: Duration,
    /// Transfers at a time over all access points.
    pub max_transfers: usize,
}

/// The reports that the service makes by itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reports {
    /// The clock times at which one is made, in order; the last one of a day is made at its end.
    pub at: Vec<Time>,
    /// How much lived time they are kept.
    pub keep: Duration,
}

impl Default for Reports {
    fn default() -> Self {
        Self { at: vec![Time::constant(5, 0, 0, 0)], keep: Duration::from_secs(400 * 86_400) }
    }
}

/// A Wi-Fi cell.
#[derive(Debug, Clone)]
pub struct AccessPoint {
    /// Its name.
    pub name: String,
    /// Transfers at a time in this cell.
    pub max_transfers: Option<usize>,
}

/// Where whole files go for good.
#[derive(Debug, Clone)]
pub struct ArchiveConfig {
    /// Its name in reports and receipts.
    pub name: ArchiveName,
    /// Where it is.
    pub target: ArchiveTarget,
    /// Whether `archived` waits for it.
    pub required: bool,
    /// How locations are made.
    pub layout: Layout,
    /// Unix permission bits of stored files.
    pub file_mode: u32,
}

/// The kinds of archive that this version knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ArchiveTarget {
    /// A folder on a local disk or a mounted share (`file://`), absolute.
    File(PathBuf),
}

/// The template of an archive's locations, split at its placeholders.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout(pub Vec<LayoutPart>);

/// A part of a [`Layout`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LayoutField {
    /// `{vehicle}`
    Vehicle,
    /// `{logger}`
    Logger,
    /// `{depot}`
    Depot,
    /// `{date}`: the day on which the file reached the archive, `2026-11-24`.
    Date,
    /// `{year}` of that day.
    Year,
    /// `{month}` of that day, two digits.
    Month,
    /// `{path}`: the path on the logger.
    Path,
    /// `{name}`: its last part.
    Name,
    /// `{sha256}`: 64 hexadecimal digits.
    Sha256,
}

/// Literal text or a placeholder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LayoutPart {
    /// As it stands.
    Text(String),
    /// Filled in for each file.
    Field(LayoutField),
}

impl Layout {
    /// The default of `layout`.
    pub const DEFAULT: &str = "{vehicle}/{date}/{depot}/data/{logger}/{path}";
}

/// A vehicle of the list.
#[derive(Debug, Clone)]
pub struct Vehicle {
    /// Its id.
    pub id: VehicleId,
    /// Its vehicle identification number, where the list has it.
    pub vin: Option<String>,
    /// Its home cell.
    pub access_point: Option<String>,
    /// Days of the week on which it is expected, where they are not the depot's.
    pub works: Option<Weekdays>,
    /// Part of the year in which it is expected, where it is not the depot's.
    pub season: Option<Season>,
    /// When it is away.
    pub away: Vec<Away>,
    /// When it is due out, by the depot's clock.
    pub leaves: Option<Time>,
}

/// How the last file of a stream is told from a file that is still written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OpenFile {
    /// All but the last of a stream are closed once still for `settle`; the last after `closed_after`.
    Newest,
    /// Stillness for `settle` alone.
    Settled,
    /// Every file is closed at once.
    None,
}

/// What orders the files of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// By the numbers in their names, with wrap.
    Name,
    /// By time, unless times are not credible.
    Time,
}

/// What is done about files that lay on the card when the logger was first met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Backlog {
    /// Fetched behind everything new.
    AfterNew,
    /// Fetched like everything else.
    All,
    /// Left where they are.
    None,
}

/// From when on something is told of the content of files. The defaults are common practice, without a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// A time without a frame in a file that is longer is missing from its hours, s.
    pub gap_s: f64,
    /// Way between two files that no file has, km.
    pub unlogged_km: f64,
    /// Hours of the engine that no file has.
    pub unlogged_h: f64,
    /// By how much a clock may differ from the vehicle's, s.
    pub clock_off_s: f64,
    /// By how much a file may end after it came home, s.
    pub clock_future_s: f64,
    /// What a clock may gain or lose a day, s.
    pub clock_drift_s: f64,
    /// A card that is full within so many days is to be dealt with.
    pub card_days: f64,
    /// Share of the day's files below which a bus that usually speaks is silent.
    pub bus_silent: f64,
    /// Share of the bit rate that a bus may be loaded with, over a file.
    pub bus_load: f64,
    /// Share of frames that a recorder may lose.
    pub dropped: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            gap_s: 60.0,
            unlogged_km: 2.0,
            unlogged_h: 0.25,
            clock_off_s: 120.0,
            clock_future_s: 3_600.0,
            clock_drift_s: 10.0,
            card_days: 4.0,
            bus_silent: 0.5,
            bus_load: 0.8,
            dropped: 0.001,
        }
    }
}

/// Settings that loggers of one make-up share.
#[derive(Debug, Clone)]
pub struct Kind {
    /// Its name.
    pub name: String,
    /// Which files are wanted.
    pub files: Patterns,
    /// The patterns as they were written, for messages.
    pub files_text: Vec<String>,
    /// What orders the files of a stream.
    pub order: Order,
    /// How an open file is told.
    pub open_file: OpenFile,
    /// Stillness, seen over two listings, after which a file counts as closed.
    pub settle: Duration,
    /// Stillness after which even the last file of a stream counts as closed.
    pub closed_after: Duration,
    /// Zone of times in listings whose form tells none.
    pub time_zone: TimeZone,
    /// The least proof before a file is archived.
    pub proof: Proof,
    /// Between two listings, and two knocks, while nothing is pending.
    pub quiet_when_done: Duration,
    /// What is done about old stock.
    pub backlog: Backlog,
    /// What is known of the content of its loggers' files.
    pub content: Known,
    /// From when on something is told of it.
    pub limits: Limits,
    /// Of its loggers' cards, bytes.
    pub card_size: Option<u64>,
    /// When archived files leave their logger; `None`: never.
    pub remove: Option<Remove>,
}

/// What a file needs, beside every required archive, before it is deleted from its logger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Remove {
    /// Lived time since it was archived.
    pub after: Duration,
    /// The least proof: digest or reread.
    pub proof: Proof,
}

/// Who a logger says it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Serial {
    /// The serial number that it ought to tell.
    pub number: String,
    /// Where it tells it.
    pub from: SerialFrom,
}

/// Where a logger tells its serial number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SerialFrom {
    /// In this file, by its absolute path on the logger's server.
    File(String),
    /// In this header of its HTTP replies.
    Header(String),
}

/// Who a logger lets in.
#[derive(Debug, Clone)]
pub struct Login {
    /// User name.
    pub user: String,
    /// Password; empty where none is set.
    pub password: SecretString,
}

/// A logger of the list.
#[derive(Debug, Clone)]
pub struct Logger {
    /// Its id; a folder name in archives.
    pub id: LoggerId,
    /// The vehicle it is fitted in.
    pub vehicle: VehicleId,
    /// Its kind.
    pub kind: Arc<Kind>,
    /// Its addresses in the order in which they are tried; each ends with `/` and holds no login.
    pub addresses: Vec<Url>,
    /// Its login, from here or from the kind.
    pub login: Option<Login>,
    /// Its vehicle's home cell.
    pub access_point: Option<String>,
    /// Who it says it is, where it says so.
    pub serial: Option<Serial>,
}
