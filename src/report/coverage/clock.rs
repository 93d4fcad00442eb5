//! Loggers whose clock is wrong.

use serde_json::{Value, json};

use super::{Limits, Row};
use crate::inspect::facts::{Began, Summary, gps_turns, zone};
use crate::ledger::Severity;
use crate::model::amount::span;

const DAY: f64 = 86_400.0;
/// A file comes home within this of its end, s; a turn of the GPS week without a vehicle that tells the time is known
/// by that (common practice, no source).
const HOME: f64 = 14.0 * DAY;
/// Offsets that a drift is made of, and days that they span, at least.
const POINTS: usize = 4;
const WEEK: f64 = 7.0 * DAY;
/// Steps larger than this are no drift, s.
const STEP: f64 = 60.0;
/// Files that have to agree on how they are dated, and how well, s: a listing may cut the time to the minute.
const DATED: usize = 3;
const AGREE: f64 = 60.0;
/// FAT keeps times in steps of so many seconds, cut (Microsoft FAT specification, 6).
const FAT_STEP: f64 = 2.0;
/// A file may be closed, and so dated, long after the last frame: zones of less than this are none, s (common practice, no
/// source).
const LATE: f64 = 3_600.0;

/// What is wrong with a clock, the surest first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wrong {
    /// It lost its time and began again here.
    Lost(Began),
    /// It is off by so many turns of the GPS week.
    Turned(i64),
    /// It is ahead of when the file came home, s.
    Future(f64),
    /// It shows another zone's time, s.
    Zone(i64),
    /// It is ahead of the vehicle's, s.
    Off(f64),
    /// The logger's server shows a time that is ahead of ours, s.
    Served(f64),
    /// What is in the files is ahead of how the logger dates them, s.
    Dated(f64),
    /// It gains so much a day, s.
    Drifts(f64),
}

/// What one file says of the clock that it was recorded by; it came home at this time, ms.
pub fn of(facts: &Summary, home: i64, limits: &Limits) -> Option<Wrong> {
    let clock = &facts.clock;
    if let Some(began) = clock.began {
        return Some(Wrong::Lost(began));
    }
    let last = facts.last?.as_millisecond() as f64 / 1e3;
    let ahead = last - home as f64 / 1e3;
    // Without a vehicle that tells the time, when the file came home bounds it from above alone.
    let turned = (1..=2).find(|turns| (0.0..HOME).contains(&-(ahead + *turns as f64 * 619_315_200.0)));
    if let Some(turns) = clock.gps_turns.or(turned.map(|turns: i64| -turns)) {
        return Some(Wrong::Turned(turns));
    }
    if ahead > limits.clock_future_s {
        return Some(Wrong::Future(ahead));
    }
    if let Some(zone) = clock.zone_s {
        return Some(Wrong::Zone(zone));
    }
    let off = clock.offset_s.filter(|_| !clock.local)?;
    (off.abs() > limits.clock_off_s).then_some(Wrong::Off(off))
}

/// What the time of its server says of a logger: it is ahead of ours, s.
pub fn served(ahead: f64, limits: &Limits) -> Option<Wrong> {
    (ahead.abs() > limits.clock_off_s).then_some(Wrong::Served(ahead))
}

/// By how much what is in these files is ahead of when the logger last changed them, as it dates them, s; `None` where they
/// are too few, or do not agree. All times are the logger's own.
pub fn dated<'r>(files: impl Iterator<Item = (&'r Row, &'r Summary)>) -> Option<f64> {
    let ahead = |(row, facts): (&Row, &Summary)| {
        let last = facts.last.filter(|_| !facts.clock.local && facts.clock.began.is_none())?;
        Some((last.as_millisecond().saturating_sub(row.time?)) as f64 / 1e3)
    };
    let mut all: Vec<f64> = files.filter_map(ahead).collect();
    all.sort_by(f64::total_cmp);
    let (least, median, most) = (*all.first()?, *all.get(all.len() / 2)?, *all.last()?);
    (all.len() >= DATED && most - least <= AGREE).then_some(median)
}

/// What is wrong where files are dated so: what is in a file is no newer than it, and a file is not closed a zone later.
pub fn misdated(ahead: f64, limits: &Limits) -> Option<Wrong> {
    let newer = ahead > limits.clock_off_s + FAT_STEP;
    let zone_later = ahead <= AGREE - LATE && zone(ahead).is_some();
    (newer || zone_later).then_some(Wrong::Dated(ahead))
}

