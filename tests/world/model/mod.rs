//! What must hold, whatever happens: the promises, compared with what the loggers ever held.

macro_rules! ensure {
    ($holds:expr, $($words:tt)*) => {
        if !$holds {
            return Err(format!($($words)*));
        }
    };
}

mod archives;
mod coverage;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use yarder::config::Config;
use yarder::ledger::state::{Duty, State, next};
use yarder::ledger::{self, FileRow, FindingRow};
use yarder::model::{Day, Digest, Proof, RemotePath};
use yarder::report::{Facts, Verdict, build};
use yarder::spool::lies_in;

use yarder::clock::Clock as _;

use crate::disk::Memory;
use crate::loggers::{Shared, Unit};
pub use coverage::Coverage;

/// A broken promise, in words.
pub type Broken = String;

/// Smaller content is stored once a name.
const SMALL: usize = 4096;
pub const STATE: &str = "/depot/state";

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
    /// Those that are always in the configuration.
    steady: Vec<(&'static str, bool)>,
    /// An archive's medium may have written something else: what is not read back may be other bytes.
    pub rots: bool,
    /// An archive was exchanged for an empty one, and the service has not caught up with it yet.
    pub exchanged: bool,
    /// What somebody else harmed in an archive, and what it was.
    pub damaged: BTreeMap<PathBuf, Digest>,
    /// Contents that went with an archive that was exchanged.
    pub gone: bool,
    /// The ledger went back to an older state, and the service has not caught up with it yet.
    pub rolled_back: bool,
    /// The ledger was harmed, and is not put aside yet.
    pub ledger_is_harmed: bool,
    /// A power cut since the last look: what was not flushed may be gone.
    pub power_was_cut: bool,
    /// Since when the ledger knows what stands on a card, by logger and path.
    pub known: BTreeMap<(String, String), Known>,
    pub coverage: Coverage,
}

/// The ledger's rows and findings at one moment.
pub struct Book {
    pub rows: Vec<FileRow>,
    pub findings: Vec<FindingRow>,
}

impl Model {
    pub fn new(disk: Memory, roots: Vec<(&'static str, bool)>, steady: Vec<(&'static str, bool)>) -> Self {
        Self {
            disk,
            stored: BTreeMap::new(),
            roots,
            steady,
            rots: false,
            exchanged: false,
            damaged: BTreeMap::new(),
            gone: false,
            rolled_back: false,
            ledger_is_harmed: false,
            power_was_cut: false,
            known: BTreeMap::new(),
            coverage: Coverage::default(),
        }
    }

    /// What was injected explains a failure: something was met, or the process died.
    fn is_excused(&self, met: u64) -> bool {
        self.disk.met() > met || self.disk.is_dead()
    }

    /// The ledger as a command beside the service reads it; `None` where what was injected keeps it from
    /// that, or there is none yet.
    pub fn book(&self) -> Result<Option<Book>, Broken> {
        let met = self.disk.met();
        if self.disk.seen(&Path::new(STATE).join("ledger.sqlite")).is_none_or(|file| file.is_empty()) {
            return Ok(None);
        }
        let read = || {
            let query = ledger::read_on(&self.disk, Path::new(STATE))?;
            let mut rows = Vec::new();
            query.files(None, None, |row| {
                rows.push(row);
                true
            })?;
            Ok::<_, ledger::LedgerError>(Book { rows, findings: query.findings(i64::MAX)? })
        };
        match read() {
            Ok(book) => Ok(Some(book)),
            // One was put aside, and the next is just begun.
            Err(e) if e.to_string().contains("start the service once") => Ok(None),
            Err(_) if self.ledger_is_harmed || self.is_excused(met) => Ok(None),
            Err(e) => Err(format!("the ledger cannot be read: {e}")),
        }
    }

