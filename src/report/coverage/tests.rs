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
    Row { path, card: 1, size: 1_000_000, home: Some(home), time: None, facts: None }
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
    all_told(rows, card, false, &[]).found
}

fn all_told(rows: &[Row], card: Option<Card>, strange: bool, before: &[(&str, &serde_json::Value)]) -> Told {
    served(rows, card, strange, before, None)
}

/// The same, where the logger's server told its time.
fn served(
    rows: &[Row],
    card: Option<Card>,
    strange: bool,
    before: &[(&str, &serde_json::Value)],
    server: Option<(i64, i64)>,
) -> Told {
    let list = [("PLOW-03", Some(OURS)), ("PLOW-04", Some(THEIRS))];
    let zone = TimeZone::UTC;
    let from = ((NOON + 7.0 * 24.0) * HOUR as f64) as i64;
    let calendar = ((from - 12 * HOUR, from + 12 * HOUR), from + 24 * HOUR);
    let (logger, vehicle) = ("L-1", "PLOW-03");
    let seen = Seen {
        logger,
        vehicle,
        list: &list,
        rows,
        used: true,
        card,
        server,
        zone: &zone,
        strange,
        before,
        calendar,
    };
    let told = of(&seen, (from, from + 24 * HOUR), &Limits::default());
    let all = &told.found;
    for f in all {
        assert!(crate::report::meaning(f.code).is_some(), "{} has no meaning in the list", f.code);
        assert!(!f.cause.ends_with('.') && f.action.ends_with('.'), "{f:?}");
        assert!(f.since >= from, "{f:?}");
        assert!(f.event.is_some() || STANDING.contains(&f.code), "{f:?}");
    }
    told
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
        "PLOW-03 drove 35 km and 2.0 hours of the engine that no file of L-1 has, after log00106.mf4, between 16:00 and 12:00"
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
        ["L-1 is 60 minutes ahead, as another zone is"]
    );
}

/// The first moment of the day of which is told, ms.
const DAY_BEGAN: i64 = ((NOON + 7.0 * 24.0) * HOUR as f64) as i64;

#[test]
fn the_time_of_a_loggers_server_is_compared_with_ours() {
    let rows = week(|_| ());
    let by = |ms: i64| served(&rows, None, false, &[], Some((ms, DAY_BEGAN + HOUR))).found;
    assert_eq!((by(0), by(-119_000)), (vec![], vec![]));
    let hour = by(3_600_000);
    assert_eq!(codes(&hour), ["logger-clock"]);
    assert_eq!(hour[0].cause, "L-1 shows a time that is 60 minutes ahead of the depot PC's");
    assert_eq!(hour[0].evidence["last"], "2026-03-10T16:00:00Z", "as the file has it");
    assert_eq!(hour[0].evidence["last_by_right_clock"], "2026-03-10T15:00:00Z");
    assert_eq!((hour[0].since, hour[0].severity), (DAY_BEGAN + HOUR, crate::ledger::Severity::Watch));
    let years = by(-900 * 24 * HOUR);
    assert_eq!(years[0].severity, crate::ledger::Severity::Act, "it lost the time");
    for hostile in [i64::MIN, i64::MAX] {
        assert_eq!(codes(&by(hostile)), ["logger-clock"]);
    }
    let was = serde_json::json!({ "server_s": 3600.0 });
    let kept = |server| served(&rows, None, false, &[("logger-clock", &was)], server).kept;
    assert_eq!(kept(None), ["logger-clock"], "nothing told its time since");
    assert_eq!(kept(Some((0, DAY_BEGAN))), [""; 0]);
}

