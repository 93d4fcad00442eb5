//! The ledger: the truth about every file at this depot, in one SQLite database.
//!
//! This is the only room that names SQL. Everybody else speaks to it in domain words, and no state
//! changes but through [`state::next`] and [`state::next_duty`], each with an event row in the same
//! transaction.
//!
//! # Locking
//! One process owns a state folder ([`lock`]). Its one writing connection lives on a thread
//! ([`writer`]); reads that must see everything said before them run there too, in order. Commands
//! that only read open the database read-only beside the service (WAL).
//!
//! # Crash
//! `synchronous=FULL`: a commit is on the disk when it is answered. Everything before it in the
//! durability order (data flushed, renamed, folder flushed) is the caller's.

mod adopted;
mod air;
mod archives;
mod backup;
mod contents;
mod copies;
mod days;
mod dropped;
mod events;
mod exchange;
mod facts;
mod findings;
mod fold;
mod gaps;
mod listings;
pub mod lock;
mod mend;
mod metered;
mod missing;
mod notes;
mod obligations;
mod partials;
mod query;
mod rebuild;
mod removal;
mod reports;
mod schema;
pub mod state;
mod versions;
mod visits;
mod writer;

use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use tokio::sync::watch;

pub use adopted::Adopted;
pub use archives::{ManifestLine, ReceiptRow};
pub use backup::{BackupError, BackupFile, back_up, backups};
pub use contents::Content;
pub use copies::{CopyOf, OpenCopy, StoredCopy};
pub use days::{SpoolDay, Visit, Watched};
pub use events::{EventRow, Logged};
pub use exchange::Elsewhere;
pub use facts::{CardUse, Contents, Recorded, Unread};
pub use findings::{Finding, FindingRow, Severity, graver};
pub use gaps::Gap;
pub use listings::{Applied, Change, Known, LoggerRow, Seen};
pub use mend::{Found, mend, put_aside, told};
pub use notes::{About, Note, NoteRow};
pub use obligations::{Due, Kept};
pub use partials::Idle;
pub use query::{Copy, FileRow, LoggerDay, NotHome, Query, Totals};
pub use rebuild::{FromReceipt, WentBack};
pub use removal::{Intent, Remains, Removable};
pub use reports::{OpenDay, Stored, ToStore, Told, Undone};
pub use versions::{Grant, Mark, Outcomes, Pending, VersionId, WholeFacts};
pub use visits::VisitCounts;

use crate::durable::{Disk, FsKind, OsDisk};
use crate::edges::Edges;
use writer::{Tx, Writer};

/// The file's name in the state folder.
pub const FILE: &str = "ledger.sqlite";

/// What can go wrong with the ledger.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LedgerError {
    /// It was written by a newer program.
    #[error(
        "the ledger has schema {found} and this program knows {known}: install the newer Yarder again, \
         or restore a backup made before it"
    )]
    Newer {
        /// In the file.
        found: i64,
        /// In this program.
        known: i64,
    },
    /// It lies on a file system that another machine serves.
    #[error(
        "{} lies on a network file system ({kind}): SQLite cannot keep a ledger there; \
         set `state_dir` to a folder on a disk of this machine", path.display()
    )]
    Network {
        /// The state folder.
        path: PathBuf,
        /// Which.
        kind: String,
    },
    /// It cannot be opened.
    #[error("the ledger cannot be opened: {0}")]
    Open(String),
    /// There is none yet.
    #[error("there is no ledger in {} yet: start the service, or run `yarder once`", .0.display())]
    None(PathBuf),
    /// This user may not read it.
    #[error("{} may not be read by this user: run the command as the service's user, or as root", .0.display())]
    Denied(PathBuf),
    /// A commit failed, now or before: what the disk holds is not known until the next start.
    #[error("the ledger could not commit ({0}): see to its disk, then start again")]
    Commit(String),
    /// A statement failed.
    #[error("the ledger failed: {0}")]
    Sql(String),
    /// Its disk is full or fails.
    #[error("the ledger's disk refused it ({0}): make room there, or see to the disk")]
    Disk(String),
    /// SQLite calls it corrupt.
    #[error(
        "the ledger is damaged ({0}): the next start of the service sets it aside and restores its last backup"
    )]
    Corrupt(String),
    /// A state may not change in that way.
    #[error(transparent)]
    Illegal(#[from] state::Illegal),
    /// A row holds what no row may hold.
    #[error("the ledger holds something that it never wrote: {0}")]
    Damaged(String),
}

impl From<rusqlite::Error> for LedgerError {
    fn from(e: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode::{DatabaseCorrupt, DiskFull, NotADatabase, SystemIoFailure};
        match e.sqlite_error_code() {
            Some(DiskFull | SystemIoFailure) => LedgerError::Disk(e.to_string()),
            Some(DatabaseCorrupt | NotADatabase) => LedgerError::Corrupt(e.to_string()),
            _ => LedgerError::Sql(e.to_string()),
        }
    }
}

impl LedgerError {
    /// A right that is missing is a person's to give; everything else may be better later.
    fn of_disk(e: &std::io::Error) -> Self {
        match e.kind() {
            ErrorKind::PermissionDenied | ErrorKind::NotFound | ErrorKind::IsADirectory => {
                LedgerError::Open(e.to_string())
            }
            _ => LedgerError::Disk(e.to_string()),
        }
    }
}

