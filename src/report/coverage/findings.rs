//! What is to be told about a logger's day, with cause and action.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use super::card::{self, Card, Forecast};
use super::clock::{self, Wrong};
use super::engine::{self, Between};
use super::hours::{self, Hour};
use super::vehicle::{Whose, whose};
use super::{Limits, Row, STANDING, buses, numbers, round};
use crate::inspect::facts::{BusLine, Summary};
use crate::ledger::Severity;
use crate::report::words::{self, calendar_day, count, moment, size};

/// Runs and files that a cause names.
const NAMED: usize = 3;
const DAY: f64 = 86_400_000.0;
/// How near each other the frames of a shorter time are says nothing of the bus (common practice, no source).
const LOADED: SignedDuration = SignedDuration::from_secs(10);

/// A logger and what came from it.
#[derive(Debug, Clone)]
pub struct Seen<'s> {
    /// Its id.
    pub logger: &'s str,
    /// The vehicle that it is fitted in.
    pub vehicle: &'s str,
    /// All vehicles of the list, with their VINs.
    pub list: &'s [(&'s str, Option<&'s str>)],
    /// Its files of two weeks and of this day, in the order in which they were recorded.
    pub rows: &'s [Row],
    /// Whether the vehicle was used: it was away from the yard for hours.
    pub used: bool,
    /// Its card, where its size is known.
    pub card: Option<Card>,
    /// By how much its server's clock was ahead of ours when it last told the time in this span, ms, and when that was, ms.
    pub server: Option<(i64, i64)>,
    /// The depot's zone.
    pub zone: &'s TimeZone,
    /// Another logger's card was in it, or another logger at its address: what lies between its files may be there.
    pub strange: bool,
    /// What was told of it and goes on until something mends it: code and evidence.
    pub before: &'s [(&'s str, &'s Value)],
    /// The calendar day whose hours are told, and until when all of its data is home; ms.
    pub calendar: ((i64, i64), i64),
}

/// Something that is wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Its code.
    pub code: &'static str,
    /// The file that shows it first, where it is an event.
    pub event: Option<String>,
    /// How much it asks.
    pub severity: Severity,
    /// When the first file that shows it came home, ms.
    pub since: i64,
    /// What was seen.
    pub evidence: Value,
    /// Why.
    pub cause: String,
    /// What to do.
    pub action: String,
}

/// What the files of a logger's day say.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Told {
    /// What is wrong.
    pub found: Vec<Found>,
    /// Codes of what was told before, and of which this day's files say nothing.
    pub kept: Vec<&'static str>,
    /// Hours with data for each hour driven; `None` where that is unknown.
    pub covered: Option<f64>,
    /// The hours of the calendar day; `None` where no file says anything of it.
    pub hours: Option<Vec<Hour>>,
    /// When its first file that tells of driving in this day came home, ms; `None` while its vehicle or its clock is in doubt.
    pub drove: Option<i64>,
    /// Its card, and when that is full.
    pub card: Option<(Card, Option<Forecast>)>,
}

/// What the files say of a logger that came home in a span in ms.
pub fn of(seen: &Seen<'_>, span: (i64, i64), limits: &Limits) -> Told {
    let steps = engine::steps(seen.rows, limits);
    let forecast = seen.card.and_then(|card| card::forecast(seen.rows, card, span.1));
    let day = Day { seen, span, limits, steps: &steps, forecast };
    let lacks = day.lacks();
    let mut found = Vec::new();
    let other = day.wrong_vehicle();
    let mine = other.is_none();
    found.extend(other);
    found.extend(day.clock());
    found.extend(day.silent());
    // Counters of two vehicles have nothing in common, and what is on another card is missing from none.
    found.extend(day.unlogged(mine && !seen.strange, &lacks));
    if !seen.strange {
        found.extend(day.numbers(mine, &lacks));
    }
    found.extend(day.damaged());
    found.extend(day.dropped());
    found.extend(day.too_many());
    found.extend(day.loaded());
    found.extend(day.card());
    let told = |code: &str| found.iter().any(|f| f.code == code && f.event.is_none());
    let kept = seen.before.iter().filter(|(code, was)| !told(code) && day.keeps(code, was));
    let kept: Vec<_> =
        kept.filter_map(|(code, _)| STANDING.into_iter().find(|known| known == code)).collect();
    let timed = found.iter().all(|f| f.code != "logger-clock" || f.severity != Severity::Act);
    let (calendar, known) = seen.calendar;
    let hours = if timed { hours::hours(seen.rows, &steps, limits, calendar, known) } else { None };
    let covered = if mine && !seen.strange { hours::covered(seen.rows, &steps, span) } else { None };
    let there = found.iter().map(|f| f.code).chain(kept.iter().copied());
    let doubted =
        seen.strange || there.into_iter().any(|code| matches!(code, "logger-clock" | "wrong-vehicle"));
    let drives = day.files().filter(|(_, facts, _)| !doubted && engine::drove(facts, span, limits));
    let drove = drives.map(|(_, _, home)| home).min();
    Told { found, kept, covered, hours, drove, card: seen.card.map(|card| (card, forecast)) }
}

