//! J1939-like `candump -L` text logs of an invented vehicle.
//!
//! Every line is [`LINE`] bytes, so that the line at any byte offset can be made without those
//! before it: `(1764000000.123456) can0 18FEF100#0102030405060708`. The frames are what a
//! 250 kbit/s vehicle bus carries, 500 a second: signals are scaled as SAE J1939-71 has them, the
//! VIN comes by broadcast transport (SAE J1939-21, 5.10) every 10 seconds. Byte, scale and offset
//! stand beside each signal below.

use std::sync::Arc;

use jiff::Timestamp;

use super::content::mix;

/// Bytes of a line with its line feed.
pub const LINE: u64 = 51;
/// Frames a second.
pub const RATE: u64 = 500;
/// Microseconds between the earliest stamps of two frames.
const STEP: i64 = 1_000_000 / RATE as i64;
/// Legs of the drive cycle, a minute each.
const LEGS: usize = 10;
const LEG_S: f64 = 60.0;
/// Seconds at the start of a leg in which the speed changes evenly.
const RAMP_S: f64 = 20.0;

/// An invented vehicle's bus: an endless stream of frames, which the files of its loggers are
/// cut from. Distance and engine hours go on from frame to frame.
#[derive(Debug)]
pub struct Bus {
    seed: u64,
    vin: [u8; 17],
    /// Speeds in m/s reached in each leg.
    speeds: [f64; LEGS],
    /// Metres driven before each leg, and in all of them.
    before: [f64; LEGS + 1],
    /// Metres at frame 0.
    odometer: f64,
    /// Seconds of engine time at frame 0.
    engine: u64,
}

/// What the vehicle does at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Metres a second.
    pub speed: f64,
    /// Engine turns a minute.
    pub rpm: f64,
    /// Metres since the vehicle was made.
    pub odometer: f64,
    /// Seconds that the engine has run since the vehicle was made.
    pub engine: u64,
}

impl Bus {
    /// The same seed gives the same vehicle.
    pub fn new(seed: u64) -> Self {
        let draw = |what: u64| mix(seed ^ mix(what));
        let mut speeds = [0.0; LEGS];
        for (leg, speed) in speeds.iter_mut().enumerate() {
            // Idle at the start and in about a third of the legs, else 18 to 72 km/h.
            let n = draw(leg as u64);
            *speed = if leg == 0 || n % 3 == 0 { 0.0 } else { 5.0 + (n % 1500) as f64 / 100.0 };
        }
        let mut before = [0.0; LEGS + 1];
        for leg in 0..LEGS {
            let from = speeds[(leg + LEGS - 1) % LEGS];
            before[leg + 1] = before[leg] + way(from, speeds[leg], LEG_S);
        }
        Self {
            seed,
            vin: vin(draw(100)),
            speeds,
            before,
            odometer: (draw(101) % 300_000_000) as f64,
            engine: draw(102) % 30_000_000,
        }
    }

    /// Its VIN: invented, with a right check digit (49 CFR 565.15).
    pub fn vin(&self) -> &str {
        std::str::from_utf8(&self.vin).unwrap_or_default()
    }

    /// What it does at that frame of its stream.
    pub fn moment(&self, frame: u64) -> Moment {
        let tick = LEGS as u64 * LEG_S as u64 * RATE;
        let at = (frame % tick) as f64 / RATE as f64;
        let leg = ((at / LEG_S) as usize).min(LEGS - 1);
        let (from, to) = (self.speeds[(leg + LEGS - 1) % LEGS], self.speeds[leg]);
        let within = at - leg as f64 * LEG_S;
        let speed = from + (to - from) * (within / RAMP_S).min(1.0);
        let shiver = (mix(self.seed ^ frame) % 160) as f64 / 10.0;
        // One gear lasts 18 km/h; its engine speed rises by 800.
        let gear = (speed * 3.6 / 18.0).fract();
        let rpm = if speed < 0.5 { 650.0 + shiver } else { 950.0 + 800.0 * gear + shiver };
        let cycles = (frame / tick) as f64;
        let driven = cycles * self.before[LEGS] + self.before[leg] + way(from, to, within);
        Moment { speed, rpm, odometer: self.odometer + driven, engine: self.engine + frame / RATE }
    }

