//! Findings that are derived when a report is made: what was missed, and the causes that lie with the
//! depot, each of which absorbs what follows from it. Pure.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::{Value, json};

use super::build::{Facts, hourly, more, stamp};
use super::coverage::{Card, Forecast, Found, Hour, STANDING};
use super::points::{Cell, Silence};
use super::sight::{DAY, Sight, Span};
use super::value::{
    AccessPointLine, CardLine, FindingLine, FindingState, Hours, LoggerLine, Report, VehicleLine, Verdict,
};
use super::words::{count, moment};
use crate::config::{Config, Vehicle};
use crate::ledger::{LoggerDay, Severity, Visit};
use crate::model::{Day, LoggerId, amount};

/// Working days after which a look becomes a task.
const PATIENCE: usize = 3;
/// How far back missed days are counted.
pub(super) const BACK: i32 = 60;

/// Codes of findings that stand on no row of the ledger: each report derives them anew.
const DERIVED: [&str; 4] = ["access-point-silent", "could-not-see", "no-data", "not-seen"];

/// Whether a finding is derived anew by each report, and goes on from one to the next.
pub(super) fn is_derived(finding: &FindingLine) -> bool {
    let code = finding.code.as_str();
    // An event has its file in its subject: it is told once.
    DERIVED.contains(&code) || STANDING.contains(&code) && !finding.id.contains('/')
}

/// What derived findings are made of.
pub(super) struct Ground<'g> {
    pub config: &'g Config,
    pub facts: &'g Facts,
    pub day: &'g Day,
    pub as_of: Timestamp,
    pub sight: &'g Sight,
    /// The day so far, ms.
    pub part: Span,
    /// The access points.
    pub cells: &'g [Cell<'g>],
}

