//! Which hours of a day have data, which lack it, and in which the vehicle slept.

use super::engine::{self, Between, Step};
use super::{Limits, Row};

const HOUR: i64 = 3_600_000;
/// A vehicle is not slower than this on its way, km/h (common practice, no source).
const SLOW: f64 = 80.0;

/// How an hour stands; what weighs more comes later.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hour {
    /// Nothing speaks for its having been used.
    Asleep,
    /// Nobody knows: files are still to come, or something was driven at a time that nobody knows.
    Unknown,
    /// There are frames.
    Data,
    /// The vehicle was used, and no file has it.
    Missing,
}

impl Hour {
    /// How it is told in JSON.
    pub fn letter(self) -> char {
        match self {
            Hour::Asleep => 's',
            Hour::Unknown => '?',
            Hour::Data => 'd',
            Hour::Missing => 'm',
        }
    }
}

/// The hours of a span in ms, by the logger's clock; of those behind `known` (ms) nothing is known unless there is data.
/// `None` where no file says anything of the span.
pub fn hours(
    rows: &[Row],
    steps: &[Step],
    limits: &Limits,
    (from, to): (i64, i64),
    known: i64,
) -> Option<Vec<Hour>> {
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
    mark(known, i64::MAX, Hour::Unknown);
    for step in steps {
        if let (Between::Unlogged(km, hours), Some((_, last)), Some((first, _))) =
            (step.what, span(step.before), span(step.after))
        {
            // In a long time that it stood for the most part nobody knows when it drove.
            let drove = hours.max(km / SLOW) * HOUR as f64;
            let sure = (first - last) as f64 <= 3.0 * drove + HOUR as f64;
            mark(last, first, if sure { Hour::Missing } else { Hour::Unknown });
        }
    }
    let mut any = false;
    for (place, row) in rows.iter().enumerate() {
        let (Some((mut first, last)), Some(facts)) = (span(place), &row.facts) else { continue };
        any |= first < to && last >= from;
        let mut holes: Vec<_> =
            facts.gaps.iter().map(|gap| (gap.from.as_millisecond(), gap.to.as_millisecond())).collect();
        holes.retain(|(from, to)| (to - from) as f64 > limits.gap_s * 1e3);
        holes.sort_unstable();
        let ran = engine::within(facts) > limits.unlogged_h;
        for (from, to) in holes {
            if ran {
                mark(from, to, Hour::Missing);
            }
            mark(first, from, Hour::Data);
            first = to;
        }
        mark(first, last, Hour::Data);
    }
    any.then_some(hours)
}

/// Hours with data against hours driven, of the files that came home in a span in ms; `None` where no file tells the
/// engine's, or not all of it.
pub fn covered(rows: &[Row], steps: &[Step], (from, to): (i64, i64)) -> Option<f64> {
    let inside = |row: &Row| row.home.is_some_and(|home| (from..to).contains(&home));
    let (mut ran, mut missing, mut known) = (0.0, 0.0, false);
    for row in rows.iter().filter(|row| inside(row)) {
        let facts = row.facts.as_ref()?;
        known |= facts.engine.running_s.is_some();
        ran += facts.engine.running_s.unwrap_or(0.0) / 3600.0;
        missing += engine::within(facts);
    }
    for step in steps.iter().filter(|step| rows.get(step.after).is_some_and(inside)) {
        match step.what {
            Between::Unlogged(_, hours) if hours > 0.0 => missing += hours,
            // It drove, and nobody counted for how long.
            _ => return None,
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
        use Hour::{Asleep, Data, Missing, Unknown};
        let all = Limits::default();
        let told =
            |rows: &[Row], known| hours(rows, &engine::steps(rows, &all), &all, (5 * HOUR, 13 * HOUR), known);
        let expected = [Asleep, Data, Data, Missing, Missing, Data, Data, Asleep];
        assert_eq!(told(&rows, 24 * HOUR), Some(expected.to_vec()));
        let expected = [Asleep, Data, Data, Missing, Missing, Data, Data, Unknown];
        assert_eq!(told(&rows, 9 * HOUR), Some(expected.to_vec()), "files are to come");
        assert_eq!(told(&[row(0, 1)], 24 * HOUR), None, "nobody can read it");
        // Three kilometres in five hours: nobody knows when.
        let rows = [file(5.0, 5.5, (0.0, 60.0)), file(12.0, 12.5, (63.0, 90.0))];
        let expected = [Data, Unknown, Unknown, Unknown, Unknown, Unknown, Unknown, Data];
        assert_eq!(told(&rows, 24 * HOUR), Some(expected.to_vec()));
    }

    #[test]
    fn what_was_driven_without_a_log_lessens_the_cover() {
        let file = |from: f64, to: f64, counted: (f64, f64)| {
            Made { hours: (from, to), counted: Some(counted), ran: Some(to - from), ..Made::default() }.row()
        };
        let told = |rows: &[Row]| covered(rows, &engine::steps(rows, &Limits::default()), (0, 24 * HOUR));
        let mut rows = vec![file(6.0, 8.0, (100.0, 102.0)), file(10.0, 12.0, (104.0, 106.0))];
        assert_eq!(told(&rows), Some(4.0 / 6.0));
        rows.push(row(0, 1));
        assert_eq!(told(&rows), None, "nobody can read one of them");
    }

    #[test]
    fn a_cover_that_nobody_knows_is_none_and_neither_all_nor_nothing() {
        let file = |from: f64, km: (f64, f64)| {
            Made { hours: (from, from + 1.0), km: Some(km), ran: Some(1.0), ..Made::default() }.row()
        };
        let told = |rows: &[Row]| covered(rows, &engine::steps(rows, &Limits::default()), (0, 24 * HOUR));
        assert_eq!(told(&[file(6.0, (0.0, 50.0)), file(8.0, (50.0, 99.0))]), Some(1.0));
        assert_eq!(told(&[file(6.0, (0.0, 50.0)), file(8.0, (90.0, 99.0))]), None, "nobody counts the hours");
        assert_eq!(told(&[file(6.0, (0.0, 50.0)), file(8.0, (9_000.0, 9_009.0))]), None, "another vehicle's");
        assert_eq!(told(&[]), None);
    }
}