    /// After every step.
    pub fn step(&mut self, world: &Shared, book: Option<&Book>) -> Result<(), Broken> {
        let (broken, met) = {
            let mut yard = world.lock();
            (yard.broken.take(), std::mem::take(&mut yard.met))
        };
        met.into_iter().for_each(|what| self.coverage.act(what));
        broken.map_or(Ok(()), Err)?;
        self.archives(world)?;
        if let Some(book) = book {
            self.rows(book)?;
            self.seen_truly(world, book)?;
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

    /// Whether the spool holds a whole file durably.
    fn lies_in_spool(&self, row: &FileRow) -> bool {
        let Some(spool) = &row.spool else { return false };
        let lies = lies_in(Path::new(STATE), spool);
        let bytes = self.disk.durable(&lies.path);
        let (from, to) = (lies.at as usize, (lies.at + row.size.unwrap_or(0)) as usize);
        let there = bytes.as_ref().and_then(|bytes| bytes.get(from..to)).map(Digest::of);
        there.is_some() && there == row.sha256
    }

    /// No row claims more than the disks hold, were the power cut now.
    fn rows(&self, book: &Book) -> Result<(), Broken> {
        for row in &book.rows {
            let of = format!("{} {} ({:?} {})", row.logger, row.path, row.id, row.state);
            if row.state == State::Whole && row.spool.is_some() && !self.rolled_back {
                ensure!(self.lies_in_spool(row), "{of}: the spool does not hold it durably");
            }
            if let (State::Fetching, Some(spool), true) = (row.state, &row.spool, row.mark > 0)
                && !self.rolled_back
            {
                let path = Path::new(STATE).join(format!("spool/{spool}.part"));
                let durable = self.disk.durable(&path).map(|bytes| bytes.len() as u64);
                let gone = self.disk.seen(&path).is_none();
                ensure!(gone || durable >= Some(row.mark), "{of}: mark {} of {durable:?}", row.mark);
                ensure!(!self.disk.lacks(&path, row.mark), "{of}: the disk lost bytes before its mark");
            }
            for copy in row.copies.iter().filter(|copy| copy.duty == Duty::Verified) {
                let root = format!("/{}", copy.archive);
                let path = Path::new(&root).join(copy.location.as_deref().unwrap_or_default());
                let stored = self.stored.get(&path);
                if self.exchanged || self.damaged.contains_key(&path) {
                    continue;
                }
                ensure!(
                    stored.is_some_and(|stored| Some(stored.sha) == row.sha256),
                    "{of}: {} is verified and does not hold it",
                    path.display()
                );
                ensure!(self.disk.is_kept(&path), "{of}: the name {} is not durable", path.display());
            }
            let safe = matches!(row.state, State::Archived | State::Removing | State::Removed | State::Gone);
            let harmed = self.damaged.values().any(|sha| Some(*sha) == row.sha256);
            // What is known by another's bytes alone, and went, has nothing of its own to be safe.
            let none = row.copies.is_empty() && row.state != State::Archived && self.gone;
            if safe && !self.exchanged && !harmed && !none {
                // One that is known by its bytes has its copies in the row that it is the same as.
                let same = |other: &&FileRow| other.logger == row.logger && other.sha256 == row.sha256;
                let copies: Vec<_> = book.rows.iter().filter(same).flat_map(|row| &row.copies).collect();
                for (root, _) in self.steady.iter().filter(|(_, required)| *required) {
                    let verified = |copy: &&&ledger::Copy| copy.duty == Duty::Verified;
                    let held = copies.iter().filter(verified).any(|copy| copy.archive == root[1..]);
                    // The copies of what turned up in the spool are read back first: it is not called archived
                    // meanwhile, but where it is known by its bytes alone.
                    let doubted = row.state != State::Archived || row.copies.is_empty();
                    let spooled = || book.rows.iter().filter(same).any(|row| self.lies_in_spool(row));
                    ensure!(held || doubted && spooled(), "{of}: without a verified copy in {root}");
                }
            }
        }
        Ok(())
    }

    /// Whether a content of a logger is archived under a path, or a person did not want what was there.
    fn is_home(book: &Book, unit: &Unit, path: &str, sha: Digest) -> bool {
        book.rows.iter().any(|row| {
            let archived = matches!(row.state, State::Archived | State::Removing)
                && (row.sha256 == Some(sha) || unit.kept.contains(path));
            // Old stock is left where it is, where that is asked.
            let left = row.state == State::Dropped || (row.state == State::Skipped && row.backlog);
            row.logger == unit.name && (archived || left) && row.path.to_string() == path
        })
    }

    /// The truth, not comfort: who is complete has nothing left that was shown and is closed.
    pub fn report(&self, world: &Shared, config: &Config, book: &Book) -> Result<(), Broken> {
        let now = world.clock.now();
        let met = self.disk.met();
        let made = || {
            let day = Day::at(now, config.depot.day_starts, &config.depot.time_zone);
            let day = day.ok_or_else(|| format!("{now} is on no day"))?;
            let query = ledger::read_on(&self.disk, Path::new(STATE)).map_err(|e| e.to_string())?;
            let facts = Facts::read(&query, config, &day, now).map_err(|e| e.to_string())?;
            Ok::<_, String>(build(config, &facts, &day, now))
        };
        let report = match made() {
            Ok(report) => report,
            Err(_) if self.is_excused(met) => return Ok(()),
            Err(e) => return Err(format!("the report cannot be made: {e}")),
        };
        let yard = world.lock();
        let loggers = report.vehicles.iter().flat_map(|vehicle| &vehicle.loggers);
        for logger in loggers.filter(|logger| logger.verdict == Verdict::Complete) {
            let unit = yard.units.iter().find(|unit| unit.name == logger.id).expect("a logger of the list");
            let of = config.loggers.iter().find(|of| of.id.as_str() == unit.name);
            let wants = |path: &str| {
                let path = RemotePath::new(path.as_bytes()).expect("path");
                of.is_some_and(|of| of.kind.files.wants(&path))
            };
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
                    !still || !closed || old || !wants(path) || Self::is_home(book, unit, path, *sha),
                    "{} is called complete, and its {path} is not home: {:?}",
                    unit.name,
                    Self::rows_of(book, &unit.name, path)
                );
            }
        }
        Ok(())
    }