impl Ground<'_> {
    pub fn finding(&self, code: &str, subject: &str, severity: Severity, since: i64) -> FindingLine {
        let since = stamp(Some(since)).unwrap_or(self.day.from);
        // What began before the last report is what that one told.
        let told = self.told(code, subject).filter(|_| self.facts.past.told_after(since));
        let since = told.map_or(since, |told| told.since.min(since));
        FindingLine {
            id: format!("{code}:{subject}"),
            code: code.to_owned(),
            severity: severity.as_str(),
            since,
            days: self.days(since),
            state: if since >= self.day.from { FindingState::New } else { FindingState::Known },
            until: None,
            vehicles: Vec::new(),
            evidence: Value::Null,
            cause: String::new(),
            action: String::new(),
        }
    }

    /// Whole days of 24 hours since then.
    fn days(&self, since: Timestamp) -> i64 {
        self.as_of.min(self.day.to).duration_since(since).as_hours().max(0) / 24
    }

    /// What the files of a logger show. What goes on began when it was first told.
    fn content(&self, logger: &str, found: &Found) -> FindingLine {
        let subject = found.event.as_ref().map_or(logger.to_owned(), |file| format!("{logger}/{file}"));
        let began = self.told(found.code, &subject).map_or(found.since, |told| told.since.as_millisecond());
        FindingLine {
            evidence: found.evidence.clone(),
            cause: found.cause.clone(),
            action: found.action.clone(),
            ..self.finding(found.code, &subject, found.severity, began.min(found.since))
        }
    }

    pub fn moment(&self, at: Timestamp) -> String {
        moment(at, self.as_of.min(self.day.to), &self.config.depot.time_zone)
    }

    /// Days of the last two months, this one included, on which a vehicle was expected and Yarder
    /// could see, after the day of its last sign; oldest first. This day counts from its middle on.
    fn missed(&self, vehicle: &Vehicle, last: Option<Timestamp>) -> Vec<Date> {
        let depot = &self.config.depot;
        let first = stamp(self.facts.watched.first);
        let half = self.day.from.as_millisecond() / 2 + self.day.to.as_millisecond() / 2;
        let mut missed = Vec::new();
        for back in 0..BACK {
            let date = self.day.date.checked_sub(jiff::Span::new().days(back)).ok();
            let Some(day) = date.and_then(|date| Day::of(date, depot.day_starts, &depot.time_zone)) else {
                break;
            };
            if last.is_some_and(|last| last >= day.from)
                || back > 0 && first.is_none_or(|first| day.to <= first)
            {
                break;
            }
            let span = (day.from.as_millisecond(), day.to.as_millisecond().min(self.part.1));
            if (back > 0 || self.part.1 >= half)
                && self.facts.not_expected(self.config, vehicle, day.date).is_none()
                && self.sight.saw(span)
            {
                missed.push(day.date);
            }
        }
        missed.reverse();
        missed
    }

    fn begins(&self, date: Option<&Date>) -> i64 {
        let depot = &self.config.depot;
        let day = date.and_then(|date| Day::of(*date, depot.day_starts, &depot.time_zone));
        day.unwrap_or(*self.day).from.as_millisecond()
    }

    fn not_seen(&self, line: &VehicleLine, unseen: &[&LoggerLine], missed: &[Date]) -> FindingLine {
        let severity = if missed.len() < PATIENCE { Severity::Watch } else { Severity::Act };
        let last = last_seen(unseen);
        let seen = last.map_or("and never before".to_owned(), |at| format!("last seen {}", self.moment(at)));
        let unseen = unseen.iter().map(|l| l.id.as_str()).collect::<Vec<_>>();
        // The vehicle itself may stand there, with another logger that answers.
        let some = unseen.len() < line.loggers.len();
        let whose = if some { format!("its logger {}: ", unseen.join(", ")) } else { String::new() };
        FindingLine {
            evidence: json!({
                "loggers": unseen, "working_days": missed.len(), "last_seen": last,
            }),
            cause: match missed.len() {
                0 | 1 => format!("{whose}expected this day and not seen, {seen}"),
                n => format!("{whose}expected on {} days and not seen, {seen}", count(n as u64)),
            },
            action: match severity {
                _ if some => "See whether that logger has power and its card is in it.".to_owned(),
                Severity::Act => {
                    "See where it is and whether its logger has power; if it is away, write `away` for it \
                    in vehicles.toml."
                        .to_owned()
                }
                _ => "Nothing yet if it stood elsewhere; see whether it comes home today.".to_owned(),
            },
            ..self.finding("not-seen", &line.id, severity, self.begins(missed.first()))
        }
    }

    fn no_data(&self, vehicle: &Vehicle, logger: &LoggerLine) -> FindingLine {
        let missed = self.missed(vehicle, logger.data_until);
        let severity = if missed.len() < PATIENCE { Severity::Watch } else { Severity::Act };
        let until =
            logger.data_until.map_or(String::new(), |at| format!("; its data ends {}", self.moment(at)));
        let visits = self.facts.visits.get(&logger.id).map_or(&[] as &[Visit], Vec::as_slice);
        let listed = self.config.loggers.iter().find(|l| l.id.as_str() == logger.id);
        let other = listed.and_then(|l| self.facts.drove_by(self.config, l, self.day));
        let before = self.told("no-data", &logger.id).and_then(|told| told.evidence["drove_by"].as_str());
        let other = other.map(LoggerId::as_str).or(before).filter(|_| !self.sight.drove(visits, self.part));
        let why = match other {
            Some(other) => format!("has recorded nothing new, and {other} has a log of driving"),
            None => "was away from the yard and has recorded nothing new".to_owned(),
        };
        FindingLine {
            evidence: json!({ "data_until": logger.data_until, "working_days": missed.len(), "drove_by": other }),
            cause: format!("{} {why}{until}", logger.id),
            action: format!(
                "See whether it is connected to the bus and its card has room; `yarder probe {}` shows what it offers.",
                logger.id
            ),
            ..self.finding("no-data", logger.id.as_str(), severity, self.begins(missed.first()))
        }
    }

    fn silent(&self, names: &[Option<&str>], silence: &Silence) -> FindingLine {
        let given: Vec<&str> = names.iter().flatten().copied().collect();
        let (subject, place) = match given.as_slice() {
            [] => ("yard".to_owned(), String::new()),
            [one] => ((*one).to_owned(), format!(" at {one}")),
            all => (all.join("+"), format!(" at any of {}", all.join(", "))),
        };
        let usual = count(silence.usual as u64);
        let since = stamp(Some(silence.since)).unwrap_or(self.day.from);
        FindingLine {
            evidence: json!({ "access_points": given, "answered": silence.answered, "usual": silence.usual }),
            cause: match silence.answered {
                0 => format!("no logger{place} answered after {}, usually {usual} do", self.moment(since)),
                n => format!("only {}{place} answered, usually {usual} do", super::words::of(n as u64, "logger")),
            },
            action: match given.len() {
                0 | 1 => "Look at the access point first: its power, its cable, its place in the network.",
                _ => "Look first at what the access points share: the power, the switch, the cable to the depot PC.",
            }
            .to_owned(),
            ..self.finding("access-point-silent", &subject, Severity::Act, silence.since)
        }
    }

    fn unseen(&self) -> FindingLine {
        let mut spans: BTreeMap<&str, i64> = BTreeMap::new();
        let mut first = None;
        for ((from, to), why) in self.sight.within(self.part) {
            *spans.entry(why).or_default() += to - from;
            first = first.or(Some(from));
        }
        let longest = spans.iter().max_by_key(|(_, ms)| **ms).map_or("down", |(why, _)| *why);
        let (why, action) = match longest {
            "network" => {
                ("the depot PC had no network", "See to the depot PC's network card, cable and switch.")
            }
            "clock" => ("the depot PC's clock was wrong", "See to the depot PC's clock and its time server."),
            _ => ("it did not run", "See why the service or the depot PC was down: `journalctl -u yarder`."),
        };
        let all = (spans.values().sum::<i64>() as f64 / 1000.0).max(360.0);
        FindingLine {
            evidence: json!({ "seconds": spans.iter().map(|(w, ms)| (*w, ms / 1000)).collect::<BTreeMap<_, _>>() }),
            cause: format!("Yarder could not see for {} of this day: {why}", amount::span(all)),
            action: action.to_owned(),
            ..self.finding("could-not-see", "depot", Severity::Watch, first.unwrap_or(self.part.0))
        }
    }
}

