//! A month of fifty vehicles with planted faults: each is found on the first morning, and hardly anything else is told.
//! The logs are made up, and read by the readers that read real ones; real ones are among them, with other times.

mod fleet;

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use yarder::inspect::facts::{Facts, Rates, Summary};
use yarder::inspect::{Format, Inspector};
use yarder::model::RemotePath;
use yarder::report::coverage::{Card, Found, Limits, Row, Seen, of};

use fleet::{DAY, Recorder, START, Trip, Vehicle, drive, restamped};

const VEHICLES: usize = 47;
const DAYS: i64 = 30;

fn read(bytes: &[u8], bit_rate: u32) -> Option<Summary> {
    let mut inspector = Inspector::new(Facts::new(Rates { nominal: Some(bit_rate), data: None }));
    inspector.push(bytes);
    let found = inspector.finish(&bytes).expect("memory");
    (found.format != Format::Unknown).then(|| found.sink.finish())
}

/// A logger, and what it offered so far.
struct Logger {
    id: String,
    /// The vehicle that it is fitted in, by the list.
    vehicle: usize,
    number: u64,
    card: i64,
    card_size: u64,
    used: u64,
    /// How much its clock is ahead, s, and what it gains a day.
    ahead: i64,
    drift: f64,
    bit_rate: u32,
    /// How long after the last frame it closes a file, s, and by how much its file times are off, s.
    closes: i64,
    dates: i64,
    /// By how much its server's clock was ahead when it last told, ms, and when that was, ms.
    server: Option<(i64, i64)>,
    rows: Vec<Row>,
}

impl Logger {
    fn new(n: usize) -> Self {
        // One counts over the end of its digits.
        let number = if n == 7 { 99_970 } else { 100 + 10 * n as u64 };
        let drift = (n % 5) as f64 * 0.4 - 0.8;
        let (id, rows) = (format!("L-{n:02}"), Vec::new());
        let ahead = n as i64 % 7 - 3;
        Self {
            id,
            vehicle: n,
            number,
            card: 1,
            card_size: 1 << 30,
            used: 0,
            ahead,
            drift,
            bit_rate: 250_000,
            // At once, a minute later, or as long after as they wait for more.
            closes: [0, 60, 900][n % 3],
            dates: 0,
            server: None,
            rows,
        }
    }

    fn take(&mut self, bytes: &[u8], home: i64) {
        let path = RemotePath::new(format!("log{:05}.log", self.number % 100_000).as_bytes()).expect("path");
        self.number += 1;
        self.used += bytes.len() as u64;
        let facts = read(bytes, self.bit_rate).map(Box::new);
        // FAT keeps every second second.
        let closed = |last: i64| (last + self.closes + self.dates).div_euclid(2) * 2_000;
        let time = facts.as_ref().and_then(|facts| Some(closed(facts.last?.as_second())));
        self.rows.push(Row {
            path,
            card: self.card,
            size: bytes.len() as u64,
            home: Some(home * 1000),
            time,
            facts,
        });
    }
}

/// A fault: what is done to which logger, from which day on, for how many days, and what must be told on the first.
struct Fault {
    logger: usize,
    day: i64,
    days: i64,
    what: What,
    code: &'static str,
    /// What may be told besides, being true.
    besides: &'static [&'static str],
}

#[derive(Clone, Copy, PartialEq)]
enum What {
    Recorder(Recorder),
    SwappedWith(usize),
    /// This many trips of the day leave no file, but numbers.
    Unlisted(usize),
    /// The vehicle drives, and the logger has no power.
    Unpowered,
    FullCard,
    /// Its files are dated by so much too late, s.
    Dates(i64),
    /// Its server's clock is ahead by so much, s.
    Serves(i64),
}