/// By how much a clock gains a day, s, from the offsets of the week before this time in ms; `None` where they are too
/// few, or a step lies between them. The median of the slopes of all pairs (Theil and Sen).
pub fn drift(rows: &[Row], now: i64) -> Option<f64> {
    let since = now - (WEEK * 1e3) as i64;
    let point = |row: &Row| {
        let facts = row.facts.as_ref()?;
        let offset = facts.clock.offset_s.filter(|off| !facts.clock.local && gps_turns(*off).is_none())?;
        let home = row.home.filter(|home| (since..now).contains(home))?;
        Some((facts.last?.as_millisecond() as f64 / 1e3, offset, home))
    };
    let points: Vec<(f64, f64, i64)> = rows.iter().filter_map(point).collect();
    let (first, last) = (points.first()?, points.last()?);
    if points.len() < POINTS || last.0 - first.0 < 2.0 * DAY {
        return None;
    }
    if points.windows(2).any(|w| (w[1].1 - w[0].1).abs() > STEP) {
        return None;
    }
    // A hundred points are enough, spread over all of them.
    let step = points.len().div_ceil(100);
    let points: Vec<_> = points.iter().step_by(step).collect();
    let mut slopes = Vec::new();
    for (n, a) in points.iter().enumerate() {
        let later = points.iter().skip(n + 1).filter(|b| b.0 - a.0 >= DAY / 2.0);
        slopes.extend(later.map(|b| (b.1 - a.1) / (b.0 - a.0) * DAY));
    }
    slopes.sort_by(f64::total_cmp);
    slopes.get(slopes.len() / 2).copied()
}

/// What is wrong in words: cause, how much it asks, evidence and action.
pub fn told(wrong: &Wrong, logger: &str) -> (String, Severity, Value, String) {
    let ahead = |s: f64| if s < 0.0 { "behind" } else { "ahead" };
    let (cause, severity, evidence) = match *wrong {
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
            json!({ "ahead_s": super::round(s) }),
        ),
        Wrong::Zone(zone) => (
            format!("{logger} is {} {}, as another zone is", span(zone as f64), ahead(zone as f64)),
            Severity::Watch,
            json!({ "zone_s": zone }),
        ),
        Wrong::Off(s) => (
            format!("{logger} is {} {} of the vehicle's clock", span(s), ahead(s)),
            Severity::Watch,
            json!({ "offset_s": super::round(s) }),
        ),
        // A clock that is off by days has lost the time.
        Wrong::Served(s) => (
            format!("{logger} shows a time that is {} {} of the depot PC's", span(s), ahead(s)),
            if s.abs() > DAY { Severity::Act } else { Severity::Watch },
            json!({ "server_s": super::round(s) }),
        ),
        Wrong::Dated(s) => (
            format!(
                "{logger} dates its files {} {} what is in them",
                span(s),
                if s < 0.0 { "after" } else { "before" }
            ),
            Severity::Watch,
            json!({ "dated_s": super::round(s) }),
        ),
        Wrong::Drifts(s) => (
            format!("{logger} {} {} a day", if s < 0.0 { "loses" } else { "gains" }, span(s)),
            Severity::Watch,
            json!({ "drift_s_per_day": super::round(s) }),
        ),
    };
    let action = match *wrong {
        Wrong::Lost(_) | Wrong::Turned(_) | Wrong::Future(_) => {
            format!(
                "Set the clock of {logger}, and see to its battery; its files keep the times that they have."
            )
        }
        Wrong::Zone(_) => format!("Let {logger} record universal time."),
        Wrong::Dated(_) => format!(
            "Let {logger} record and date its files in universal time; if it dates them in its own zone, set `time_zone` of its kind."
        ),
        Wrong::Off(_) | Wrong::Served(_) | Wrong::Drifts(_) => format!("Set the clock of {logger}."),
    };
    (cause, severity, evidence, action)
}