    /// A file of `len` bytes that begins with frame `first`, stamped `start` (microseconds since
    /// 1970) by the logger and by the vehicle's own clock alike.
    pub fn log(self: &Arc<Self>, first: u64, start: i64, len: u64) -> Log {
        Log { bus: self.clone(), first, stamp: start, true_time: start, len }
    }

    /// Identifier and data of a frame sent at `time` (microseconds since 1970).
    pub fn frame(&self, frame: u64, time: i64) -> (u32, [u8; 8]) {
        let mut data = [0xff; 8];
        let slot = frame % RATE;
        let id = match slot {
            // VI by broadcast: announcement, then three packets 100 ms apart.
            12 | 62 | 112 | 162 if (frame / RATE).is_multiple_of(10) => {
                return self.vin_packet((slot / 50) as usize);
            }
            // VDHR 65217: SPN 917 bytes 1-4, SPN 918 bytes 5-8, 5 m a bit.
            4 => {
                let metres = self.moment(frame).odometer;
                data[..4].copy_from_slice(&((metres / 5.0) as u32).to_le_bytes());
                data[4..].copy_from_slice(&(((metres - self.odometer) / 5.0) as u32).to_le_bytes());
                0x18fe_c1ee
            }
            // ET1 65262: SPN 110 coolant byte 1, 1 degree a bit from -40.
            6 => {
                let warm = 20 + (frame / RATE / 12).min(62) as u8;
                data[0] = 40 + warm;
                0x18fe_ee00
            }
            // HOURS 65253: SPN 247 bytes 1-4, 0.05 h a bit.
            7 => {
                let hours = self.moment(frame).engine / 180;
                data[..4].copy_from_slice(&(hours as u32).to_le_bytes());
                0x18fe_e500
            }
            8 => {
                data = time_date(time);
                0x18fe_e6ee
            }
            // VEP1 65271: SPN 168 battery bytes 5-6, 0.05 V a bit.
            9 => {
                let volts = 548 + (mix(self.seed ^ frame) % 9) as u16;
                data[4..6].copy_from_slice(&volts.to_le_bytes());
                0x18fe_f700
            }
            // DM1 65226: no lamp, no trouble code (SAE J1939-73).
            11 => {
                data = [0x00, 0xff, 0x00, 0x00, 0x00, 0x00, 0xff, 0xff];
                0x18fe_ca00
            }
            // EEC1 61444: SPN 190 bytes 4-5, 0.125 rpm a bit; no torque mode, 0 % asked, load byte 3.
            _ if slot.is_multiple_of(5) => {
                let now = self.moment(frame);
                data[0] = 0xf0;
                data[1] = 125;
                data[2] = 130 + (now.speed as u8).min(60);
                data[3..5].copy_from_slice(&((now.rpm * 8.0) as u16).to_le_bytes());
                0x0cf0_0400
            }
            // TCO1 65132: SPN 1624 tachograph speed bytes 7-8, 1/256 km/h a bit.
            _ if slot % 25 == 1 => {
                data[6..].copy_from_slice(&kmh(self.moment(frame).speed).to_le_bytes());
                0x0cfe_6cee
            }
            // CCVS 65265: SPN 84 wheel speed bytes 2-3, 1/256 km/h a bit.
            _ if slot % 50 == 2 => {
                data[1..3].copy_from_slice(&kmh(self.moment(frame).speed).to_le_bytes());
                0x18fe_f100
            }
            // VD 65248: SPN 245 bytes 5-8, 0.125 km a bit; trip not available.
            _ if slot % 50 == 3 => {
                data[4..].copy_from_slice(&((self.moment(frame).odometer / 125.0) as u32).to_le_bytes());
                0x18fe_e0ee
            }
            // Proprietary B (65280 and up) of a body controller: a counter and three raw values.
            _ => {
                let raw = mix(self.seed ^ (frame / 50)).to_le_bytes();
                data[0] = (frame / 4) as u8;
                data[1..4].copy_from_slice(&raw[..3]);
                data[3] &= 0x3f;
                0x18ff_0021 | ((slot % 5) as u32) << 8
            }
        };
        (id, data)
    }

