//! Which files are closed, and which may still be written.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use jiff::Timestamp;

use super::in_order;
use super::order::by_number;
use crate::config::{Kind, OpenFile, Order};
use crate::model::RemotePath;

/// One file of a listing as far as it matters here.
#[derive(Debug, Clone)]
pub struct Standing {
    /// Its path.
    pub path: RemotePath,
    /// How long it has been seen unchanged, over two listings; zero at its first.
    pub still: Duration,
    /// Its time by the logger's clock, where that is credible.
    pub time: Option<Timestamp>,
}

/// For each file of one listing whether it is closed.
pub fn closed(kind: &Kind, files: &[Standing]) -> BTreeMap<RemotePath, bool> {
    let last = last_of_streams(kind, files);
    let closed = |file: &Standing| match kind.open_file {
        OpenFile::None => true,
        OpenFile::Settled => settled(file.still, kind.settle),
        OpenFile::Newest if last.get(file.path.folder()) == Some(&&file.path) => {
            settled(file.still, kind.closed_after)
        }
        OpenFile::Newest => settled(file.still, kind.settle),
    };
    files.iter().map(|file| (file.path.clone(), closed(file))).collect()
}

/// The files beside which a later one of their stream is listed, however their kind tells open from
/// closed: later in their kind's order, by number alone where that is their order, and no older where times
/// can be believed. Files that went leave holes in the numbers, which look like a counter that began again.
pub fn closed_by_order(kind: &Kind, files: &[Standing]) -> BTreeSet<RemotePath> {
    let last = last_of_streams(kind, files);
    let by_time = is_by_time(kind, files);
    let mut highest: BTreeMap<&[u8], &RemotePath> = BTreeMap::new();
    let mut newest: BTreeMap<&[u8], (Timestamp, u32)> = BTreeMap::new();
    for file in files {
        let top = highest.entry(file.path.folder()).or_insert(&file.path);
        if by_number(&file.path, top).is_gt() {
            *top = &file.path;
        }
        if let Some(time) = file.time {
            let (at, alike) = newest.entry(file.path.folder()).or_insert((time, 0));
            match time.cmp(at) {
                Ordering::Greater => (*at, *alike) = (time, 1),
                Ordering::Equal => *alike += 1,
                Ordering::Less => {}
            }
        }
    }
    let earlier = |file: &&Standing| {
        let folder = file.path.folder();
        let alone_newest =
            newest.get(folder).is_some_and(|(at, alike)| file.time == Some(*at) && *alike == 1);
        let highest = !by_time && highest.get(folder) == Some(&&file.path);
        last.get(folder) != Some(&&file.path) && !highest && !alone_newest
    };
    files.iter().filter(earlier).map(|file| file.path.clone()).collect()
}

/// Stillness of zero is one listing, which shows nothing.
fn settled(still: Duration, enough: Duration) -> bool {
    !still.is_zero() && still >= enough
}

fn is_by_time(kind: &Kind, files: &[Standing]) -> bool {
    kind.order == Order::Time && files.iter().all(|f| f.time.is_some())
}

fn last_of_streams<'a>(kind: &Kind, files: &'a [Standing]) -> BTreeMap<&'a [u8], &'a RemotePath> {
    let mut last = BTreeMap::new();
    if is_by_time(kind, files) {
        let mut sorted: Vec<_> = files.iter().collect();
        sorted.sort_by(|a, b| a.time.cmp(&b.time).then_with(|| a.path.cmp(&b.path)));
        last.extend(sorted.iter().map(|f| (f.path.folder(), &f.path)));
    } else {
        let sorted = in_order(files.iter().map(|f| f.path.clone()).collect());
        let by_path: BTreeMap<_, _> = files.iter().map(|f| (&f.path, f)).collect();
        last.extend(sorted.iter().filter_map(|p| by_path.get(p)).map(|f| (f.path.folder(), &f.path)));
    }
    last
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kind(order: Order) -> Kind {
        let (settle, closed_after) = (Duration::ZERO, Duration::ZERO);
        Kind { order, open_file: OpenFile::None, settle, closed_after, ..Kind::of_files(&["**"]) }
    }

    /// Names with their times in seconds; 0 is one that cannot be believed.
    fn earlier(order: Order, files: &[(&str, i64)]) -> Vec<String> {
        let standing = |(name, second): &(&str, i64)| Standing {
            path: RemotePath::new(name.as_bytes()).expect("path"),
            still: Duration::ZERO,
            time: (*second > 0).then(|| Timestamp::from_second(1_750_000_000 + second).expect("time")),
        };
        let files: Vec<_> = files.iter().map(standing).collect();
        closed_by_order(&kind(order), &files).iter().map(ToString::to_string).collect()
    }

    /// What a removal leaves behind makes holes in the numbers, and a hole looks like a counter that began
    /// again.
    #[test]
    fn a_file_is_earlier_only_beside_one_that_is_later_by_number_and_by_time() {
        let order = Order::Name;
        assert_eq!(earlier(order, &[("00001.log", 0), ("99498.log", 0), ("99499.log", 0)]), ["99498.log"]);
        assert_eq!(
            earlier(order, &[("00000.log", 3), ("00001.log", 4), ("99998.log", 1), ("99999.log", 2)]),
            ["00000.log", "99998.log"]
        );
        assert_eq!(earlier(order, &[("00001.log", 9), ("00002.log", 2), ("00003.log", 3)]), ["00002.log"]);
        assert_eq!(
            earlier(order, &[("00001.log", 1), ("00002.log", 2), ("00003.log", 2)]),
            ["00001.log", "00002.log"]
        );
        assert_eq!(
            earlier(order, &[("00001.log", 0), ("00002.log", 2), ("00003.log", 3)]),
            ["00001.log", "00002.log"]
        );
        assert_eq!(earlier(Order::Time, &[("b.log", 1), ("a.log", 2), ("c.log", 3)]), ["a.log", "b.log"]);
        assert_eq!(
            earlier(order, &[("one/1.log", 1), ("two/2.log", 2)]),
            [""; 0],
            "each is the last of its stream"
        );
    }
}
