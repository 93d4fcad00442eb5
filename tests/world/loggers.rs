//! Loggers in memory, behind the seam at which the network begins, and what each ever held.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use async_trait::async_trait;
use bytes::Bytes;
use jiff::Timestamp;
use yarder::clock::Clock;
use yarder::config::{Logger, Poll};
use yarder::link::{
    Dialer, Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, Missing, Opened, Patterns,
};
use yarder::model::{
    Digest, DigestKind, ListedSize, ListedTime, Look, OfferedDigest, Precision, RemoteFile, RemotePath,
};

use crate::clock::Virtual;
use crate::disk::Memory;
use crate::log::Log;

/// A card is not formatted within one visit.
const FORMATTED: Duration = Duration::from_secs(40 * 60);

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

/// What a logger is like.
#[derive(Debug, Clone)]
pub struct Manner {
    pub ranges: Ranges,
    pub tag: Tag,
    /// Listings show rounded sizes and times to the minute.
    pub coarse: bool,
    pub times: bool,
    pub digests: bool,
    /// A read goes on to the end that the file has by then.
    pub follows: bool,
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
}

#[derive(Debug, Clone, Default)]
pub struct Card {
    pub files: BTreeMap<String, File>,
    pub next: u32,
}

/// A logger with its card.
pub struct Unit {
    pub name: String,
    pub here: bool,
    /// It stays away until then: long enough for a visit to end.
    pub away_until: Duration,
    pub manner: Manner,
    pub trouble: Trouble,
    pub card: Card,
    /// Its clock shows 1980 and stands there.
    pub reset_clock: bool,
    /// Every content that its cards held while it had them.
    pub held: BTreeMap<Digest, usize>,
    /// What its last whole listing showed: contents, and since when they are so.
    pub told: BTreeMap<String, (Digest, Duration)>,
    /// When that was.
    pub listed_at: Duration,
    /// Contents that a whole listing showed, and the service took another listing after it.
    pub shown: BTreeSet<(String, Digest)>,
}

/// Something that happens on the logger's side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deed {
    Record,
    Grow,
    Replace,
    ReplaceShorter,
    Rename,
    DropOldest,
    Leave,
    Arrive,
    Format,
    FormatAlike,
    Copy,
    ResetClock,
}

impl Deed {
    pub const ALL: [Deed; 12] = [
        Deed::Record,
        Deed::Grow,
        Deed::Replace,
        Deed::ReplaceShorter,
        Deed::Rename,
        Deed::DropOldest,
        Deed::Leave,
        Deed::Arrive,
        Deed::Format,
        Deed::FormatAlike,
        Deed::Copy,
        Deed::ResetClock,
    ];
}

/// All loggers.
pub struct Yard {
    pub units: Vec<Unit>,
    pub rng: fastrand::Rng,
    /// Something that happens in the middle of a transfer: after so many calls of that logger.
    pub fuse: Option<(u32, usize, Option<Deed>)>,
    pub calls: u64,
}

/// The yard, for loggers and for the plot.
#[derive(Clone)]
pub struct Shared {
    yard: Arc<Mutex<Yard>>,
    pub clock: Arc<Virtual>,
    pub disk: Memory,
    pub log: Log,
}

fn contents(rng: &mut fastrand::Rng, size: usize) -> Vec<u8> {
    let mut bytes = vec![0; size];
    rng.fill(&mut bytes);
    bytes
}

/// Mostly small, some of several kilobytes, a few that take marks.
fn some_size(rng: &mut fastrand::Rng) -> usize {
    match rng.u32(..10) {
        0..3 => rng.usize(1..4096),
        3..8 => rng.usize(4096..20_000),
        _ => rng.usize(33_000..140_000),
    }
}

