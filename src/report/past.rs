//! What earlier reports said, and what became known since: what makes a finding new or known, the
//! strips, and the corrections.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan as _};
use serde::Deserialize;
use serde::de::IgnoredAny;
use serde_json::Value;

use super::causes::is_derived;
use super::value::{Correction, FindingLine, FindingState, Report, SpoolPast, StripDay, Verdict};
use crate::ledger::{About, LedgerError, NoteRow, Query, Severity, Stored, Told, graver};
use crate::model::Day;

/// Days of a strip, this one among them; and days before it that are corrected.
const DAYS: i64 = 14;

/// What earlier reports said and what people know, as of one day.
#[derive(Debug, Clone, Default)]
pub struct Past {
    /// When the last stored report was made, ms.
    pub last: Option<i64>,
    /// What it said of the findings that were there.
    pub told: BTreeMap<String, Told>,
    /// What it derived itself and told as being there, by id.
    pub derived: BTreeMap<String, FindingLine>,
    /// How earlier days stood in their last reports, by date and vehicle, each with whether data was
    /// lost.
    pub verdicts: BTreeMap<Date, BTreeMap<String, (Verdict, bool)>>,
    /// What the spool held by these, oldest first.
    pub spool: Vec<SpoolPast>,
    /// What became known of them since, and stands in no earlier day's report.
    pub corrections: Vec<Correction>,
    /// Findings of which nobody wants to hear until a day, each with how it stood then.
    pub snoozed: BTreeMap<String, (Date, Told)>,
}

/// A vehicle or logger that is away because a person said so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AwayNote {
    /// Whether `id` is a vehicle's or a logger's.
    pub kind: About,
    /// The vehicle, or the logger.
    pub id: String,
    /// The first day.
    pub from: Date,
    /// The last day; `None` for an open end.
    pub until: Option<Date>,
    /// Why.
    pub reason: String,
}

/// As much of a stored report as later ones need; what findings are read as is what they are needed for.
#[derive(Debug, Deserialize)]
struct Slim<F> {
    from: Timestamp,
    to: Timestamp,
    vehicles: Vec<SlimVehicle<F>>,
    #[serde(default)]
    corrections: Vec<Correction>,
    #[serde(default)]
    safety: SlimSafety,
    findings: F,
}

#[derive(Debug, Default, Deserialize)]
struct SlimSafety {
    spool_used: Option<u64>,
}

#[derive(Debug, Deserialize)]
struct SlimVehicle<F> {
    id: String,
    verdict: Verdict,
    files: SlimFiles,
    loggers: Vec<SlimLogger>,
    findings: F,
}

#[derive(Debug, Deserialize)]
struct SlimFiles {
    lost: u64,
}

#[derive(Debug, Deserialize)]
struct SlimLogger {
    id: String,
    listing_whole: bool,
}

/// Of an earlier report nobody reads the findings.
type Earlier = Slim<IgnoredAny>;

impl Slim<Vec<FindingLine>> {
    /// The findings that it derived itself and that were there, by id; and the rest.
    fn split(self) -> (BTreeMap<String, FindingLine>, Earlier) {
        let Slim { from, to, vehicles, corrections, safety, findings: mut all } = self;
        let vehicles = vehicles.into_iter().map(|v| {
            all.extend(v.findings);
            let SlimVehicle { id, verdict, files, loggers, .. } = v;
            SlimVehicle { id, verdict, files, loggers, findings: IgnoredAny }
        });
        let rest = Slim { from, to, vehicles: vehicles.collect(), corrections, safety, findings: IgnoredAny };
        all.retain(|f| is_derived(f) && f.state != FindingState::Gone);
        (all.into_iter().map(|f| (f.id.clone(), f)).collect(), rest)
    }
}

impl AwayNote {
    /// Whether it holds on a day.
    pub fn has(&self, date: Date) -> bool {
        self.from <= date && self.until.is_none_or(|until| until >= date)
    }
}