fn faults() -> Vec<Fault> {
    use Recorder::{Ahead, Cut, Deaf, HalfDeaf, Lost};
    let one = |logger, day, days, what, code, besides| Fault { logger, day, days, what, code, besides };
    let torn: &[&str] = &["driving-not-logged"];
    vec![
        // Loggers that were exchanged: the vehicles of the first two tell their VINs, those of the others do not.
        one(2, 8, 22, What::SwappedWith(3), "wrong-vehicle", &[]),
        one(3, 8, 22, What::SwappedWith(2), "wrong-vehicle", &[]),
        one(4, 10, 1, What::SwappedWith(9), "wrong-vehicle", &[]),
        one(9, 10, 1, What::SwappedWith(4), "wrong-vehicle", &[]),
        // What it does not hear, it does not record.
        one(12, 9, 22, What::Recorder(Deaf), "bus-silent", torn),
        one(13, 11, 3, What::Recorder(HalfDeaf), "bus-silent", &[]),
        one(15, 14, 2, What::Recorder(Lost(946_684_805)), "logger-clock", &[]),
        one(16, 15, 2, What::Recorder(Lost(315_532_809)), "logger-clock", &[]),
        one(17, 16, 2, What::Recorder(Lost(12)), "logger-clock", &[]),
        one(18, 17, 2, What::Recorder(Ahead(-619_315_200)), "logger-clock", &[]),
        one(20, 18, 2, What::Recorder(Ahead(3600)), "logger-clock", &[]),
        one(21, 8, 2, What::Recorder(Ahead(-900_000)), "logger-clock", &[]),
        one(22, 11, 2, What::Dates(-7200), "logger-clock", &[]),
        one(23, 11, 2, What::Dates(3600), "logger-clock", &[]),
        one(24, 15, 1, What::Serves(600), "logger-clock", &[]),
        one(28, 15, 2, What::Serves(-700_000_000), "logger-clock", &[]),
        one(25, 9, 1, What::Unlisted(1), "numbers-missing", &[]),
        one(26, 21, 1, What::Unlisted(2), "numbers-missing", &[]),
        one(27, 22, 1, What::Unlisted(1), "numbers-missing", &[]),
        one(30, 10, 1, What::Recorder(Cut(60)), "file-damaged", torn),
        one(31, 15, 1, What::Recorder(Cut(35)), "file-damaged", torn),
        one(32, 23, 1, What::Recorder(Cut(90)), "file-damaged", torn),
        one(35, 16, 1, What::Unpowered, "driving-not-logged", &[]),
        one(36, 24, 1, What::Unpowered, "driving-not-logged", &[]),
        one(40, 0, 30, What::FullCard, "card-fills", &[]),
        one(41, 0, 30, What::FullCard, "card-fills", &[]),
    ]
}

/// Monday to Friday; the first day is a Monday.
fn works(day: i64) -> bool {
    day % 7 < 5
}

fn trips(random: &mut fastrand::Rng, day: i64) -> Vec<Trip> {
    // Between the noon at which the day begins and the evening.
    let mut from = START + day * DAY + random.i64(0..1800);
    let mut all = Vec::new();
    for _ in 0..random.usize(3..=4) {
        let s = random.i64(1_300..1_900);
        all.push(Trip { from, s, speed: random.f64() * 50.0 + 20.0 });
        from += s + random.i64(300..4_000);
    }
    all
}

struct Month {
    loggers: Vec<Logger>,
    vehicles: Vec<Vehicle>,
    /// What was told, by logger and day.
    told: BTreeMap<(usize, i64), Vec<Found>>,
    full: BTreeMap<usize, i64>,
}

fn list(vehicles: &[Vehicle]) -> Vec<(&str, Option<&str>)> {
    vehicles.iter().map(|v| (v.id.as_str(), Some(v.vin.as_str()))).collect()
}