impl Unit {
    fn put(&mut self, path: String, bytes: Vec<u8>, time: Timestamp, now: Duration) {
        let sha = Digest::of(&bytes);
        self.held.insert(sha, bytes.len());
        self.card.files.insert(path, File { bytes: bytes.into(), time, sha, since: now });
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

    /// Something happens with one logger. Says whether it could.
    pub fn deed(&self, at: usize, deed: Deed) -> bool {
        let mut yard = self.lock();
        self.happens(&mut yard, at, deed)
    }

    fn happens(&self, yard: &mut Yard, at: usize, deed: Deed) -> bool {
        let (now, mono) = (self.clock.honest(), self.clock.mono());
        let rng = &mut yard.rng;
        let unit = &mut yard.units[at];
        let time = unit.time(now);
        let last = unit.card.files.keys().next_back().cloned();
        let done = match deed {
            Deed::Record => {
                unit.card.next += 1;
                let path = format!("log_{:04}.log", unit.card.next);
                let size = some_size(rng);
                unit.put(path, contents(rng, size), time, mono);
                true
            }
            Deed::Grow => match last {
                Some(path) => {
                    let mut bytes = unit.card.files[&path].bytes.to_vec();
                    // A listing that rounds shows it.
                    let more = rng.usize(200..30_000);
                    bytes.extend(contents(rng, more));
                    unit.put(path, bytes, time, mono);
                    true
                }
                None => false,
            },
            // In place, as a ring of files of fixed size does it. Its clock goes on.
            Deed::Replace | Deed::ReplaceShorter => match unit.some_file(rng) {
                Some(path) if !unit.reset_clock => {
                    let had = &unit.card.files[&path];
                    let (len, before) = (had.bytes.len(), had.time);
                    // One of equal length shows by its time; no two of one minute.
                    let alike = deed == Deed::Replace && unit.manner.times;
                    let size = if alike { len } else { rng.usize(1..=(len / 2).max(1)) };
                    let time = time.max(before + jiff::SignedDuration::from_secs(61));
                    unit.put(path, contents(rng, size), time, mono);
                    true
                }
                _ => false,
            },
            Deed::Rename => match unit.some_file(rng) {
                Some(path) => {
                    let file = unit.card.files.remove(&path).expect("listed");
                    let to = format!("old_{}_{path}", unit.card.next);
                    unit.card.next += 1;
                    unit.card.files.insert(to, File { since: mono, ..file });
                    true
                }
                None => false,
            },
            // The same bytes under another name.
            Deed::Copy => match unit.some_file(rng) {
                Some(path) => {
                    let file = unit.card.files[&path].clone();
                    unit.card.next += 1;
                    let path = format!("log_{:04}.log", unit.card.next);
                    unit.card.files.insert(path, File { time, since: mono, ..file });
                    true
                }
                None => false,
            },
            Deed::DropOldest => unit.card.files.len() > 1 && unit.card.files.pop_first().is_some(),
            Deed::Leave => std::mem::replace(&mut unit.here, false),
            Deed::Arrive => unit.away_until <= mono && !std::mem::replace(&mut unit.here, true),
            Deed::Format => {
                unit.here = false;
                unit.away_until = mono + FORMATTED;
                unit.card = Card::default();
                true
            }
            // A logger of fixed file size whose clock was lost: names, sizes and times are the old ones.
            Deed::FormatAlike => {
                unit.here = false;
                unit.away_until = mono + FORMATTED;
                for (path, file) in std::mem::take(&mut unit.card.files) {
                    let bytes = contents(rng, file.bytes.len());
                    unit.put(path, bytes, file.time, mono);
                }
                true
            }
            Deed::ResetClock => !std::mem::replace(&mut unit.reset_clock, true),
        };
        if done {
            let name = &yard.units[at].name;
            self.log.note(|| format!("{name} {deed:?}"));
        }
        done
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
        yard.calls += 1;
        if let Some((left, unit, deed)) = yard.fuse
            && unit == at
        {
            yard.fuse = (left > 1).then_some((left - 1, unit, deed));
            if left <= 1 {
                match deed {
                    Some(deed) => drop(self.happens(yard, at, deed)),
                    None => self.disk.kill(0),
                }
            }
        }
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
}

fn chance(rng: &mut fastrand::Rng, of_thousand: u32) -> bool {
    of_thousand > 0 && rng.u32(..1000) < of_thousand
}

/// Makes links to them.
pub struct Air(pub Shared);

impl Air {
    fn at(&self, logger: &Logger) -> usize {
        let yard = self.0.lock();
        yard.units.iter().position(|u| u.name == logger.id.as_str()).expect("a logger of the list")
    }
}

#[async_trait]
impl Dialer for Air {
    async fn knock(&self, logger: &Logger, _: &Poll) -> Result<usize, LinkError> {
        self.0.ask(self.at(logger), "knock", "", |_, _| Ok(0))
    }

    async fn dial(&self, logger: &Arc<Logger>, _: usize, poll: &Poll) -> Result<Box<dyn Link>, LinkError> {
        let at = self.at(logger);
        self.0.ask(at, "dial", "", |_, _| Ok(()))?;
        Ok(Box::new(Wire {
            shared: self.0.clone(),
            at,
            wanted: logger.kind.files.clone(),
            silence: poll.idle_timeout,
            resumes: None,
            listed: BTreeSet::new(),
            reading: None,
        }))
    }
}

/// One conversation.
struct Wire {
    shared: Shared,
    at: usize,
    wanted: Patterns,
    silence: Duration,
    resumes: Option<bool>,
    /// What its last whole listing showed.
    listed: BTreeSet<(String, Digest)>,
    /// The open read: its file, the next byte, and the end that was announced.
    reading: Option<(String, usize, Option<usize>)>,
}

/// Bytes that come at a time, at most.
const CHUNK: usize = 16 * 1024;

fn look_of(unit: &Unit, file: &File) -> Look {
    let tag = match unit.manner.tag {
        Tag::None => None,
        Tag::Weak | Tag::Strong => Some(file.sha.hex()[..12].to_owned()),
    };
    Look {
        size: Some(file.bytes.len() as u64),
        time: unit.manner.times.then_some(file.time),
        strong: unit.manner.tag == Tag::Strong,
        validator: tag,
    }
}

fn not_found() -> LinkError {
    LinkError::new(LinkFailure::NotFound, "404 Not Found")
}

fn file_of<'u>(unit: &'u Unit, path: &str) -> Result<&'u File, LinkError> {
    unit.card.files.get(path).ok_or_else(not_found)
}

