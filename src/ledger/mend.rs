//! Before the ledger is opened: one that is damaged or gone is set aside and restored from its last
//! backup.
//!
//! What happened since that backup is not in it. The spool's records and the archives' receipts have
//! the part of it that must not be lost; bringing the three together is the service's.
//!
//! # Crash
//! A word that the ledger is being set aside stands in the state folder from before the first file is
//! moved until the new ledger itself knows that it is behind ([`told`]): a start that finds it goes on
//! where the one before ended. The log of a damaged ledger is moved away before another database takes
//! its place, since SQLite would play one into the other. A restored one is flushed before it gets its
//! name.

use std::io;
use std::path::Path;

use rusqlite::config::DbConfig;
use rusqlite::{ErrorCode, OpenFlags};
use serde::{Deserialize, Serialize};

use super::backup::{backups, remove};
use super::{FILE, LedgerError, PASSING, connect, schema, settle};
use crate::durable::{Disk, read_full, read_small, replace};

/// A ledger of at most so many bytes is read in whole at each start. That takes about a second.
const SMALL: u64 = 256 * 1024 * 1024;
/// The same of one that was not closed in order: some seconds. Of a larger one, each day's backup is read
/// in whole, and a start after a power cut must not take minutes. Of backups up to here, indexes are read too.
const SOME: u64 = 1024 * 1024 * 1024;
/// Damaged ledgers that are kept.
const KEPT: u64 = 2;
/// Says that SQLite called the ledger corrupt while it was in use, and what it said.
const SUSPECT: &str = "ledger.damaged";
/// The word that a ledger is being set aside.
const LEFT: &str = "ledger.set-aside";
const RESTORING: &str = "ledger.restoring";
const ASIDE: &str = "damaged-";
/// What belongs to a database beside its own file.
const WITH_IT: [&str; 3] = ["", "-wal", "-shm"];

/// What a start found where the ledger should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// A ledger that can be read.
    Sound,
    /// None, and no sign that there was one.
    Nothing,
    /// A damaged one, or none where there had been one.
    Damaged {
        /// What is wrong with it.
        why: String,
        /// The name under which it lies in the state folder now, if there was anything.
        aside: Option<String>,
        /// The backup that stands in its place, by its name; else an empty ledger will.
        restored: Option<String>,
    },
    /// A new one is to begin, since a person asked for it.
    Anew {
        /// The name under which the one before lies now.
        aside: Option<String>,
    },
}

/// How closely a ledger is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Check {
    /// Whether it is one.
    Quick,
    /// Every page of it.
    Whole,
    /// Every page, and every entry of its indexes.
    Indexes,
}

impl Check {
    /// How a new backup of so many bytes is looked at: the indexes of a large one take many minutes.
    pub(super) fn of_backup(len: u64) -> Self {
        if len <= SOME { Check::Indexes } else { Check::Whole }
    }
}

/// How a ledger came to be set aside, and how far that has come.
#[derive(Debug, Serialize, Deserialize)]
struct Left {
    /// What is wrong with it; `None` where a person asked for a new one.
    why: Option<String>,
    /// The number that it gets.
    number: u64,
    /// Whether there was a database, its log apart.
    database: bool,
    /// The backup that takes its place.
    restored: Option<String>,
}

/// Sees to it that what stands at the ledger's place can be opened. Blocking; the state folder must
/// be locked by this process. What is not [`Found::Sound`] or [`Found::Nothing`] is found again at the
/// next start, until it was [`told`].
pub fn mend(disk: &dyn Disk, state_dir: &Path) -> Result<Found, LedgerError> {
    let begun = read_small(disk, &state_dir.join(LEFT), 64 * 1024).map_err(failed)?;
    if let Some(left) = begun.and_then(|bytes| serde_json::from_slice(&bytes).ok()) {
        return leave(disk, state_dir, left);
    }
    let Some(why) = damage(disk, state_dir)? else {
        let found = disk.stat(&state_dir.join(FILE)).map_err(failed)?;
        return Ok(if found.is_some_and(|stat| stat.len > 0) { Found::Sound } else { Found::Nothing });
    };
    tracing::error!("the ledger is damaged and is set aside: {why}");
    begin(disk, state_dir, Some(why))
}

/// Puts the present ledger aside, whatever it is worth, so that a new one begins. Blocking.
pub fn put_aside(disk: &dyn Disk, state_dir: &Path) -> Result<Found, LedgerError> {
    begin(disk, state_dir, None)
}

/// The ledger knows by itself now that it is behind: the next start finds it sound. Blocking.
pub fn told(disk: &dyn Disk, state_dir: &Path) -> Result<(), LedgerError> {
    remove(disk, &state_dir.join(LEFT)).and_then(|()| disk.flush_dir(state_dir)).map_err(failed)
}