    fn vin_packet(&self, step: usize) -> (u32, [u8; 8]) {
        if step == 0 {
            // 18 bytes in 3 packets for PGN 65260.
            return (0x1cec_ff00, [0x20, 18, 0, 3, 0xff, 0xec, 0xfe, 0x00]);
        }
        let mut text = [0xff; 21];
        text[..17].copy_from_slice(&self.vin);
        text[17] = b'*';
        let mut data = [step as u8; 8];
        data[1..].copy_from_slice(&text[(step - 1) * 7..step * 7]);
        (0x1ceb_ff00, data)
    }
}

/// Metres driven in the first `t` seconds of a leg.
fn way(from: f64, to: f64, t: f64) -> f64 {
    let ramp = t.min(RAMP_S);
    from * ramp + (to - from) * ramp * ramp / (2.0 * RAMP_S) + to * (t - ramp)
}

fn kmh(speed: f64) -> u16 {
    (speed * 3.6 * 256.0) as u16
}

/// PGN 65254: SPN 959 seconds by 0.25, minutes, hours, month, day by 0.25 (1 to 4 are the first),
/// year from 1985, then the offsets (125 is none).
fn time_date(time: i64) -> [u8; 8] {
    let at = jiff::tz::TimeZone::UTC.to_datetime(Timestamp::from_microsecond(time).unwrap_or_default());
    [
        at.second() as u8 * 4,
        at.minute() as u8,
        at.hour() as u8,
        at.month() as u8,
        (at.day() as u8 - 1) * 4 + 1,
        (at.year() - 1985) as u8,
        0x7d,
        0x7d,
    ]
}

fn vin(seed: u64) -> [u8; 17] {
    const SIGNS: &[u8] = b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789";
    // 49 CFR 565.15, tables III and IV.
    const VALUES: &[u64] =
        &[1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9];
    const WEIGHTS: [u64; 17] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
    let mut vin = *b"A09SNXWYXT0000000";
    for (at, sign) in vin.iter_mut().enumerate().skip(10) {
        *sign = b'0' + (mix(seed ^ at as u64) % 10) as u8;
    }
    let value = |sign: &u8| SIGNS.iter().position(|s| s == sign).and_then(|at| VALUES.get(at)).unwrap_or(&0);
    let sum: u64 = vin.iter().zip(WEIGHTS).map(|(sign, weight)| value(sign) * weight).sum();
    vin[8] = if sum % 11 == 10 { b'X' } else { b'0' + (sum % 11) as u8 };
    vin
}

/// One log file: a run of frames of a [`Bus`] with the logger's stamps.
#[derive(Debug, Clone)]
pub struct Log {
    bus: Arc<Bus>,
    first: u64,
    stamp: i64,
    true_time: i64,
    len: u64,
}

impl Log {
    /// Bytes; any number, so that a file may end in the middle of a line.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Whether it holds no byte.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The same log with another length.
    pub fn with_len(&self, len: u64) -> Self {
        Self { len, ..self.clone() }
    }

    /// The same frames stamped by a logger whose clock reads `stamp` (microseconds since 1970, not
    /// before it) at the start; the vehicle's own clock stays right.
    pub fn stamped(&self, stamp: i64) -> Self {
        Self { stamp, ..self.clone() }
    }

    /// The frame behind the last begun line, where the next file goes on.
    pub fn next_frame(&self) -> u64 {
        self.first + self.len.div_ceil(LINE)
    }

