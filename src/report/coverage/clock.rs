//! Loggers whose clock is wrong.

use serde_json::{Value, json};

use super::{Limits, Row};
use crate::inspect::facts::{Began, Summary, gps_turns};
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
        Wrong::Off(_) | Wrong::Drifts(_) => format!("Set the clock of {logger}."),
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
        Wrong::Drifts(_) => 5,
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
