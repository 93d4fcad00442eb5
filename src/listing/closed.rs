//! Which files are closed, and which may still be written.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use jiff::Timestamp;

use super::in_order;
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

/// The files beside which a later one of their stream is listed, however their kind tells open from closed.
pub fn closed_by_order(kind: &Kind, files: &[Standing]) -> BTreeSet<RemotePath> {
    let last = last_of_streams(kind, files);
    let earlier = |file: &&Standing| last.get(file.path.folder()) != Some(&&file.path);
    files.iter().filter(earlier).map(|file| file.path.clone()).collect()
}

/// Stillness of zero is one listing, which shows nothing.
fn settled(still: Duration, enough: Duration) -> bool {
    !still.is_zero() && still >= enough
}

fn last_of_streams<'a>(kind: &Kind, files: &'a [Standing]) -> BTreeMap<&'a [u8], &'a RemotePath> {
    let mut last = BTreeMap::new();
    let by_time = kind.order == Order::Time && files.iter().all(|f| f.time.is_some());
    if by_time {
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
