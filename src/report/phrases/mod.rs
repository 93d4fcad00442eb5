//! What the page says, in its order, before it is set as text or HTML. Pure.
//!
//! Names from loggers and people come out of here as [`plain`] text.

mod head;
mod proof;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::value::{FindingLine, FindingState, Report, VehicleLine, Verdict};
use super::words::{age, calendar_day, count, moment, of, opening, plain, sentence};

/// Vehicles of one verdict that are named in the head.
const ROLL: usize = 12;
/// Files that are not home, and vehicles, that are named in one sentence or list.
const NAMED: usize = 5;
const FEW: usize = 3;

/// Where loggers without a vehicle's line, archives and the service itself are filed.
pub const DEPOT: &str = "the depot";

/// Findings of one vehicle or of the depot.
#[derive(Debug)]
pub struct Group<'r> {
    /// `None` for the depot.
    pub vehicle: Option<&'r VehicleLine>,
    /// New ones first.
    pub findings: Vec<&'r FindingLine>,
}

impl Group<'_> {
    /// What is: of the depot a sentence of its own, of a vehicle what goes on behind its name.
    pub fn cause(&self, finding: &FindingLine) -> String {
        let cause = sentence(&finding.cause);
        if self.vehicle.is_none() { opening(&cause) } else { cause }
    }

    /// The vehicle's id, or [`DEPOT`].
    pub fn who(&self) -> String {
        self.vehicle.map_or_else(|| DEPOT.to_owned(), |v| plain(&v.id))
    }
}

/// Whether a finding says that data is lost.
pub fn is_loss(finding: &FindingLine) -> bool {
    matches!(finding.code.as_str(), "file-lost" | "only-copy-gone")
}

/// A report in words.
#[derive(Clone, Copy)]
pub struct Told<'r> {
    /// The report.
    pub report: &'r Report,
    /// The depot's time zone.
    pub zone: &'r TimeZone,
}

impl<'r> Told<'r> {
    /// A moment as the clock says it.
    pub fn clock(&self, at: Timestamp) -> String {
        moment(at, self.report.as_of, self.zone)
    }