/// Notes that SQLite called the ledger corrupt. The next start looks at all of it.
pub(super) fn suspect(disk: &dyn Disk, state_dir: &Path, why: &str) {
    let noted = disk.create_new(&state_dir.join(SUSPECT), 0o640).and_then(|file| {
        file.write_at(why.as_bytes(), 0)?;
        file.flush()?;
        disk.flush_dir(state_dir)
    });
    match noted {
        Err(e) if e.kind() != io::ErrorKind::AlreadyExists => {
            tracing::error!("that the ledger is damaged cannot be noted: {e}");
        }
        _ => {}
    }
}

fn failed(e: io::Error) -> LedgerError {
    LedgerError::of_disk(&e)
}

/// What is wrong with the ledger that stands there.
fn damage(disk: &dyn Disk, state_dir: &Path) -> Result<Option<String>, LedgerError> {
    let path = state_dir.join(FILE);
    let suspect = disk.stat(&state_dir.join(SUSPECT)).map_err(failed)?.is_some();
    let len = |name: &str| {
        let stat = disk.stat(&state_dir.join(format!("{FILE}{name}"))).map_err(failed)?;
        Ok::<_, LedgerError>(stat.map(|stat| stat.len))
    };
    let log = len("-wal")?.unwrap_or(0);
    let len = match len("")? {
        Some(len) if len > 0 => len,
        found => {
            let was = log > 0
                || !backups(disk, state_dir).map_err(failed)?.is_empty()
                || !numbers(disk, state_dir).map_err(failed)?.is_empty();
            let what = if found.is_some() { "it is empty" } else { "it is not there" };
            return Ok(was.then(|| what.to_owned()));
        }
    };
    let check = match suspect {
        true => Check::Indexes,
        false if len <= SMALL || log > 0 && len <= SOME => Check::Whole,
        false => Check::Quick,
    };
    match look_into(disk, &path, check) {
        Ok(0) if !backups(disk, state_dir).map_err(failed)?.is_empty() => {
            Ok(Some("it holds no tables".to_owned()))
        }
        Ok(_) => {
            if suspect {
                tracing::warn!("the ledger was called damaged, and all of it can be read");
                remove(disk, &state_dir.join(SUSPECT)).map_err(failed)?;
            }
            Ok(None)
        }
        Err(LedgerError::Corrupt(why)) => Ok(Some(why)),
        Err(e) => Err(e),
    }
}

/// Whether SQLite can read it; gives its schema's version.
pub(super) fn look_into(disk: &dyn Disk, path: &Path, check: Check) -> Result<i64, LedgerError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = connect(disk, path, flags)?;
    // A look changes nothing: its log is not folded into a database that may be damaged.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    settle(&db, PASSING)?;
    let version = schema::version(&db)?;
    db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))?;
    let how = match check {
        Check::Quick => None,
        Check::Whole => Some("PRAGMA quick_check(1)"),
        Check::Indexes => Some("PRAGMA integrity_check(1)"),
    };
    if let Some(how) = how {
        let said: String = db.query_row(how, [], |row| row.get(0))?;
        if said != "ok" {
            return Err(LedgerError::Corrupt(said));
        }
    }
    Ok(version)
}

/// Numbers of the ledgers that were set aside.
fn numbers(disk: &dyn Disk, state_dir: &Path) -> io::Result<Vec<u64>> {
    let entries = disk.read_dir(state_dir, usize::MAX)?;
    let names = entries.iter().filter_map(|entry| entry.name.to_str());
    let numbers = names.filter_map(|name| name.strip_prefix(ASIDE)?.split_once('-')?.0.parse().ok());
    Ok(numbers.collect())
}

/// Begins to set the ledger aside.
fn begin(disk: &dyn Disk, state_dir: &Path, why: Option<String>) -> Result<Found, LedgerError> {
    let number = numbers(disk, state_dir).map_err(failed)?.into_iter().max().map_or(1, |last| last + 1);
    let database = disk.stat(&state_dir.join(FILE)).map_err(failed)?.is_some_and(|stat| stat.len > 0);
    let left = Left { why, number, database, restored: None };
    left.note(disk, state_dir)?;
    leave(disk, state_dir, left)
}