/// The last sign of loggers that are missed: of the one that is missed for longest.
fn last_seen(unseen: &[&LoggerLine]) -> Option<Timestamp> {
    unseen.iter().map(|l| l.last_seen).min().flatten()
}

/// Every access point's day.
pub(super) fn lines(
    ground: &Ground<'_>,
    loggers: &BTreeMap<&str, &LoggerDay>,
    seen: &BTreeSet<&str>,
) -> Vec<AccessPointLine> {
    let (from, _) = ground.part;
    let line = |cell: &Cell<'_>| {
        let name = cell.name?;
        let usual = cell.usual(ground.config, ground.sight, ground.day, (from, from + DAY));
        let mut line = AccessPointLine {
            name: name.to_owned(),
            loggers: cell.visits.len() as u64,
            usual: usual.map(|n| n as u64),
            ..AccessPointLine::default()
        };
        for logger in ground.config.loggers.iter().filter(|l| l.access_point.as_deref() == Some(name)) {
            more(&mut line.answered, u64::from(seen.contains(logger.id.as_str())));
            if let Some(row) = loggers.get(logger.id.as_str()) {
                more(&mut line.bytes_delivered, row.bytes);
                more(&mut line.bytes_fetched_twice, row.twice);
                more(&mut line.cuts, row.cuts);
            }
            if let Some(each) = ground.facts.air.get(logger.id.as_str()) {
                hourly(&mut line.bytes_by_hour, each);
            }
        }
        Some(line)
    };
    ground.cells.iter().filter_map(line).collect()
}

/// Whether a finding of the depot explains a vehicle's verdict.
type Explains = fn(&VehicleLine) -> bool;

/// Findings of the depot, and the vehicles that each of them explains.
const ABSORBS: &[(&str, Explains)] = &[
    ("clock-not-plausible", |v| v.verdict == Verdict::Unknown),
    ("network-down", |v| v.verdict == Verdict::Unknown),
    ("archive-away", waits),
    ("archive-other", waits),
    ("archive-full", waits),
    ("spool-full", to_fetch),
    ("link-used-up", to_fetch),
];

/// Whether a vehicle has something that is not fetched.
fn to_fetch(v: &VehicleLine) -> bool {
    v.verdict == Verdict::Incomplete && v.files.listed > 0
}

/// Whether everything that a vehicle lacks waits for an archive.
fn waits(v: &VehicleLine) -> bool {
    v.verdict == Verdict::Incomplete && v.files.whole > 0 && v.files.listed + v.files.held + v.files.lost == 0
}

/// Findings of vehicles that follow from one of the depot.
const FOLLOWS: &[(&str, &str)] = &[
    ("archive-away", "not-archived"),
    ("archive-other", "not-archived"),
    ("archive-full", "not-archived"),
    ("spool-full", "partial-dropped"),
];

