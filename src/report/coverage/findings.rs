//! What is to be told about a logger's day, with cause and action.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use super::card::{self, Card};
use super::clock::{self, Wrong};
use super::engine::{self, Between};
use super::vehicle::{Whose, whose};
use super::{Limits, Row, buses, numbers};
use crate::inspect::facts::Summary;
use crate::ledger::Severity;
use crate::report::words::{calendar_day, count, of, size};

/// Runs and files that a cause names.
const NAMED: usize = 3;
const DAY: f64 = 86_400_000.0;

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
    /// The depot's zone.
    pub zone: &'s TimeZone,
}

/// Something that is wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Its code.
    pub code: &'static str,
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

/// What is wrong with a logger, by the files that came home in a span in ms.
pub fn found(seen: &Seen<'_>, span: (i64, i64), limits: &Limits) -> Vec<Found> {
    let day = Day { seen, span, limits };
    let mut all = Vec::new();
    let other = day.wrong_vehicle();
    let mine = other.is_none();
    all.extend(other);
    all.extend(day.clock());
    all.extend(day.silent());
    // Counters of two vehicles have nothing in common.
    all.extend(mine.then(|| day.unlogged()).flatten());
    all.extend(day.numbers());
    all.extend(day.damaged());
    all.extend(day.dropped());
    all.extend(day.too_many());
    all.extend(day.loaded());
    all.extend(day.card());
    all
}

