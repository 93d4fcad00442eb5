//! Whether the logger's clock was right: against what the vehicle says of the time, against itself, and against the moments
//! at which clocks begin that lost theirs.

use jiff::Timestamp;

use super::summary::{Began, ClockLine, ClockSource, ClockStep, round, seconds, stamp};

const SECOND: i64 = 1_000_000_000;
/// Smaller differences are how the time was rounded and how long it took (common practice, no source).
const STEP: i64 = 2 * SECOND;
/// Steps that are told.
const MOST: usize = 16;
/// Senders of the time that are told apart.
const SENDERS: usize = 8;
/// 2005-01-01, before which no log was recorded, s.
const CREDIBLE: i64 = 1_104_537_600;
/// 1024 weeks: a GPS receiver that counts ten bits of weeks is wrong by a multiple (IS-GPS-200), s.
const GPS_TURN: i64 = 619_315_200;
/// How exactly such a turn is met, s: the time of its receiver is right to the second, its zone may not be.
const GPS_NEAR: i64 = 15 * 3600;
/// Zones differ by quarters of an hour, s, and by no more than 14 hours.
const QUARTER: i64 = 900;
const ZONES: i64 = 14 * 3600;
/// How exactly a zone is met, s: clocks are set by hand (common practice, no source).
const ZONE_NEAR: i64 = 60;

/// Where clocks begin, s since 1970: Unix, FAT, GPS, CANopen, J1939, and most clock chips.
const BEGINNINGS: [(Began, i64); 6] = [
    (Began::Y1970, 0),
    (Began::Y1980, 315_532_800),
    (Began::Gps1980, 315_964_800),
    (Began::Y1984, 441_763_200),
    (Began::Y1985, 473_385_600),
    (Began::Y2000, 946_684_800),
];

/// At which beginning a clock started again that shows this time, ns since 1970; `None` for one that may be right.
pub fn began(at: i64) -> Option<Began> {
    let at = at.div_euclid(SECOND);
    let known = BEGINNINGS.iter().rev().find(|(_, begins)| *begins <= at);
    (at < CREDIBLE).then(|| known.map_or(Began::Y1970, |(began, _)| *began))
}

/// By how many turns of the GPS week a clock is off, given by how much it is ahead, s.
pub fn gps_turns(ahead: f64) -> Option<i64> {
    let turns = (ahead / GPS_TURN as f64).round() as i64;
    (turns != 0 && (ahead - (turns * GPS_TURN) as f64).abs() <= GPS_NEAR as f64).then_some(turns)
}

/// The zone, in s, for which an offset is mistaken, if it looks like one.
pub fn zone(ahead: f64) -> Option<i64> {
    let zone = (ahead / QUARTER as f64).round() as i64 * QUARTER;
    let met = (ahead - zone as f64).abs() <= ZONE_NEAR as f64;
    (zone != 0 && zone.abs() <= ZONES && met).then_some(zone)
}

#[derive(Debug)]
struct Sender {
    source: ClockSource,
    address: u8,
    local: bool,
    /// Logger's clock and vehicle's clock, ns, when it last told.
    logger: i64,
    vehicle: i64,
    first_ahead: i64,
    told: u64,
}

#[derive(Debug, Default)]
pub(super) struct Clock {
    senders: Vec<Sender>,
    steps: Vec<(i64, i64)>,
}