struct Day<'d> {
    seen: &'d Seen<'d>,
    span: (i64, i64),
    limits: &'d Limits,
    steps: &'d [engine::Step],
    forecast: Option<Forecast>,
}

impl Day<'_> {
    fn came(&self, row: &Row) -> bool {
        row.home.is_some_and(|home| (self.span.0..self.span.1).contains(&home))
    }

    /// Files that came home in this span and could be read, with when they came.
    fn files(&self) -> impl Iterator<Item = (&Row, &Summary, i64)> {
        self.seen
            .rows
            .iter()
            .filter(|row| self.came(row))
            .filter_map(|row| Some((row, row.facts.as_deref()?, row.home?)))
    }

    fn first(&self) -> i64 {
        self.files().map(|(_, _, home)| home).min().unwrap_or(self.span.0)
    }

    fn wrong_vehicle(&self) -> Option<Found> {
        let list = self.seen.list.iter().copied();
        let mut others = BTreeMap::<_, Vec<(&Row, i64)>>::new();
        let mut same = false;
        for (row, facts, home) in self.files() {
            match whose(facts, self.seen.vehicle, list.clone()) {
                Whose::Other { vin, vehicle } => others.entry((vin, vehicle)).or_default().push((row, home)),
                Whose::Same => same = true,
                Whose::NoneSeen | Whose::NotListed(_) => {}
            }
        }
        let Seen { logger, vehicle, .. } = self.seen;
        if let Some(((vin, owner), files)) = others.into_iter().max_by_key(|(_, files)| files.len()) {
            let n = words::of(files.len() as u64, "file");
            let cause = match &owner {
                Some(owner) => format!(
                    "{n} of {logger} were recorded in {owner}, not in {vehicle}: they tell its VIN {vin}"
                ),
                None => format!(
                    "{n} of {logger} tell the VIN {vin}, which {vehicle} does not have, nor any vehicle of the list"
                ),
            };
            let action = match &owner {
                Some(owner) => format!(
                    "See which logger is in {vehicle} and which in {owner}; correct `vehicle` in vehicles.toml if they were exchanged."
                ),
                None => {
                    format!("See in which vehicle {logger} is, and compare the VIN with {vehicle}'s papers.")
                }
            };
            return Some(Found {
                code: "wrong-vehicle",
                event: None,
                severity: Severity::Act,
                since: files.iter().map(|(_, home)| *home).min().unwrap_or(self.span.0),
                evidence: json!({ "vin": vin, "vehicle": owner, "listed": vehicle, "files": files.len() }),
                cause,
                action,
            });
        }
        // A VIN that is right is believed more than a counter.
        let step = (!same).then(|| {
            self.steps().find_map(|(step, home)| match step.what {
                Between::Other(is, was) => Some((is, was, home, self.name(step.after))),
                Between::Unlogged(..) => None,
            })
        });
        let (is, was, home, file) = step.flatten()?;
        Some(Found {
            code: "wrong-vehicle",
            event: Some(file),
            severity: Severity::Act,
            since: home,
            evidence: json!({ "odometer_km": is, "before_km": was }),
            cause: format!(
                "the odometer in {logger}'s files reads {is:.0} km, and read {was:.0} km before: it is another vehicle's"
            ),
            action: format!(
                "See whether {logger} is in {vehicle}; nothing to do if {vehicle} was given another instrument."
            ),
        })
    }

    /// Whether what was told goes on, since no file of this span says anything of it.
    fn keeps(&self, code: &str, was: &Value) -> bool {
        let any = |says: fn(&Summary) -> bool| self.files().any(|(_, facts, _)| says(facts));
        match code {
            "card-fills" => self.seen.card.is_some() && self.forecast.is_none(),
            "wrong-vehicle" => {
                was["listed"].as_str() == Some(self.seen.vehicle) && !any(|facts| facts.vin.is_some())
            }
            // What the vehicle's clock showed, a file without it does not refute; nor does silence what the server's did.
            "logger-clock" if was["server_s"].is_f64() => self.seen.server.is_none(),
            "logger-clock" if was["dated_s"].is_f64() => self.dated().is_none(),
            "logger-clock" => {
                match was["began"].is_string() || was["gps_turns"].is_i64() || was["ahead_s"].is_f64() {
                    true => !any(|facts| facts.last.is_some()),
                    false => !any(|facts| facts.clock.offset_s.is_some()),
                }
            }
            "bus-silent" => {
                let names = was["buses"].as_array().into_iter().flatten().filter_map(Value::as_str);
                let speaks = |name: &str| {
                    let mut files = self.files();
                    files.any(|(_, facts, _)| {
                        facts.buses.iter().any(|bus| bus.frames > 0 && (name.is_empty() || bus.name == name))
                    })
                };
                !names.into_iter().all(speaks)
            }
            _ => !any(|facts| facts.frames > 0),
        }
    }

    /// Steps to files that came home in this span.
    fn steps(&self) -> impl Iterator<Item = (&engine::Step, i64)> {
        self.steps.iter().filter_map(|step| {
            let row = self.seen.rows.get(step.after).filter(|row| self.came(row))?;
            Some((step, row.home?))
        })
    }

    fn name(&self, place: usize) -> String {
        self.seen.rows.get(place).map_or(String::new(), |row| row.path.to_string())
    }

    /// Numbers that are missing.
    fn lacks(&self) -> Vec<numbers::Lack> {
        numbers::of(self.seen.rows, self.span)
    }

    /// What was driven from one file to the next while numbers are missing between them; km and hours.
    fn lost_with(&self, lacks: &[numbers::Lack]) -> (f64, f64) {
        let steps = self.steps().filter(|(step, _)| self.across(step, lacks));
        steps.fold((0.0, 0.0), |sum, (step, _)| match step.what {
            Between::Unlogged(km, hours) => (sum.0 + km, sum.1 + hours),
            Between::Other(..) => sum,
        })
    }

    /// Whether numbers are missing between the files of a step.
    fn across(&self, step: &engine::Step, lacks: &[numbers::Lack]) -> bool {
        let path = |place: usize| self.seen.rows.get(place).map(|row| &row.path);
        let (Some(before), Some(after)) = (path(step.before), path(step.after)) else { return false };
        lacks.iter().any(|lack| lack.is_between(before, after))
    }

    /// The end of the file before a step and the beginning of the one after it, as the logger's clock says them.
    fn between(&self, step: &engine::Step) -> Option<String> {
        let facts = |place: usize| self.seen.rows.get(place)?.facts.as_ref();
        let (from, to) = (facts(step.before)?.last?, facts(step.after)?.first?);
        let clock = |at| moment(at, to, self.seen.zone);
        Some(format!("{} and {}", clock(from), clock(to)))
    }

    /// What was driven and no file has: between files, unless their counters are not to be compared, and within them.
    fn unlogged(&self, between: bool, lacks: &[numbers::Lack]) -> Option<Found> {
        let (mut km, mut hours, mut since, mut where_) = (0.0, 0.0, i64::MAX, Vec::new());
        // What the missing files have is told with them.
        for (step, home) in self.steps().filter(|(step, _)| between && !self.across(step, lacks)) {
            let Between::Unlogged(way, ran) = step.what else { continue };
            (km, hours, since) = (km + way, hours + ran, since.min(home));
            let (after, before) = (self.name(step.before), self.name(step.after));
            let when = self.between(step);
            where_.push(json!({ "after": after, "before": before, "km": way, "hours": ran, "when": when }));
        }
        for (row, facts, home) in self.files() {
            let inside = engine::within(facts);
            if inside > self.limits.unlogged_h {
                (hours, since) = (hours + inside, since.min(home));
                where_.push(json!({ "within": row.path.to_string(), "hours": inside }));
            }
        }
        let first = where_.first()?;
        let (place, file) = match (first["after"].as_str(), first["within"].as_str()) {
            (Some(after), _) => {
                let when = first["when"].as_str().map_or(String::new(), |when| format!(", between {when}"));
                (format!("after {after}{when}"), after)
            }
            (_, Some(within)) => (format!("in {within}"), within),
            _ => (String::new(), ""),
        };
        let (what, logger, event) = (drove(km, hours), self.seen.logger, Some(file.to_owned()));
        Some(Found {
            code: "driving-not-logged",
            event,
            severity: Severity::Act,
            since,
            evidence: json!({ "km": round(km), "hours": round(hours), "places": where_.len(), "first": where_.into_iter().take(NAMED).collect::<Vec<_>>() }),
            cause: format!("{} drove {what} that no file of {logger} has, {place}", self.seen.vehicle),
            action: format!(
                "See to the supply of {logger}, its plug on the bus and its card; what was not recorded cannot be had any more."
            ),
        })
    }

    fn silent(&self) -> Option<Found> {
        let silent = buses::silent(self.seen.rows, self.limits.bus_silent, self.span);
        let (logger, vehicle) = (self.seen.logger, self.seen.vehicle);
        let first = silent.first()?;
        // A vehicle that stood in the yard has nothing to say.
        if first.is_empty() && !self.seen.used {
            return None;
        }
        let (cause, action) = match first.is_empty() {
            true => (
                format!(
                    "{} of {logger} hold no frame, although {vehicle} was used",
                    words::of(self.files().count() as u64, "file")
                ),
                format!("See whether {logger} is plugged into the bus, at the bus's bit rate."),
            ),
            false => (
                format!(
                    "{} of {vehicle} was silent for most of the day, and usually is not",
                    silent.join(", ")
                ),
                format!("See to the plug of {} at {logger}; the other buses go on.", silent.join(", ")),
            ),
        };
        let (since, evidence) = (self.first(), json!({ "buses": silent }));
        let severity = Severity::Act;
        Some(Found { code: "bus-silent", event: None, severity, since, evidence, cause, action })
    }

    fn clock(&self) -> Option<Found> {
        let logger = self.seen.logger;
        let wrong =
            self.files().filter_map(|(_, facts, home)| Some((clock::of(facts, home, self.limits)?, home)));
        let served = || {
            let (ahead, at) = self.seen.server?;
            Some((clock::served(ahead as f64 / 1e3, self.limits)?, at))
        };
        let dated = || Some((clock::misdated(self.dated()?, self.limits)?, self.first()));
        let drift = || {
            let drift = clock::drift(self.seen.rows, self.span.1)?;
            let some = self.files().next().is_some() && drift.abs() > self.limits.clock_drift_s;
            some.then_some((Wrong::Drifts(drift), self.first()))
        };
        let wrong = wrong.chain(served()).chain(dated()).chain(drift());
        let (wrong, since) = wrong.min_by_key(|(wrong, home)| (clock::rank(wrong), *home))?;
        let (cause, severity, mut evidence, action) = clock::told(&wrong, logger);
        self.corrected(&wrong, &mut evidence);
        Some(Found { code: "logger-clock", event: None, severity, since, evidence, cause, action })
    }

    /// By how much what is in the files of this span is ahead of how the logger dates them, s.
    fn dated(&self) -> Option<f64> {
        clock::dated(self.files().map(|(row, facts, _)| (row, facts)))
    }

    /// Beside how much a clock was off, the time of the last frame as the file has it and as it would have been; the file
    /// keeps what it has.
    fn corrected(&self, wrong: &Wrong, evidence: &mut Value) {
        let Some(last) = self.files().filter_map(|(_, facts, _)| facts.last).max() else { return };
        let right = match *wrong {
            Wrong::Zone(s) => last.checked_sub(SignedDuration::from_secs(s)),
            Wrong::Off(s) | Wrong::Served(s) => {
                last.checked_sub(SignedDuration::from_millis((s * 1e3) as i64))
            }
            _ => return,
        };
        let (Some(evidence), Ok(right)) = (evidence.as_object_mut(), right) else { return };
        evidence.insert("last".to_owned(), json!(last));
        evidence.insert("last_by_right_clock".to_owned(), json!(right));
    }

    fn numbers(&self, mine: bool, lacks: &[numbers::Lack]) -> Option<Found> {
        let n: u128 = lacks.iter().map(numbers::Lack::files).sum();
        let first = lacks.first()?;
        let mut names: Vec<String> = first.names().take(NAMED).collect();
        if first.runs.len() > NAMED || lacks.len() > 1 {
            names.push("others".to_owned());
        }
        let (logger, vehicle) = (self.seen.logger, self.seen.vehicle);
        let (km, hours) = if mine { self.lost_with(lacks) } else { (0.0, 0.0) };
        let driven = km > 0.0 || hours > 0.0;
        let with =
            if driven { format!("; {vehicle} drove {} meanwhile", drove(km, hours)) } else { String::new() };
        Some(Found {
            code: "numbers-missing",
            event: names.first().cloned(),
            severity: if driven { Severity::Act } else { Severity::Watch },
            since: self.first(),
            evidence: json!({ "files": n as u64, "names": names, "km": round(km), "hours": round(hours) }),
            cause: format!("{} {logger} never offered: {}{with}", missing(n), names.join(", ")),
            action: format!(
                "Look at the card of {logger} with a card reader; a folder that cannot be read is the usual cause."
            ),
        })
    }

    fn damaged(&self) -> Option<Found> {
        let damaged: Vec<_> = self.files().filter(|(_, facts, _)| !facts.complete).collect();
        let (row, facts, _) = damaged.first()?;
        let (all, n) = (self.files().count(), damaged.len());
        let why = facts.damage.first().map_or("it is damaged", |damage| damage.text.as_str());
        let more = if n > 1 { format!(", and {} more", count(n as u64 - 1)) } else { String::new() };
        let logger = self.seen.logger;
        // One a day is a logger whose power goes with the ignition.
        let often = n > 2 && n * 2 > all;
        Some(Found {
            code: "file-damaged",
            event: Some(row.path.to_string()),
            severity: if often { Severity::Act } else { Severity::Watch },
            since: damaged.iter().map(|(_, _, home)| *home).min().unwrap_or(self.span.0),
            evidence: json!({ "files": n, "of": all, "first": row.path.to_string(), "damage": facts.damage.first().map(|d| &d.code), "frames": facts.frames }),
            cause: format!("{} of {logger} is not whole: {why}{more}", row.path),
            action: match often {
                true => format!("See to the supply of {logger}: it should be given time to close its file."),
                false => {
                    "Nothing for one file after a power cut; what can be read of it is archived.".to_owned()
                }
            },
        })
    }

    fn dropped(&self) -> Option<Found> {
        let (mut dropped, mut reports, mut frames) = (0u64, 0u64, 0u64);
        for (_, facts, _) in self.files() {
            dropped += facts.drops.frames;
            reports += facts.drops.reports;
            frames += facts.frames;
        }
        let logger = self.seen.logger;
        (dropped as f64 > self.limits.dropped * (frames + dropped) as f64).then(|| Found {
            code: "frames-dropped",
            event: None,
            severity: Severity::Watch,
            since: self.first(),
            evidence: json!({ "frames": dropped, "reports": reports, "recorded": frames }),
            cause: format!(
                "{logger} says itself that it lost {} of {} frames",
                count(dropped),
                count(frames + dropped)
            ),
            action: format!("See whether the card of {logger} is fast enough; an old card writes slowly."),
        })
    }

    fn too_many(&self) -> Option<Found> {
        let buses =
            self.files().flat_map(|(_, facts, _)| &facts.buses).filter(|bus| bus.impossible_frames > 0);
        let mut all: BTreeMap<&str, (u64, Option<u32>)> = BTreeMap::new();
        for bus in buses {
            let sum = all.entry(&bus.name).or_default();
            *sum = (sum.0 + bus.impossible_frames, bus.bit_rate);
        }
        let (bus, (frames, rate)) = all.iter().next()?;
        let rate = rate.map_or(String::new(), |rate| format!(" of {} kbit/s", rate / 1000));
        Some(Found {
            code: "too-many-frames",
            event: None,
            severity: Severity::Watch,
            since: self.first(),
            evidence: json!({ "bus": bus, "frames": frames }),
            cause: format!("{} frames on {bus} are more than fit the bit rate{rate}", count(*frames)),
            action: "Correct `bit_rate` of the kind; if it is right, the logger records frames twice or two buses as one.".to_owned(),
        })
    }

    fn loaded(&self) -> Option<Found> {
        let most = self.limits.bus_load * 100.0;
        let buses =
            self.files().flat_map(|(row, facts, home)| facts.buses.iter().map(move |bus| (row, bus, home)));
        let long = |bus: &BusLine| {
            bus.first.zip(bus.last).is_some_and(|(first, last)| last.duration_since(first) >= LOADED)
        };
        let (load, row, bus, home) = buses
            .filter_map(|(row, bus, home)| {
                Some((bus.load.filter(|load| *load > most && long(bus))?, row, bus, home))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let vehicle = self.seen.vehicle;
        Some(Found {
            code: "bus-load",
            event: None,
            severity: Severity::Watch,
            since: home,
            evidence: json!({ "bus": bus.name, "load": load, "file": row.path.to_string() }),
            cause: format!("{} of {vehicle} was loaded to {load:.0} % over {}", bus.name, row.path),
            action: format!(
                "Have the network of {vehicle} looked at; correct `bit_rate` of the kind if the bus is faster, or raise its `bus_load`."
            ),
        })
    }

    fn card(&self) -> Option<Found> {
        let card = self.seen.card?;
        let now = self.span.1;
        let full = card.room() * 50 < card.size;
        let days = self.forecast.map(|forecast| (forecast.full - now) as f64 / DAY);
        if !full && days.is_none_or(|days| days > self.limits.card_days) {
            return None;
        }
        let day = |at: i64| {
            let date = |at: i64| {
                Timestamp::from_millisecond(at)
                    .ok()
                    .map(|at| at.to_zoned_datetime(self.seen.zone.clone()).date())
            };
            date(at).zip(date(now)).map_or(String::new(), |(date, near)| calendar_day(date, near))
        };
        let logger = self.seen.logger;
        let cause = match self.forecast {
            Some(forecast) if !full => format!(
                "the card of {logger} will be full by {} ({} to {}): {} a day, room for {}",
                day(forecast.full),
                day(forecast.earliest),
                day(forecast.latest),
                size(forecast.a_day as u64),
                size(card.room())
            ),
            _ => format!("the card of {logger} is full"),
        };
        let (a_day, an_hour) =
            (self.forecast.map(|f| f.a_day as u64), self.forecast.and_then(|f| f.an_hour).map(|b| b as u64));
        Some(Found {
            code: "card-fills",
            event: None,
            severity: Severity::Act,
            since: self.first(),
            evidence: json!({
                "days": days.map(|days| (days * 10.0).round() / 10.0), "bytes_a_day": a_day, "bytes_an_hour": an_hour,
                "room": card.room(), "overwrites": card.overwrites,
            }),
            cause,
            action: match card.overwrites {
                true => format!(
                    "Let {} stand in range until its files are home: {logger} overwrites the oldest.",
                    self.seen.vehicle
                ),
                false => format!(
                    "Clear the card of {logger} once its files are archived, or fit a larger one: a full card records nothing."
                ),
            },
        })
    }
}

fn missing(n: u128) -> String {
    match n {
        1 => "a file is missing that".to_owned(),
        n => format!("{} files are missing that", count(u64::try_from(n).unwrap_or(u64::MAX))),
    }
}

/// Way and hours of the engine, in words.
fn drove(km: f64, hours: f64) -> String {
    match (km >= 1.0, hours >= 0.1) {
        (true, true) => format!("{km:.0} km and {hours:.1} hours of the engine"),
        (true, false) => format!("{km:.0} km"),
        _ => format!("{hours:.1} hours of the engine"),
    }
}
