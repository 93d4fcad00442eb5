//! The report as a value; its JSON form is these fields in this order.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;

use super::audits::AuditLine;

/// Version of the JSON form.
pub const SCHEMA: u32 = 1;

/// One of the words that a field may hold.
pub type Word = &'static str;

/// All of them: of severities, of proofs, of why Yarder was blind.
const WORDS: &[Word] =
    &["act", "watch", "note", "none", "length", "reread", "digest", "secured", "down", "network", "clock"];

/// Reads a word of a stored report.
fn word<'de, D: Deserializer<'de>>(from: D) -> Result<Word, D::Error> {
    known(&String::deserialize(from)?)
}

fn known<E: serde::de::Error>(text: &str) -> Result<Word, E> {
    WORDS.iter().find(|word| **word == text).copied().ok_or_else(|| E::custom(format!("the word `{text}`")))
}

/// How a day stands for a logger, best first; a vehicle takes the worst of its loggers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Seen, and by a whole listing every closed file lies verified in every required archive.
    Complete,
    /// Not expected: by `works`, `season`, `holidays`, `away`, or a note.
    Away,
    /// Home at another depot that shares the archive.
    Elsewhere,
    /// Could only have been missed while Yarder was down, blind or without a network.
    Unknown,
    /// Seen, but something is pending, held, lost or stuck.
    Incomplete,
    /// Seen, nothing new though it should have driven.
    NoData,
    /// Expected this day, and not seen.
    NotSeen,
}

impl Verdict {
    /// All, best first.
    pub const ALL: [Verdict; 7] = [
        Verdict::Complete,
        Verdict::Away,
        Verdict::Elsewhere,
        Verdict::Unknown,
        Verdict::Incomplete,
        Verdict::NoData,
        Verdict::NotSeen,
    ];

    /// The word in tables.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Complete => "complete",
            Verdict::Away => "away",
            Verdict::Elsewhere => "elsewhere",
            Verdict::Unknown => "unknown",
            Verdict::Incomplete => "incomplete",
            Verdict::NoData => "no data",
            Verdict::NotSeen => "not seen",
        }
    }
}

/// One day of a depot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The depot's name.
    pub depot: String,
    /// The date on which the day begins.
    pub date: Date,
    /// Its first moment.
    pub from: Timestamp,
    /// The first moment of the next day.
    pub to: Timestamp,
    /// The moment of the report.
    pub as_of: Timestamp,
    /// Whether this is the last report of its day. Only a stored one can be.
    #[serde(rename = "final")]
    pub is_final: bool,
    /// Sums over all vehicles.
    pub totals: Totals,
    /// Every vehicle of the list, in the order of the list.
    pub vehicles: Vec<VehicleLine>,
    /// Every archive of the configuration.
    pub archives: Vec<ArchiveLine>,
    /// Every access point of the configuration.
    pub access_points: Vec<AccessPointLine>,
    /// How strongly this day's copies were checked, and what waits in the spool.
    pub safety: Safety,
    /// When Yarder could not see, within this day.
    pub blind: Vec<Blind>,
    /// What became known since an earlier day's last report.
    pub corrections: Vec<Correction>,
    /// Other depots that share an archive; none are read yet.
    pub depots: Option<Value>,
    /// Some files that are not home, to be named on the page; `yarder files` lists them all.
    #[serde(skip)]
    pub not_home: Vec<NotHomeLine>,
    /// Findings of the depot itself, and of loggers off the list.
    pub findings: Vec<FindingLine>,
}

/// Sums over all vehicles; the verdicts add up to `vehicles`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "the fields are named after the verdicts and the states of files")]
pub struct Totals {
    pub vehicles: u64,
    pub complete: u64,
    pub incomplete: u64,
    pub no_data: u64,
    pub not_seen: u64,
    pub elsewhere: u64,
    pub unknown: u64,
    pub away: u64,
    pub files_archived: u64,
    pub bytes_archived: u64,
    pub files_lost: u64,
    pub files_held: u64,
    pub bytes_delivered: u64,
    pub bytes_fetched_twice: u64,
    pub cuts: u64,
    pub duplicates_avoided: u64,
    #[serde(default)]
    pub bytes_by_hour: Vec<u64>,
}

