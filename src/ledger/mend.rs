//! Before the ledger is opened: one that is damaged or gone is set aside and restored from its last
//! backup.
//!
//! What happened since that backup is not in it. The spool's records and the archives' receipts have
//! the part of it that must not be lost; bringing the three together is the service's.
//!
//! # Crash
//! The log of a damaged ledger is moved away before another database takes its place, since SQLite
//! would play one into the other. A restored one is flushed before it gets its name. What a crash
//! leaves is done again at the next start.

use std::io;
use std::path::Path;

use rusqlite::OpenFlags;
use rusqlite::config::DbConfig;

use super::backup::backups;
use super::{FILE, LedgerError, PASSING, connect, schema, settle};
use crate::durable::{Disk, read_full};

/// A ledger of at most so many bytes is read in whole at each start. That takes about a second.
const SMALL: u64 = 256 * 1024 * 1024;
/// Damaged ledgers that are kept.
const KEPT: u64 = 2;
/// Says that SQLite called the ledger corrupt while it was in use, and what it said.
const SUSPECT: &str = "ledger.damaged";
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
}

/// Sees to it that what stands at the ledger's place can be opened. Blocking; the state folder must
/// be locked by this process.
pub fn mend(disk: &dyn Disk, state_dir: &Path) -> Result<Found, LedgerError> {
    let Some(why) = damage(disk, state_dir)? else {
        let found = disk.stat(&state_dir.join(FILE)).map_err(failed)?;
        return Ok(if found.is_some_and(|stat| stat.len > 0) { Found::Sound } else { Found::Nothing });
    };
    tracing::error!("the ledger is damaged and is set aside: {why}");
    let aside = set_aside(disk, state_dir).map_err(failed)?;
    let restored = restore(disk, state_dir)?;
    match &restored {
        Some(name) => tracing::warn!(backup = name, "the ledger is restored from its backup"),
        None => tracing::warn!("the ledger has no backup that can be used, and begins anew"),
    }
    Ok(Found::Damaged { why, aside, restored })
}

/// Puts the present ledger aside, whatever it is worth, so that a new one begins. Blocking. Gives the
/// name under which it lies now.
pub fn put_aside(disk: &dyn Disk, state_dir: &Path) -> Result<Option<String>, LedgerError> {
    set_aside(disk, state_dir).map_err(failed)
}

/// Notes that SQLite called the ledger corrupt. The next start sets it aside.
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
    if let Some(why) =
        crate::durable::read_small(disk, &state_dir.join(SUSPECT), 64 * 1024).map_err(failed)?
    {
        return Ok(Some(String::from_utf8_lossy(&why).into_owned()));
    }
    let len = |name: &str| {
        let stat = disk.stat(&state_dir.join(format!("{FILE}{name}"))).map_err(failed)?;
        Ok::<_, LedgerError>(stat.map(|stat| stat.len))
    };
    let log = len("-wal")?.unwrap_or(0);
    let len = match len("")? {
        Some(len) if len > 0 => len,
        found => {
            let was = log > 0 || !backups(disk, state_dir).map_err(failed)?.is_empty();
            let what = if found.is_some() { "it is empty" } else { "it is not there" };
            return Ok(was.then(|| what.to_owned()));
        }
    };
    // One that was not closed in order is looked at closely, however large it is.
    let check = if len <= SMALL || log > 0 { Check::Whole } else { Check::Quick };
    match look_into(disk, &path, check) {
        Ok(0) if !backups(disk, state_dir).map_err(failed)?.is_empty() => {
            Ok(Some("it holds no tables".to_owned()))
        }
        Ok(_) => Ok(None),
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
    if check == Check::Whole {
        let said: String = db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if said != "ok" {
            return Err(LedgerError::Corrupt(said));
        }
    }
    Ok(version)
}

/// Moves all of the ledger away, and lets go of the oldest that were.
fn set_aside(disk: &dyn Disk, state_dir: &Path) -> io::Result<Option<String>> {
    let mut numbers: Vec<u64> = Vec::new();
    let entries = disk.read_dir(state_dir, usize::MAX)?;
    for name in entries.iter().filter_map(|entry| entry.name.to_str()) {
        let number = name.strip_prefix(ASIDE).and_then(|rest| rest.split_once('-'));
        numbers.extend(number.and_then(|(number, _)| number.parse::<u64>().ok()));
    }
    let number = numbers.iter().max().map_or(1, |last| last + 1);
    let name = format!("{ASIDE}{number}-{FILE}");
    let mut moved = false;
    // The log first: without its database it is played into nothing.
    for with in WITH_IT.iter().rev() {
        match disk.rename(&state_dir.join(format!("{FILE}{with}")), &state_dir.join(format!("{name}{with}")))
        {
            Ok(()) => moved = true,
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(e),
        }
    }
    match disk.remove(&state_dir.join(SUSPECT)) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    disk.flush_dir(state_dir)?;
    for old in numbers.into_iter().filter(|old| old + KEPT <= number) {
        for with in WITH_IT {
            let _ = disk.remove(&state_dir.join(format!("{ASIDE}{old}-{FILE}{with}")));
        }
    }
    Ok(moved.then_some(name))
}

/// Puts the newest backup that can be read in the ledger's place; gives its name.
fn restore(disk: &dyn Disk, state_dir: &Path) -> Result<Option<String>, LedgerError> {
    for backup in backups(disk, state_dir).map_err(failed)?.into_iter().rev() {
        match look_into(disk, &backup.path, Check::Whole) {
            Ok(version) if version > 0 => {}
            Ok(_) => continue,
            Err(e) => {
                tracing::warn!(backup = %backup.path.display(), "it cannot be used: {e}");
                continue;
            }
        }
        copy(disk, &backup.path, state_dir).map_err(failed)?;
        return Ok(backup.path.file_name().map(|name| name.to_string_lossy().into_owned()));
    }
    Ok(None)
}

fn copy(disk: &dyn Disk, from: &Path, state_dir: &Path) -> io::Result<()> {
    let restoring = state_dir.join(RESTORING);
    match disk.remove(&restoring) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    let (from, to) = (disk.open_read(from)?, disk.create_new(&restoring, 0o640)?);
    let (mut at, mut buffer) = (0, vec![0; 1024 * 1024]);
    loop {
        match read_full(&*from, &mut buffer, at)? {
            0 => break,
            read => {
                to.write_at(&buffer[..read], at)?;
                at += read as u64;
            }
        }
    }
    to.flush()?;
    disk.rename(&restoring, &state_dir.join(FILE))?;
    disk.flush_dir(state_dir)
}
