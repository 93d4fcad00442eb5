//! From ledger rows to a [`Report`]. Pure: rows and a moment in, a value out.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::audits;
use super::causes::{self, BACK, Ground};
use super::coverage::{self, Card, STANDING, Seen};
use super::past::{self, AwayNote, Past};
use super::points;
use super::sight::{DAY, Sight, Span};
use super::value::{
    ArchiveLine, Blind, Bytes, FileCounts, FindingLine, FindingState, LoggerLine, NotHomeLine, Report,
    SCHEMA, Safety, Totals, VehicleLine, Verdict,
};
use super::verdict;
use crate::config::{Config, Logger, Vehicle};
use crate::ledger::{
    About, CardUse, FindingRow, LedgerError, LoggerDay, NotHome, Query, Severity, SpoolDay, Visit, Watched,
};
use crate::model::{Day, LoggerId};

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
    /// Visits of this day and of the two weeks before it, by logger, oldest first.
    pub visits: BTreeMap<String, Vec<Visit>>,
    /// Loggers that other depots had in this day, each with the depot.
    pub elsewhere: BTreeMap<String, String>,
    /// When Yarder ran and could not see, in this day and the two months before it.
    pub watched: Watched,
    /// The spool, and what came into it.
    pub spool: SpoolDay,
    /// What the files say that loggers brought in this day and the two weeks before it.
    pub contents: BTreeMap<String, coverage::Told>,
    /// Bytes that loggers delivered in each hour of this day.
    pub air: BTreeMap<String, Vec<u64>>,
    /// What was written down of audits: archive and text.
    pub audits: Vec<(String, String)>,
}

impl Facts {
    /// Reads them, for a report of that moment.
    pub fn read(query: &Query, config: &Config, day: &Day, as_of: Timestamp) -> Result<Self, LedgerError> {
        let _moment = query.moment()?;
        let (from, to) = (day.from.as_millisecond(), day.to.as_millisecond());
        let mut loggers = query.loggers(from, to)?;
        let air = query.air(from, to)?;
        for logger in &mut loggers {
            // A visit may last for days: what came in this one is what counts.
            logger.bytes = air.get(&logger.logger).map_or(0, |each| sum(each.iter().copied()));
        }
        let mut visits = BTreeMap::new();
        for logger in &loggers {
            visits.insert(logger.logger.clone(), query.visits(&logger.logger, from - 15 * DAY, to)?);
        }
        let (away, snoozes) = past::notes(query, day, from - i64::from(BACK) * DAY)?;
        let past = Past::read(query, day, snoozes)?;
        let mut facts = Self {
            loggers,
            visits,
            contents: BTreeMap::new(),
            elsewhere: query.elsewhere(from, to)?,
            watched: query.watched(from - i64::from(BACK) * DAY, to)?,
            spool: query.spool_day(from, to)?,
            air,
            findings: query.findings(past.last.map_or(from, |last| last.min(from)))?,
            owed: query.owed()?,
            audits: query.audits()?,
            duplicates_avoided: query.totals(from, to)?.duplicates_avoided,
            not_home: query.not_home(NAMED)?,
            away,
            past,
        };
        facts.contents = facts.contents(query, config, day, as_of)?;
        Ok(facts)
    }

    /// What the files say, a logger after the other on each of two threads: the memory that it takes is two loggers',
    /// whatever the fleet.
    fn contents(
        &self,
        query: &Query,
        config: &Config,
        day: &Day,
        as_of: Timestamp,
    ) -> Result<BTreeMap<String, coverage::Told>, LedgerError> {
        let (part, sight) = so_far(self, day, as_of);
        let told = &|query: &Query, of: &[Arc<Logger>]| self.told(query, config, of, (day, part, &sight));
        let (mine, others) = config.loggers.split_at(config.loggers.len() / 2);
        let Some(second) = query.beside() else { return told(query, &config.loggers) };
        std::thread::scope(|scope| {
            let others = scope.spawn(move || {
                let _moment = second.moment()?;
                told(&second, others)
            });
            let mut all = told(query, mine)?;
            all.extend(others.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?);
            Ok(all)
        })
    }