    /// What the ledger says of the loggers is so: nothing vanished that was always there, and nothing was
    /// replaced that was always the same.
    fn seen_truly(&self, world: &Shared, book: &Book) -> Result<(), Broken> {
        let yard = world.lock();
        for unit in yard.units.iter().filter(|unit| unit.lied_at.is_none() && !self.gone) {
            let newest = book.rows.iter().filter(|row| row.logger == unit.name).map(|row| row.card).max();
            let vanished = |row: &&FileRow| {
                row.logger == unit.name
                    && Some(row.card) == newest
                    && matches!(row.state, State::Lost | State::Gone | State::Removed)
            };
            for row in book.rows.iter().filter(vanished) {
                let path = row.path.to_string();
                ensure!(
                    unit.vanished.contains(&path),
                    "{} {path} is {}, and was always there",
                    unit.name,
                    row.state
                );
            }
            for finding in book.findings.iter().filter(|finding| finding.code == "overlap-differs") {
                let path = finding.id.rsplit('/').next().unwrap_or_default();
                let other = finding.logger.as_deref() != Some(&*unit.name);
                ensure!(
                    other || !unit.flipped.is_empty() || unit.rewritten.contains(path),
                    "{} {path} was always the same: {}",
                    unit.name,
                    finding.cause
                );
            }
        }
        Ok(())
    }

    /// What left a logger by our hand is still where it had to be safe.
    fn removed(&self, unit: &Unit) -> Result<(), Broken> {
        let harmed = |sha| self.damaged.values().any(|harmed| *harmed == sha);
        for removed in unit.removed.iter().filter(|removed| !self.gone && !harmed(removed.sha)) {
            for root in &removed.required {
                let stands = self
                    .stored
                    .iter()
                    .any(|(path, stored)| path.starts_with(root) && stored.sha == removed.sha);
                ensure!(stands, "{} {} was removed, and {root} does not have it", unit.name, removed.path);
            }
        }
        Ok(())
    }

    /// A file that was there when the archives were last looked at.
    pub fn some_stored(&self, rng: &mut fastrand::Rng) -> Option<(PathBuf, Digest)> {
        let at = rng.usize(..self.stored.len().max(1));
        self.stored.iter().nth(at).map(|(path, stored)| (path.clone(), stored.sha))
    }

    /// An archive's medium is exchanged for an empty one.
    pub fn forget(&mut self, root: &str) {
        self.stored.retain(|path, _| !path.starts_with(root));
    }

    fn rows_of(book: &Book, logger: &str, path: &str) -> Vec<(i64, State, u64)> {
        let rows = book.rows.iter().filter(|row| row.logger == logger && row.path.to_string() == path);
        rows.map(|row| (row.card, row.state, row.mark)).collect()
    }

