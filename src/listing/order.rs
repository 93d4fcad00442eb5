//! The order of a stream's files, oldest first.

use std::cmp::Ordering;

use crate::model::RemotePath;

/// A name cut into text and numbers, so that `9` comes before `10`.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Part<'a> {
    Number(u128),
    Text(&'a [u8]),
}

/// Digits beyond this many are compared as text; no counter is that long.
const MAX_DIGITS: usize = 30;

fn parts(mut rest: &[u8]) -> impl Iterator<Item = Part<'_>> {
    std::iter::from_fn(move || {
        let digit = rest.first()?.is_ascii_digit();
        let len = rest.iter().take_while(|b| b.is_ascii_digit() == digit).count();
        let (part, after) = rest.split_at(len);
        rest = after;
        let number =
            (digit && len <= MAX_DIGITS).then(|| std::str::from_utf8(part).ok()?.parse().ok()).flatten();
        Some(number.map_or(Part::Text(part), Part::Number))
    })
}

/// By the numbers in the names, folder by folder; a counter that began again is not followed.
pub(super) fn by_number(a: &RemotePath, b: &RemotePath) -> Ordering {
    parts(a.folder())
        .cmp(parts(b.folder()))
        .then_with(|| parts(a.name()).cmp(parts(b.name())))
        .then_with(|| a.cmp(b))
}

/// Paths in the order of their folders, and within a folder oldest first by the numbers in the
/// names. A counter that began again at its lowest number (wrap) is followed: where a stream has
/// files in the highest and in the lowest tenth of the counter's range, the high ones are older.
pub fn in_order(mut paths: Vec<RemotePath>) -> Vec<RemotePath> {
    paths.sort_by(by_number);
    let mut sorted = Vec::with_capacity(paths.len());
    let mut rest = paths.as_slice();
    while let Some(first) = rest.first() {
        let len = rest.iter().take_while(|p| p.folder() == first.folder()).count();
        let (stream, after) = rest.split_at(len);
        let turn = wrap_at(stream);
        sorted.extend_from_slice(&stream[turn..]);
        sorted.extend_from_slice(&stream[..turn]);
        rest = after;
    }
    sorted
}

/// The place in a sorted stream at which the oldest file stands.
fn wrap_at(stream: &[RemotePath]) -> usize {
    let Some(counters) = counters(stream) else { return 0 };
    let (Some(first), Some(last)) = (counters.first(), counters.last()) else { return 0 };
    let range = 10u128.pow(first.1);
    if first.0 >= range / 10 || last.0 < range - range / 10 {
        return 0;
    }
    // The oldest stands behind the widest gap.
    let gap = counters.windows(2).enumerate().max_by_key(|(_, w)| w[1].0 - w[0].0);
    gap.map_or(0, |(at, _)| at + 1)
}

/// The number in a file's name by which a logger counts its files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counter {
    /// The number.
    pub number: u128,
    /// Its digits.
    pub width: u32,
    /// What of the name stands before it.
    pub before: Vec<u8>,
}

/// The last number of a name, its extension aside.
pub fn counter(path: &RemotePath) -> Option<Counter> {
    let name = path.name();
    let stem = name.iter().rposition(|b| *b == b'.').unwrap_or(name.len());
    let end = name[..stem].iter().rposition(u8::is_ascii_digit)? + 1;
    let start = end - name[..end].iter().rev().take_while(|b| b.is_ascii_digit()).count();
    let digits =
        (end - start <= MAX_DIGITS).then(|| std::str::from_utf8(&name[start..end]).ok()?.parse().ok());
    Some(Counter { number: digits.flatten()?, width: (end - start) as u32, before: name[..start].to_vec() })
}

/// Counter and its digits for each file, when the names differ in one counter of fixed width alone.
fn counters(stream: &[RemotePath]) -> Option<Vec<(u128, u32)>> {
    let all: Vec<_> = stream.iter().map(counter).collect::<Option<_>>()?;
    let first = all.first()?;
    let alike = all.iter().all(|c| c.width == first.width && c.before == first.before);
    alike.then(|| all.iter().map(|c| (c.number, c.width)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ordered(names: &[&str]) -> Vec<String> {
        let paths = names.iter().map(|n| RemotePath::new(n.as_bytes()).expect("path")).collect();
        in_order(paths).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn numbers_are_compared_as_numbers() {
        assert_eq!(
            ordered(&["log10.mf4", "log9.mf4", "b/1.log", "a/2.log"]),
            ["log9.mf4", "log10.mf4", "a/2.log", "b/1.log"]
        );
    }

    #[test]
    fn a_counter_that_wrapped_is_followed() {
        assert_eq!(
            ordered(&["00000.log", "00001.log", "99998.log", "99999.log"]),
            ["99998.log", "99999.log", "00000.log", "00001.log"]
        );
        assert_eq!(ordered(&["00001.log", "00500.log"]), ["00001.log", "00500.log"]);
        assert_eq!(ordered(&["a9.log", "b0.log"]), ["a9.log", "b0.log"]);
    }
}
