//! Numbers that are missing from a stream: files that a logger wrote and never offered.

use std::collections::{BTreeMap, BTreeSet};

use super::Row;
use crate::listing::order::counter;
use crate::model::RemotePath;

/// A stream whose numbers are missing this often does not count its files (common practice, no source): one of so many.
const DENSE: u128 = 4;

/// Missing numbers, first and last of each run.
pub type Runs = Vec<(u128, u128)>;

/// What is missing between the oldest and the newest of these numbers, oldest first, of a counter that begins again at
/// this number. Where both its highest and its lowest tenth occur, it has begun again, and the oldest stands behind
/// the widest gap.
pub fn missing(seen: impl IntoIterator<Item = u128>, modulus: u128) -> Runs {
    let mut seen: Vec<u128> = seen.into_iter().collect::<BTreeSet<_>>().into_iter().collect();
    let (Some(&lowest), Some(&highest)) = (seen.first(), seen.last()) else { return Vec::new() };
    if lowest < modulus / 10 && highest >= modulus - modulus / 10 {
        let widest = seen.windows(2).enumerate().max_by_key(|(_, w)| w[1] - w[0]);
        let turn = widest.map_or(0, |(at, _)| at + 1);
        seen.rotate_left(turn);
    }
    let mut runs = Vec::new();
    for pair in seen.windows(2) {
        let (from, to) = (pair[0] + 1, pair[1]);
        match from <= to {
            true if from < to => runs.push((from, to - 1)),
            true => {}
            // Over the turn: to its end, and from 0.
            false => runs.extend(
                [(from, modulus - 1), (0, to.wrapping_sub(1))]
                    .into_iter()
                    .filter(|r| r.0 <= r.1 && r.1 < modulus),
            ),
        }
    }
    runs
}

/// What is missing from a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Lack {
    folder: Vec<u8>,
    /// What of the name stands before the number.
    before: Vec<u8>,
    /// Digits of the number.
    width: u32,
    /// What is missing.
    pub runs: Runs,
}

impl Lack {
    /// How many files.
    pub fn files(&self) -> u128 {
        self.runs.iter().map(|(first, last)| last - first + 1).sum()
    }

    /// The runs by the names of their files, without what stands behind the number.
    pub fn names(&self) -> impl Iterator<Item = String> {
        let stream = String::from_utf8_lossy(&[&self.folder[..], &self.before].concat()).into_owned();
        let width = self.width as usize;
        self.runs.iter().map(move |(first, last)| match first == last {
            true => format!("{stream}{first:0width$}"),
            false => format!("{stream}{first:0width$} to {last:0width$}"),
        })
    }

    /// Whether some of it lies between two files.
    pub fn is_between(&self, one: &RemotePath, other: &RemotePath) -> bool {
        let mine = |path: &RemotePath| {
            let found = counter(path).filter(|c| path.folder() == self.folder && c.before == self.before);
            found.filter(|c| c.width == self.width).map(|c| c.number)
        };
        let (Some(from), Some(to)) = (mine(one), mine(other)) else { return false };
        let within = |(first, last): &(u128, u128)| match from <= to {
            true => from < *first && *last < to,
            // Over the turn.
            false => from < *first || *last < to,
        };
        self.runs.iter().any(within)
    }
}

/// What is missing from the streams of the newest card of which a file came home in this span: the stretches that end at
/// a file which came home then. What was offered on another card is not missing: a card that was taken out and came back
/// counts as a new one.
pub(super) fn of(rows: &[Row], (from, to): (i64, i64)) -> Vec<Lack> {
    let mut streams = BTreeMap::<_, Vec<(u128, Option<i64>)>>::new();
    let mut offered = BTreeMap::<_, BTreeSet<u128>>::new();
    for row in rows {
        let Some(counter) = counter(&row.path) else { continue };
        let stream = (row.path.folder().to_vec(), counter.before, counter.width);
        offered.entry(stream.clone()).or_default().insert(counter.number);
        streams.entry((row.card, stream)).or_default().push((counter.number, row.home));
    }
    let mut all = Vec::new();
    for ((_, stream), files) in streams {
        let others = offered.get(&stream).into_iter().flatten();
        let (folder, before, width) = stream;
        let Some(modulus) = 10u128.checked_pow(width) else { continue };
        let own = || files.iter().map(|(number, _)| *number);
        let runs = missing(own(), modulus);
        let others = others.filter(|n| runs.iter().any(|(first, last)| (first..=last).contains(n)));
        let runs = missing(own().chain(others.copied()), modulus);
        let lost: u128 = runs.iter().map(|(first, last)| last - first + 1).sum();
        if lost * DENSE > files.len() as u128 {
            continue;
        }
        let came = |number: u128| {
            let home = files.iter().filter(|(n, _)| *n == number).filter_map(|(_, home)| *home);
            home.max().is_some_and(|home| (from..to).contains(&home))
        };
        let runs: Runs = runs.into_iter().filter(|(_, last)| came((last + 1) % modulus)).collect();
        if !runs.is_empty() {
            all.push(Lack { folder, before, width, runs });
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::check_values::topic;

    /// `sequence`: numbers that are missing, with and without a turn of the counter (common practice, no source).
    #[test]
    fn missing_numbers_are_those_between_the_oldest_and_the_newest() {
        for entry in topic("sequence", 2) {
            let numbers = |at: &str| -> Vec<u128> {
                let all = entry.pointer(at).and_then(|v| v.as_array()).expect("numbers");
                all.iter().filter_map(|n| n.as_u64()).map(u128::from).collect()
            };
            let modulus = entry["input"]["modulus"].as_u64().map_or(10_000, u128::from);
            let runs = missing(numbers("/input/seen"), modulus);
            let singly: Vec<u128> = runs.into_iter().flat_map(|(first, last)| first..=last).collect();
            assert_eq!(singly, numbers("/expected/missing"), "{entry}");
        }
        assert_eq!(missing([9997, 9999, 2], 10_000), [(9998, 9998), (0, 1)]);
        assert_eq!(missing([9997, 3], 10_000), [(9998, 9999), (0, 2)]);
        assert_eq!(missing([7], 10), []);
        assert_eq!(missing([], 10), []);
    }

    #[test]
    fn what_was_offered_on_another_card_or_is_known_as_lost_is_not_missing() {
        let row = super::super::tests::row;
        let mut rows: Vec<Row> = [1, 2, 3, 4, 5, 6, 7, 8, 10].map(|n| row(n, 5)).into();
        let names: Vec<_> = of(&rows, (0, 10)).iter().flat_map(Lack::names).collect();
        assert_eq!(names, ["log00009"]);
        rows.push(Row { card: 2, ..row(9, 1) });
        assert_eq!(of(&rows, (0, 10)), []);
        rows.pop();
        rows.push(Row { home: None, ..row(9, 0) });
        assert_eq!(of(&rows, (0, 10)), []);
    }

    #[test]
    fn any_numbers_whatever_are_taken() {
        let mut random = fastrand::Rng::with_seed(10);
        for _ in 0..2000 {
            let modulus = 10u128.pow(random.u32(1..5));
            let seen: Vec<u128> = (0..random.usize(..30)).map(|_| random.u128(0..modulus)).collect();
            let lost: BTreeSet<u128> =
                missing(seen.iter().copied(), modulus).into_iter().flat_map(|(a, b)| a..=b).collect();
            assert!(seen.iter().all(|n| !lost.contains(n)) && lost.iter().all(|n| *n < modulus));
        }
    }
}