/// Who is away by a note on a day, or was since a moment (ms); and which findings are snoozed on it.
pub(super) fn notes(
    query: &Query,
    day: &Day,
    since: i64,
) -> Result<(Vec<AwayNote>, Vec<NoteRow>), LedgerError> {
    let (mut away, mut snoozes) = (Vec::new(), Vec::new());
    for row in query.notes(since)? {
        let ended = row.ended.and_then(|ms| Timestamp::from_millisecond(ms).ok());
        let over = ended.is_some_and(|at| at < day.to);
        let NoteRow { note, .. } = &row;
        if note.kind != About::Finding {
            // One that was ended early holds up to the day before that.
            let last = ended.map(|at| {
                let days = (day.to.duration_since(at).as_secs() + 86_399).div_euclid(86_400);
                day.date.saturating_sub(days.days())
            });
            away.push(AwayNote {
                kind: note.kind,
                id: note.about.clone(),
                from: note.since,
                until: note.until.into_iter().chain(last).min(),
                reason: note.reason.clone(),
            });
        } else if !over && note.since <= day.date && note.until.is_none_or(|until| until >= day.date) {
            snoozes.push(row);
        }
    }
    Ok((away, snoozes))
}

impl Past {
    /// Reads it for the report of a day.
    pub(super) fn read(query: &Query, day: &Day, snoozes: Vec<NoteRow>) -> Result<Self, LedgerError> {
        let first = day.date.saturating_sub(DAYS.days());
        let mut last_of = BTreeMap::new();
        let mut told = BTreeMap::new();
        let last = query.last_report()?;
        // One of another version's form tells nothing here.
        let slim = last.as_ref().and_then(|last| serde_json::from_str::<Slim<Vec<_>>>(&last.json).ok());
        let (derived, mut newest) = slim.map_or_else(Default::default, |slim| {
            let (derived, rest) = slim.split();
            (derived, Some(rest))
        });
        query.stored_of(first, day.date, |stored| {
            let slim = match last.as_ref().is_some_and(|last| last.id == stored.id) {
                true => newest.take(),
                false => serde_json::from_str::<Earlier>(&stored.json).ok(),
            };
            let Some(slim) = slim else { return };
            for correction in &slim.corrections {
                told.insert((correction.date, correction.vehicle.clone()), correction.is);
            }
            last_of.insert(stored.date, (Stored { json: String::new(), ..stored }, slim));
        })?;
        let snoozed = snoozes.into_iter().filter(|row| row.ended.is_none()).filter_map(|row| {
            let (until, was) = (row.note.until?, row.was?);
            Some((row.note.about, (until, was)))
        });
        Ok(Self {
            last: last.map(|last| last.as_of),
            derived,
            told: query.told()?,
            corrections: corrections(query, &last_of, &told)?,
            snoozed: snoozed.collect(),
            spool: last_of
                .iter()
                .filter_map(|(date, (_, slim))| {
                    Some(SpoolPast { date: *date, used: slim.safety.spool_used? })
                })
                .collect(),
            verdicts: last_of
                .into_iter()
                .map(|(date, (_, slim))| {
                    let line = |v: SlimVehicle<_>| (v.id, (v.verdict, v.files.lost > 0));
                    (date, slim.vehicles.into_iter().map(line).collect())
                })
                .collect(),
        })
    }

    /// How a finding that is there stands against the last report, and until when it is snoozed.
    /// A snooze ends when the finding is graver than it was then.
    pub fn state(
        &self,
        id: &str,
        since: Timestamp,
        is: (Severity, &Value),
        day: &Day,
    ) -> (FindingState, Option<Date>) {
        let graver_than = |was: &Told| graver((was.severity, &was.evidence), is);
        if let Some((until, _)) = self.snoozed.get(id).filter(|(_, was)| !graver_than(was)) {
            return (FindingState::Snoozed, Some(*until));
        }
        // What is derived and began after the last report is not what that one told.
        let told = self.told.get(id).filter(|_| !self.derived.contains_key(id) || self.told_after(since));
        let state = match told {
            Some(was) if graver_than(was) => FindingState::Worse,
            Some(_) => FindingState::Known,
            None if self.last.is_some() || since >= day.from => FindingState::New,
            None => FindingState::Known,
        };
        (state, None)
    }

    /// Whether the last report was made after that moment.
    pub fn told_after(&self, at: Timestamp) -> bool {
        self.last.is_some_and(|last| at.as_millisecond() < last)
    }

    /// Whether it is news that a finding went away at that moment (ms).
    pub fn is_news(&self, id: &str, gone: i64) -> bool {
        self.told.contains_key(id) || self.last.is_none_or(|last| gone >= last)
    }