    /// The time stamped at the end of the last line, in microseconds since 1970.
    pub fn end(&self) -> i64 {
        self.stamp + self.len.div_ceil(LINE) as i64 * STEP
    }

    pub(super) fn read(&self, from: u64, len: usize) -> Vec<u8> {
        let lead = (from % LINE) as usize;
        let mut out = Vec::with_capacity(lead + len + LINE as usize);
        let mut line = from / LINE;
        while out.len() < lead + len {
            self.write_line(line, &mut out);
            line += 1;
        }
        out.truncate(lead + len);
        out.drain(..lead);
        out
    }

    fn write_line(&self, line: u64, out: &mut Vec<u8>) {
        let frame = self.first + line;
        let since = line as i64 * STEP;
        let (id, data) = self.bus.frame(frame, self.true_time + since);
        // Frames wait for the bus: up to 0.7 ms, less than the step, so that time never steps back.
        let late = (mix(self.bus.seed ^ frame) >> 32) % 700;
        let stamp = (self.stamp + since) as u64 + late;
        out.push(b'(');
        decimal(out, stamp / 1_000_000, 10);
        out.push(b'.');
        decimal(out, stamp % 1_000_000, 6);
        out.extend_from_slice(b") can0 ");
        for byte in id.to_be_bytes() {
            hexadecimal(out, byte);
        }
        out.push(b'#');
        for byte in data {
            hexadecimal(out, byte);
        }
        out.push(b'\n');
    }
}

fn decimal(out: &mut Vec<u8>, number: u64, digits: u32) {
    for place in (0..digits).rev() {
        out.push(b'0' + (number / 10_u64.pow(place) % 10) as u8);
    }
}