    /// For the log of a run that broke a promise: the ledger's rows, and what lies in the spool.
    pub fn tell(&self, world: &Shared) {
        for row in self.book().ok().flatten().iter().flat_map(|book| &book.rows) {
            world.log.note(|| {
                format!(
                    "{:?} {} {} on card {}: {}, {:?} of {:?} bytes in {:?}, {:?}",
                    row.id,
                    row.logger,
                    row.path,
                    row.card,
                    row.state,
                    row.mark,
                    row.size,
                    row.spool,
                    row.copies
                )
            });
            let query = ledger::read_on(&self.disk, Path::new(STATE));
            for event in query.and_then(|query| query.story(row.id)).unwrap_or_default() {
                world.log.note(|| format!("  event of {:?}: {:?} {}", row.id, event.what, event.detail));
            }
        }
        for (path, _) in self.disk.files(&format!("{STATE}/spool")) {
            let (seen, durable) = (self.disk.seen(&path), self.disk.durable(&path));
            let len = |bytes: &Option<Vec<u8>>| bytes.as_ref().map(Vec::len);
            world
                .log
                .note(|| format!("{} has {:?}, durable {:?}", path.display(), len(&seen), len(&durable)));
        }
    }

    /// What is still to come home; empty when all is done.
    pub fn owed(&self, world: &Shared, book: &Book) -> Vec<String> {
        let yard = world.lock();
        let mut owed = Vec::new();
        for unit in yard.units.iter().filter(|unit| !Self::is_taken_for_another(book, unit)) {
            for (path, file) in &unit.card.files {
                if !Self::is_home(book, unit, path, file.sha) && !Self::is_told(book, &unit.name, path) {
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
        // Where foreign files stand at both places, or somebody harmed the copy, a person is told.
        let blocked = |row: &FileRow| {
            (!self.damaged.is_empty() || row.copies.iter().any(|copy| copy.duty == Duty::Blocked))
                && Self::is_told(book, &row.logger, &row.path.to_string())
        };
        let unfinished =
            |row: &&FileRow| row.state == State::Whole && row.proof >= Some(Proof::Length) && !blocked(row);
        owed.extend(
            book.rows.iter().filter(unfinished).map(|row| format!("{} {} is whole", row.logger, row.path)),
        );
        // Whether what was to be removed is lost, or is fetched again, tells the next listing.
        let undecided =
            |row: &FileRow, copy: &ledger::Copy| row.state == State::Removing && copy.duty == Duty::Missing;
        let waiting = |(row, copy): &(&FileRow, &ledger::Copy)| {
            (matches!(copy.duty, Duty::Owed | Duty::Claimed | Duty::Stored) || undecided(row, copy))
                && !matches!(row.state, State::Lost | State::Held)
                && !blocked(row)
        };
        let copies = book.rows.iter().flat_map(|row| row.copies.iter().map(move |copy| (row, copy)));
        owed.extend(copies.filter(waiting).map(|(row, copy)| format!("{} for {}", row.path, copy.archive)));
        owed
    }

    /// Whether a logger that another once stood for, or whose card did, waits for a person who looks which
    /// is which.
    fn is_taken_for_another(book: &Book, unit: &Unit) -> bool {
        let wrong = |finding: &FindingRow| {
            finding.gone.is_none()
                && finding.code == "wrong-logger"
                && finding.logger.as_deref() == Some(&*unit.name)
        };
        unit.swapped && book.findings.iter().any(wrong)
    }

    /// Whether a finding says that a file waits for a person.
    fn is_told(book: &Book, logger: &str, path: &str) -> bool {
        let subject = format!("{logger}/{path}");
        book.findings.iter().any(|finding| {
            matches!(
                finding.code.as_str(),
                "file-held" | "file-stuck" | "place-taken" | "proof-unreachable" | "archive-copy-wrong"
            ) && finding.id.ends_with(&subject)
        })
    }

    /// When all is done: nothing lost, nothing doubled, everything told.
    pub fn end(&mut self, world: &Shared, book: &Book) -> Result<(), Broken> {
        let yard = world.lock();
        for unit in &yard.units {
            self.removed(unit)?;
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
                self.receipts(root, book)?;
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
}
