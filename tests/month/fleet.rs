//! Vehicles that drive, and loggers that record them: made-up logs in the form that `candump -L` writes.

use std::fmt::Write as _;

use yarder::model::vin::check_digit;

/// Noon of Monday 2 November 2026, UTC, s: the first day begins.
pub const START: i64 = 1_793_620_800;
pub const DAY: i64 = 86_400;
const NS: i64 = 1_000_000_000;

/// A vehicle, with the counters that go on whatever is recorded.
#[derive(Debug, Clone)]
pub struct Vehicle {
    pub id: String,
    pub vin: String,
    /// Whether anybody asks it for its VIN.
    pub tells: bool,
    /// Whether it tells engine hours.
    pub hours_told: bool,
    pub km: f64,
    pub hours: f64,
}

impl Vehicle {
    pub fn new(n: usize) -> Self {
        let vin = format!("1TESTTRU0K00{n:05}");
        let digit = check_digit(&vin);
        Self {
            id: format!("TRUCK-{n:02}"),
            vin: format!("{}{digit}{}", &vin[..8], &vin[9..]),
            tells: n % 5 != 4,
            hours_told: n % 3 != 2,
            km: 20_000.0 + 7_919.0 * n as f64,
            hours: 900.0 + 131.0 * n as f64,
        }
    }
}

/// What a logger does to a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Recorder {
    Well,
    /// It is not on the bus any more.
    Deaf,
    /// Its second bus is dead.
    HalfDeaf,
    /// Its clock began again at this time when it was switched on, s since 1970.
    Lost(i64),
    /// Its clock is ahead by so much, s.
    Ahead(i64),
    /// Its power was cut when so many hundredths of the trip were over.
    Cut(u8),
}

/// A drive.
#[derive(Debug, Clone, Copy)]
pub struct Trip {
    /// When it begins, s since 1970.
    pub from: i64,
    /// How long it takes, s.
    pub s: i64,
    /// Its speed, km/h.
    pub speed: f64,
}

struct Log {
    text: String,
    ahead: i64,
}

impl Log {
    fn frame(&mut self, at: i64, bus: u8, id: u32, data: &[u8]) {
        let at = at + self.ahead;
        let _ = write!(
            self.text,
            "({:010}.{:06}) can{bus} {id:08X}#",
            at.div_euclid(NS),
            at.rem_euclid(NS) / 1000
        );
        for byte in data {
            let _ = write!(self.text, "{byte:02X}");
        }
        self.text.push('\n');
    }
}

fn four(value: f64) -> [u8; 8] {
    let [a, b, c, d] = (value as u32).to_le_bytes();
    [a, b, c, d, 0xFF, 0xFF, 0xFF, 0xFF]
}

/// Groups 65260 by broadcast.
fn vin(log: &mut Log, at: i64, vin: &str) {
    let text = format!("{vin}*");
    log.frame(at, 0, 0x1CEC_FF00, &[0x20, 18, 0, 3, 0xFF, 0xEC, 0xFE, 0x00]);
    for (n, part) in (1u8..).zip(text.as_bytes().chunks(7)) {
        let mut data = [0xFF; 8];
        data[0] = n;
        data[1..=part.len()].copy_from_slice(part);
        log.frame(at + i64::from(n) * 60_000_000, 0, 0x1CEB_FF00, &data);
    }
}

fn time(log: &mut Log, at: i64) {
    let time = jiff::Timestamp::from_nanosecond(i128::from(at)).expect("time");
    let time = time.to_zoned_datetime(jiff::tz::TimeZone::UTC);
    let (second, minute, hour) = (time.second() as u8 * 4, time.minute() as u8, time.hour() as u8);
    let (month, day, year) = (time.month() as u8, time.day() as u8 * 4 - 3, (time.year() - 1985) as u8);
    log.frame(at, 0, 0x18FE_E6EE, &[second, minute, hour, month, day, year, 0x7D, 0x7D]);
}

/// Drives a vehicle; gives what its logger has of it afterwards.
pub fn drive(vehicle: &mut Vehicle, trip: Trip, clock: i64, recorder: Recorder) -> Vec<u8> {
    let ahead = match recorder {
        Recorder::Lost(began) => (began - trip.from) * NS,
        Recorder::Ahead(s) => (clock + s) * NS,
        _ => clock * NS,
    };
    let mut log = Log { text: String::new(), ahead };
    // The logger wakes up when the vehicle already moves.
    vehicle.km += 0.2;
    vehicle.hours += 0.02;
    let (km, hours) = (vehicle.km, vehicle.hours);
    for s in (0..trip.s).step_by(4) {
        let at = trip.from * NS + s * NS + 1_000;
        let so_far = s as f64 / 3600.0;
        let [low, high] = (9_600u16 + (s % 480) as u16).to_le_bytes();
        log.frame(at, 0, 0x0CF0_0400, &[0xF0, 0x7D, 0x82, low, high, 0xFF, 0xFF, 0xFF]);
        let [low, high] = ((trip.speed * 256.0) as u16).to_le_bytes();
        log.frame(at + 200_000, 0, 0x18FE_F100, &[0xFF, low, high, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]);
        if s % 20 == 0 {
            log.frame(at + 400_000, 0, 0x18FE_C1EE, &four((km + trip.speed * so_far) * 200.0));
            if vehicle.hours_told {
                log.frame(at + 600_000, 0, 0x18FE_E500, &four((hours + so_far) * 20.0));
            }
        }
        if s % 60 == 0 {
            time(&mut log, at + 800_000);
        }
        if s % 8 == 0 && recorder != Recorder::HalfDeaf {
            log.frame(at + 900_000, 1, 0x18FF_0A21, &[s as u8, 0, 0, 0, 0, 0, 0xFF, 0xFF]);
        }
        if s == 28 && vehicle.tells {
            vin(&mut log, at + 1_000_000, &vehicle.vin);
        }
    }
    vehicle.km += trip.speed * trip.s as f64 / 3600.0;
    vehicle.hours += trip.s as f64 / 3600.0;
    match recorder {
        // A capture file has a head, whether anything is captured or not.
        Recorder::Deaf => {
            let mut head = vec![0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0];
            head.extend([0; 8]);
            head.extend([0xFF, 0xFF, 0, 0, 227, 0, 0, 0]);
            head
        }
        Recorder::Cut(hundredths) => {
            let mut text = log.text.into_bytes();
            text.truncate(text.len() * usize::from(hundredths) / 100);
            // Never at the end of a line by chance.
            while text.last() == Some(&b'\n') || text.ends_with(b")") {
                text.pop();
            }
            text
        }
        _ => log.text.into_bytes(),
    }
}

/// A real recording, as if it had been made at this time.
pub fn restamped(text: &str, at: i64) -> Vec<u8> {
    let stamp = |line: &str| {
        let (seconds, fraction) = line.strip_prefix('(')?.split_once(')')?.0.split_once('.')?;
        Some(seconds.parse::<i64>().ok()? * 1_000_000 + fraction.parse::<i64>().ok()?)
    };
    let first = text.lines().find_map(stamp).expect("a time");
    let mut made = String::with_capacity(text.len());
    for line in text.lines() {
        let Some(us) = stamp(line) else { continue };
        let rest = line.split_once(')').map_or("", |(_, rest)| rest);
        let us = us - first + at * 1_000_000;
        let _ = writeln!(made, "({:010}.{:06}){rest}", us.div_euclid(1_000_000), us.rem_euclid(1_000_000));
    }
    made.into_bytes()
}
