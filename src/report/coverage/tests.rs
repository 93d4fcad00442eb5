//! What is told about a logger's day, and what is not.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::*;
use crate::inspect::damage::Damage;
use crate::inspect::facts::{
    Began, BusLine, ClockLine, DamageLine, Drops, EngineLine, Gap, Meter, Summary, VinLine, VinSource,
};
use crate::model::RemotePath;

const HOUR: i64 = 3_600_000;

/// A file that came home at this time, ms, and of which nothing is known.
pub(super) fn row(number: i64, home: i64) -> Row {
    let path = RemotePath::new(format!("log{number:05}.mf4").as_bytes()).expect("path");
    Row { path, card: 1, size: 1_000_000, home: Some(home), facts: None }
}

/// A file to be made.
#[derive(Clone)]
pub(super) struct Made {
    pub number: i64,
    /// From and to, hours since 1970.
    pub hours: (f64, f64),
    pub km: Option<(f64, f64)>,
    /// Hours of the engine.
    pub counted: Option<(f64, f64)>,
    pub ran: Option<f64>,
    pub vin: Option<&'static str>,
    pub facts: Summary,
}

impl Default for Made {
    fn default() -> Self {
        let facts = Summary { complete: true, frames: 1000, ..Summary::default() };
        Self { number: 1, hours: (0.0, 1.0), km: None, counted: None, ran: None, vin: None, facts }
    }
}

impl Made {
    pub fn row(self) -> Row {
        let at = |hours: f64| Timestamp::from_millisecond((hours * HOUR as f64) as i64).ok();
        let (first, last) = (at(self.hours.0), at(self.hours.1));
        let meter = |number| move |(first, last)| Meter { number, address: 0, first, last };
        let vin = self.vin.map(|vin| VinLine {
            value: vin.to_owned(),
            source: VinSource::J1939,
            address: 0,
            check_digit: true,
        });
        let engine = EngineLine {
            running_s: self.ran.map(|hours| hours * 3600.0),
            odometer: self.km.map(meter(917)),
            hours: self.counted.map(meter(247)),
            ..EngineLine::default()
        };
        let bus = BusLine { name: "can0".into(), frames: 1000, first, last, ..BusLine::default() };
        let buses = if self.facts.buses.is_empty() { vec![bus] } else { self.facts.buses.clone() };
        let facts = Summary { first, last, vin, engine, buses, ..self.facts };
        Row { facts: Some(Box::new(facts)), ..row(self.number, ((self.hours.1 + 0.5) * HOUR as f64) as i64) }
    }
}

/// Noon of a day in 2026, in hours since 1970.
const NOON: f64 = 492_372.0;
const OURS: &str = "1M8GDM9AXKP042788";
const THEIRS: &str = "1G4AH59H45G118341";

/// A week of a file a day, and what is told on its last day, of which the file is changed by `change`.
fn last_day(change: impl Fn(&mut Made)) -> Vec<Found> {
    told(&week(change), None)
}

fn week(change: impl Fn(&mut Made)) -> Vec<Row> {
    (0..8)
        .map(|day| {
            let n = day as f64;
            let mut made = Made {
                number: 100 + day,
                hours: (NOON + 24.0 * n, NOON + 24.0 * n + 4.0),
                km: Some((100.0 * n, 100.0 * n + 99.9)),
                counted: Some((4.0 * n, 4.0 * n + 4.0)),
                ran: Some(4.0),
                vin: Some(OURS),
                ..Made::default()
            };
            if day == 7 {
                change(&mut made);
            }
            made.row()
        })
        .collect()
}

fn told(rows: &[Row], card: Option<Card>) -> Vec<Found> {
    let list = [("PLOW-03", Some(OURS)), ("PLOW-04", Some(THEIRS))];
    let zone = TimeZone::UTC;
    let seen = Seen { logger: "L-1", vehicle: "PLOW-03", list: &list, rows, used: true, card, zone: &zone };
    let from = ((NOON + 7.0 * 24.0) * HOUR as f64) as i64;
    let all = found(&seen, (from, from + 24 * HOUR), &Limits::default());
    for f in &all {
        assert!(crate::report::meaning(f.code).is_some(), "{} has no meaning in the list", f.code);
        assert!(!f.cause.ends_with('.') && f.action.ends_with('.'), "{f:?}");
        assert!(f.since >= from, "{f:?}");
    }
    all
}

fn codes(all: &[Found]) -> Vec<&'static str> {
    all.iter().map(|f| f.code).collect()
}

#[test]
fn a_quiet_week_has_nothing_to_tell() {
    assert_eq!(last_day(|_| ()), []);
}

#[test]
fn files_of_another_vehicle_name_it() {
    let all = last_day(|made| made.vin = Some(THEIRS));
    assert_eq!(codes(&all), ["wrong-vehicle"]);
    assert!(all[0].cause.contains("PLOW-04") && all[0].cause.contains("PLOW-03"), "{}", all[0].cause);
    let all = last_day(|made| (made.vin, made.km, made.counted) = (None, Some((55_000.0, 55_090.0)), None));
    assert_eq!(codes(&all), ["wrong-vehicle"], "without a VIN, the odometer tells");
    assert_eq!(codes(&last_day(|made| made.vin = None)), [""; 0], "no VIN is no finding");
}