fn live(seed: u64, faults: &[Fault]) -> Month {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut vehicles: Vec<Vehicle> = (0..VEHICLES).map(Vehicle::new).collect();
    let mut loggers: Vec<Logger> = (0..VEHICLES).map(Logger::new).collect();
    for fault in faults.iter().filter(|fault| fault.what == What::FullCard) {
        loggers[fault.logger].card_size = 3_500_000 + 500_000 * (fault.logger as u64 % 2);
    }
    let mut month =
        Month { loggers: Vec::new(), vehicles: Vec::new(), told: BTreeMap::new(), full: BTreeMap::new() };
    for day in 0..DAYS {
        let evening = START + day * DAY + 10 * 3600;
        // Of those that drive on: who drives what is decided by the vehicle, who records by the logger.
        let plans: Vec<Vec<Trip>> = (0..VEHICLES)
            .map(|n| if works(day) || n % 10 == 6 { trips(&mut random, day) } else { Vec::new() })
            .collect();
        for (n, logger) in loggers.iter_mut().enumerate() {
            let active: Vec<&Fault> =
                faults.iter().filter(|f| f.logger == n && (f.day..f.day + f.days).contains(&day)).collect();
            let drives = active.iter().find_map(|f| match f.what {
                What::SwappedWith(other) => Some(other),
                _ => None,
            });
            let drives = drives.unwrap_or(n);
            let off = |which: fn(What) -> Option<i64>| active.iter().find_map(|f| which(f.what)).unwrap_or(0);
            logger.dates = off(|what| if let What::Dates(s) = what { Some(s) } else { None });
            let server = off(|what| if let What::Serves(s) = what { Some(s) } else { None });
            // Some are no web servers.
            logger.server =
                (n % 4 != 3 || server != 0).then(|| ((server + logger.ahead) * 1000, evening * 1000));
            let clock = logger.ahead + (logger.drift * day as f64) as i64;
            // A card is formatted now and then.
            if n == 5 && day == 12 {
                (logger.card, logger.number, logger.used) = (2, 0, 0);
            }
            for (nth, trip) in plans[drives].iter().enumerate() {
                let what = active.iter().map(|f| f.what).find(|what| !matches!(what, What::SwappedWith(_)));
                let recorder = match what {
                    // A power cut comes once.
                    Some(What::Recorder(Recorder::Cut(_))) if nth != 1 => Recorder::Well,
                    Some(What::Recorder(recorder)) => recorder,
                    _ => Recorder::Well,
                };
                let bytes = drive(&mut vehicles[drives], *trip, clock, recorder);
                match what {
                    Some(What::Unlisted(count))
                        if (1..=count).contains(&nth) && nth + 1 < plans[drives].len() =>
                    {
                        logger.number += 1
                    }
                    Some(What::Unpowered) if nth == 0 => {}
                    Some(What::FullCard) if logger.used + bytes.len() as u64 > logger.card_size => {
                        month.full.entry(n).or_insert(day);
                    }
                    _ => logger.take(&bytes, evening),
                }
            }
            // A logger on the battery writes a file without a frame in some nights of rest.
            if plans[drives].is_empty() && n % 4 == 1 {
                let trip = Trip { from: evening, s: 0, speed: 0.0 };
                let bytes = drive(&mut vehicles[drives].clone(), trip, clock, Recorder::Deaf);
                logger.take(&bytes, evening);
            }
            // Not all of them stood in range for long enough.
            let late = day + 1 < DAYS && random.u8(..20) == 0;
            if late
                && let Some(last) = logger.rows.last_mut()
                && last.home == Some(evening * 1000)
            {
                last.home = Some((evening + DAY) * 1000);
            }
        }
        for (n, logger) in loggers.iter().enumerate() {
            let from = START + day * DAY;
            // What had not come home by the end of the day is not known then.
            let to = (from + DAY) * 1000;
            let mut rows = logger.rows.clone();
            rows.retain(|row| row.home.is_none_or(|home| home > (from - 15 * DAY) * 1000));
            for row in rows.iter_mut().filter(|row| row.home.is_some_and(|home| home >= to)) {
                (row.home, row.time, row.facts) = (None, None, None);
            }
            let card = Card { size: logger.card_size, used: logger.used, waiting: 0, overwrites: false };
            let names = list(&vehicles);
            let seen = Seen {
                logger: &logger.id,
                vehicle: &vehicles[logger.vehicle].id,
                list: &names,
                rows: &rows,
                used: !plans[n].is_empty(),
                card: Some(card),
                server: logger.server,
                zone: &TimeZone::UTC,
                strange: false,
                before: &[],
                calendar: ((from * 1000, to), to),
            };
            let all = of(&seen, (from * 1000, to), &Limits::default()).found;
            if !all.is_empty() {
                month.told.insert((n, day), all);
            }
        }
    }
    (month.loggers, month.vehicles) = (loggers, vehicles);
    month
}