/// Brings that to its end.
fn leave(disk: &dyn Disk, state_dir: &Path, mut left: Left) -> Result<Found, LedgerError> {
    let aside = format!("{ASIDE}{}-{FILE}", left.number);
    let is_there = |name: &str| {
        let stat = disk.stat(&state_dir.join(name)).map_err(failed)?;
        Ok::<_, LedgerError>(stat.is_some_and(|stat| stat.len > 0))
    };
    // The database is moved last: with it gone, what stands in its place is the one after it.
    let ended = is_there(FILE)? && (!left.database || is_there(&aside)?);
    if !ended {
        set_aside(disk, state_dir, &aside).map_err(failed)?;
        if left.why.is_some() {
            restore(disk, state_dir, &mut left)?;
        }
    }
    remove(disk, &state_dir.join(SUSPECT)).map_err(failed)?;
    for old in numbers(disk, state_dir).map_err(failed)?.into_iter().filter(|old| old + KEPT <= left.number) {
        for with in WITH_IT {
            let _ = disk.remove(&state_dir.join(format!("{ASIDE}{old}-{FILE}{with}")));
        }
    }
    disk.flush_dir(state_dir).map_err(failed)?;
    let kept = WITH_IT.iter().any(|with| is_there(&format!("{aside}{with}")).unwrap_or(false));
    let aside = kept.then_some(aside);
    Ok(match left.why {
        None => Found::Anew { aside },
        Some(why) => Found::Damaged { why, aside, restored: left.restored },
    })
}

impl Left {
    fn note(&self, disk: &dyn Disk, state_dir: &Path) -> Result<(), LedgerError> {
        // Every field can be written.
        let bytes = serde_json::to_vec(self).unwrap_or_default();
        let (path, new) = (state_dir.join(LEFT), state_dir.join(format!("{LEFT}.new")));
        replace(disk, &path, &new, &bytes, 0o640).map_err(failed)
    }
}

/// Moves all of the ledger away, as far as that has not been done.
fn set_aside(disk: &dyn Disk, state_dir: &Path, aside: &str) -> io::Result<()> {
    // The log first: without its database it is played into nothing.
    for with in WITH_IT.iter().rev() {
        let (from, to) = (state_dir.join(format!("{FILE}{with}")), state_dir.join(format!("{aside}{with}")));
        // What was moved before a kill is not replaced by what was begun after it.
        if disk.stat(&to)?.is_some() {
            remove(disk, &from)?;
            continue;
        }
        match disk.rename(&from, &to) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
            _ => {}
        }
    }
    disk.flush_dir(state_dir)
}

/// Puts the newest backup that can be read in the ledger's place, and notes its name. Where all have damaged
/// indexes, which would be found out again while the ledger is used, those of the newest are made anew.
fn restore(disk: &dyn Disk, state_dir: &Path, left: &mut Left) -> Result<(), LedgerError> {
    for anew in [false, true] {
        for backup in backups(disk, state_dir).map_err(failed)?.into_iter().rev() {
            let check = if anew { Check::Whole } else { Check::of_backup(backup.len) };
            match look_into(disk, &backup.path, check) {
                Ok(version) if version > 0 => {}
                Ok(_) => continue,
                Err(e) => {
                    tracing::warn!(backup = %backup.path.display(), "it cannot be used: {e}");
                    continue;
                }
            }
            left.restored = backup.path.file_name().map(|name| name.to_string_lossy().into_owned());
            left.note(disk, state_dir)?;
            match copy(disk, &backup.path, state_dir, anew) {
                Err(LedgerError::Corrupt(why)) => {
                    tracing::warn!(backup = left.restored, "its indexes cannot be made anew: {why}");
                    continue;
                }
                copied => copied?,
            }
            tracing::warn!(backup = left.restored, "the ledger is restored from its backup");
            return Ok(());
        }
    }
    left.restored = None;
    remove(disk, &state_dir.join(RESTORING)).map_err(failed)?;
    tracing::warn!("the ledger has no backup that can be used, and begins anew");
    Ok(())
}

/// `indexed`: its indexes are made anew.
fn copy(disk: &dyn Disk, from: &Path, state_dir: &Path, indexed: bool) -> Result<(), LedgerError> {
    let restoring = state_dir.join(RESTORING);
    copy_bytes(disk, from, &restoring).map_err(failed)?;
    if indexed {
        let db =
            connect(disk, &restoring, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
        settle(&db, PASSING)?;
        // A kill begins it all anew; what is sorted may be larger than the memory.
        db.execute_batch("PRAGMA temp_store = FILE; PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF")?;
        db.execute_batch("REINDEX").map_err(|e| match e.sqlite_error_code() {
            Some(ErrorCode::ConstraintViolation) => LedgerError::Corrupt(e.to_string()),
            _ => e.into(),
        })?;
    }
    let flushed = || {
        disk.open_write(&restoring)?.flush()?;
        disk.rename(&restoring, &state_dir.join(FILE))?;
        disk.flush_dir(state_dir)
    };
    flushed().map_err(failed)
}

fn copy_bytes(disk: &dyn Disk, from: &Path, restoring: &Path) -> io::Result<()> {
    remove(disk, restoring)?;
    let (from, to) = (disk.open_read(from)?, disk.create_new(restoring, 0o640)?);
    let (mut at, mut buffer) = (0, vec![0; 1024 * 1024]);
    loop {
        match read_full(&*from, &mut buffer, at)? {
            0 => return Ok(()),
            read => {
                to.write_at(&buffer[..read], at)?;
                at += read as u64;
            }
        }
    }
}