    /// Findings that fit, the depot's first, then of the vehicles: new and worse ones first.
    pub fn groups(&self, fits: impl Fn(&FindingLine) -> bool + Copy) -> Vec<Group<'r>> {
        let depot = Group { vehicle: None, findings: by_state(&self.report.findings, fits) };
        let own = |v: &'r VehicleLine| Group { vehicle: Some(v), findings: by_state(&v.findings, fits) };
        let mut all: Vec<Group<'r>> = self.report.vehicles.iter().map(own).collect();
        all.sort_by_key(|g| g.findings.first().map(|f| f.state));
        all.insert(0, depot);
        all.retain(|g| !g.findings.is_empty());
        all
    }

    /// Which vehicles a finding of the depot explains.
    pub fn explains(&self, finding: &FindingLine) -> Option<String> {
        let all = finding.vehicles.len();
        (all > 0).then(|| format!("It explains {}.", listed(&finding.vehicles, 2 * NAMED)))
    }

    /// What persons know and want to hear no more of: who, the code, and until when.
    pub fn snoozed(&self) -> Vec<(String, &'r str, String)> {
        let mut all = Vec::new();
        for group in self.groups(|f| f.state == FindingState::Snoozed) {
            for finding in &group.findings {
                let until = finding.until.map_or(String::new(), |d| format!(" until {}", self.day(d)));
                all.push((group.who(), finding.code.as_str(), until));
            }
        }
        all
    }

    /// Who needs attention first, then who is due out next; within that the order of the list.
    pub fn rows(&self) -> Vec<&'r VehicleLine> {
        let mut rows: Vec<&VehicleLine> = self.report.vehicles.iter().collect();
        rows.sort_by_key(|v| {
            let rank = match v.verdict {
                Verdict::Incomplete => 0,
                Verdict::NoData => 1,
                Verdict::NotSeen => 2,
                Verdict::Unknown => 3,
                Verdict::Elsewhere => 4,
                Verdict::Complete => 5,
                Verdict::Away => 6,
            };
            (!v.needs_person(), v.files.lost == 0, rank, self.due(v))
        });
        rows
    }

    /// In how many minutes a vehicle is due out; last who may leave at any time, or has nothing to
    /// fetch.
    fn due(&self, vehicle: &VehicleLine) -> i64 {
        const DAY: i64 = 24 * 60;
        let minutes = |time: Time| i64::from(time.hour()) * 60 + i64::from(time.minute());
        let now = self.report.as_of.to_zoned_datetime(self.zone.clone()).time();
        let leaves = vehicle.leaves.as_deref().filter(|_| vehicle.verdict == Verdict::Incomplete);
        let leaves = leaves.and_then(|time| time.parse::<Time>().ok());
        leaves.map_or(DAY, |time| (minutes(time) - minutes(now)).rem_euclid(DAY))
    }

    /// Why a vehicle stands as it does, beside its findings.
    pub fn note(&self, vehicle: &VehicleLine) -> String {
        let mut why = Vec::new();
        if let Some(away) = vehicle.away.as_deref().filter(|a| !a.trim().is_empty()) {
            why.push(plain(away.trim()));
        }
        let explained = |f: &&FindingLine| f.state != FindingState::Gone && f.vehicles.contains(&vehicle.id);
        if let Some(cause) = self.report.findings.iter().find(explained) {
            why.push(format!("explained by {}", plain(&cause.code)));
        }
        let files = &vehicle.files;
        let due = vehicle.leaves.as_deref().map_or(String::new(), |at| format!(", due out at {}", plain(at)));
        let was = if files.lost == 1 { "it was" } else { "they were" };
        for (n, text) in [
            (files.lost, format!("{} lost before {was} fetched", of(files.lost, "file"))),
            (files.listed, format!("{} not fetched yet{due}", of(files.listed, "file"))),
            (files.whole, format!("{} in the spool, not in every archive yet", of(files.whole, "file"))),
            (files.held, format!("{} held: yarder held", of(files.held, "file"))),
        ] {
            why.extend((n > 0).then_some(text));
        }
        if vehicle.loggers.is_empty() {
            why.push("no logger is listed for it".to_owned());
        }
        for logger in &vehicle.loggers {
            let id = plain(&logger.id);
            if logger.verdict == Verdict::NotSeen && vehicle.loggers.len() > 1 {
                why.push(format!("logger {id} not seen"));
            }
            if let Some(depot) = &logger.depot {
                why.push(format!("logger {id} home at {}", plain(depot)));
            }
            if logger.verdict == Verdict::Incomplete && !logger.listing_whole {
                why.push(format!("no listing of logger {id} could be read to its end"));
            }
        }
        why.join("; ")
    }

    /// The last days in words, a span for each run of equal ones; oldest first.
    pub fn strip(&self, vehicle: &VehicleLine) -> String {
        let mut runs: Vec<(Date, Date, Option<Verdict>, bool)> = Vec::new();
        for day in &vehicle.strip {
            match runs.last_mut() {
                Some(run) if run.2 == day.verdict && run.3 == day.lost => run.1 = day.date,
                _ => runs.push((day.date, day.date, day.verdict, day.lost)),
            }
        }
        let words = runs.into_iter().map(|(from, to, verdict, lost)| {
            let days =
                if from == to { self.day(from) } else { format!("{} to {}", self.day(from), self.day(to)) };
            let lost = if lost { ", data lost" } else { "" };
            format!("{days} {}{lost}", verdict.map_or("no report", Verdict::words))
        });
        words.collect::<Vec<_>>().join("; ")
    }

    /// The hours of its calendar day in words, a span for each run of equal ones; empty where they are unknown.
    pub fn hours(&self, vehicle: &VehicleLine) -> String {
        let Some(hours) = &vehicle.hours else { return String::new() };
        let clock = |nth: usize| {
            let at = hours.from.saturating_add(SignedDuration::from_hours(nth as i64));
            at.map_or(String::new(), |at| {
                at.to_zoned_datetime(self.zone.clone()).strftime("%H:%M").to_string()
            })
        };
        let words = runs(&hours.each)
            .into_iter()
            .map(|(how, from, to)| format!("{} {} to {}", hour(how), clock(from), clock(to)));
        words.collect::<Vec<_>>().join("; ")
    }

    /// A date with its weekday; the year where it is not the report's.
    pub fn day(&self, date: Date) -> String {
        calendar_day(date, self.report.date)
    }
}

/// Runs of equal hours: how they stand, the first, and the one behind the last.
pub fn runs(each: &str) -> Vec<(char, usize, usize)> {
    let mut runs: Vec<(char, usize, usize)> = Vec::new();
    for (nth, how) in each.chars().enumerate() {
        match runs.last_mut() {
            Some(run) if run.0 == how => run.2 = nth + 1,
            _ => runs.push((how, nth, nth + 1)),
        }
    }
    runs
}

/// How an hour stands, in words.
pub fn hour(how: char) -> &'static str {
    match how {
        'd' => "data",
        'm' => "driven without a log",
        's' => "asleep",
        _ => "unknown",
    }
}

/// A finding's state and age.
pub fn standing(finding: &FindingLine) -> String {
    match finding.state {
        FindingState::New => "new".to_owned(),
        FindingState::Worse => format!("worse, {}", age(finding.days)),
        _ => age(finding.days),
    }
}

/// The findings that fit, new and worse ones first.
fn by_state(all: &[FindingLine], fits: impl Fn(&FindingLine) -> bool) -> Vec<&FindingLine> {
    let mut list: Vec<_> = all.iter().filter(|f| fits(f)).collect();
    list.sort_by_key(|f| f.state);
    list
}

/// `A, B, C and 4 more`.
fn listed(names: &[String], most: usize) -> String {
    let mut text = names.iter().take(most).map(|n| plain(n)).collect::<Vec<_>>().join(", ");
    if names.len() > most {
        text += &format!(" and {} more", count((names.len() - most) as u64));
    }
    text
}