#[test]
fn how_files_are_dated_is_compared_with_what_is_in_them() {
    // Files of the last day: how long after its last frame each was changed, by the logger's clock, ms.
    let day = |dated: &[i64]| {
        let mut rows = week(|_| ());
        let made = rows.pop().expect("a row");
        for (n, lag) in dated.iter().enumerate() {
            let path = row(107 + n as i64, 0).path;
            let last = made.facts.as_ref().and_then(|facts| facts.last).expect("a last frame");
            rows.push(Row { path, time: Some(last.as_millisecond().saturating_add(*lag)), ..made.clone() });
        }
        rows
    };
    let code = |dated: &[i64]| codes(&told(&day(dated), None));
    let minute = 60_000;
    assert_eq!(code(&[0, 1_500, -1_000]), [""; 0]);
    assert_eq!(
        code(&[15 * minute; 3]),
        [""; 0],
        "it closes its files a quarter of an hour after the last frame"
    );
    assert_eq!(code(&[-HOUR, -HOUR]), [""; 0], "two files are too few");
    assert_eq!(code(&[-HOUR, 0, HOUR]), [""; 0], "they do not agree");
    assert_eq!(code(&[i64::MIN, i64::MIN, i64::MAX]), [""; 0]);
    let before = told(&day(&[-HOUR, -HOUR + 900, -HOUR - 20_000]), None);
    assert_eq!(before[0].cause, "L-1 dates its files 60 minutes before what is in them");
    let after = told(&day(&[HOUR + 2_000, HOUR, HOUR + 1_000]), None);
    assert_eq!(after[0].cause, "L-1 dates its files 60 minutes after what is in them");
    let was = serde_json::json!({ "dated_s": 3600.0 });
    let kept = |rows: &[Row]| all_told(rows, None, false, &[("logger-clock", &was)]).kept;
    assert_eq!(kept(&week(|_| ())), ["logger-clock"], "its files are not dated");
    assert_eq!(kept(&day(&[0, 0, 0])), [""; 0]);
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
    let few = last_day(|made| {
        loaded(86.0)(made);
        made.facts.buses[0].first = made.facts.buses[0].last;
    });
    assert!(!codes(&few).contains(&"bus-load"), "a few frames in a row");
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

#[test]
fn a_card_that_is_full_is_told_before_anybody_knows_how_fast_it_filled() {
    let card = Card { size: 100_000_000, used: 99_500_000, waiting: 0, overwrites: false };
    let all = told(&week(|_| ())[7..], Some(card));
    assert_eq!((codes(&all), all[0].cause.as_str()), (vec!["card-fills"], "the card of L-1 is full"));
}

#[test]
fn driving_across_missing_numbers_is_one_finding() {
    let gap = |made: &mut Made| {
        (made.number, made.km, made.counted) = (110, Some((735.0, 800.0)), Some((30.0, 34.0)))
    };
    let mut rows = week(gap);
    rows.splice(0..0, (0..92).map(|n| row(n + 8, n)));
    let all = told(&rows, None);
    assert_eq!(codes(&all), ["numbers-missing"]);
    assert!(
        all[0].cause.ends_with("; PLOW-03 drove 35 km and 2.0 hours of the engine meanwhile"),
        "{}",
        all[0].cause
    );
    assert_eq!(all[0].severity, crate::ledger::Severity::Act, "what they hold was driven");
}

#[test]
fn what_may_lie_on_another_loggers_card_is_not_missing_and_what_a_file_lacks_is() {
    let strange = |rows: &[Row]| codes(&all_told(rows, None, true, &[]).found).join(" ");
    assert_eq!(strange(&week(|made| made.km = Some((735.0, 800.0)))), "");
    let within = week(|made| {
        let at = |hours: f64| Timestamp::from_second((hours * 3600.0) as i64).expect("time");
        made.ran = Some(1.0);
        made.facts.gaps = vec![Gap { from: at(made.hours.0 + 0.5), to: at(made.hours.0 + 3.5), s: 10_800.0 }];
    });
    assert_eq!(strange(&within), "driving-not-logged");
}

#[test]
fn events_bear_their_file_and_what_goes_on_does_not() {
    let event =
        |change: fn(&mut Made)| last_day(change).into_iter().map(|f| (f.code, f.event)).collect::<Vec<_>>();
    let file = |name: &str| Some(format!("{name}.mf4"));
    assert_eq!(event(|made| made.vin = Some(THEIRS)), [("wrong-vehicle", None)]);
    let other = event(|made| (made.vin, made.km, made.counted) = (None, Some((55_000.0, 55_090.0)), None));
    assert_eq!(other, [("wrong-vehicle", file("log00107"))]);
    assert_eq!(event(|made| made.facts.complete = false), [("file-damaged", file("log00107"))]);
    let drove = event(|made| (made.km, made.counted) = (Some((735.0, 800.0)), None));
    assert_eq!(drove, [("driving-not-logged", file("log00106"))]);
}

#[test]
fn what_goes_on_is_kept_until_a_file_refutes_it() {
    use serde_json::json;
    let kept = |rows: &[Row], code: &'static str, was: serde_json::Value| {
        all_told(rows, None, false, &[(code, &was)]).kept == [code]
    };
    let (none, well) = (&week(|_| ())[..7], week(|_| ()));
    let timed = week(|made| made.facts.clock.offset_s = Some(1.0));
    for (code, was) in [
        ("logger-clock", json!({ "began": "2000-01-01" })),
        ("bus-silent", json!({ "buses": ["can0"] })),
        ("bus-silent", json!({ "buses": [""] })),
        ("wrong-vehicle", json!({ "vin": THEIRS, "listed": "PLOW-03" })),
        ("frames-dropped", json!({ "frames": 3 })),
        ("too-many-frames", json!({ "frames": 3 })),
    ] {
        assert!(kept(none, code, was.clone()), "{code}: no file came");
        assert!(!kept(&well, code, was), "{code}: a file came that is well");
    }
    let off = json!({ "offset_s": 400.0 });
    assert!(kept(&well, "logger-clock", off.clone()), "this file tells no time of the vehicle's");
    assert!(!kept(&timed, "logger-clock", off));
    assert!(kept(&well, "bus-silent", json!({ "buses": ["can1"] })), "it does not speak yet");
    assert!(kept(&week(|made| made.vin = None), "wrong-vehicle", json!({ "listed": "PLOW-03" })));
    assert!(!kept(none, "wrong-vehicle", json!({ "listed": "PLOW-04" })), "the list was corrected");
    assert!(!kept(none, "card-fills", json!({})), "its size is not known any more");
}