/// One vehicle's day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VehicleLine {
    /// Its id.
    pub id: String,
    /// The worst of its loggers.
    pub verdict: Verdict,
    /// Last listing of any of its loggers.
    pub last_seen: Option<Timestamp>,
    /// All of its loggers' data is home until then, by their clocks; `None` where that is unknown.
    pub data_until: Option<Timestamp>,
    /// Files.
    pub files: FileCounts,
    /// Bytes.
    pub bytes: Bytes,
    /// Hours with data for each hour driven; `None` where that is unknown.
    pub coverage: Option<f64>,
    /// The hours of the calendar day of this date; `None` where no file says anything of it.
    #[serde(default)]
    pub hours: Option<Hours>,
    /// Why it is not expected, where it is not.
    pub away: Option<String>,
    /// When it is due out, by the depot's clock: `05:30`.
    #[serde(default)]
    pub leaves: Option<String>,
    /// The last days before this one and this one, oldest first, 14 at most.
    pub strip: Vec<StripDay>,
    /// Its loggers, in the order of the list.
    pub loggers: Vec<LoggerLine>,
    /// What is wrong with it.
    pub findings: Vec<FindingLine>,
}

/// How many files of a vehicle stand where. `archived` and `lost` are of this day, the others of
/// now; old stock is in `backlog` alone.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "the fields are named after the states of files")]
pub struct FileCounts {
    pub archived: u64,
    pub listed: u64,
    pub open: u64,
    pub whole: u64,
    pub held: u64,
    pub lost: u64,
    pub backlog: u64,
}

/// Bytes of a vehicle. `to_fetch` is without old stock.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[expect(missing_docs, reason = "the fields are named after the states of files")]
pub struct Bytes {
    pub archived: u64,
    pub to_fetch: u64,
    pub backlog: u64,
    pub delivered: u64,
    pub fetched_twice: u64,
}

/// One logger's day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LoggerLine {
    /// Its id.
    pub id: String,
    /// How the day stands.
    pub verdict: Verdict,
    /// Its last listing up to the end of this day.
    pub last_seen: Option<Timestamp>,
    /// Its data is home until then, by its clock.
    pub data_until: Option<Timestamp>,
    /// Whether a whole listing was taken this day or later.
    pub listing_whole: bool,
    /// The depot at which it is home, where that is another one.
    #[serde(default)]
    pub depot: Option<String>,
    /// Its card; `None` where the size is not known.
    #[serde(default)]
    pub card: Option<CardLine>,
}

/// How full a card is, in bytes, and how it goes on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CardLine {
    /// What it holds.
    pub size: u64,
    /// What of it cannot be written again without losing a file: of a logger that overwrites its oldest files, those
    /// that are not home; of any other, all.
    pub taken: u64,
    /// Whether its logger overwrites the oldest files of a full card.
    pub overwrites: bool,
    /// Bytes that came home a day with data; `None` where too few days are known, as below.
    pub bytes_a_day: Option<u64>,
    /// When the next file has no place if the last two weeks go on.
    pub full: Option<Timestamp>,
    /// That with the busiest of their days.
    pub earliest: Option<Timestamp>,
    /// That with the quietest.
    pub latest: Option<Timestamp>,
}

/// A file that is not home; old stock is not among them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotHomeLine {
    /// The vehicle.
    pub vehicle: String,
    /// The path on its logger.
    pub path: String,
    /// Whether it may still be written.
    pub open: bool,
}

/// Whether a finding is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FindingState {
    /// Since the last report.
    New,
    /// Known, and graver than in the last report.
    Worse,
    /// Longer.
    Known,
    /// A person knows, and wants to hear no more of it until a day.
    Snoozed,
    /// It went away since the last report.
    Gone,
}

/// One thing wrong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FindingLine {
    /// Code and subject.
    pub id: String,
    /// Which kind.
    pub code: String,
    /// `act`, `watch` or `note`.
    #[serde(deserialize_with = "word")]
    pub severity: Word,
    /// First seen.
    pub since: Timestamp,
    /// Whole days of 24 hours since then.
    pub days: i64,
    /// Whether it is there.
    pub state: FindingState,
    /// Until when it is snoozed.
    pub until: Option<Date>,
    /// Vehicles that it explains, and that have no finding of their own for it.
    pub vehicles: Vec<String>,
    /// What was seen.
    pub evidence: Value,
    /// Why.
    pub cause: String,
    /// What to do.
    pub action: String,
}