/// Adds the derived findings to a report whose vehicles have those of the ledger.
pub(super) fn add(report: &mut Report, ground: &Ground<'_>) {
    absorb(report, ground);
    swapped(&mut report.vehicles);
    let mut absorbed = BTreeSet::new();
    let silent: Vec<(Option<&str>, Silence)> = ground
        .cells
        .iter()
        .filter_map(|c| Some((c.name, c.silence(ground.config, ground.sight, ground.day, ground.part)?)))
        .collect();
    let cells = ground.config.loggers.iter().map(|l| l.access_point.as_deref()).collect::<BTreeSet<_>>();
    let mut found: Vec<(Vec<Option<&str>>, Silence)> = Vec::new();
    if silent.len() > 1 && silent.len() == cells.len() {
        // What silences all of them at once is one trouble.
        let since = silent.iter().map(|(_, s)| s.since).max().unwrap_or_default();
        let sum = |of: fn(&Silence) -> usize| silent.iter().map(|(_, s)| of(s)).sum();
        let all = Silence { since, answered: sum(|s| s.answered), usual: sum(|s| s.usual) };
        found.push((silent.iter().map(|(name, _)| *name).collect(), all));
    } else {
        found.extend(silent.into_iter().map(|(name, silence)| (vec![name], silence)));
    }
    let still = ground.still_silent(&found);
    found.extend(still);
    let missed: BTreeMap<&str, Vec<Date>> = report
        .vehicles
        .iter()
        .filter_map(|line| {
            let vehicle = ground.config.vehicles.iter().find(|v| v.id.as_str() == line.id)?;
            let unseen = ground.missing(line);
            (!unseen.is_empty()).then(|| (vehicle.id.as_str(), ground.missed(vehicle, last_seen(&unseen))))
        })
        .collect();
    for (names, silence) in found {
        let mut finding = ground.silent(&names, &silence);
        for vehicle in ground.config.vehicles.iter().filter(|v| names.contains(&v.access_point.as_deref())) {
            // Who was missed before had a reason of its own.
            let of_it = missed.get(vehicle.id.as_str()).is_some_and(|days| {
                days.first().is_none_or(|first| ground.begins(Some(first)) + DAY > silence.since)
            });
            if of_it && absorbed.insert(vehicle.id.to_string()) {
                finding.vehicles.push(vehicle.id.to_string());
            }
        }
        report.findings.push(finding);
    }
    for line in &mut report.vehicles {
        let Some(vehicle) = ground.config.vehicles.iter().find(|v| v.id.as_str() == line.id) else {
            continue;
        };
        if let Some(days) = missed.get(vehicle.id.as_str()).filter(|days| !days.is_empty())
            && !absorbed.contains(&line.id)
        {
            let finding = ground.not_seen(line, &ground.missing(line), days);
            line.findings.push(finding);
        }
        // Files that nobody wants are a cause of their own.
        let unwanted = |l: &LoggerLine| {
            let id = format!("nothing-matches:{}", l.id);
            line.findings.iter().any(|f| f.id == id && f.state != FindingState::Gone)
        };
        let silent = |l: &&LoggerLine| l.verdict == Verdict::NoData || ground.still_no_data(line, l);
        let silent = line.loggers.iter().filter(silent).filter(|l| !unwanted(l));
        let more: Vec<_> = silent.map(|logger| ground.no_data(vehicle, logger)).collect();
        line.findings.extend(more);
    }
    contents(report, ground);
    ground.leaving(report);
    ground.gone(report);
}

/// Adds what the content of the files says.
fn contents(report: &mut Report, ground: &Ground<'_>) {
    let config = ground.config;
    for line in &mut report.vehicles {
        let mut each: Option<Vec<Hour>> = None;
        for logger in config.loggers.iter().filter(|l| l.vehicle.as_str() == line.id) {
            let id = logger.id.as_str();
            let Some(told) = ground.facts.contents.get(id) else { continue };
            line.findings.extend(told.found.iter().map(|found| ground.content(id, found)));
            let kept = told.kept.iter().filter_map(|code| ground.told(code, id));
            line.findings.extend(kept.map(|was| FindingLine { days: ground.days(was.since), ..was.clone() }));
            if let Some(logger) = line.loggers.iter_mut().find(|l| l.id == id) {
                logger.card = told.card.map(card);
            }
            line.coverage = match (line.coverage, told.covered) {
                (Some(a), Some(b)) => Some(f64::min(a, b)),
                (a, b) => a.or(b),
            };
            each = match (each, &told.hours) {
                (Some(a), Some(b)) => Some(a.into_iter().zip(b).map(|(a, b)| a.max(*b)).collect()),
                (a, b) => a.or(b.clone()),
            };
        }
        let letters = |each: Vec<Hour>| each.into_iter().map(Hour::letter).collect();
        let from = stamp(Some(ground.day.calendar(&config.depot.time_zone).0));
        line.hours = each.zip(from).map(|(each, from)| Hours { from, each: letters(each) });
    }
}

