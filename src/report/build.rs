//! From ledger rows to a [`Report`]. Pure: rows and a moment in, a value out.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::past::{self, AwayNote, Past};
use super::value::{
    ArchiveLine, Bytes, FileCounts, FindingLine, FindingState, LoggerLine, NotHomeLine, Report, SCHEMA,
    Safety, Totals, VehicleLine, Verdict,
};
use crate::config::Config;
use crate::ledger::{About, FindingRow, LedgerError, LoggerDay, NotHome, Query, Severity};
use crate::model::Day;

/// What the ledger says about a day.
#[derive(Debug, Clone, Default)]
pub struct Facts {
    /// Every logger that the ledger knows.
    pub loggers: Vec<LoggerDay>,
    /// Findings that are there, and those gone since the day began.
    pub findings: Vec<FindingRow>,
    /// `(archive, files, bytes)` that archives are owed.
    pub owed: Vec<(String, u64, u64)>,
    /// Files that turned out to be known content.
    pub duplicates_avoided: u64,
    /// Closed files, then files that may still be written, that are not here; some of each.
    pub not_home: Vec<NotHome>,
    /// Vehicles and loggers that are away in this day because a person said so.
    pub away: Vec<AwayNote>,
    /// What earlier reports said, and which findings are snoozed.
    pub past: Past,
}

impl Facts {
    /// Reads them.
    pub fn read(query: &Query, day: &Day) -> Result<Self, LedgerError> {
        let (from, to) = (day.from.as_millisecond(), day.to.as_millisecond());
        let (away, snoozes) = past::notes(query, day)?;
        let past = Past::read(query, day, snoozes)?;
        Ok(Self {
            loggers: query.loggers(from, to)?,
            findings: query.findings(past.last.map_or(from, |last| last.min(from)))?,
            owed: query.owed()?,
            duplicates_avoided: query.totals(from, to)?.duplicates_avoided,
            not_home: query.not_home(NAMED)?,
            away,
            past,
        })
    }
}

impl Facts {
    /// The note by which a vehicle or this logger of it is away.
    pub fn noted(&self, vehicle: &str, logger: &str) -> Option<&AwayNote> {
        self.away.iter().find(|note| match note.kind {
            About::Vehicle => note.id == vehicle,
            About::Logger => note.id == logger,
            About::Finding => false,
        })
    }
}

/// Files asked of the ledger for being named, of each sort.
const NAMED: usize = 100;

/// Findings about a logger that answered, but not with a listing.
const ANSWERED: &[&str] = &["login-refused", "logger-answers-badly", "not-a-listing", "wrong-logger"];

/// When loggers last answered in this day with something that is no usable listing, ms.
fn answered<'f>(facts: &'f Facts, day: &Day) -> BTreeMap<&'f str, i64> {
    let mut all = BTreeMap::new();
    for row in facts.findings.iter().filter(|f| f.gone.is_none() && f.severity == Severity::Act) {
        let in_day = (day.from.as_millisecond()..day.to.as_millisecond()).contains(&row.last);
        if let Some(logger) = row.logger.as_deref()
            && in_day
            && ANSWERED.contains(&row.code.as_str())
        {
            let at = all.entry(logger).or_insert(row.last);
            *at = row.last.max(*at);
        }
    }
    all
}

