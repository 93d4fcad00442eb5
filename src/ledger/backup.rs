//! Backups of the ledger: a copy of each of the depot's days, made beside the writer.
//!
//! They lie in `backups`, numbered, with the day in their name for people; the number alone is their
//! order, since a depot's clock may go wrong.
//!
//! # Crash
//! A copy is made under a temporary name, checked, flushed and only then renamed. What a crash leaves
//! of it goes with the next one.

use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use rusqlite::OpenFlags;
use rusqlite::backup::{Backup, StepResult};

use super::mend::{Check, look_into};
use super::{FILE, LedgerError, PASSING, connect, settle};
use crate::durable::{Disk, create_dirs};
use crate::model::amount::size;

/// Pages that are copied at a time: about 1 MB.
const STEP: i32 = 256;
/// Its folder in the state folder.
const FOLDER: &str = "backups";
const UNFINISHED: &str = "unfinished";
const SUFFIX: &str = ".sqlite";

/// A backup that is there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BackupFile {
    /// Grows from one to the next.
    pub number: u64,
    /// The depot's day on which it was made, by the clock of then.
    pub day: Date,
    /// Where it lies.
    pub path: PathBuf,
    /// Bytes.
    pub len: u64,
}

/// Why there is no new backup.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The disk failed, or has no room.
    #[error("its disk refused it: {0}")]
    Disk(#[from] io::Error),
    /// The limit has no room for a single one.
    #[error("the ledger has {}, and `backup_limit` is {}", size(*.len), size(*.limit))]
    Limit {
        /// Bytes of the ledger.
        len: u64,
        /// Bytes that all backups may have.
        limit: u64,
    },
    /// The ledger failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// The backups of a state folder, oldest first. What bears no such name is none.
pub fn backups(disk: &dyn Disk, state_dir: &Path) -> io::Result<Vec<BackupFile>> {
    let dir = state_dir.join(FOLDER);
    let entries = match disk.read_dir(&dir, usize::MAX) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other?,
    };
    let mut all: Vec<_> = entries
        .into_iter()
        .filter_map(|entry| {
            let name = entry.name.to_str()?.strip_suffix(SUFFIX)?;
            let (number, day) = name.split_once('-')?;
            let path = dir.join(&entry.name);
            Some(BackupFile {
                number: number.parse().ok()?,
                day: day.parse().ok()?,
                path,
                len: entry.stat.len,
            })
        })
        .collect();
    all.sort_by_key(|backup| backup.number);
    Ok(all)
}

/// Makes a backup of a ledger that may be in use, and lets go of the oldest ones that pass `limit`
/// bytes with it. Blocking. The writer goes on meanwhile: the copy is of one moment.
pub fn back_up(disk: &dyn Disk, state_dir: &Path, day: Date, limit: u64) -> Result<BackupFile, BackupError> {
    let dir = state_dir.join(FOLDER);
    create_dirs(disk, &dir, 0o750)?;
    let unfinished = dir.join(UNFINISHED);
    remove(disk, &unfinished)?;
    let made = copy(disk, state_dir, &unfinished, limit);
    if made.is_err() {
        // Whatever it failed at, its room is given back.
        let _ = remove(disk, &unfinished);
    }
    let len = made?;
    let mut all = backups(disk, state_dir)?;
    let number = all.last().map_or(1, |last| last.number + 1);
    let path = dir.join(format!("{number:06}-{day}{SUFFIX}"));
    disk.rename(&unfinished, &path)?;
    disk.flush_dir(&dir)?;
    let backup = BackupFile { number, day, path, len };
    all.push(backup.clone());
    let mut total: u64 = all.iter().map(|backup| backup.len).sum();
    for old in &all[..all.len() - 1] {
        if total <= limit {
            break;
        }
        remove(disk, &old.path)?;
        total -= old.len;
    }
    Ok(backup)
}

fn copy(disk: &dyn Disk, state_dir: &Path, to: &Path, limit: u64) -> Result<u64, BackupError> {
    let failed = |e: rusqlite::Error| BackupError::Ledger(e.into());
    let from = connect(disk, &state_dir.join(FILE), OpenFlags::default())?;
    settle(&from, PASSING)?;
    // The database alone is then not older than its last backup, should its log be lost.
    from.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())).map_err(failed)?;
    // One moment for the whole copy: without it, every commit would begin the copy anew.
    from.execute_batch("BEGIN").map_err(failed)?;
    let len = from
        .query_row("SELECT page_count * page_size FROM pragma_page_count, pragma_page_size", [], |row| {
            row.get::<_, i64>(0)
        })
        .map_err(failed)?
        .unsigned_abs();
    if len > limit {
        return Err(BackupError::Limit { len, limit });
    }
    // Made here first, with the mode that it is to have.
    drop(disk.create_new(to, 0o640)?);
    let mut into = connect(disk, to, OpenFlags::default())?;
    settle(&into, PASSING)?;
    into.pragma_update(None, "synchronous", "OFF").map_err(failed)?;
    {
        let backup = Backup::new(&from, &mut into).map_err(failed)?;
        while backup.step(STEP).map_err(failed)? != StepResult::Done {}
    }
    // One file by itself.
    into.pragma_update(None, "journal_mode", "DELETE").map_err(failed)?;
    drop(into);
    match look_into(disk, to, Check::of_backup(len)) {
        Ok(_) => {}
        // The copy has what the ledger has, or its own disk gives back what was not written.
        Err(LedgerError::Corrupt(why)) => {
            if let Err(LedgerError::Corrupt(why)) = look_into(disk, &state_dir.join(FILE), Check::Indexes) {
                super::mend::suspect(disk, state_dir, &why);
                return Err(LedgerError::Corrupt(why).into());
            }
            let why = format!("the copy is damaged ({why}), and the ledger is not");
            return Err(BackupError::Disk(io::Error::other(why)));
        }
        Err(e) => return Err(e.into()),
    }
    let file = disk.open_write(to)?;
    file.flush()?;
    Ok(file.len()?)
}

/// Removes a file, if it is there.
pub(super) fn remove(disk: &dyn Disk, path: &Path) -> io::Result<()> {
    match disk.remove(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
        _ => Ok(()),
    }
}
