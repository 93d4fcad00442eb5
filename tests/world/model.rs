//! What must hold, whatever happens: the promises, compared with what the loggers ever held.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::Value;
use yarder::config::Config;
use yarder::ledger::state::{Duty, State, next};
use yarder::ledger::{self, FileRow, FindingRow};
use yarder::model::{Day, Digest, Proof};
use yarder::report::{Facts, Verdict, build};
use yarder::spool::lies_in;

use yarder::clock::Clock as _;

use crate::disk::Memory;
use crate::loggers::Shared;

/// A broken promise, in words.
pub type Broken = String;

/// Smaller content is stored once a name.
const SMALL: usize = 4096;
pub const STATE: &str = "/depot/state";

/// Which state edges were taken, and which faults met which states, how often.
#[derive(Debug, Default, Clone)]
pub struct Coverage {
    pub edges: BTreeMap<(State, State), u64>,
    pub pairs: BTreeMap<(&'static str, State), u64>,
    pub acts: BTreeMap<String, u64>,
}

impl Coverage {
    pub fn add(&mut self, other: &Self) {
        other.edges.iter().for_each(|(k, n)| *self.edges.entry(*k).or_default() += n);
        other.pairs.iter().for_each(|(k, n)| *self.pairs.entry(*k).or_default() += n);
        other.acts.iter().for_each(|(k, n)| *self.acts.entry(k.clone()).or_default() += n);
    }
}

/// A stored file as it was last looked at.
#[derive(Debug, Clone, Copy)]
struct Stored {
    stamp: (u64, u64),
    sha: Digest,
    size: usize,
}

/// A file that the ledger knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    /// Since when it stands so on its card.
    stands: Duration,
    /// The card's number in the ledger.
    card: i64,
    /// When it was first found in the ledger.
    first: Duration,
}