fn card((card, forecast): (Card, Option<Forecast>)) -> CardLine {
    let at = |of: fn(&Forecast) -> i64| forecast.as_ref().and_then(|forecast| stamp(Some(of(forecast))));
    CardLine {
        size: card.size,
        taken: card.size.saturating_sub(card.room()),
        overwrites: card.overwrites,
        bytes_a_day: forecast.map(|forecast| forecast.a_day as u64),
        full: at(|f| f.full),
        earliest: at(|f| f.earliest),
        latest: at(|f| f.latest),
    }
}

/// Two loggers that answer with the files of each other are one trouble: the first vehicle's finding
/// names the other.
fn swapped(vehicles: &mut [VehicleLine]) {
    let owner = |f: &FindingLine| {
        let logger = f.id.strip_prefix("wrong-logger:")?.to_owned();
        // The second one was not told before, so that the two may differ in what is new.
        Some((logger, f.evidence["owner"].as_str()?.to_owned(), f.state == FindingState::Gone))
    };
    let all = |vehicles: &[VehicleLine]| -> Vec<_> {
        let of = |v: &VehicleLine| {
            v.findings.iter().filter_map(owner).map(|o| (v.id.clone(), o)).collect::<Vec<_>>()
        };
        vehicles.iter().flat_map(of).collect()
    };
    let found = all(vehicles);
    for (nth, (vehicle, (logger, other, gone))) in found.iter().enumerate() {
        let back =
            |(_, (l, o, g)): &&(String, (String, String, bool))| l == other && o == logger && g == gone;
        let Some((second, _)) = found.iter().skip(nth + 1).find(back) else { continue };
        let id = |logger: &str| format!("wrong-logger:{logger}");
        for line in vehicles.iter_mut() {
            if line.id == *second {
                line.findings.retain(|f| f.id != id(other));
            }
            let first = line.findings.iter_mut().filter(|f| line.id == *vehicle && f.id == id(logger));
            first.for_each(|f| f.vehicles.push(second.clone()));
        }
    }
}

/// Gives each finding of the depot the vehicles that it explains, and takes what follows from it.
fn absorb(report: &mut Report, ground: &Ground<'_>) {
    let is = |f: &FindingLine, code: &str| f.code == code && f.state != FindingState::Gone;
    for (code, explains) in ABSORBS {
        for finding in report.findings.iter_mut().filter(|f| is(f, code)) {
            let point = finding.evidence["access_point"].as_str();
            let at = |v: &VehicleLine| {
                let mut loggers = ground.config.loggers.iter().filter(|l| l.vehicle.as_str() == v.id);
                point.is_none() || loggers.any(|l| l.access_point.as_deref() == point)
            };
            let all = report.vehicles.iter().filter(|v| explains(v) && at(v));
            finding.vehicles = all.map(|v| v.id.clone()).collect();
        }
    }
    for (cause, follows) in FOLLOWS {
        for finding in report.findings.iter_mut().filter(|f| is(f, cause)) {
            // An archive's own troubles begin with its name.
            let of = match finding.id.split_once(':') {
                Some((_, archive)) if *follows == "not-archived" => format!("{follows}:{archive}/"),
                _ => format!("{follows}:"),
            };
            for vehicle in &mut report.vehicles {
                let before = vehicle.findings.len();
                vehicle.findings.retain(|f| !f.id.starts_with(&of) || f.state == FindingState::Gone);
                if vehicle.findings.len() < before && !finding.vehicles.contains(&vehicle.id) {
                    finding.vehicles.push(vehicle.id.clone());
                }
            }
        }
    }
    let unknown: Vec<String> =
        report.vehicles.iter().filter(|v| v.verdict == Verdict::Unknown).map(|v| v.id.clone()).collect();
    let told = report.findings.iter().any(|f| is(f, "network-down") || is(f, "clock-not-plausible"));
    if !unknown.is_empty() && !told {
        report.findings.push(FindingLine { vehicles: unknown, ..ground.unseen() });
    }
}
