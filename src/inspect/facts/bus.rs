//! One bus: how full it was, and whether what was recorded can be true.

use super::Rates;
use super::summary::{BusLine, round, seconds, stamp};
use crate::inspect::bits::{self, Bits};
use crate::inspect::frame::{Frame, Kind};

const SECOND: i64 = 1_000_000_000;
/// Stamps come late when a recorder is busy, so that a second may hold a little more than fits (common practice, no
/// source).
const JITTER: f64 = 1.02;

/// Sums of bits.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    nominal: u64,
    data: u64,
}

impl Sum {
    #[inline]
    fn add(&mut self, bits: Bits) {
        self.nominal += u64::from(bits.nominal);
        self.data += u64::from(bits.data);
    }

    /// How long they hold the bus, s; `None` where a rate that they need is not known.
    fn time(self, rates: Rates) -> Option<f64> {
        let at = |bits: u64, rate: Option<u32>| match (bits, rate) {
            (0, _) => Some(0.0),
            (bits, rate) => rate.filter(|rate| *rate > 0).map(|rate| bits as f64 / f64::from(rate)),
        };
        Some(at(self.nominal, Some(rates.nominal?))? + at(self.data, rates.data)?)
    }
}

/// What happened within a second of the log's clock.
#[derive(Debug, Clone, Copy, Default)]
struct Second {
    /// Its first moment, ns.
    from: i64,
    frames: u32,
    low: Sum,
}

/// The beginning of the second that a time lies in.
fn second_of(at: i64) -> i64 {
    at.saturating_sub(at.rem_euclid(SECOND))
}

#[derive(Debug, Default)]
pub(super) struct Bus {
    rates: Rates,
    pub name: String,
    frames: u64,
    /// Times of the earliest and latest frame, ns.
    first: i64,
    last: i64,
    /// Time of the frame before.
    previous: i64,
    /// Classic data frames with their payload: of 11 and of 29 bits, by length.
    plain: [[u64; 9]; 2],
    /// Of all frames.
    exact: Sum,
    /// Of all but the plain ones, whose bounds follow from their number.
    low: Sum,
    high: Sum,
    /// Frames whose payload was not kept.
    hidden: u64,
    second: Second,
    peak: u32,
    /// Frames beyond what a second can hold.
    impossible: u64,
}

impl Bus {
    pub fn of(rates: Rates) -> Self {
        Self { rates, ..Self::default() }
    }

    /// Takes a frame, and gives the time of the one before it, if there is one.
    #[inline]
    pub fn see(&mut self, frame: &Frame<'_>) -> Option<i64> {
        let at = frame.at;
        let before = (self.frames > 0).then_some(self.previous);
        if before.is_none() {
            (self.first, self.last) = (at, at);
            self.second.from = second_of(at);
        }
        self.frames += 1;
        self.first = self.first.min(at);
        self.last = self.last.max(at);
        self.previous = at;
        // The difference wraps for a time before the second, and is large then.
        if at.wrapping_sub(self.second.from) as u64 >= SECOND as u64 {
            self.end_second();
            self.second = Second { from: second_of(at), ..Second::default() };
        }
        self.second.frames += 1;
        let Frame { id, kind, len, data, .. } = *frame;
        let payload = usize::from(len.min(8));
        if kind.has(Kind::FD) || kind.has(Kind::REMOTE) || kind.has(Kind::ERROR) || data.len() < payload {
            self.uncommon(frame);
        } else {
            let extended = kind.has(Kind::EXTENDED);
            self.plain[usize::from(extended)][payload] += 1;
            self.exact.nominal += u64::from(bits::classic(id, extended, false, len, data));
            self.second.low.nominal += u64::from(bits::classic_bounds(extended, payload as u8).0);
        }
        before
    }

    #[cold]
    fn uncommon(&mut self, frame: &Frame<'_>) {
        let length = bits::of(frame);
        self.second.low.add(length.low);
        self.low.add(length.low);
        self.high.add(length.high);
        match length.exact {
            Some(bits) => self.exact.add(bits),
            None => self.hidden += 1,
        }
    }

    fn end_second(&mut self) {
        let Second { frames, low, .. } = self.second;
        self.peak = self.peak.max(frames);
        if let Some(time) = low.time(self.rates)
            && time > JITTER
        {
            // All but those that fit.
            self.impossible += (f64::from(frames) * (1.0 - 1.0 / time)).ceil() as u64;
        }
    }

    pub fn end(mut self) -> BusLine {
        let rates = self.rates;
        self.end_second();
        for (extended, counts) in self.plain.iter().enumerate() {
            for (payload, count) in (0..).zip(counts) {
                let (low, high) = bits::classic_bounds(extended == 1, payload);
                self.low.nominal += u64::from(low) * count;
                self.high.nominal += u64::from(high) * count;
            }
        }
        let span = seconds(self.last.saturating_sub(self.first));
        let load =
            |sum: Sum| sum.time(rates).filter(|_| span > 0.0).map(|time| round(100.0 * time / span, 3));
        BusLine {
            name: self.name,
            frames: self.frames,
            bit_rate: rates.nominal,
            load: load(self.exact).filter(|_| self.hidden == 0),
            load_low: load(self.low),
            load_high: load(self.high),
            peak_frames_per_s: self.peak,
            impossible_frames: self.impossible,
            first: (self.frames > 0).then(|| stamp(self.first)).flatten(),
            last: (self.frames > 0).then(|| stamp(self.last)).flatten(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATES: Rates = Rates { nominal: Some(250_000), data: None };

    /// Frames of 144 bits (131 to 160), this far apart: `can-1CECFF00` of the published values.
    fn bus(count: i64, apart: i64, rates: Rates) -> BusLine {
        let data = &[0x20, 0x12, 0x00, 0x03, 0xFF, 0xEC, 0xFE, 0x00];
        let mut bus = Bus::of(rates);
        for n in 0..count {
            let at = n * apart;
            bus.see(&Frame { at, bus: 0, id: 0x1CEC_FF00, kind: Kind::EXTENDED, len: 8, data });
        }
        bus.end()
    }

    /// `load-1` of the published values: 500 frames a second of 144 bits at 250 kbit/s.
    #[test]
    fn the_load_is_the_bits_over_the_span() {
        let line = bus(500 * 100 + 1, 2_000_000, RATES);
        let near = |load: Option<f64>, expected: f64| (load.expect("load") - expected).abs() < 0.01;
        assert!(near(line.load, 28.8) && near(line.load_low, 26.2) && near(line.load_high, 32.0));
        assert_eq!((line.peak_frames_per_s, line.impossible_frames), (500, 0));
        assert_eq!(bus(10, 1, Rates::default()).load, None, "without a bit rate there is no load");
    }

    /// `maxrate-250000` of the published values: more than 1908 such frames a second are impossible at 250 kbit/s.
    #[test]
    fn frames_that_do_not_fit_the_bit_rate_are_counted() {
        assert_eq!(bus(19_000, 526_316, RATES).impossible_frames, 0, "1900 a second");
        let line = bus(40_000, 250_000, RATES);
        assert_eq!(line.peak_frames_per_s, 4000);
        let beyond = line.impossible_frames as f64 / 10.0;
        assert!((beyond - (4000.0 - 1908.4)).abs() < 1.0, "{beyond} a second");
    }
}