fn hexadecimal(out: &mut Vec<u8>, byte: u8) {
    const DIGITS: &[u8; 16] = b"0123456789ABCDEF";
    out.extend([DIGITS[usize::from(byte >> 4)], DIGITS[usize::from(byte & 15)]]);
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: i64 = 1_764_000_000_000_000;

    /// Stamp, identifier and data.
    type Line = (f64, u32, Vec<u8>);

    fn lines(log: &Log) -> Vec<Line> {
        let text = String::from_utf8(log.read(0, log.len() as usize)).expect("ascii");
        text.lines()
            .map(|line| {
                assert_eq!(line.len() as u64 + 1, LINE, "{line}");
                let (stamp, rest) = line.split_once(' ').expect("stamp");
                let (id, data) =
                    rest.strip_prefix("can0 ").and_then(|rest| rest.split_once('#')).expect("frame");
                let stamp = stamp.trim_matches(['(', ')']).parse().expect("seconds");
                (stamp, u32::from_str_radix(id, 16).expect("id"), hex::decode(data).expect("data"))
            })
            .collect()
    }

    /// 30 seconds from the second minute on, which may drive.
    fn sample(seed: u64) -> (Arc<Bus>, Vec<Line>) {
        let bus = Arc::new(Bus::new(seed));
        let lines = lines(&bus.log(60 * RATE, START, 30 * RATE * LINE));
        (bus, lines)
    }

    #[test]
    fn time_goes_forward_at_the_stated_rate() {
        let (_, lines) = sample(1);
        assert!(lines.windows(2).all(|pair| pair[0].0 < pair[1].0));
        assert!((lines[lines.len() - 1].0 - lines[0].0 - 30.0).abs() < 0.01);
    }

    /// SAE J1939-21, 5.10.1.1 and 5.10.3: announcement, sequence numbers from 1, padding FF.
    #[test]
    fn the_vin_comes_by_broadcast_transport() {
        let (bus, lines) = sample(2);
        let at = lines.iter().position(|l| l.1 == 0x1cec_ff00).expect("announced");
        assert_eq!(lines[at].2, [0x20, 18, 0, 3, 0xff, 0xec, 0xfe, 0x00]);
        let packets: Vec<_> = lines[at..].iter().filter(|l| l.1 == 0x1ceb_ff00).take(3).collect();
        assert_eq!(packets.iter().map(|p| p.2[0]).collect::<Vec<_>>(), [1, 2, 3]);
        let text: Vec<u8> = packets.iter().flat_map(|p| p.2[1..].to_vec()).collect();
        assert_eq!(&text[..17], bus.vin().as_bytes());
        assert_eq!(&text[17..], b"*\xff\xff\xff");
        assert!(packets[2].0 - lines[at].0 < 0.75, "within T1");
    }

    #[test]
    fn signals_decode_to_what_the_vehicle_did() {
        let bus = Arc::new(Bus::new(3));
        let first = 120 * RATE;
        let lines = lines(&bus.log(first, START, 60 * RATE * LINE));
        for (n, (_, id, data)) in lines.iter().enumerate() {
            let now = bus.moment(first + n as u64);
            let word = |at: usize| f64::from(u16::from_le_bytes([data[at], data[at + 1]]));
            let long = |at: usize| f64::from(u32::from_le_bytes(data[at..at + 4].try_into().expect("four")));
            match id {
                0x0cf0_0400 => assert!((word(3) * 0.125 - now.rpm).abs() < 0.2),
                0x18fe_f100 => assert!((word(1) / 256.0 - now.speed * 3.6).abs() < 0.01),
                0x18fe_c1ee => assert!((long(0) * 5.0 - now.odometer).abs() <= 5.0),
                0x18fe_e0ee => assert!((long(4) * 125.0 - now.odometer).abs() <= 125.0),
                0x18fe_e500 => assert!((long(0) * 180.0 - now.engine as f64).abs() <= 180.0),
                0x18fe_ee00 => assert!((60..=122).contains(&data[0])),
                _ => {}
            }
        }
    }

    #[test]
    fn distance_is_the_sum_of_speed() {
        let bus = Bus::new(4);
        let mut sum = 0.0;
        for frame in 0..20 * 60 * RATE {
            sum += bus.moment(frame).speed / RATE as f64;
        }
        let driven = bus.moment(20 * 60 * RATE).odometer - bus.moment(0).odometer;
        assert!(driven > 1000.0 && (driven - sum).abs() < 5.0, "{driven} {sum}");
    }

    /// SPN 959 to 964, 1601, 1602 with the day in quarters: the worked value of a public sample.
    #[test]
    fn the_vehicle_clock_is_told_in_its_own_units() {
        let at: Timestamp = "2026-03-02T05:10:07Z".parse().expect("moment");
        assert_eq!(hex::encode_upper(time_date(at.as_microsecond())), "1C0A050305297D7D");
    }

    /// 49 CFR 565.15: the sum of values by weights, the ninth sign left out, modulo 11.
    #[test]
    fn the_vin_has_a_right_check_digit() {
        assert_eq!(vin(0).len(), 17);
        let vins: Vec<String> = (0..50).map(|seed| Bus::new(seed).vin().to_owned()).collect();
        let worth = |sign: char| -> u32 {
            match sign {
                '0'..='9' => sign as u32 - 48,
                'A'..='H' => sign as u32 - 64,
                'J'..='R' => sign as u32 - 73,
                _ => sign as u32 - 81,
            }
        };
        for vin in &vins {
            let weights = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
            let sum: u32 = vin.chars().zip(weights).map(|(sign, weight)| worth(sign) * weight).sum();
            let want = if sum % 11 == 10 { 'X' } else { char::from_digit(sum % 11, 10).expect("digit") };
            assert_eq!(vin.chars().nth(8), Some(want), "{vin}");
        }
    }

    #[test]
    fn a_reset_clock_stays_ten_digits_wide() {
        let bus = Arc::new(Bus::new(5));
        let log = bus.log(0, START, 10 * LINE).stamped(315_532_800_000_000);
        assert!(log.read(0, 51).starts_with(b"(0315532800.000"));
    }
}