    /// What the files of some loggers say.
    fn told(
        &self,
        query: &Query,
        config: &Config,
        loggers: &[Arc<Logger>],
        (day, part, sight): (&Day, Span, &Sight),
    ) -> Result<BTreeMap<String, coverage::Told>, LedgerError> {
        let zone = &config.depot.time_zone;
        let calendar = day.calendar(zone);
        let list: Vec<_> = config.vehicles.iter().map(|v| (v.id.as_str(), v.vin.as_deref())).collect();
        let rows: BTreeMap<&str, &LoggerDay> = self.loggers.iter().map(|l| (l.logger.as_str(), l)).collect();
        let mut all = BTreeMap::new();
        for logger in loggers {
            let id = logger.id.as_str();
            let Some(row) = rows.get(id) else { continue };
            let recorded = query.recorded(id, (part.0 - 15 * DAY, part.1), part.0.min(calendar.0))?;
            let card = match logger.kind.card_size {
                Some(size) => {
                    let CardUse { used, waiting, overwrites } = query.card_use(id)?;
                    Some(Card { size, used, waiting, overwrites })
                }
                None => None,
            };
            // A clock of ours that is not believed says nothing of another one.
            let doubted = |at: i64| {
                self.watched.blind.iter().any(|(why, from, to)| why == "clock" && (*from..=*to).contains(&at))
            };
            let server = query.clock_ahead(id, part)?.filter(|(_, at)| !doubted(*at));
            let strange = format!("wrong-logger:{id}");
            let told = |code: &&'static str| {
                let told = self.past.derived.get(&format!("{code}:{id}"))?;
                Some((*code, &told.evidence))
            };
            let before: Vec<_> = STANDING.iter().filter_map(told).collect();
            let coming = row.listed + row.fetching + row.open + row.held > row.backlog;
            let known = if coming { i64::MIN } else { row.last_whole.unwrap_or(i64::MIN).min(part.1) };
            let seen = Seen {
                logger: id,
                vehicle: logger.vehicle.as_str(),
                list: &list,
                rows: &recorded,
                used: sight.drove(self.visits.get(id).map_or(&[], Vec::as_slice), part),
                card,
                server,
                zone,
                strange: self.findings.iter().any(|f| f.id == strange),
                before: &before,
                calendar: (calendar, known),
            };
            all.insert(id.to_owned(), coverage::of(&seen, part, &logger.kind.limits));
        }
        Ok(all)
    }
}

/// The day so far, and what Yarder could see in it and in the two months before.
fn so_far(facts: &Facts, day: &Day, as_of: Timestamp) -> (Span, Sight) {
    let part = (day.from.as_millisecond(), day.to.min(as_of).as_millisecond());
    (part, Sight::of(&facts.watched, (part.0 - i64::from(BACK) * DAY, part.1)))
}

impl Facts {
    /// Why a vehicle is not expected on a day: by a note, or by the calendar.
    pub fn not_expected(&self, config: &Config, vehicle: &Vehicle, date: Date) -> Option<String> {
        let noted = self.noted(About::Vehicle, vehicle.id.as_str(), date);
        noted.map(|note| note.reason.clone()).or_else(|| config.not_expected(vehicle, date))
    }

    /// Whether a vehicle is away on a day, and not only off duty.
    pub(super) fn is_away(&self, config: &Config, vehicle: &Vehicle, date: Date) -> bool {
        self.noted(About::Vehicle, vehicle.id.as_str(), date).is_some()
            || config.away(vehicle, date).is_some()
    }

