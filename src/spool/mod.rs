//! The spool: the depot's own disk, with partial files and whole files that wait for an archive.
//!
//! A file has one random name here for its life: `NAME.part` while bytes come, `NAME.log` once it is
//! whole, and beside that `NAME.json`, its own record, so that a whole file can be told without the
//! ledger.
//!
//! # Crash
//! A partial is good up to its last mark, whose offset and running hash the ledger has; what lies
//! behind it is thrown away. A whole file is durable in this order: its bytes and its record flushed,
//! renamed, folder flushed, ledger committed. [`Spool::recover`] sets right what a crash left between.

mod budget;
mod finish;
mod partial;
mod record;
mod recover;

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use budget::{Budget, NoRoom, Reservation};
pub use finish::{FinishError, Finished, Finisher};
pub use partial::Partial;
pub use record::Record;
pub use recover::{RecoverError, Recovered};

use crate::durable::Disk;
use crate::edges::Edges;

/// What can go wrong on the depot's own disk.
#[derive(Debug, Clone, thiserror::Error)]
pub enum SpoolError {
    /// An operation failed.
    #[error("the spool in {} failed to {what}: {error}", dir.display())]
    Io {
        /// The folder.
        dir: PathBuf,
        /// What was tried.
        what: &'static str,
        /// The system's words.
        error: Arc<io::Error>,
    },
    /// There is no room.
    #[error(transparent)]
    NoRoom(#[from] NoRoom),
}

impl SpoolError {
    /// Whether the disk is full.
    pub fn is_full(&self) -> bool {
        match self {
            SpoolError::NoRoom(_) => true,
            SpoolError::Io { error, .. } => {
                matches!(error.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
            }
        }
    }
}

/// The spool's folder and its budget.
#[derive(Debug, Clone)]
pub struct Spool {
    dir: PathBuf,
    edges: Edges,
    budget: Arc<Budget>,
}

impl Spool {
    /// The spool of a state folder; its own folder is made on first use.
    pub async fn open(edges: Edges, state_dir: &Path, limit: u64, reserve: u64) -> Result<Self, SpoolError> {
        let dir = state_dir.join("spool");
        let made = dir.clone();
        edges
            .blocking(move |disk| crate::durable::create_dirs(disk, &made, 0o700))
            .await
            .map_err(|e| SpoolError::Io { dir: dir.clone(), what: "make its folder", error: Arc::new(e) })?;
        let budget = Arc::new(Budget::new(edges.disk.clone(), dir.clone(), limit, reserve));
        Ok(Self { dir, edges, budget })
    }

    /// The room there is.
    pub fn budget(&self) -> &Arc<Budget> {
        &self.budget
    }

    /// Where a whole file lies.
    pub fn whole(&self, name: &str) -> PathBuf {
        self.dir.join(format!("{name}.log"))
    }

    fn part(&self, name: &str) -> PathBuf {
        self.dir.join(format!("{name}.part"))
    }

    fn record(&self, name: &str) -> PathBuf {
        self.dir.join(format!("{name}.json"))
    }

    /// Makes an error of the system's into one that says what was tried, and where.
    pub fn failed(&self, what: &'static str) -> impl Fn(io::Error) -> SpoolError {
        let dir = self.dir.clone();
        move |error| SpoolError::Io { dir: dir.clone(), what, error: Arc::new(error) }
    }

    /// Removes a partial alone. One that is gone already is no error.
    pub async fn unlink_partial(&self, name: String) -> Result<(), SpoolError> {
        let spool = self.clone();
        self.edges
            .blocking(move |disk| spool.remove(disk, &spool.part(&name), true))
            .await
            .map_err(self.failed("remove a partial"))
    }

    fn remove(&self, disk: &dyn Disk, path: &Path, counted: bool) -> io::Result<()> {
        let Some(stat) = disk.stat(path)? else { return Ok(()) };
        match disk.remove(path) {
            // Somebody else was quicker.
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
            other => other?,
        }
        if counted {
            self.budget.free(stat.len);
        }
        Ok(())
    }

    /// Removes files that the ledger has let go: whole, partial and record. What is gone already is
    /// no error.
    pub async fn unlink(&self, names: Vec<String>) -> Result<(), SpoolError> {
        let spool = self.clone();
        self.edges
            .blocking(move |disk| {
                for name in &names {
                    spool.remove(disk, &spool.whole(name), true)?;
                    spool.remove(disk, &spool.part(name), true)?;
                    spool.remove(disk, &spool.record(name), false)?;
                }
                Ok(())
            })
            .await
            .map_err(self.failed("remove a file"))
    }
}