/// The report of a day as of a moment. What waits is what waits now, also for a day that is over.
pub fn build(config: &Config, facts: &Facts, day: &Day, as_of: Timestamp) -> Report {
    let rows: BTreeMap<&str, &LoggerDay> = facts.loggers.iter().map(|l| (l.logger.as_str(), l)).collect();
    let owners: BTreeMap<&str, &str> =
        config.loggers.iter().map(|l| (l.id.as_str(), l.vehicle.as_str())).collect();
    let answered = answered(facts, day);
    let mut findings: BTreeMap<Option<&str>, Vec<(Option<&str>, FindingLine)>> = BTreeMap::new();
    for row in &facts.findings {
        let Some(line) = finding(row, &facts.past, day, as_of) else { continue };
        let logger = row.logger.as_deref();
        let vehicle = logger.and_then(|l| owners.get(l).copied()).or(row.vehicle.as_deref());
        let vehicle = vehicle.filter(|v| config.vehicles.iter().any(|known| known.id.as_str() == *v));
        findings.entry(vehicle).or_default().push((logger, line));
    }
    for list in findings.values_mut() {
        list.sort_by_key(|(_, f)| (f.state, severity_order(f), f.since));
    }
    let mut totals = Totals { duplicates_avoided: facts.duplicates_avoided, ..Totals::default() };
    for row in &facts.loggers {
        totals.files_archived += row.archived_files;
        totals.bytes_archived += row.archived_bytes;
        totals.files_lost += row.lost;
        totals.files_held += row.held;
        totals.bytes_delivered += row.bytes;
        totals.bytes_fetched_twice += row.twice;
        totals.cuts += row.cuts;
    }
    let vehicles: Vec<VehicleLine> = config
        .vehicles
        .iter()
        .map(|vehicle| {
            let id = vehicle.id.as_str();
            let own = findings.remove(&Some(id)).unwrap_or_default();
            let mut line = VehicleLine {
                id: id.to_owned(),
                verdict: Verdict::Complete,
                last_seen: None,
                data_until: None,
                files: FileCounts::default(),
                bytes: Bytes::default(),
                coverage: None,
                away: None,
                strip: Vec::new(),
                loggers: Vec::new(),
                findings: Vec::new(),
            };
            for logger in config.loggers.iter().filter(|l| l.vehicle == vehicle.id) {
                let id = logger.id.as_str();
                let act = own.iter().any(|(of, f)| f.needs_person() && of.is_none_or(|of| of == id));
                let met = Met { row: rows.get(id).copied(), answered: answered.get(id).copied(), act };
                add(&mut line, id, &met, day, as_of);
            }
            for logger in &mut line.loggers {
                if let Some(note) = facts.noted(&line.id, &logger.id)
                    && logger.verdict == Verdict::NotSeen
                {
                    logger.verdict = Verdict::Away;
                    line.away = Some(note.reason.clone());
                }
            }
            // A vehicle for which no logger is listed cannot be seen.
            line.verdict = line.loggers.iter().map(|l| l.verdict).max().unwrap_or(Verdict::NotSeen);
            line.findings = own.into_iter().map(|(_, f)| f).collect();
            line
        })
        .collect();
    for line in &vehicles {
        totals.vehicles += 1;
        match line.verdict {
            Verdict::Complete => totals.complete += 1,
            Verdict::Away => totals.away += 1,
            Verdict::Elsewhere => totals.elsewhere += 1,
            Verdict::Unknown => totals.unknown += 1,
            Verdict::Incomplete => totals.incomplete += 1,
            Verdict::NoData => totals.no_data += 1,
            Verdict::NotSeen => totals.not_seen += 1,
        }
    }
    let owed = |name: &str| facts.owed.iter().find(|(archive, ..)| archive == name);
    let mut report = Report {
        schema: SCHEMA,
        depot: config.depot.name.clone(),
        date: day.date,
        from: day.from,
        to: day.to,
        as_of,
        is_final: false,
        totals,
        vehicles,
        archives: config
            .archives
            .iter()
            .map(|archive| ArchiveLine {
                name: archive.name.to_string(),
                required: archive.required,
                files_waiting: owed(archive.name.as_str()).map_or(0, |o| o.1),
                bytes_waiting: owed(archive.name.as_str()).map_or(0, |o| o.2),
                away_since: None,
            })
            .collect(),
        access_points: Vec::new(),
        safety: Safety::default(),
        blind: Vec::new(),
        corrections: Vec::new(),
        depots: None,
        not_home: facts
            .not_home
            .iter()
            .filter_map(|file| {
                let vehicle = (*owners.get(file.logger.as_str())?).to_owned();
                Some(NotHomeLine { vehicle, path: file.path.to_string(), open: file.open })
            })
            .collect(),
        findings: findings.remove(&None).unwrap_or_default().into_iter().map(|(_, f)| f).collect(),
    };
    facts.past.finish(&mut report);
    report
}