    /// Another logger of the vehicle, with a log of driving in a day that was home before this one's last whole listing.
    /// Of a logger that is new to Yarder all is old stock, whatever it has.
    pub(super) fn drove_by<'c>(
        &self,
        config: &'c Config,
        logger: &Logger,
        day: &Day,
    ) -> Option<&'c LoggerId> {
        let (from, to) = (day.from.as_millisecond(), day.to.as_millisecond());
        let id = logger.id.as_str();
        self.visits.get(id)?.first().filter(|visit| visit.from < from)?;
        let whole = self.loggers.iter().find(|row| row.logger == id)?.last_whole.filter(|at| *at < to)?;
        let others = config.loggers.iter().filter(|l| l.vehicle == logger.vehicle && l.id != logger.id);
        let mut drove = others.filter(|l| {
            self.contents.get(l.id.as_str()).and_then(|told| told.drove).is_some_and(|home| home < whole)
        });
        drove.next().map(|other| &other.id)
    }

    pub(super) fn noted(&self, kind: About, id: &str, date: Date) -> Option<&AwayNote> {
        self.away.iter().find(|note| note.kind == kind && note.id == id && note.has(date))
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
    let (part, sight) = so_far(facts, day, as_of);
    let cells = points::cells(config, &facts.visits);
    let mut findings: BTreeMap<Option<&str>, Vec<(Option<&str>, FindingLine)>> = BTreeMap::new();
    for row in &facts.findings {
        let Some(line) = finding(row, &facts.past, day, as_of) else { continue };
        let logger = row.logger.as_deref();
        let vehicle = logger.and_then(|l| owners.get(l).copied()).or(row.vehicle.as_deref());
        let vehicle = vehicle.filter(|v| config.vehicles.iter().any(|known| known.id.as_str() == *v));
        findings.entry(vehicle).or_default().push((logger, line));
    }
    let mut totals = Totals { duplicates_avoided: facts.duplicates_avoided, ..Totals::default() };
    for row in &facts.loggers {
        more(&mut totals.files_archived, row.archived_files);
        more(&mut totals.bytes_archived, row.archived_bytes);
        more(&mut totals.files_lost, row.lost);
        more(&mut totals.files_held, row.held);
        more(&mut totals.bytes_delivered, row.bytes);
        more(&mut totals.bytes_fetched_twice, row.twice);
        more(&mut totals.cuts, row.cuts);
    }
    for each in facts.air.values() {
        hourly(&mut totals.bytes_by_hour, each);
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
                hours: None,
                // What is away and was seen says both.
                away: facts.not_expected(config, vehicle, day.date),
                leaves: vehicle.leaves.map(|time| time.strftime("%H:%M").to_string()),
                strip: Vec::new(),
                loggers: Vec::new(),
                findings: Vec::new(),
            };
            let fitted = || config.loggers.iter().filter(|l| l.vehicle == vehicle.id);
            let met = |id: &str| {
                let seen = rows.get(id).is_some_and(|row| row.seen.is_some());
                seen || answered.contains_key(id)
            };
            let like = |ago: i64| {
                let date = day.date.checked_sub(jiff::Span::new().days(ago)).ok();
                date.is_some_and(|date| facts.not_expected(config, vehicle, date).is_none())
            };
            // Where one of its loggers was seen, the vehicle was, and the silence of another is its own.
            let met = fitted().any(|l| met(l.id.as_str()));
            for logger in fitted() {
                let id = logger.id.as_str();
                let act = own.iter().any(|(of, f)| f.needs_person() && of.is_none_or(|of| of == id));
                let visits = facts.visits.get(id).map_or(&[] as &[Visit], Vec::as_slice);
                let met = Met {
                    row: rows.get(id).copied(),
                    answered: answered.get(id).copied(),
                    act,
                    visits,
                    elsewhere: facts.elsewhere.get(id).map(String::as_str),
                    drove: facts.drove_by(config, logger, day).is_some(),
                    missed: !met && sight.may_have_missed(visits, part, like),
                };
                add(&mut line, id, &met, (&sight, part), day, as_of);
            }
            for logger in &mut line.loggers {
                if let Some(note) = facts.noted(About::Logger, &logger.id, day.date)
                    && logger.verdict == Verdict::NotSeen
                {
                    logger.verdict = Verdict::Away;
                    line.away = Some(note.reason.clone());
                }
            }
            // A vehicle for which no logger is listed cannot be seen.
            let none = if line.away.is_some() { Verdict::Away } else { Verdict::NotSeen };
            line.verdict = line.loggers.iter().map(|l| l.verdict).max().unwrap_or(none);
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
    let seen = vehicles.iter().flat_map(|v| &v.loggers);
    let seen = seen.filter(|l| l.last_seen.is_some_and(|at| day.from <= at && at < day.to));
    let seen = seen.map(|l| l.id.as_str()).collect();
    let ground = Ground { config, facts, day, as_of, sight: &sight, part, cells: &cells };
    let access_points = causes::lines(&ground, &rows, &seen);
    let outage = |name: &str| {
        let mut rows = facts.findings.iter().filter(|f| f.gone.is_none());
        let row = rows.find(|f| OUTAGES.iter().any(|code| f.id == format!("{code}:{name}")))?;
        stamp(Some(row.since))
    };
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
                away_since: outage(archive.name.as_str()),
            })
            .collect(),
        access_points,
        safety: safety(config, facts, as_of),
        blind: sight
            .within(part)
            .filter_map(|((from, to), why)| {
                Some(Blind { from: stamp(Some(from))?, to: stamp(Some(to))?, why })
            })
            .collect(),
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
    causes::add(&mut report, &ground);
    facts.past.finish(&mut report, day);
    report
}