/// What the archives held at the last look, and what excuses there are.
pub struct Model {
    disk: Memory,
    stored: BTreeMap<PathBuf, Stored>,
    /// Archives, with whether each is required.
    roots: Vec<(&'static str, bool)>,
    /// An archive's medium may have written something else.
    pub rots: bool,
    /// The ledger went back to an older state, and the service has not caught up with it yet.
    pub rolled_back: bool,
    /// A power cut since the last look: what was not flushed may be gone.
    pub power_was_cut: bool,
    /// Since when the ledger knows what stands on a card, by logger and path.
    pub known: BTreeMap<(String, String), Known>,
    pub coverage: Coverage,
}

macro_rules! ensure {
    ($holds:expr, $($words:tt)*) => {
        if !$holds {
            return Err(format!($($words)*));
        }
    };
}

/// The ledger's rows and findings at one moment.
pub struct Book {
    pub rows: Vec<FileRow>,
    pub findings: Vec<FindingRow>,
}

impl Model {
    pub fn new(disk: Memory, roots: Vec<(&'static str, bool)>) -> Self {
        Self {
            disk,
            stored: BTreeMap::new(),
            roots,
            rots: false,
            rolled_back: false,
            power_was_cut: false,
            known: BTreeMap::new(),
            coverage: Coverage::default(),
        }
    }

    /// The ledger as a command beside the service reads it; `None` where it cannot be read just now.
    pub fn book(&self) -> Option<Book> {
        let query = ledger::read_on(&self.disk, Path::new(STATE)).ok()?;
        let mut rows = Vec::new();
        query
            .files(None, None, |row| {
                rows.push(row);
                true
            })
            .ok()?;
        Some(Book { rows, findings: query.findings(i64::MAX).ok()? })
    }

    /// After every step.
    pub fn step(&mut self, world: &Shared, book: Option<&Book>) -> Result<(), Broken> {
        self.archives(world)?;
        if let Some(book) = book {
            self.rows(book)?;
            self.learn(world, book);
        }
        Ok(())
    }

    /// What the ledger knows by now of what stands on the cards.
    fn learn(&mut self, world: &Shared, book: &Book) {
        let now = world.clock.mono();
        let mut known = BTreeMap::new();
        // The latest row of a path is the one that counts.
        let rows = book.rows.iter().map(|row| ((row.logger.clone(), row.path.to_string()), row.card));
        let cards: BTreeMap<_, _> = rows.collect();
        for unit in &world.lock().units {
            for (path, (_, stands)) in &unit.told {
                let key = (unit.name.clone(), path.clone());
                if let Some(card) = cards.get(&key) {
                    // What a listing showed otherwise meanwhile has not stood still.
                    let same = |k: &&Known| {
                        k.stands == *stands
                            && k.card == *card
                            && unit.lied_at.is_none_or(|lied| lied < k.first)
                    };
                    let before = self.known.get(&key).filter(same);
                    let first = before.map_or(now, |before| before.first);
                    known.insert(key, Known { stands: *stands, card: *card, first });
                }
            }
        }
        self.known = known;
    }

    /// Nothing half, nothing overwritten, nothing that no logger held, nothing under a mount point.
    fn archives(&mut self, world: &Shared) -> Result<(), Broken> {
        let bare = self.disk.files("/bare");
        ensure!(bare.is_empty(), "under the mount point of an archive that is not mounted: {bare:?}");
        let mut now = BTreeMap::new();
        let yard = world.lock();
        for (root, _) in self.roots.clone() {
            for (path, stamp) in self.disk.files(root) {
                let before = self.stored.get(&path).copied();
                if let Some(before) = before.filter(|before| before.stamp == stamp) {
                    now.insert(path, before);
                    continue;
                }
                let below = path.strip_prefix(root).expect("below").to_string_lossy().into_owned();
                if below.starts_with(".yarder/tmp/") {
                    continue;
                }
                let medium = self.disk.medium(&path).expect("listed");
                let stored = Stored { stamp, sha: Digest::of(&medium), size: medium.len() };
                if below.starts_with(".yarder/") || below.ends_with("manifest-sha256.txt") {
                    let lines = medium.split(|b| *b == b'\n').filter(|line| !line.is_empty());
                    let json = below.starts_with(".yarder/");
                    let whole = !medium.is_empty()
                        && lines.clone().all(|l| !json || serde_json::from_slice::<Value>(l).is_ok());
                    let one = serde_json::from_slice::<Value>(&medium).is_ok();
                    ensure!(whole || one || self.rots, "{} is half", path.display());
                    continue;
                }
                let logger = below.split('/').nth(4).unwrap_or_default();
                let unit = yard.units.iter().find(|unit| unit.name == logger);
                let unit = unit.ok_or_else(|| format!("{} is of no logger", path.display()))?;
                ensure!(
                    self.rots || unit.held.contains_key(&stored.sha),
                    "{} holds {} bytes that {logger} never held",
                    path.display(),
                    stored.size
                );
                ensure!(
                    before.is_none_or(|before| before.sha == stored.sha) || self.power_was_cut || self.rots,
                    "{} was overwritten",
                    path.display()
                );
                now.insert(path, stored);
            }
        }
        if !self.power_was_cut && !self.rots {
            let gone = self.stored.keys().find(|path| !now.contains_key(*path));
            ensure!(gone.is_none(), "{gone:?} is gone from its archive");
        }
        self.stored = now;
        self.power_was_cut = false;
        Ok(())
    }

    /// No row claims more than the disks hold, were the power cut now.
    fn rows(&self, book: &Book) -> Result<(), Broken> {
        for row in &book.rows {
            let of = format!("{} {} ({:?} {})", row.logger, row.path, row.id, row.state);
            if let (State::Whole, Some(spool)) = (row.state, &row.spool)
                && !self.rolled_back
            {
                let lies = lies_in(Path::new(STATE), spool);
                let bytes = self.disk.durable(&lies.path);
                let (from, to) = (lies.at as usize, (lies.at + row.size.unwrap_or(0)) as usize);
                let there = bytes.as_ref().and_then(|bytes| bytes.get(from..to)).map(Digest::of);
                ensure!(there.is_some() && there == row.sha256, "{of}: the spool does not hold it durably");
            }
            if let (State::Fetching, Some(spool), true) = (row.state, &row.spool, row.mark > 0)
                && !self.rolled_back
            {
                let path = Path::new(STATE).join(format!("spool/{spool}.part"));
                let durable = self.disk.durable(&path).map(|bytes| bytes.len() as u64);
                let gone = self.disk.seen(&path).is_none();
                ensure!(gone || durable >= Some(row.mark), "{of}: mark {} of {durable:?}", row.mark);
            }
            for copy in row.copies.iter().filter(|copy| copy.duty == Duty::Verified) {
                let root = format!("/{}", copy.archive);
                let path = Path::new(&root).join(copy.location.as_deref().unwrap_or_default());
                let stored = self.stored.get(&path);
                ensure!(
                    stored.is_some_and(|stored| Some(stored.sha) == row.sha256),
                    "{of}: {} is verified and does not hold it",
                    path.display()
                );
                ensure!(self.disk.is_kept(&path), "{of}: the name {} is not durable", path.display());
            }
            if row.state == State::Archived {
                // One that is known by its bytes has its copies in the row that it is the same as.
                let same = |other: &&FileRow| other.logger == row.logger && other.sha256 == row.sha256;
                let copies: Vec<_> = book.rows.iter().filter(same).flat_map(|row| &row.copies).collect();
                for (root, _) in self.roots.iter().filter(|(_, required)| *required) {
                    let verified = |copy: &&&ledger::Copy| copy.duty == Duty::Verified;
                    let held = copies.iter().filter(verified).any(|copy| copy.archive == root[1..]);
                    ensure!(held, "{of}: archived without a verified copy in {root}");
                }
            }
        }
        Ok(())
    }

    /// Whether a content of a logger is archived under a path.
    fn is_archived(book: &Book, logger: &str, path: &str, sha: Digest) -> bool {
        book.rows.iter().any(|row| {
            row.logger == logger
                && row.state == State::Archived
                && row.sha256 == Some(sha)
                && row.path.to_string() == path
        })
    }

    /// The truth, not comfort: who is complete has nothing left that was shown and is closed.
    pub fn report(&self, world: &Shared, config: &Config, book: &Book) -> Result<(), Broken> {
        let now = world.clock.now();
        let Some(day) = Day::at(now, config.depot.day_starts, &config.depot.time_zone) else { return Ok(()) };
        let query = ledger::read_on(&self.disk, Path::new(STATE)).map_err(|e| e.to_string())?;
        // Its rows were read: whatever fails now is the report itself.
        let facts =
            Facts::read(&query, config, &day, now).map_err(|e| format!("no report can be made: {e}"))?;
        let report = build(config, &facts, &day, now);
        let yard = world.lock();
        let loggers = report.vehicles.iter().flat_map(|vehicle| &vehicle.loggers);
        for logger in loggers.filter(|logger| logger.verdict == Verdict::Complete) {
            let unit = yard.units.iter().find(|unit| unit.name == logger.id).expect("a logger of the list");
            for (path, (sha, since)) in &unit.told {
                let still = unit.card.files.get(path).is_some_and(|file| file.since == *since);
                let first = self.known.get(&(unit.name.clone(), path.clone())).map(|known| known.first);
                let closed =
                    first.is_some_and(|first| unit.listed_at.saturating_sub(first) >= crate::plot::CLOSED);
                // What lay there before Yarder came queues behind, and a vehicle can be complete without it.
                let old = book
                    .rows
                    .iter()
                    .any(|row| row.logger == unit.name && row.path.to_string() == *path && row.backlog);
                ensure!(
                    !still || !closed || old || Self::is_archived(book, &unit.name, path, *sha),
                    "{} is called complete, and its {path} is not home: {:?}",
                    unit.name,
                    Self::rows_of(book, &unit.name, path)
                );
            }
        }
        Ok(())
    }

    fn rows_of(book: &Book, logger: &str, path: &str) -> Vec<(i64, State, u64)> {
        let rows = book.rows.iter().filter(|row| row.logger == logger && row.path.to_string() == path);
        rows.map(|row| (row.card, row.state, row.mark)).collect()
    }

    /// What is still to come home; empty when all is done.
    pub fn owed(&self, world: &Shared, book: &Book) -> Vec<String> {
        let yard = world.lock();
        let mut owed = Vec::new();
        for unit in &yard.units {
            for (path, file) in &unit.card.files {
                if !Self::is_archived(book, &unit.name, path, file.sha)
                    && !Self::is_told(book, &unit.name, path)
                {
                    let state =
                        book.rows.iter().rev().find(|r| r.logger == unit.name && r.path.to_string() == *path);
                    owed.push(format!(
                        "{} {path}: {:?}",
                        unit.name,
                        state.map(|r| (r.state, r.sha256 == Some(file.sha)))
                    ));
                }
            }
        }
        // Two wrong copies of a medium stand at both places, and are told.
        let blocked = |row: &FileRow| {
            row.copies.iter().any(|copy| copy.duty == Duty::Blocked)
                && Self::is_told(book, &row.logger, &row.path.to_string())
        };
        let unfinished =
            |row: &&FileRow| row.state == State::Whole && row.proof >= Some(Proof::Length) && !blocked(row);
        owed.extend(
            book.rows.iter().filter(unfinished).map(|row| format!("{} {} is whole", row.logger, row.path)),
        );
        let waiting = |(row, copy): &(&FileRow, &ledger::Copy)| {
            matches!(copy.duty, Duty::Owed | Duty::Claimed | Duty::Stored) && row.state != State::Lost
        };
        let copies = book.rows.iter().flat_map(|row| row.copies.iter().map(move |copy| (row, copy)));
        owed.extend(copies.filter(waiting).map(|(row, copy)| format!("{} for {}", row.path, copy.archive)));
        owed
    }

    /// Whether a finding says that a file waits for a person.
    fn is_told(book: &Book, logger: &str, path: &str) -> bool {
        let subject = format!("{logger}/{path}");
        book.findings.iter().any(|finding| {
            matches!(finding.code.as_str(), "file-held" | "file-stuck" | "place-taken" | "proof-unreachable")
                && finding.id.ends_with(&subject)
        })
    }

    /// When all is done: nothing lost, nothing doubled, everything told.
    pub fn end(&mut self, world: &Shared, book: &Book) -> Result<(), Broken> {
        let yard = world.lock();
        for unit in &yard.units {
            for (path, sha) in &unit.shown {
                let told =
                    book.rows.iter().any(|row| row.logger == unit.name && row.path.to_string() == *path);
                ensure!(
                    told,
                    "{} showed {path} ({} bytes), and the ledger never heard of it",
                    unit.name,
                    unit.held[sha]
                );
            }
        }
        for (root, _) in self.roots.clone() {
            self.stored_once(root)?;
            // What is not read back may be other bytes there; copies were looked at with their rows.
            if !self.rots {
                self.receipts(root)?;
                self.manifests(root)?;
            }
        }
        let query = ledger::read_on(&self.disk, Path::new(STATE)).map_err(|e| e.to_string())?;
        for row in &book.rows {
            let mut state = None;
            for event in query.story(row.id).map_err(|e| e.to_string())? {
                let happening = ledger::state::Happening::ALL.iter().find(|h| h.as_str() == event.what);
                let Some(happening) = happening else { continue };
                let from = state.unwrap_or(State::Listed);
                if let Ok(to) = next(from, *happening) {
                    *self.coverage.edges.entry((from, to)).or_default() += 1;
                    state = Some(to);
                }
            }
        }
        Ok(())
    }

    fn stored_once(&self, root: &str) -> Result<(), Broken> {
        let mut places: BTreeMap<(String, Digest, String), &PathBuf> = BTreeMap::new();
        for (path, stored) in self.stored.iter().filter(|(path, _)| path.starts_with(root)) {
            let below = path.strip_prefix(root).expect("below").to_string_lossy().into_owned();
            let mut parts = below.splitn(6, '/').skip(4);
            let (logger, name) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
            // The second place has a part of the hash in its name.
            let name = name.split('~').next().unwrap_or_default().trim_end_matches(".log").to_owned();
            let name = if stored.size < SMALL { name } else { String::new() };
            let before = places.insert((logger.to_owned(), stored.sha, name), path);
            ensure!(before.is_none(), "stored twice: {path:?} and {before:?}");
        }
        Ok(())
    }

    fn receipts(&self, root: &str) -> Result<(), Broken> {
        let mut stored = BTreeSet::new();
        let mut last: BTreeMap<PathBuf, u64> = BTreeMap::new();
        for (path, _) in self.disk.files(&format!("{root}/.yarder/receipts")) {
            let folder = path.parent().expect("folder").to_owned();
            let seq: u64 = path.file_name().and_then(|n| n.to_str()?.parse().ok()).unwrap_or_default();
            let before = last.insert(folder.clone(), seq).unwrap_or(0);
            ensure!(seq == before + 1, "receipt {} comes after {before}", path.display());
            for line in
                self.disk.seen(&path).expect("listed").split(|b| *b == b'\n').filter(|l| !l.is_empty())
            {
                let receipt: Value =
                    serde_json::from_slice(line).map_err(|e| format!("{}: {e}", path.display()))?;
                let text = |key: &str| receipt[key].as_str().unwrap_or_default().to_owned();
                if text("kind") == "stored" {
                    ensure!(stored.insert((folder.clone(), text("key"))), "two receipts of {}", text("key"));
                }
                if matches!(text("kind").as_str(), "stored" | "alias") {
                    let place = Path::new(root).join(text("location"));
                    let sha = self.stored.get(&place).map(|stored| stored.sha.hex());
                    ensure!(
                        sha == Some(text("sha256")),
                        "a receipt of {} tells what is not there",
                        place.display()
                    );
                }
            }
        }
        Ok(())
    }

    fn manifests(&self, root: &str) -> Result<(), Broken> {
        let all = self.disk.files(root);
        let names = all.iter().map(|(path, _)| path).filter(|path| path.ends_with("manifest-sha256.txt"));
        for path in names {
            let text = String::from_utf8(self.disk.seen(path).expect("listed")).map_err(|e| e.to_string())?;
            for line in text.lines() {
                let (sha, name) = line.split_once("  ").ok_or_else(|| format!("manifest line {line:?}"))?;
                let place = path.with_file_name(name);
                let there = self.stored.get(&place).map(|stored| stored.sha.hex());
                ensure!(there.as_deref() == Some(sha), "{} names {name}, which is not so", path.display());
            }
        }
        Ok(())
    }
}