#[test]
fn each_planted_fault_is_found_on_the_first_morning_and_hardly_anything_else_is_told() {
    let seed = std::env::var("YARDER_TEST_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(2_026);
    println!("YARDER_TEST_SEED={seed}");
    let faults = faults();
    let month = live(seed, &faults);
    let codes = |logger: usize, day: i64| -> Vec<&str> {
        month.told.get(&(logger, day)).map_or(Vec::new(), |all| all.iter().map(|f| f.code).collect())
    };
    let mut missed = Vec::new();
    for fault in &faults {
        // The first morning behind a day of work from then on.
        let first = match fault.what {
            What::FullCard => {
                let full = month.full[&fault.logger];
                let told = (0..DAYS).find(|day| codes(fault.logger, *day).contains(&fault.code));
                let told = told.unwrap_or_else(|| panic!("{}: full on day {full}, never told", fault.logger));
                assert!(
                    (full - 7..full - 1).contains(&told),
                    "{}: full on day {full}, told on day {told}",
                    fault.logger
                );
                continue;
            }
            // What it did shows with the first file behind it.
            What::Unpowered | What::Unlisted(_) => fault.day,
            _ => (fault.day..).find(|day| works(*day)).unwrap_or(fault.day),
        };
        if !codes(fault.logger, first).contains(&fault.code) {
            missed.push(format!(
                "{} of logger {} on day {first}: {:?}",
                fault.code,
                fault.logger,
                codes(fault.logger, first)
            ));
        }
    }
    assert!(missed.is_empty(), "not found: {missed:#?}");
    let mut wrong = Vec::new();
    for ((logger, day), all) in &month.told {
        for told in all {
            let true_ = faults.iter().any(|f| {
                // A day longer, for what came home a day later or shows with the next file.
                f.logger == *logger
                    && (f.day..=f.day + f.days + 3).contains(day)
                    && (told.code == f.code || f.besides.contains(&told.code))
            });
            if !true_ {
                wrong.push(format!("logger {logger}, day {day}: {} {}", told.code, told.cause));
            }
        }
    }
    let days = VEHICLES as i64 * DAYS;
    println!(
        "{} findings, {} of them wrong, in {days} vehicle days",
        month.told.values().map(Vec::len).sum::<usize>(),
        wrong.len()
    );
    assert!(wrong.len() as i64 * 1_000 <= days, "{wrong:#?}");
    assert!(month.vehicles.iter().all(|v| v.km > 0.0) && month.loggers.iter().all(|l| !l.rows.is_empty()));
}

#[test]
fn real_recordings_cut_into_files_of_a_day_raise_nothing_but_what_is_wrong_with_them() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/recordings/can");
    let text =
        |name: &str| String::from_utf8_lossy(&std::fs::read(folder.join(name)).expect(name)).into_owned();
    for (name, bit_rate, expected) in [
        ("j1939/truck-a-2022-two-buses.log", 250_000, &[][..]),
        ("j1939/truck-b-2021-engine-on.log", 250_000, &[][..]),
        ("car/ev-2019-ready-two-buses.log", 500_000, &[][..]),
        // The power cut glued two lines together.
        ("j1939/truck-a-2022-power-cut-gap.log", 250_000, &["file-damaged"][..]),
        ("damaged/truck-b-cut-mid-line.log", 250_000, &["file-damaged"][..]),
    ] {
        let text = text(name);
        // Parts of some thousand lines, three of which are a day; the last line of a cut recording stays cut.
        let lines: Vec<&str> = text.lines().collect();
        let parts: Vec<String> = lines.chunks(4_000).map(|part| part.join("\n")).collect();
        let mut logger = Logger { bit_rate, ..Logger::new(0) };
        for day in 0..DAYS {
            for nth in 0..3 {
                let part = &parts[(day * 3 + nth) as usize % parts.len()];
                let bytes = restamped(part, START + day * DAY + nth * 7_200);
                logger.take(&bytes, START + day * DAY + 10 * 3600);
            }
            let rows: Vec<Row> = logger.rows.iter().rev().take(45).rev().cloned().collect();
            let from = (START + day * DAY) * 1000;
            let list = [("TRUCK", None)];
            let seen = Seen {
                logger: "L",
                vehicle: "TRUCK",
                list: &list,
                rows: &rows,
                used: true,
                card: None,
                server: None,
                zone: &TimeZone::UTC,
                strange: false,
                before: &[],
                calendar: ((from, from + DAY * 1000), from + DAY * 1000),
            };
            for told in of(&seen, (from, from + DAY * 1000), &Limits::default()).found {
                assert!(expected.contains(&told.code), "{name}, day {day}: {} {}", told.code, told.cause);
            }
        }
    }
}