/// Findings of an archive that cannot be used.
const OUTAGES: &[&str] = &["archive-away", "archive-other", "archive-full"];

/// Whether the data is safe, and for how long there is room.
fn safety(config: &Config, facts: &Facts, as_of: Timestamp) -> Safety {
    let spool = &facts.spool;
    let backlog_files = sum(facts.loggers.iter().map(|l| l.backlog));
    let backlog_bytes = sum(facts.loggers.iter().map(|l| l.bytes_backlog));
    let limit = config.depot.spool_limit;
    // Days on which Yarder did not run yet brought nothing.
    let lived = facts.watched.first.map_or(0, |first| as_of.as_millisecond() - first);
    let days = |most: i64| (lived as f64 / DAY as f64).clamp(1.0, most as f64);
    let a_day = spool.two_weeks as f64 / days(14);
    let home = |bytes: u64| {
        let left = (bytes as f64 / (spool.backlog_week as f64 / days(7))).ceil();
        let today = as_of.to_zoned_datetime(config.depot.time_zone.clone()).date();
        (left.is_finite() && left < 36_500.0)
            .then(|| today.checked_add(jiff::Span::new().days(left as i64)).ok())
            .flatten()
    };
    Safety {
        proof: spool.proof.clone(),
        files_waiting: spool.files_waiting,
        bytes_waiting: spool.bytes_waiting,
        spool_used: spool.used,
        spool_limit: limit,
        spool_days: (spool.two_weeks > 0)
            .then(|| (limit.saturating_sub(spool.used) as f64 / a_day * 10.0).round() / 10.0),
        spool_past: facts.past.spool.clone(),
        backlog_files,
        backlog_bytes,
        backlog_ends: (backlog_bytes > 0).then(|| home(backlog_bytes)).flatten(),
        audits: audits::lines(&facts.audits),
    }
}

/// All of it; sizes are what loggers claim.
pub(super) fn sum(each: impl IntoIterator<Item = u64>) -> u64 {
    each.into_iter().fold(0, u64::saturating_add)
}

/// Adds hours to hours.
pub(super) fn hourly(sums: &mut Vec<u64>, by: &[u64]) {
    sums.resize(sums.len().max(by.len()), 0);
    sums.iter_mut().zip(by).for_each(|(sum, by)| more(sum, *by));
}