/// The open ledger of a running service.
#[derive(Clone)]
pub struct Ledger {
    writer: Writer,
}

impl std::fmt::Debug for Ledger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Ledger")
    }
}

impl Ledger {
    /// Opens or creates the ledger of a state folder, which must be locked by this process. Its jobs run
    /// on a thread of their own, unless all work of these edges runs on the caller's.
    pub fn open(edges: &Edges, state_dir: &Path) -> Result<Self, LedgerError> {
        if let FsKind::Network(kind) =
            edges.disk.fs_kind(state_dir).map_err(|e| LedgerError::Open(e.to_string()))?
        {
            return Err(LedgerError::Network { path: state_dir.to_owned(), kind: kind.to_owned() });
        }
        let path = state_dir.join(FILE);
        // SQLite would let everybody read it; its other files get the mode of this one.
        match edges.disk.create_new(&path, 0o640) {
            Err(e) if e.kind() != ErrorKind::AlreadyExists => return Err(LedgerError::of_disk(&e)),
            _ => {}
        }
        let db = connect(&*edges.disk, &path, OpenFlags::default())?;
        let (disk, dir) = (edges.disk.clone(), state_dir.to_owned());
        Self::start(db, edges, edges.work.is_inline(), move |why| mend::suspect(&*disk, &dir, why))
    }

    /// A ledger in memory whose jobs run on the caller's thread.
    pub fn in_memory(edges: &Edges) -> Result<Self, LedgerError> {
        Self::start(Connection::open_in_memory()?, edges, true, |_| {})
    }

    fn start(
        mut db: Connection,
        edges: &Edges,
        inline: bool,
        corrupt: impl Fn(&str) + Send + 'static,
    ) -> Result<Self, LedgerError> {
        settle(&db, WORKING)?;
        db.pragma_update(None, "journal_mode", "WAL")?;
        db.pragma_update(None, "synchronous", "FULL")?;
        db.pragma_update(None, "foreign_keys", true)?;
        // A flush that failed in an earlier process left its log with bytes that the machine shows and the
        // disk does not have, and a power cut would take all behind them: they are written again elsewhere.
        db.pragma_update(None, "wal_checkpoint", "TRUNCATE")?;
        schema::migrate(&mut db)?;
        Ok(Self { writer: Writer::start(db, edges.clock.clone(), inline, Box::new(corrupt))? })
    }

    /// Tells, once, why the ledger takes no more jobs; the process must end then.
    pub fn dead(&self) -> watch::Receiver<Option<String>> {
        self.writer.dead()
    }

    /// Ends when everything said so far is committed.
    pub async fn settled(&self) -> Result<(), LedgerError> {
        self.writer.ask(|_| Ok(())).await
    }
}

/// KiB of pages that a connection keeps which is asked again and again.
const WORKING: i64 = 8192;
/// The same of one that reads a part of it beside the writer.
const READING: i64 = 2048;
/// The same of one that goes through all of it once.
const PASSING: i64 = 512;

/// Settings of every connection, which keeps `cache` KiB of pages.
fn settle(db: &Connection, cache: i64) -> Result<(), LedgerError> {
    db.busy_timeout(Duration::from_secs(10))?;
    db.set_prepared_statement_cache_capacity(128);
    // A plan depends on the statement alone: otherwise SQLite plans anew when a bound value changes.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    db.pragma_update(None, "cache_size", -cache)?;
    // What undoes a single job lies in memory, not in a file that thousands of jobs would write.
    db.pragma_update(None, "temp_store", "MEMORY")?;
    Ok(())
}

fn connect(disk: &dyn Disk, path: &Path, flags: OpenFlags) -> Result<Connection, LedgerError> {
    let opened = match disk.database() {
        None => Connection::open_with_flags(path, flags),
        Some(vfs) => Connection::open_with_flags_and_vfs(path, flags, vfs),
    };
    opened.map_err(|e| LedgerError::Open(e.to_string()))
}

/// A read-only look at a ledger on the machine's own disk, beside the running service.
pub fn read(state_dir: &Path) -> Result<Query, LedgerError> {
    read_on(&OsDisk::new(), state_dir)
}

/// A read-only look at a ledger beside the running service.
pub fn read_on(disk: &dyn Disk, state_dir: &Path) -> Result<Query, LedgerError> {
    let path = state_dir.join(FILE);
    // Opened here first for the reason why it cannot be: SQLite has one for all.
    match disk.open_read(&path) {
        Ok(_) => {}
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            return Err(LedgerError::None(state_dir.to_owned()));
        }
        Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied => return Err(LedgerError::Denied(path)),
        Err(e) => return Err(LedgerError::Open(format!("{}: {e}", path.display()))),
    }
    let db = connect(disk, &path, READ_ONLY)?;
    settle(&db, READING)?;
    schema::refuse_newer(&db)?;
    if schema::version(&db)? < schema::VERSION {
        return Err(LedgerError::Open("it is of an older version: start the service once".into()));
    }
    Ok(Query { db, path: disk.database().is_none().then_some(path) })
}

/// How a ledger is opened that is only looked at, by one thread at a time.
const READ_ONLY: OpenFlags = OpenFlags::SQLITE_OPEN_READ_ONLY.union(OpenFlags::SQLITE_OPEN_NO_MUTEX);

#[cfg(test)]
mod tests;