impl Clock {
    /// The vehicle tells a time, at a time of the log in ns.
    pub fn told(&mut self, source: ClockSource, address: u8, local: bool, at: i64, time: Timestamp) {
        let Ok(time) = i64::try_from(time.as_nanosecond()) else { return };
        // A vehicle may have lost its clock, too.
        if time < CREDIBLE * SECOND {
            return;
        }
        let ahead = at.saturating_sub(time);
        let known = self.senders.iter_mut().find(|s| (s.source, s.address) == (source, address));
        let Some(sender) = known else {
            if self.senders.len() < SENDERS {
                let (logger, vehicle, first_ahead) = (at, time, ahead);
                self.senders.push(Sender { source, address, local, logger, vehicle, first_ahead, told: 1 });
            }
            return;
        };
        let ours = at.saturating_sub(sender.logger);
        let theirs = time.saturating_sub(sender.vehicle);
        let by = ours.saturating_sub(theirs);
        (sender.logger, sender.vehicle, sender.told) = (at, time, sender.told + 1);
        // The one that went on in small steps was right: the other one was set.
        let set = ours < 0 || theirs >= 0 && ours > theirs;
        if by.saturating_abs() > STEP && set {
            self.step(at, by);
        }
    }

    /// Two frames of one bus that follow each other in the file.
    #[inline]
    pub fn pass(&mut self, before: i64, at: i64) {
        let by = at.saturating_sub(before);
        if by < -SECOND || by > SECOND && before < CREDIBLE * SECOND && at >= CREDIBLE * SECOND {
            self.step(at, by);
        }
    }

    #[cold]
    fn step(&mut self, at: i64, by: i64) {
        // Each bus and each sender shows the same step, seconds apart.
        let near = 10 * SECOND;
        let known = self.steps.iter().any(|(when, much)| {
            when.saturating_sub(at).saturating_abs() < near && much.saturating_sub(by).saturating_abs() < near
        });
        if !known && self.steps.len() < MOST {
            self.steps.push((at, by));
        }
    }

    /// With another one's senders where this one has none.
    pub fn or(mut self, other: Self) -> Self {
        if self.senders.is_empty() {
            self.senders = other.senders;
            self.steps.extend(other.steps);
        }
        self
    }

