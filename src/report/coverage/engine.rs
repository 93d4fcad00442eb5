//! Driving that no file has: what the counters of a vehicle say between one file and the next.

use super::{Limits, Row};
use crate::inspect::facts::{Meter, Summary};

/// A vehicle does not go further in a day of 24 hours (common practice, no source): another vehicle, or another
/// instrument, counts there.
const FARTHEST: f64 = 2_000.0;
/// What an odometer may fall by rounding, km.
const ROUNDING: f64 = 1.0;

/// What lies between two files that follow each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Between {
    /// Driven or run without a log: km, hours of the engine.
    Unlogged(f64, f64),
    /// A counter that is not the one before: it reads, and read, km.
    Other(f64, f64),
}

/// A step between files, by their places in the list.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The file before.
    pub before: usize,
    /// The file after it.
    pub after: usize,
    /// What lies between.
    pub what: Between,
}

/// Steps between the files of a logger, in the order in which they were recorded. A file that is not home yet may hold
/// what lies between.
pub fn steps(rows: &[Row], limits: &Limits) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut before: Option<(usize, &Summary)> = None;
    for (after, row) in rows.iter().enumerate() {
        let Some(facts) = &row.facts else {
            // Home, but of no known form: it may hold it, too.
            before = None;
            continue;
        };
        if row.home.is_none() {
            before = None;
            continue;
        }
        if facts.engine.odometer.is_none() && facts.engine.hours.is_none() {
            // Nothing counts in it: what lies between is looked for behind it, unless it has a log of driving.
            if facts.engine.running_s.is_some_and(|ran| ran > 0.0) {
                before = None;
            }
            continue;
        }
        if let Some((place, earlier)) = before
            && let Some(what) = between(earlier, facts, elapsed(earlier, facts), limits)
        {
            steps.push(Step { before: place, after, what });
        }
        before = Some((after, facts));
    }
    steps
}

/// Days from the end of a file to the beginning of another by their own clock, at least one.
fn elapsed(before: &Summary, after: &Summary) -> f64 {
    let span =
        before.last.zip(after.first).map_or(0.0, |(last, first)| first.duration_since(last).as_secs_f64());
    (span / 86_400.0).clamp(1.0, 365.0)
}

fn between(before: &Summary, after: &Summary, days: f64, limits: &Limits) -> Option<Between> {
    let step = |of: fn(&Summary) -> &Option<Meter>| {
        let (a, b) = (of(before).as_ref()?, of(after).as_ref()?);
        ((a.number, a.address) == (b.number, b.address)).then_some((a.last, b.first))
    };
    let km = step(|facts| &facts.engine.odometer);
    let hours = step(|facts| &facts.engine.hours);
    if let Some((was, is)) = km
        && (is < was - ROUNDING || is - was > FARTHEST * days)
    {
        return Some(Between::Other(is, was));
    }
    let km = km.map_or(0.0, |(was, is)| is - was);
    let hours = hours.map_or(0.0, |(was, is)| is - was).clamp(0.0, 24.0 * days);
    (km > limits.unlogged_km || hours > limits.unlogged_h).then_some(Between::Unlogged(km, hours))
}

/// Whether a file tells of driving within a span, ms: more than what may go without a log.
pub fn drove(facts: &Summary, span: (i64, i64), limits: &Limits) -> bool {
    let more = |meter: &Option<Meter>, than: f64, most: f64| {
        meter.as_ref().map(|m| m.last - m.first).is_some_and(|by| by > than && by <= most)
    };
    let times = facts.first.zip(facts.last).map(|(a, b)| (a.as_millisecond(), b.as_millisecond()));
    times.is_some_and(|(first, last)| first >= span.0 && last < span.1)
        && (facts.engine.running_s.is_some_and(|ran| ran > limits.unlogged_h * 3_600.0)
            || more(&facts.engine.hours, limits.unlogged_h, 24.0)
            || more(&facts.engine.odometer, limits.unlogged_km, FARTHEST))
}