impl Wire {
    fn listing(unit: &mut Unit, rng: &mut fastrand::Rng, wanted: &Patterns, now: Duration) -> Listing {
        let mut listing = Listing { dialect: "memory", ..Listing::default() };
        let lies = chance(rng, unit.trouble.lies);
        for (name, file) in &unit.card.files {
            let path = RemotePath::new(name.as_bytes()).expect("path");
            if !wanted.wants(&path) {
                listing.skipped.add(path);
                continue;
            }
            let len = file.bytes.len() as u64 + if lies { rng.u64(1..5000) } else { 0 };
            let coarse = unit.manner.coarse;
            let size = match coarse {
                true => ListedSize::Rounded(format!("{:.1}K", len as f64 / 1024.0)),
                false => ListedSize::Exact(len),
            };
            let seconds = file.time.as_second();
            let seconds = if coarse { seconds - seconds.rem_euclid(60) } else { seconds };
            let time = ListedTime {
                at: Timestamp::from_second(seconds).expect("second"),
                precision: if coarse { Precision::Minute } else { Precision::Second },
                zone_told: true,
            };
            listing.files.push(RemoteFile {
                path,
                size,
                time: unit.manner.times.then_some(time),
                validator: None,
            });
        }
        if chance(rng, unit.trouble.cut_listing) {
            let keep = rng.usize(..=listing.files.len());
            listing.files.truncate(keep);
            listing.missing.push(Missing { folder: Vec::new(), why: "the page ended early".into() });
        }
        if lies {
            unit.told.clear();
        } else if listing.is_whole() {
            unit.told.clear();
            for (path, file) in &unit.card.files {
                unit.told.insert(path.clone(), (file.sha, file.since));
            }
            unit.listed_at = now;
        }
        listing
    }
}