/// What is known of a logger's day.
struct Met<'f> {
    /// `None` for one that never gave a listing.
    row: Option<&'f LoggerDay>,
    /// When it answered without a usable listing, ms.
    answered: Option<i64>,
    /// Whether it has a finding that needs a person.
    act: bool,
}

/// Adds a logger to its vehicle's line.
fn add(line: &mut VehicleLine, id: &str, met: &Met<'_>, day: &Day, as_of: Timestamp) {
    let never = LoggerDay::default();
    let row = met.row.unwrap_or(&never);
    let seen = row.seen.max(met.answered);
    let whole = row.last_whole.is_some_and(|at| at >= day.from.as_millisecond());
    let to_fetch = (row.listed + row.fetching).saturating_sub(row.backlog);
    let pending = to_fetch + row.whole + row.held;
    let verdict = match seen {
        None => Verdict::NotSeen,
        Some(_) if pending == 0 && row.lost == 0 && whole && !met.act => Verdict::Complete,
        Some(_) => Verdict::Incomplete,
    };
    let before = |at: &i64| *at < day.to.as_millisecond();
    let logger = LoggerLine {
        id: id.to_owned(),
        verdict,
        last_seen: stamp(seen.or(row.last_seen.filter(before))),
        data_until: stamp(row.data_until).filter(|at| credible(*at, as_of)),
        listing_whole: whole,
    };
    line.last_seen = line.last_seen.max(logger.last_seen);
    line.data_until = match (line.data_until, logger.data_until) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    line.loggers.push(logger);
    let files = &mut line.files;
    files.archived += row.archived_files;
    files.listed += to_fetch;
    files.open += row.open;
    files.whole += row.whole;
    files.held += row.held;
    files.lost += row.lost;
    files.backlog += row.backlog;
    let bytes = &mut line.bytes;
    bytes.archived += row.archived_bytes;
    bytes.to_fetch += row.bytes_to_fetch.saturating_sub(row.bytes_backlog);
    bytes.backlog += row.bytes_backlog;
    bytes.delivered += row.bytes;
    bytes.fetched_twice += row.twice;
}

fn finding(row: &FindingRow, past: &Past, day: &Day, as_of: Timestamp) -> Option<FindingLine> {
    let since = stamp(Some(row.since))?;
    if since >= day.to {
        return None;
    }
    let (state, until) = match row.gone {
        Some(gone) if gone < day.to.as_millisecond() => match past.is_news(&row.id, gone) {
            true => (FindingState::Gone, None),
            false => return None,
        },
        _ => past.state(&row.id, since, (row.severity, &row.evidence), day),
    };
    Some(FindingLine {
        id: row.id.clone(),
        code: row.code.clone(),
        severity: row.severity.as_str(),
        since,
        days: as_of.min(day.to).duration_since(since).as_hours().max(0) / 24,
        state,
        until,
        vehicles: Vec::new(),
        evidence: row.evidence.clone(),
        cause: row.cause.clone(),
        action: row.action.clone(),
    })
}

fn severity_order(line: &FindingLine) -> Option<Severity> {
    Severity::parse(line.severity)
}

/// Times before 2005 or more than a day ahead of the depot's clock come from a logger whose clock
/// is lost.
fn credible(at: Timestamp, now: Timestamp) -> bool {
    const YEAR_2005: i64 = 1_104_537_600;
    at.as_second() >= YEAR_2005 && at.duration_since(now) <= SignedDuration::from_hours(24)
}

fn stamp(ms: Option<i64>) -> Option<Timestamp> {
    ms.and_then(|ms| Timestamp::from_millisecond(ms).ok())
}