#[test]
fn driving_without_a_log_is_told_with_its_place() {
    let all = last_day(|made| (made.km, made.counted) = (Some((735.0, 800.0)), Some((30.0, 34.0))));
    assert_eq!(codes(&all), ["driving-not-logged"]);
    assert_eq!(
        all[0].cause,
        "PLOW-03 drove 35 km and 2.0 hours of the engine that no file of L-1 has, after log00106.mf4"
    );
    assert_eq!(last_day(|made| made.ran = Some(1.0)), [], "frames came all the time");
    let all = last_day(|made| {
        let at = |hours: f64| Timestamp::from_second((hours * 3600.0) as i64).expect("time");
        made.ran = Some(1.0);
        made.facts.gaps = vec![Gap { from: at(made.hours.0 + 0.5), to: at(made.hours.0 + 3.5), s: 10_800.0 }];
    });
    assert_eq!(codes(&all), ["driving-not-logged"], "within a file");
}

#[test]
fn a_clock_that_is_wrong_is_told() {
    let lost =
        last_day(|made| made.facts.clock = ClockLine { began: Some(Began::Y2000), ..ClockLine::default() });
    assert_eq!(codes(&lost), ["logger-clock"]);
    assert!(lost[0].cause.contains("2000") && lost[0].severity == crate::ledger::Severity::Act);
    let zone = ClockLine { zone_s: Some(3600), offset_s: Some(3600.0), ..ClockLine::default() };
    let zone = last_day(|made| made.facts.clock = zone.clone());
    assert_eq!(
        zone.iter().map(|f| f.cause.as_str()).collect::<Vec<_>>(),
        ["L-1 is 60 min ahead, as another zone is"]
    );
}

#[test]
fn numbers_that_were_never_offered_are_told_once() {
    let mut rows = week(|made| made.number = 110);
    assert_eq!(told(&rows, None), [], "a stream that skips as many numbers as this counts no files");
    rows.splice(0..0, (0..92).map(|n| row(n + 8, n)));
    let all = told(&rows, None);
    assert_eq!(codes(&all), ["numbers-missing"]);
    assert!(
        all[0].cause.contains("log00107 to 00109") && all[0].cause.contains("3 files are missing"),
        "{}",
        all[0].cause
    );
    rows[99].card = 2;
    assert_eq!(told(&rows, None), [], "another card has numbers of its own");
}

#[test]
fn damage_and_losses_are_told() {
    let torn = DamageLine {
        code: Damage::CutLine.code().to_owned(),
        text: "its last line has no end".into(),
        at_byte: 7,
    };
    let all = last_day(|made| (made.facts.complete, made.facts.damage) = (false, vec![torn.clone()]));
    assert_eq!(codes(&all), ["file-damaged"]);
    let all = last_day(|made| made.facts.drops = Drops { reports: 1, frames: 500 });
    assert_eq!(codes(&all), ["frames-dropped"]);
    let bus = |made: &Made| BusLine {
        name: "can0".into(),
        impossible_frames: 9,
        bit_rate: Some(250_000),
        first: Timestamp::from_second((made.hours.0 * 3600.0) as i64).ok(),
        last: Timestamp::from_second((made.hours.1 * 3600.0) as i64).ok(),
        ..BusLine::default()
    };
    assert_eq!(codes(&last_day(|made| made.facts.buses = vec![bus(made)])), ["too-many-frames"]);
    let loaded = |load| {
        move |made: &mut Made| {
            made.facts.buses = vec![BusLine { impossible_frames: 0, load: Some(load), ..bus(made) }];
        }
    };
    assert_eq!(codes(&last_day(loaded(86.0))), ["bus-load"]);
    assert_eq!(codes(&last_day(loaded(60.0))), Vec::<&str>::new());
}

#[test]
fn a_dead_bus_is_told_of_a_vehicle_that_was_used() {
    let mut rows = week(|_| ());
    if let Some(row) = rows.last_mut() {
        row.facts = Some(Box::new(Summary { complete: true, ..Summary::default() }));
    }
    assert_eq!(codes(&told(&rows, None)), ["bus-silent"]);
}

#[test]
fn a_card_that_fills_says_by_when() {
    let card = Card { size: 100_000_000, used: 97_500_000, waiting: 0, overwrites: false };
    let all = told(&week(|_| ()), Some(card));
    assert_eq!(codes(&all), ["card-fills"]);
    assert!(all[0].cause.contains("will be full by"), "{}", all[0].cause);
    assert_eq!(codes(&told(&week(|_| ()), Some(Card { used: 99_500_000, ..card }))), ["card-fills"]);
    assert_eq!(told(&week(|_| ()), Some(Card { used: 10_000_000, ..card })), []);
    assert_eq!(told(&week(|_| ()), Some(Card { overwrites: true, ..card })), [], "all of it is home");
}