#[async_trait]
impl Link for Wire {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: self.resumes }
    }

    async fn list(&mut self, _: &ListCaps) -> Result<Listing, LinkError> {
        let (wanted, now) = (self.wanted.clone(), self.shared.clock.mono());
        let before = std::mem::take(&mut self.listed);
        let listing = self.shared.ask(self.at, "list", "", |unit, rng| {
            unit.shown.extend(before);
            if chance(rng, unit.trouble.no_listing) {
                let title = "Welcome: please log in".to_owned();
                return Err(LinkError::new(LinkFailure::NotAListing { title }, "text/html"));
            }
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let listing = Self::listing(unit, rng, &wanted, now);
            let shown = unit.told.iter().map(|(path, (sha, _))| (path.clone(), *sha)).collect();
            Ok((listing, shown))
        });
        let (listing, shown) = listing?;
        if listing.is_whole() {
            self.listed = shown;
        }
        Ok(listing)
    }

    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        let path = path.to_string();
        self.shared.ask(self.at, "look", &path, |unit, rng| {
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            Ok(look_of(unit, file_of(unit, &path)?))
        })
    }

    async fn open(&mut self, path: &RemotePath, from: u64, expect: &Look) -> Result<Opened, LinkError> {
        let path = path.to_string();
        let opened = self.shared.ask(self.at, "open", &format!("{path} from {from}"), |unit, rng| {
            if chance(rng, unit.trouble.refuse) {
                return Err(LinkError::new(LinkFailure::Forbidden, "403 Forbidden"));
            }
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let file = file_of(unit, &path)?;
            let look = look_of(unit, file);
            if expect.strong && look.strong && expect.validator != look.validator {
                return Err(LinkError::new(LinkFailure::Changed, "412 Precondition Failed"));
            }
            if from > file.bytes.len() as u64 {
                return Err(LinkError::new(LinkFailure::BeyondEnd, "416 Range Not Satisfiable"));
            }
            let from = match unit.manner.ranges {
                Ranges::Serves => from,
                Ranges::Ignores => 0,
                Ranges::Early => from.saturating_sub(rng.u64(..100)),
            };
            let end = (!unit.manner.follows).then_some(file.bytes.len());
            Ok((Opened { from, look, digest: None }, end, unit.manner.ranges != Ranges::Ignores))
        });
        let (opened, end, ranges) = opened?;
        if from > 0 {
            self.resumes = Some(ranges);
        }
        self.reading = Some((path, usize::try_from(opened.from).expect("offset"), end));
        Ok(opened)
    }

    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let Some((path, at, end)) = self.reading.clone() else { return Ok(None) };
        let next = self.shared.ask(self.at, "chunk", &path, |unit, rng| {
            if chance(rng, unit.trouble.stall) {
                return Ok(None);
            }
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let gone = || LinkError::cut("connection reset by peer");
            let file = unit.card.files.get(&path).ok_or_else(gone)?;
            let to = end.unwrap_or(file.bytes.len());
            if at < to && at >= file.bytes.len() {
                return Err(LinkError::cut("the body ended early"));
            }
            let until = to.min(file.bytes.len()).min(at + CHUNK).max(at);
            let mut bytes = file.bytes.get(at..until).unwrap_or_default().to_vec();
            if !bytes.is_empty() && chance(rng, unit.trouble.flip) {
                let bit = rng.usize(..bytes.len() * 8);
                bytes[bit / 8] ^= 1 << (bit % 8);
            }
            Ok(Some((Bytes::from(bytes), unit.manner.rate)))
        });
        let Some((bytes, rate)) = next.inspect_err(|_| self.reading = None)? else {
            self.reading = None;
            self.shared.clock.sleep(self.silence).await;
            return Err(LinkError::cut("no byte for a while"));
        };
        if bytes.is_empty() {
            self.reading = None;
            return Ok(None);
        }
        self.shared.clock.sleep(Duration::from_secs_f64(bytes.len() as f64 / rate as f64)).await;
        self.reading = Some((path, at + bytes.len(), end));
        Ok(Some(bytes))
    }

    async fn stop(&mut self) {
        self.reading = None;
    }

    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        let path = path.to_string();
        self.shared.ask(self.at, "range", &format!("{path} from {from}"), |unit, rng| {
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let bytes = &file_of(unit, &path)?.bytes;
            let from = usize::try_from(from).expect("offset").min(bytes.len());
            let to = (from + usize::try_from(len).expect("length")).min(bytes.len());
            Ok(bytes.slice(from..to))
        })
    }

    async fn digest(&mut self, path: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        let path = path.to_string();
        self.shared.ask(self.at, "digest", &path, |unit, _| {
            if !unit.manner.digests {
                return Ok(None);
            }
            let value = file_of(unit, &path)?.sha.0.to_vec();
            Ok(Some(OfferedDigest { kind: DigestKind::Sha256, value, stated_by: "side file" }))
        })
    }
}