/// Hours that the engine ran within a file while nothing was recorded: no more than its gaps have room for, since an
/// engine whose speed is told seldom runs all the same.
pub fn within(facts: &Summary) -> f64 {
    let counted = facts.engine.hours.as_ref().map(|hours| hours.last - hours.first);
    let ran = facts.engine.running_s.map(|s| s / 3600.0);
    let gaps = facts.gaps.iter().map(|gap| gap.s).sum::<f64>() / 3600.0;
    counted.zip(ran).map_or(0.0, |(counted, ran)| (counted - ran).min(gaps).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::*;
    use crate::inspect::facts::{EngineLine, Gap};

    fn driven(place: i64, km: Option<(f64, f64)>, hours: Option<(f64, f64)>) -> Row {
        let meter = |number| move |(first, last)| Meter { number, address: 0, first, last };
        let engine = EngineLine {
            odometer: km.map(meter(917)),
            hours: hours.map(meter(247)),
            ..EngineLine::default()
        };
        Row { facts: Some(Box::new(Summary { engine, ..Summary::default() })), ..row(place, place) }
    }

    fn what(rows: &[Row]) -> Vec<(usize, usize, Between)> {
        steps(rows, &Limits::default()).into_iter().map(|s| (s.before, s.after, s.what)).collect()
    }

    #[test]
    fn driving_between_two_files_is_told() {
        let quiet = [driven(0, Some((0.0, 5.0)), None), driven(1, Some((5.2, 9.0)), None)];
        assert_eq!(what(&quiet), []);
        let drove = [driven(0, Some((0.0, 5.0)), None), driven(1, Some((48.0, 60.0)), None)];
        assert_eq!(what(&drove), [(0, 1, Between::Unlogged(43.0, 0.0))]);
        let stood = [driven(0, None, Some((10.0, 10.5))), driven(1, None, Some((11.5, 12.0)))];
        assert_eq!(what(&stood), [(0, 1, Between::Unlogged(0.0, 1.0))]);
    }

    #[test]
    fn a_file_that_is_not_home_may_hold_it() {
        let mut rows = vec![
            driven(0, Some((0.0, 5.0)), None),
            driven(1, None, None),
            driven(2, Some((48.0, 60.0)), None),
        ];
        assert_eq!(what(&rows), [(0, 2, Between::Unlogged(43.0, 0.0))], "a file without counters in between");
        rows[1].home = None;
        assert_eq!(what(&rows), []);
        rows[1].home = Some(1);
        rows[1].facts = None;
        assert_eq!(what(&rows), [], "nobody can read it");
    }

    #[test]
    fn an_odometer_that_falls_or_leaps_is_another_one() {
        let fell = [driven(0, Some((100.0, 105.0)), None), driven(1, Some((40.0, 60.0)), None)];
        assert_eq!(what(&fell), [(0, 1, Between::Other(40.0, 105.0))]);
        let leapt = [driven(0, Some((100.0, 105.0)), None), driven(1, Some((90_000.0, 90_010.0)), None)];
        assert_eq!(what(&leapt), [(0, 1, Between::Other(90_000.0, 105.0))]);
    }

    #[test]
    fn hours_that_count_on_while_nothing_is_recorded_are_missing() {
        let mut facts = Summary::default();
        assert_eq!(within(&facts), 0.0);
        facts.engine.hours = Some(Meter { number: 247, address: 0, first: 10.0, last: 12.0 });
        assert_eq!(within(&facts), 0.0, "nobody told the engine's speed");
        facts.engine.running_s = Some(3600.0);
        assert_eq!(within(&facts), 0.0, "frames came all the time");
        let at = |text: &str| text.parse().expect("time");
        facts.gaps =
            vec![Gap { from: at("2026-03-02T05:10:00Z"), to: at("2026-03-02T06:40:00Z"), s: 5_400.0 }];
        assert_eq!(within(&facts), 1.0);
    }
}