struct Day<'d> {
    seen: &'d Seen<'d>,
    span: (i64, i64),
    limits: &'d Limits,
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
            let n = of(files.len() as u64, "file");
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
                severity: Severity::Act,
                since: files.iter().map(|(_, home)| *home).min().unwrap_or(self.span.0),
                evidence: json!({ "vin": vin, "vehicle": owner, "files": files.len() }),
                cause,
                action,
            });
        }
        // A VIN that is right is believed more than a counter.
        let step = (!same).then(|| {
            self.steps().find_map(|(step, home)| match step.what {
                Between::Other(is, was) => Some((is, was, home)),
                Between::Unlogged(..) => None,
            })
        });
        let (is, was, home) = step.flatten()?;
        Some(Found {
            code: "wrong-vehicle",
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

    /// Steps to files that came home in this span.
    fn steps(&self) -> impl Iterator<Item = (engine::Step, i64)> {
        let steps = engine::steps(self.seen.rows, self.limits).into_iter();
        steps.filter_map(|step| {
            let row = self.seen.rows.get(step.after).filter(|row| self.came(row))?;
            Some((step, row.home?))
        })
    }

    fn unlogged(&self) -> Option<Found> {
        let (mut km, mut hours, mut since, mut where_) = (0.0, 0.0, i64::MAX, Vec::new());
        for (step, home) in self.steps() {
            let Between::Unlogged(way, ran) = step.what else { continue };
            (km, hours, since) = (km + way, hours + ran, since.min(home));
            let name =
                |place: usize| self.seen.rows.get(place).map_or(String::new(), |row| row.path.to_string());
            where_.push(
                json!({ "after": name(step.before), "before": name(step.after), "km": way, "hours": ran }),
            );
        }
        for (row, facts, home) in self.files() {
            let inside = engine::within(facts);
            if inside > self.limits.unlogged_h {
                (hours, since) = (hours + inside, since.min(home));
                where_.push(json!({ "within": row.path.to_string(), "hours": inside }));
            }
        }
        let first = where_.first()?;
        let place = match (first["after"].as_str(), first["within"].as_str()) {
            (Some(after), _) => format!("after {after}"),
            (_, Some(within)) => format!("in {within}"),
            _ => String::new(),
        };
        let what = match (km >= 1.0, hours >= 0.1) {
            (true, true) => format!("{km:.0} km and {hours:.1} hours of the engine"),
            (true, false) => format!("{km:.0} km"),
            _ => format!("{hours:.1} hours of the engine"),
        };
        let logger = self.seen.logger;
        Some(Found {
            code: "driving-not-logged",
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
                    of(self.files().count() as u64, "file")
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
        Some(Found { code: "bus-silent", severity: Severity::Act, since, evidence, cause, action })
    }

    fn clock(&self) -> Option<Found> {
        let logger = self.seen.logger;
        let wrong =
            self.files().filter_map(|(_, facts, home)| Some((clock::of(facts, home, self.limits)?, home)));
        let drift = || {
            let drift = clock::drift(self.seen.rows, self.span.1)?;
            let some = self.files().next().is_some() && drift.abs() > self.limits.clock_drift_s;
            some.then_some((Wrong::Drifts(drift), self.first()))
        };
        let (wrong, since) = wrong.min_by_key(|(wrong, home)| (rank(wrong), *home)).or_else(drift)?;
        let ahead = |s: f64| if s < 0.0 { "behind" } else { "ahead" };
        let (cause, severity, evidence) = match wrong {
            Wrong::Lost(began) => {
                let began = serde_json::to_value(began).unwrap_or(Value::Null);
                let from = began.as_str().unwrap_or_default().to_owned();
                (
                    format!("{logger} lost the time: its files begin in {}", &from[..4.min(from.len())]),
                    Severity::Act,
                    json!({ "began": began }),
                )
            }
            Wrong::Turned(turns) => (
                format!(
                    "{logger} is {} days off, as a GPS receiver is that lost count of the weeks",
                    turns.abs() * 7168
                ),
                Severity::Act,
                json!({ "gps_turns": turns }),
            ),
            Wrong::Future(s) => (
                format!("{logger} dates its files {} ahead", span(s)),
                Severity::Act,
                json!({ "ahead_s": round(s) }),
            ),
            Wrong::Zone(zone) => (
                format!("{logger} is {} {}, as another zone is", span(zone as f64), ahead(zone as f64)),
                Severity::Watch,
                json!({ "zone_s": zone }),
            ),
            Wrong::Off(s) => (
                format!("{logger} is {} {} of the vehicle's clock", span(s), ahead(s)),
                Severity::Watch,
                json!({ "offset_s": round(s) }),
            ),
            Wrong::Drifts(s) => (
                format!("{logger} {} {:.0} s a day", if s < 0.0 { "loses" } else { "gains" }, s.abs()),
                Severity::Watch,
                json!({ "drift_s_per_day": round(s) }),
            ),
        };
        let action = match wrong {
            Wrong::Lost(_) | Wrong::Turned(_) | Wrong::Future(_) => {
                format!(
                    "Set the clock of {logger}, and see to its battery; its files keep the times that they have."
                )
            }
            Wrong::Zone(_) => format!("Let {logger} record universal time."),
            Wrong::Off(_) | Wrong::Drifts(_) => format!("Set the clock of {logger}."),
        };
        Some(Found { code: "logger-clock", severity, since, evidence, cause, action })
    }

    fn numbers(&self) -> Option<Found> {
        let all = numbers::of(self.seen.rows, self.span);
        let n: u128 = all.iter().flat_map(|(.., runs)| runs).map(|(first, last)| last - first + 1).sum();
        let (stream, width, runs) = all.first()?;
        let name = |(first, last): &(u128, u128)| match first == last {
            true => format!("{stream}{first:0width$}"),
            false => format!("{stream}{first:0width$} to {last:0width$}"),
        };
        let mut names: Vec<String> = runs.iter().take(NAMED).map(name).collect();
        if runs.len() > NAMED || all.len() > 1 {
            names.push("others".to_owned());
        }
        let logger = self.seen.logger;
        Some(Found {
            code: "numbers-missing",
            severity: Severity::Watch,
            since: self.first(),
            evidence: json!({ "files": n as u64, "names": names }),
            cause: format!("{} {logger} never offered: {}", missing(n), names.join(", ")),
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
        let (load, row, bus, home) = buses
            .filter_map(|(row, bus, home)| Some((bus.load.filter(|load| *load > most)?, row, bus, home)))
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let vehicle = self.seen.vehicle;
        Some(Found {
            code: "bus-load",
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
        let forecast = card::forecast(self.seen.rows, card, now)?;
        let days = (forecast.full - now) as f64 / DAY;
        if days > self.limits.card_days {
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
        let cause = match card.room() * 50 < card.size {
            true => format!("the card of {logger} is full"),
            false => format!(
                "the card of {logger} will be full by {} ({} to {}): {} a day, room for {}",
                day(forecast.full),
                day(forecast.earliest),
                day(forecast.latest),
                size(forecast.a_day as u64),
                size(card.room())
            ),
        };
        Some(Found {
            code: "card-fills",
            severity: Severity::Act,
            since: self.first(),
            evidence: json!({
                "days": (days * 10.0).round() / 10.0, "bytes_a_day": forecast.a_day as u64, "bytes_an_hour": forecast.an_hour.map(|b| b as u64),
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

fn rank(wrong: &Wrong) -> u8 {
    match wrong {
        Wrong::Lost(_) => 0,
        Wrong::Turned(_) => 1,
        Wrong::Future(_) => 2,
        Wrong::Zone(_) => 3,
        Wrong::Off(_) => 4,
        Wrong::Drifts(_) => 5,
    }
}

fn missing(n: u128) -> String {
    match n {
        1 => "a file is missing that".to_owned(),
        n => format!("{} files are missing that", count(u64::try_from(n).unwrap_or(u64::MAX))),
    }
}

/// A span in words.
fn span(s: f64) -> String {
    match s.abs() {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7_200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3_600.0),
        s => format!("{:.0} days", s / 86_400.0),
    }
}

fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}
