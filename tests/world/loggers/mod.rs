//! Loggers in memory, behind the seam at which the network begins, and what each ever held.

mod deeds;
mod wire;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use bytes::Bytes;
use jiff::Timestamp;
use yarder::link::{LinkError, LinkFailure};
use yarder::model::Digest;

use crate::clock::Virtual;
use crate::disk::Memory;
use crate::log::Log;

pub use deeds::Deed;
pub use wire::Air;

/// How a logger answers a read that does not begin at zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ranges {
    Serves,
    /// From zero, and says so.
    Ignores,
    /// From a few bytes before.
    Early,
}

/// What it says of a file's content beside size and time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tag {
    None,
    Weak,
    Strong,
}

/// What it does when it is asked to delete a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deletes {
    Does,
    Refuses,
    /// Says that it did.
    Pretends,
}

/// What a logger is like.
#[derive(Debug, Clone)]
pub struct Manner {
    pub ranges: Ranges,
    pub tag: Tag,
    pub deletes: Deletes,
    /// Listings show rounded sizes and times to the minute.
    pub coarse: bool,
    pub times: bool,
    pub digests: bool,
    /// A read goes on to the end that the file has by then.
    pub follows: bool,
    /// Its vehicle may drive off when a file is to be deleted.
    pub quits: bool,
    /// Bytes a second.
    pub rate: u64,
}

/// What goes wrong with it for a while, in a thousand calls.
#[derive(Debug, Clone, Default)]
pub struct Trouble {
    pub cut: u32,
    pub stall: u32,
    pub flip: u32,
    pub refuse: u32,
    /// A listing that lacks files, and says so.
    pub cut_listing: u32,
    /// How many files such a listing shows; any number of them where it is `None`.
    pub cut_at: Option<usize>,
    /// An answer that is no listing.
    pub no_listing: u32,
    /// The listing shows other sizes than there are.
    pub lies: u32,
}

/// A file on a card.
#[derive(Debug, Clone)]
pub struct File {
    pub bytes: Bytes,
    pub time: Timestamp,
    pub sha: Digest,
    /// Since when it is as it is.
    pub since: Duration,
    /// A byte that the card does not give.
    pub bad: Option<usize>,
}

#[derive(Debug, Clone)]
pub struct Card {
    pub files: BTreeMap<String, File>,
    /// Files that are there and that it does not show.
    pub hidden: BTreeMap<String, File>,
    pub next: u32,
    /// The logger to which it belongs, by its place in the yard.
    pub owner: usize,
}

impl Card {
    fn new(owner: usize) -> Self {
        Self { files: BTreeMap::new(), hidden: BTreeMap::new(), next: 0, owner }
    }
}

/// A file that left its logger by our hand.
#[derive(Debug, Clone)]
pub struct Removed {
    pub path: String,
    pub sha: Digest,
    /// Where it had to be safe.
    pub required: Vec<&'static str>,
}

/// A logger with its card.
pub struct Unit {
    /// The name that the list has for what answers at its address.
    pub name: String,
    /// What it says that it is.
    pub serial: String,
    pub here: bool,
    /// It stays away until then: long enough for a visit to end.
    pub away_until: Duration,
    pub manner: Manner,
    pub trouble: Trouble,
    pub card: Card,
    /// The card that it had before, which somebody kept.
    pub former: Option<Card>,
    /// Its clock shows 1980 and stands there.
    pub reset_clock: bool,
    /// Every content that its cards held while it had them.
    pub held: BTreeMap<Digest, usize>,
    /// What the last whole listing showed that the service has taken in: contents, and since when they
    /// are so.
    pub told: BTreeMap<String, (Digest, Duration)>,
    /// When that was.
    pub listed_at: Duration,
    /// When a listing last showed other sizes than there were.
    pub lied_at: Option<Duration>,
    /// Contents that a whole listing showed, and the service took another listing after it.
    pub shown: BTreeSet<(String, Digest)>,
    /// Paths that a card lacked once it had had them.
    pub vanished: BTreeSet<String>,
    /// Paths whose content has been another.
    pub rewritten: BTreeSet<String>,
    /// Bits that were wrong on their way, by path. None of them is twice: two readings that are wrong at the same
    /// place alone are as good as right.
    pub flipped: BTreeSet<(String, usize)>,
    /// Whether another logger, or another's card, ever stood here.
    pub swapped: bool,
    /// Paths of which a person kept what there was.
    pub kept: BTreeSet<String>,
    /// What was deleted.
    pub removed: Vec<Removed>,
}

/// What is to happen in the middle of a transfer.
#[derive(Debug, Clone, Copy)]
pub enum Then {
    Deed(Deed),
    /// The file that is asked about is written over.
    WrittenOver,
    /// The service is killed.
    Kill,
}

/// Something that happens after so many calls of a logger.
#[derive(Debug, Clone, Copy)]
pub struct Fuse {
    pub left: u32,
    pub at: usize,
    pub then: Then,
}