/// The surest first.
pub fn rank(wrong: &Wrong) -> u8 {
    match wrong {
        Wrong::Lost(_) => 0,
        Wrong::Turned(_) => 1,
        Wrong::Future(_) => 2,
        Wrong::Zone(_) => 3,
        Wrong::Off(_) => 4,
        Wrong::Served(_) => 5,
        Wrong::Dated(_) => 6,
        Wrong::Drifts(_) => 7,
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::*;
    use crate::inspect::check_values::{number, topic};
    use crate::inspect::facts::ClockLine;
    use jiff::Timestamp;

    const HOME_AT: i64 = 1_772_500_000;

    fn file(last: i64, clock: ClockLine) -> Summary {
        Summary { frames: 1, last: Timestamp::from_second(last).ok(), clock, ..Summary::default() }
    }

    fn wrong(last: i64, clock: ClockLine) -> Option<Wrong> {
        of(&file(last, clock), HOME_AT * 1000, &Limits::default())
    }

    #[test]
    fn what_is_wrong_is_told_by_its_surest_sign() {
        let offset = |s: f64| ClockLine { offset_s: Some(s), ..ClockLine::default() };
        assert_eq!(wrong(HOME_AT - 3600, ClockLine::default()), None);
        assert_eq!(wrong(HOME_AT - 3600, offset(3.0)), None);
        assert_eq!(wrong(HOME_AT - 3600, offset(-400.0)), Some(Wrong::Off(-400.0)));
        let lost = ClockLine { began: Some(Began::Y2000), ..offset(-8e8) };
        assert_eq!(wrong(946_684_900, lost), Some(Wrong::Lost(Began::Y2000)));
        assert_eq!(wrong(HOME_AT - 3600 - 619_315_200, ClockLine::default()), Some(Wrong::Turned(-1)));
        assert_eq!(wrong(HOME_AT - 40 * 86_400, ClockLine::default()), None, "it stood in the yard");
        assert_eq!(wrong(HOME_AT + 90_000, ClockLine::default()), Some(Wrong::Future(90_000.0)));
        let zone = ClockLine { zone_s: Some(3600), ..offset(3601.0) };
        assert_eq!(wrong(HOME_AT - 3600, zone), Some(Wrong::Zone(3600)));
        let local = ClockLine { local: true, ..offset(7200.0) };
        assert_eq!(wrong(HOME_AT - 3600, local), None, "the vehicle's zone is not known");
    }

    /// `fat_time`: the words of FAT's directory entries (Microsoft FAT specification, 6): what they keep of a time is no more
    /// than a step before it, and so no sign of a wrong clock.
    #[test]
    fn a_time_as_fat_keeps_it_is_the_time() {
        use crate::inspect::check_values::text;
        for entry in topic("fat_time", 5) {
            let word = |at: &str| i64::from_str_radix(text(&entry, at), 16).expect("a word");
            let (date, time) = (word("/expected/date_word"), word("/expected/time_word"));
            let kept = jiff::civil::datetime(
                (1980 + (date >> 9)) as i16,
                (date >> 5 & 15) as i8,
                (date & 31) as i8,
                (time >> 11) as i8,
                (time >> 5 & 63) as i8,
                (time & 31) as i8 * 2,
                0,
            );
            let written = text(&entry, "/input").split(' ').next().expect("a time");
            let written: jiff::civil::DateTime = written.parse().expect("a time");
            let cut = (written - kept).total(jiff::Unit::Second).expect("seconds");
            assert!((0.0..FAT_STEP).contains(&cut), "{entry}");
            let limits = Limits { clock_off_s: 0.0, ..Limits::default() };
            assert_eq!(misdated(cut, &limits), None);
        }
    }

    /// `exfat_utc`: the offsets of exFAT's directory entries (Microsoft exFAT specification, 7.4.10) are quarters of an hour,
    /// bit 7 marking one that is told; files that are dated by one of an hour and more and taken for universal time are told.
    #[test]
    fn an_offset_that_exfat_knows_is_one_that_is_told() {
        use crate::inspect::check_values::text;
        for entry in topic("exfat_utc", 8) {
            let byte = u8::from_str_radix(text(&entry, "/expected"), 16).expect("a byte");
            let Some(minutes) = entry["input"].as_f64() else {
                assert_eq!(byte, 0, "not told");
                continue;
            };
            // Seven bits with a sign.
            let quarters = i32::from((byte << 1).cast_signed() >> 1);
            assert_eq!((byte & 0x80, f64::from(quarters) * 15.0), (0x80, minutes), "{entry}");
            let dated = misdated(-minutes * 60.0, &Limits::default());
            assert_eq!(dated.is_some(), minutes != 0.0, "{entry}");
        }
    }

    /// `rtc`: a crystal that is off by 20 millionths (arithmetic; a common data sheet's value, no source).
    #[test]
    fn a_crystal_drifts_as_the_arithmetic_says() {
        let entry = &topic("rtc", 1)[0];
        let ppm = number(entry, "/input");
        let rows: Vec<Row> = (0..14)
            .map(|half| {
                let at = HOME_AT + half * 43_200;
                // Offsets are told to about a second.
                let offset = (half as f64 * 43_200.0 * ppm / 1e6).round() + (half % 2) as f64 * 0.2;
                let clock = ClockLine { offset_s: Some(offset), ..ClockLine::default() };
                Row { facts: Some(Box::new(file(at, clock))), ..row(half, at * 1000) }
            })
            .collect();
        let drift = drift(&rows, (HOME_AT + 7 * 86_400) * 1000).expect("points");
        assert!((drift - number(entry, "/expected/s_per_day")).abs() < 0.2, "{drift}");
        assert_eq!(super::drift(&rows[..3], (HOME_AT + 7 * 86_400) * 1000), None);
    }
}