    /// What is to be said of it, for a log from and to these times.
    pub fn end(self, span: Option<(i64, i64)>) -> ClockLine {
        // A tachograph's time (address 238) is the one that is looked after; otherwise the lowest address.
        let rank = |s: &Sender| (s.local, s.source != ClockSource::J1939, s.address != 0xEE, s.address);
        let sender = self.senders.into_iter().min_by_key(rank);
        let ahead = sender.as_ref().map(|s| seconds(s.logger.saturating_sub(s.vehicle)));
        // Times of a vehicle's local clock are of a zone that is not known.
        let right = |at: i64, ahead: i64| stamp(at.saturating_sub(ahead));
        let (first, last) = match (&sender, span) {
            (Some(s), Some((first, last))) if !s.local => {
                (right(first, s.first_ahead), right(last, s.logger.saturating_sub(s.vehicle)))
            }
            _ => (None, None),
        };
        ClockLine {
            first,
            last,
            offset_s: ahead.map(|ahead| round(ahead, 3)),
            offset_first_s: sender.as_ref().map(|s| round(seconds(s.first_ahead), 3)),
            source: sender.as_ref().map(|s| s.source),
            address: sender.as_ref().map(|s| s.address),
            local: sender.as_ref().is_some_and(|s| s.local),
            began: span.and_then(|(first, _)| began(first)),
            gps_turns: ahead.and_then(gps_turns),
            zone_s: sender.as_ref().filter(|s| !s.local).and(ahead).and_then(zone),
            steps: self
                .steps
                .iter()
                .filter_map(|(at, by)| Some(ClockStep { at: stamp(*at)?, by_s: round(seconds(*by), 3) }))
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::check_values::{number, text, topic};

    /// `clock_epoch`: where the clocks of Unix, FAT, GPS, CANopen, J1939 and of common chips begin.
    #[test]
    fn a_clock_that_began_again_names_its_beginning() {
        let entries = topic("clock_epoch", 6);
        assert_eq!(entries.len(), BEGINNINGS.len());
        for (entry, (_, begins)) in entries.iter().zip(BEGINNINGS) {
            assert_eq!(begins as f64, number(entry, "/expected"), "{}", text(entry, "/input"));
        }
        let on = |text: &str| began(text.parse::<Timestamp>().expect("time").as_second() * SECOND);
        assert_eq!(on("2000-01-01T00:00:08Z"), Some(Began::Y2000));
        assert_eq!(on("1980-01-03T12:00:00Z"), Some(Began::Y1980));
        assert_eq!(on("1980-01-07T12:00:00Z"), Some(Began::Gps1980));
        assert_eq!(on("1969-12-31T00:00:00Z"), Some(Began::Y1970));
        assert_eq!(on("2026-03-02T05:10:00Z"), None);
    }

    /// `gps`: ten bits of weeks (IS-GPS-200), 7168 days.
    #[test]
    fn a_turn_of_the_gps_week_is_known() {
        let entries = topic("gps", 4);
        let turn = entries.iter().find(|e| e["id"] == "rollover-shift").expect("entry");
        assert_eq!(number(turn, "/expected/seconds"), GPS_TURN as f64);
        assert_eq!(number(turn, "/expected/days") * 86_400.0, GPS_TURN as f64);
        for entry in entries.iter().filter(|e| e["id"] != "rollover-shift") {
            let since = number(entry, "/expected/unix_if_read_as_utc") - 315_964_800.0;
            assert_eq!(since % GPS_TURN as f64, 0.0, "{entry}");
        }
        assert_eq!(gps_turns(-619_315_200.0), Some(-1));
        assert_eq!(gps_turns(-619_315_182.0), Some(-1), "leap seconds");
        assert_eq!(gps_turns(-3600.0), None);
        assert_eq!(gps_turns(-619_315_200.0 - 86_400.0), None);
    }

    #[test]
    fn an_offset_of_quarters_of_an_hour_is_a_zone() {
        assert_eq!(zone(3600.4), Some(3600));
        assert_eq!(zone(-20_701.0), Some(-20_700));
        assert_eq!((zone(1.0), zone(3700.0), zone(86_400.0)), (None, None, None));
    }

    fn told(clock: &mut Clock, log: i64, vehicle: i64) {
        let time = Timestamp::from_second(vehicle).expect("time");
        clock.told(ClockSource::J1939, 0xEE, false, log * SECOND, time);
    }

    #[test]
    fn the_one_that_jumped_is_the_one_that_was_set() {
        let start = 1_772_428_200;
        let mut clock = Clock::default();
        told(&mut clock, start, start - 7200);
        told(&mut clock, start + 1, start - 7199);
        told(&mut clock, start + 2, start - 7198 + 3600);
        let line = clock.end(Some((start * SECOND, (start + 2) * SECOND)));
        assert_eq!(line.steps, [], "the vehicle's clock was set");
        assert_eq!((line.offset_first_s, line.offset_s), (Some(7200.0), Some(3600.0)));
        assert_eq!(line.zone_s, Some(3600));
        let by_vehicle = [line.first, line.last].map(|at| at.map(|at| at.as_second()));
        assert_eq!(by_vehicle, [Some(start - 7200), Some(start + 2 - 3600)], "beside the recorded times");
        let mut clock = Clock::default();
        told(&mut clock, start, start);
        clock.pass(start * SECOND, (start - 3599) * SECOND);
        told(&mut clock, start - 3599, start + 1);
        let line = clock.end(None);
        assert_eq!(line.steps.iter().map(|s| s.by_s).collect::<Vec<_>>(), [-3599.0], "told once");
    }

    #[test]
    fn hostile_times_are_bounded() {
        let mut clock = Clock::default();
        let mut random = fastrand::Rng::with_seed(7168);
        for _ in 0..10_000 {
            let at = random.i64(..);
            clock.pass(random.i64(..), at);
            let time = Timestamp::from_second(random.i64(0..200_000_000_000)).expect("time");
            clock.told(ClockSource::J1939, random.u8(..), random.bool(), at, time);
        }
        let line = clock.end(Some((i64::MIN, i64::MAX)));
        assert!(line.steps.len() <= MOST);
    }
}