#[test]
fn a_days_log_of_driving_says_when_it_came_home() {
    let week = |change: fn(&mut Made)| week(change);
    let drove = |change: fn(&mut Made)| {
        let rows = week(change);
        let home = rows.last().and_then(|row| row.home).expect("home");
        all_told(&rows, None, false, &[]).drove.map(|at| at == home)
    };
    assert_eq!(drove(|_| {}), Some(true));
    let stood = |made: &mut Made| {
        (made.km, made.counted, made.ran) = (Some((700.0, 700.9)), Some((28.0, 28.1)), Some(0.1));
    };
    assert_eq!(drove(stood), None);
    let all: [fn(&mut Made); 3] = [
        |made| (made.km, made.counted, made.ran) = (Some((700.0, 703.0)), None, None),
        |made| (made.km, made.counted, made.ran) = (None, Some((28.0, 29.0)), None),
        |made| (made.km, made.counted, made.ran) = (None, None, Some(1.0)),
    ];
    for counts in all {
        assert_eq!(drove(counts), Some(true));
    }
    let woke = |made: &mut Made| (made.km, made.counted, made.ran) = (Some((0.0, 90_000.0)), None, None);
    assert_eq!(drove(woke), None, "an instrument that read nothing at first");
    let early = |made: &mut Made| made.hours = (NOON + 7.0 * 24.0 - 1.0, NOON + 7.0 * 24.0 + 1.0);
    assert_eq!(drove(early), None, "began before");
    assert_eq!(drove(|made| made.vin = Some(THEIRS)), None, "of another vehicle");
    let off = |made: &mut Made| made.facts.clock.offset_s = Some(18_000.0);
    assert_eq!(drove(off), None, "at a time that nobody knows");
    assert_eq!(all_told(&week(|_| {}), None, true, &[]).drove, None, "on another logger's card");
    let was = serde_json::json!({ "listed": "PLOW-03" });
    let kept = all_told(&week(|made| made.vin = None), None, false, &[("wrong-vehicle", &was)]);
    assert_eq!((kept.kept, kept.drove), (vec!["wrong-vehicle"], None), "as was told yesterday");
}
