//! Which hours of a day have data, which lack it, and in which the vehicle slept.

use super::engine::{self, Between};
use super::{Limits, Row};

const HOUR: i64 = 3_600_000;

/// How an hour stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hour {
    /// There are frames.
    Data,
    /// The vehicle was used, and no file has it.
    Missing,
    /// Nothing speaks for its having been used.
    Asleep,
}

/// The hours of a span in ms, by the logger's clock.
pub fn hours(rows: &[Row], limits: &Limits, (from, to): (i64, i64)) -> Vec<Hour> {
    let count = usize::try_from(((to - from).clamp(0, 48 * HOUR) + HOUR - 1) / HOUR).unwrap_or(0);
    let mut hours = vec![Hour::Asleep; count];
    let mut mark = |first: i64, last: i64, how: Hour| {
        for (n, hour) in hours.iter_mut().enumerate() {
            let begin = from + n as i64 * HOUR;
            if first < begin + HOUR && last >= begin {
                *hour = how;
            }
        }
    };
    let span = |place: usize| {
        let facts = rows.get(place)?.facts.as_ref()?;
        Some((facts.first?.as_millisecond(), facts.last?.as_millisecond()))
    };
    for step in engine::steps(rows, limits) {
        if let (Between::Unlogged(..), Some((_, last)), Some((first, _))) =
            (step.what, span(step.before), span(step.after))
        {
            mark(last, first, Hour::Missing);
        }
    }
    for (place, row) in rows.iter().enumerate() {
        let (Some((mut first, last)), Some(facts)) = (span(place), &row.facts) else { continue };
        let mut holes: Vec<_> =
            facts.gaps.iter().map(|gap| (gap.from.as_millisecond(), gap.to.as_millisecond())).collect();
        holes.retain(|(from, to)| (to - from) as f64 > limits.gap_s * 1e3);
        holes.sort_unstable();
        for (from, to) in holes {
            mark(first, from, Hour::Data);
            first = to;
        }
        mark(first, last, Hour::Data);
    }
    hours
}

/// Hours with data against hours driven, of the files that came home in a span in ms; `None` where no file tells the
/// engine's.
pub fn covered(rows: &[Row], limits: &Limits, (from, to): (i64, i64)) -> Option<f64> {
    let inside = |row: &Row| row.home.is_some_and(|home| (from..to).contains(&home));
    let (mut ran, mut missing, mut known) = (0.0, 0.0, false);
    for facts in rows.iter().filter(|row| inside(row)).filter_map(|row| row.facts.as_ref()) {
        known |= facts.engine.running_s.is_some();
        ran += facts.engine.running_s.unwrap_or(0.0) / 3600.0;
        missing += engine::within(facts);
    }
    for step in engine::steps(rows, limits) {
        if let Between::Unlogged(_, hours) = step.what
            && rows.get(step.after).is_some_and(inside)
        {
            missing += hours;
        }
    }
    (known && ran + missing > 0.0).then(|| ran / (ran + missing))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{Made, row};
    use super::*;

    #[test]
    fn an_hour_has_data_lacks_it_or_sleeps() {
        let file = |from: f64, to: f64, km: (f64, f64)| {
            Made { hours: (from, to), km: Some(km), ..Made::default() }.row()
        };
        let rows = [file(6.2, 7.5, (0.0, 60.0)), file(10.1, 11.9, (200.0, 290.0))];
        use Hour::{Asleep, Data, Missing};
        let expected = [Asleep, Data, Data, Missing, Missing, Data, Data, Asleep];
        assert_eq!(hours(&rows, &Limits::default(), (5 * HOUR, 13 * HOUR)), expected);
    }

    #[test]
    fn what_was_driven_without_a_log_lessens_the_cover() {
        let file = |from: f64, to: f64, counted: (f64, f64)| {
            Made { hours: (from, to), counted: Some(counted), ran: Some(to - from), ..Made::default() }.row()
        };
        let rows = [file(6.0, 8.0, (100.0, 102.0)), file(10.0, 12.0, (104.0, 106.0))];
        assert_eq!(covered(&rows, &Limits::default(), (0, 24 * HOUR)), Some(4.0 / 6.0));
        assert_eq!(covered(&[row(0, 1)], &Limits::default(), (0, 24 * HOUR)), None);
    }
}