impl FindingLine {
    /// Whether a person must do something about it.
    pub fn needs_person(&self) -> bool {
        self.severity == "act" && !matches!(self.state, FindingState::Gone | FindingState::Snoozed)
    }
}

/// The hours of a calendar day, by the loggers' clocks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hours {
    /// The beginning of the first.
    pub from: Timestamp,
    /// One letter an hour: `d` with data, `m` used and without data, `s` asleep, `?` unknown.
    pub each: String,
}

/// One day of a strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct StripDay {
    /// Its date.
    pub date: Date,
    /// How it stood in its last report; `None` where there is none.
    pub verdict: Option<Verdict>,
    /// Data was lost.
    pub lost: bool,
}

/// One access point's day.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AccessPointLine {
    /// Its name.
    pub name: String,
    /// Loggers whose home it is.
    pub loggers: u64,
    /// Of which answered this day.
    pub answered: u64,
    /// How many usually do: the median of the working days of the last two weeks; `None` where too
    /// few days are known.
    pub usual: Option<u64>,
    /// Bytes delivered, overlaps and restarts included.
    pub bytes_delivered: u64,
    /// Of which delivered before.
    pub bytes_fetched_twice: u64,
    /// Transfers cut.
    pub cuts: u64,
    /// Bytes delivered in each hour of the day, from its first moment on.
    #[serde(default)]
    pub bytes_by_hour: Vec<u64>,
}

/// Whether the data is safe.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Safety {
    /// Files that became whole this day, by proof.
    pub proof: BTreeMap<String, u64>,
    /// Whole files in the spool that an archive is still owed.
    pub files_waiting: u64,
    /// Their bytes.
    pub bytes_waiting: u64,
    /// Bytes that the spool holds, of `spool_limit`.
    pub spool_used: u64,
    /// `spool_limit`, in bytes.
    pub spool_limit: u64,
    /// For how many days as large as the average of the last two weeks the spool has room, if no
    /// archive takes anything; `None` where nothing came.
    pub spool_days: Option<f64>,
    /// What it held by the last reports of the days before this one, oldest first.
    #[serde(default)]
    pub spool_past: Vec<SpoolPast>,
    /// Old stock that is still to be fetched: files.
    pub backlog_files: u64,
    /// Its bytes.
    pub backlog_bytes: u64,
    /// When the old stock will be home at the pace of the last week; `None` where none came.
    pub backlog_ends: Option<Date>,
    /// The last audit of each archive.
    #[serde(default)]
    pub audits: Vec<AuditLine>,
}

/// What the spool held on an earlier day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SpoolPast {
    /// The day.
    pub date: Date,
    /// Bytes, at its last report.
    pub used: u64,
}

/// A span in which Yarder could not see.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Blind {
    /// Its first moment.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// `down` (the service did not run), `network` (the depot PC had no link) or `clock` (its clock
    /// was not plausible).
    #[serde(deserialize_with = "word")]
    pub why: Word,
}

/// What became known of an earlier day after its last report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Correction {
    /// The day.
    pub date: Date,
    /// The vehicle.
    pub vehicle: String,
    /// What that report said.
    pub was: Verdict,
    /// What is so.
    pub is: Verdict,
    /// Files that came home since.
    pub files: u64,
}

/// One archive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ArchiveLine {
    /// Its name.
    pub name: String,
    /// Whether `archived` waits for it.
    pub required: bool,
    /// Files that it is still owed.
    pub files_waiting: u64,
    /// Their bytes.
    pub bytes_waiting: u64,
    /// It cannot be used since then.
    pub away_since: Option<Timestamp>,
}

impl VehicleLine {
    /// Whether a person must do something about it.
    pub fn needs_person(&self) -> bool {
        self.findings.iter().any(FindingLine::needs_person)
    }
}

impl Report {
    /// Whether it was made long after its day, from what the ledger knew then: neither while the
    /// day ran nor at its end.
    pub fn made_afterwards(&self) -> bool {
        let late = if self.is_final { SignedDuration::from_hours(1) } else { SignedDuration::ZERO };
        self.as_of.duration_since(self.to) >= late
    }

    /// Whether anything needs a person: what exit code 3 means.
    pub fn needs_person(&self) -> bool {
        self.findings.iter().any(FindingLine::needs_person)
            || self.vehicles.iter().any(VehicleLine::needs_person)
    }
}