/// Adds to a sum; sizes are what loggers claim.
pub(super) fn more(sum: &mut u64, by: u64) {
    *sum = sum.saturating_add(by);
}

/// What is known of a logger's day.
struct Met<'f> {
    /// `None` for one that never gave a listing.
    row: Option<&'f LoggerDay>,
    /// When it answered without a usable listing, ms.
    answered: Option<i64>,
    /// Whether it has a finding that needs a person.
    act: bool,
    /// Its visits, oldest first.
    visits: &'f [Visit],
    /// Whether another logger of its vehicle has a log of driving, as [`Facts::drove_by`] tells.
    drove: bool,
    /// The depot that had it this day, where that is another one.
    elsewhere: Option<&'f str>,
    /// Whether it may have been there while Yarder could not see.
    missed: bool,
}

/// Adds a logger to its vehicle's line.
fn add(
    line: &mut VehicleLine,
    id: &str,
    met: &Met<'_>,
    (sight, part): (&Sight, Span),
    day: &Day,
    as_of: Timestamp,
) {
    let never = LoggerDay::default();
    let row = met.row.unwrap_or(&never);
    let seen = row.seen.max(met.answered);
    let whole = row.last_whole.is_some_and(|at| at >= day.from.as_millisecond());
    let to_fetch = row.listed.saturating_add(row.fetching).saturating_sub(row.backlog);
    let pending = to_fetch.saturating_add(row.whole).saturating_add(row.held);
    let verdict = verdict::of(&verdict::Facts {
        expected: line.away.is_none(),
        answered: seen.is_some(),
        whole,
        clean: pending == 0 && row.lost == 0 && !met.act,
        drove: met.drove || sight.drove(met.visits, part),
        new: row.new > 0,
        missed: met.missed,
        elsewhere: met.elsewhere.is_some(),
    });
    let before = |at: &i64| *at < day.to.as_millisecond();
    let last = row.last_seen.filter(before).or(met.visits.iter().map(|v| v.to).rfind(before));
    let logger = LoggerLine {
        id: id.to_owned(),
        verdict,
        last_seen: stamp(seen.or(last)),
        data_until: stamp(row.data_until).filter(|at| credible(*at, as_of)),
        listing_whole: whole,
        depot: met.elsewhere.filter(|_| verdict == Verdict::Elsewhere).map(str::to_owned),
        card: None,
    };
    line.last_seen = line.last_seen.max(logger.last_seen);
    line.data_until = match (line.data_until, logger.data_until) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    line.loggers.push(logger);
    let files = &mut line.files;
    more(&mut files.archived, row.archived_files);
    more(&mut files.listed, to_fetch);
    more(&mut files.open, row.open);
    more(&mut files.whole, row.whole);
    more(&mut files.held, row.held);
    more(&mut files.lost, row.lost);
    more(&mut files.backlog, row.backlog);
    let bytes = &mut line.bytes;
    more(&mut bytes.archived, row.archived_bytes);
    more(&mut bytes.to_fetch, row.bytes_to_fetch.saturating_sub(row.bytes_backlog));
    more(&mut bytes.backlog, row.bytes_backlog);
    more(&mut bytes.delivered, row.bytes);
    more(&mut bytes.fetched_twice, row.twice);
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

/// Times before 2005 or more than a day ahead of the depot's clock come from a logger whose clock
/// is lost.
fn credible(at: Timestamp, now: Timestamp) -> bool {
    const YEAR_2005: i64 = 1_104_537_600;
    at.as_second() >= YEAR_2005 && at.duration_since(now) <= SignedDuration::from_hours(24)
}

pub(super) fn stamp(ms: Option<i64>) -> Option<Timestamp> {
    ms.and_then(|ms| Timestamp::from_millisecond(ms).ok())
}