    /// Adds strips and corrections to a report, and says of the findings that were derived for it how
    /// they stand against the last one.
    pub(super) fn finish(&self, report: &mut Report, day: &Day) {
        let vehicles = report.vehicles.iter_mut().map(|v| &mut v.findings);
        for list in vehicles.chain([&mut report.findings]) {
            for finding in list.iter_mut().filter(|f| f.state != FindingState::Gone) {
                let severity = Severity::parse(finding.severity).unwrap_or(Severity::Act);
                let is = (severity, &finding.evidence);
                (finding.state, finding.until) = self.state(&finding.id, finding.since, is, day);
            }
            list.sort_by_key(|f| (f.state, Severity::parse(f.severity), f.since));
        }
        let first = report.date.saturating_sub((DAYS - 1).days());
        let first = self.verdicts.keys().find(|date| **date >= first).copied().unwrap_or(report.date);
        for line in &mut report.vehicles {
            let days = first.series(1.day()).take_while(|date| *date < report.date);
            line.strip = days
                .map(|date| {
                    let stood = self.verdicts.get(&date).and_then(|all| all.get(&line.id));
                    StripDay { date, verdict: stood.map(|s| s.0), lost: stood.is_some_and(|s| s.1) }
                })
                .collect();
            let lost = line.files.lost > 0;
            line.strip.push(StripDay { date: report.date, verdict: Some(line.verdict), lost });
        }
        report.corrections = self.corrections.clone();
    }
}

/// What the ledger knows now of days whose last report says something else. `told` is what earlier
/// days' reports have corrected already.
fn corrections(
    query: &Query,
    days: &BTreeMap<Date, (Stored, Earlier)>,
    told: &BTreeMap<(Date, String), Verdict>,
) -> Result<Vec<Correction>, LedgerError> {
    let closed = || days.values().filter(|(stored, _)| stored.is_final);
    let Some(first) = closed().map(|(_, slim)| slim.from).min() else { return Ok(Vec::new()) };
    let undone = query.undone(first.as_millisecond())?;
    let mut late = BTreeMap::new();
    let mut all = Vec::new();
    for (stored, slim) in closed() {
        let (from, to) = (slim.from.as_millisecond(), slim.to.as_millisecond());
        for vehicle in &slim.vehicles {
            let corrected = told.get(&(stored.date, vehicle.id.clone())).copied();
            let was = corrected.unwrap_or(vehicle.verdict);
            let gone_bad = || {
                let home = from..to.min(stored.as_of);
                undone.iter().any(|u| u.vehicle == vehicle.id && home.contains(&u.archived_at))
            };
            let (is, files) = match was {
                Verdict::Incomplete if !gone_bad() => {
                    match came_home(query, vehicle, stored, (from, to), &mut late)? {
                        Some(files) if files > 0 || corrected.is_some() => (Verdict::Complete, files),
                        _ => continue,
                    }
                }
                Verdict::Complete if gone_bad() => (Verdict::Incomplete, 0),
                _ => continue,
            };
            all.push(Correction { date: stored.date, vehicle: vehicle.id.clone(), was, is, files });
        }
    }
    Ok(all)
}

/// What came home of each logger since the first day that was asked for it: when it was listed and archived, ms.
type Late<'s> = BTreeMap<&'s str, Vec<(i64, i64)>>;

/// What waited in the spool for longer than this before it came home is not counted, ms.
const WAITED: i64 = 14 * 86_400_000;

/// How many files of a vehicle's day came home after its last report; `None` where not all are. Earlier days are asked
/// first.
fn came_home<'s>(
    query: &Query,
    vehicle: &'s SlimVehicle<IgnoredAny>,
    stored: &Stored,
    day: (i64, i64),
    late: &mut Late<'s>,
) -> Result<Option<u64>, LedgerError> {
    for logger in &vehicle.loggers {
        let listed = if logger.listing_whole { i64::MIN } else { stored.as_of };
        if !query.is_home(&logger.id, day, listed)? {
            return Ok(None);
        }
    }
    let mut files = 0;
    for logger in &vehicle.loggers {
        if !late.contains_key(logger.id.as_str()) {
            let came = query.came_home(&logger.id, day.0 - WAITED, stored.as_of)?;
            late.insert(&logger.id, came);
        }
        let came = late.get(logger.id.as_str()).into_iter().flatten();
        files +=
            came.filter(|(listed, archived)| *listed < day.1 && *archived >= stored.as_of).count() as u64;
    }
    Ok(Some(files))
}