/// All loggers.
pub struct Yard {
    pub units: Vec<Unit>,
    pub rng: fastrand::Rng,
    pub fuse: Option<Fuse>,
    /// Archives that must have what leaves a logger.
    pub required: Vec<&'static str>,
    /// From when on nothing is removed any more.
    pub keeps_from: Option<Duration>,
    /// When somebody last harmed a file in an archive.
    pub harmed_at: Option<Duration>,
    /// A promise that was broken in a call.
    pub broken: Option<String>,
    /// Things that happened in calls, and are counted.
    pub met: Vec<&'static str>,
}

/// The yard, for loggers and for the plot.
#[derive(Clone)]
pub struct Shared {
    yard: Arc<Mutex<Yard>>,
    pub clock: Arc<Virtual>,
    pub disk: Memory,
    pub log: Log,
}

impl Unit {
    /// The one with that number, at home with an empty card.
    pub fn new(n: u32, manner: Manner) -> Self {
        Self {
            name: format!("L-{n}"),
            serial: format!("S-{n}"),
            here: true,
            away_until: Duration::ZERO,
            manner,
            trouble: Trouble::default(),
            card: Card::new(n as usize - 1),
            former: None,
            reset_clock: false,
            held: BTreeMap::new(),
            told: BTreeMap::new(),
            listed_at: Duration::ZERO,
            lied_at: None,
            shown: BTreeSet::new(),
            vanished: BTreeSet::new(),
            rewritten: BTreeSet::new(),
            flipped: BTreeSet::new(),
            swapped: false,
            kept: BTreeSet::new(),
            removed: Vec::new(),
        }
    }

    /// Whether it is itself, with a card of its own.
    pub fn is_itself(&self) -> bool {
        self.serial[1..] == self.name[1..] && self.name == format!("L-{}", self.card.owner + 1)
    }

    fn put(&mut self, path: String, bytes: Vec<u8>, time: Timestamp, now: Duration) {
        let sha = Digest::of(&bytes);
        self.held.insert(sha, bytes.len());
        let file = File { bytes: bytes.into(), time, sha, since: now, bad: None };
        if self.card.files.insert(path.clone(), file).is_some() {
            self.rewritten.insert(path);
        }
    }

    fn take(&mut self, path: &str) -> Option<File> {
        self.vanished.insert(path.to_owned());
        self.rewritten.insert(path.to_owned());
        self.card.files.remove(path)
    }

    fn time(&self, now: Timestamp) -> Timestamp {
        let time = if self.reset_clock { Timestamp::constant(315_532_800, 0) } else { now };
        Timestamp::from_second(time.as_second()).expect("second")
    }

    fn some_file(&self, rng: &mut fastrand::Rng) -> Option<String> {
        let files = &self.card.files;
        (!files.is_empty()).then(|| files.keys().nth(rng.usize(..files.len())).expect("one").clone())
    }
}

impl Shared {
    pub fn new(yard: Yard, clock: Arc<Virtual>, disk: Memory, log: Log) -> Self {
        Self { yard: Arc::new(Mutex::new(yard)), clock, disk, log }
    }

    pub fn lock(&self) -> MutexGuard<'_, Yard> {
        self.yard.lock().expect("lock")
    }

    /// Asks a logger something: it may be gone, and something may happen just now.
    fn ask<T: std::fmt::Debug>(
        &self,
        at: usize,
        what: &str,
        path: &str,
        ask: impl FnOnce(&mut Unit, &mut fastrand::Rng) -> Result<T, LinkError>,
    ) -> Result<T, LinkError> {
        let mut yard = self.lock();
        let yard = &mut *yard;
        // Nothing that a dead process does reaches anybody.
        if self.disk.is_dead() {
            return Err(LinkError::cut("the process is dead"));
        }
        self.burn(yard, at, path);
        let unit = &mut yard.units[at];
        let rng = &mut yard.rng;
        let answer = if unit.here {
            ask(unit, rng)
        } else {
            Err(LinkError::new(LinkFailure::Absent, "no route to host"))
        };
        self.log.note(|| {
            let came = answer.as_ref().map_or_else(ToString::to_string, |answer| format!("{answer:?}"));
            format!("{} {what} {path}: {}", unit.name, came.chars().take(200).collect::<String>())
        });
        answer
    }

    /// Lets happen what is to happen with this call.
    fn burn(&self, yard: &mut Yard, at: usize, path: &str) {
        let Some(fuse) = yard.fuse.as_mut().filter(|fuse| fuse.at == at) else { return };
        if fuse.left > 1 {
            fuse.left -= 1;
            return;
        }
        match fuse.then {
            Then::Deed(deed) => self.happens(yard, at, deed),
            Then::Kill => self.disk.kill(0),
            // With the first call that is about a file.
            Then::WrittenOver if !yard.units[at].card.files.contains_key(path) => return,
            Then::WrittenOver => self.written_over(yard, at, path),
        }
        yard.fuse = None;
    }
}

fn chance(rng: &mut fastrand::Rng, of_thousand: u32) -> bool {
    of_thousand > 0 && rng.u32(..1000) < of_thousand
}
