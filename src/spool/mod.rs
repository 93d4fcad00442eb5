//! The spool: the depot's own disk, with partial files and whole files that wait for an archive.
//!
//! A file is `NAME.part` while bytes come, under a random name. Files that become whole together are
//! a group with a random name of its own: `GROUP-000.log`, `GROUP-001.log` and so on, and beside them
//! `GROUP.json` with the record of each, so that whole files can be told without the ledger. Small
//! ones that were in memory until then lie one behind the other in `GROUP.log`, which goes with the
//! last of them; the name of such a file, `GROUP-002@4096`, says where in it it begins. The records
//! of the group that was let go last lie beside the spool's folder: a ledger that does not know them
//! went back to an older state.
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

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

pub use budget::{Budget, NoRoom, Reservation};
pub use finish::{FinishError, Finished, Finisher};
pub use partial::{Partial, SMALL};
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
    /// The groups that lie here.
    groups: Arc<Mutex<BTreeMap<String, Group>>>,
    /// How many partials were opened.
    opened: Arc<AtomicU64>,
}

/// What lies here of a group.
#[derive(Debug, Default)]
struct Group {
    /// Files of their own.
    own: usize,
    /// Where those begin that lie in one file, and their numbers.
    packed: BTreeSet<(u64, u32)>,
}

/// Where a whole file's bytes lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lies {
    /// In which file.
    pub path: PathBuf,
    /// At which byte of it they begin.
    pub at: u64,
    /// The file is the spool's, and holds nothing else.
    pub own: bool,
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
        Ok(Self { dir, edges, budget, groups: Arc::default(), opened: Arc::default() })
    }

    /// The room there is.
    pub fn budget(&self) -> &Arc<Budget> {
        &self.budget
    }

    /// The file that holds a whole one.
    pub fn whole(&self, name: &str) -> PathBuf {
        lies(&self.dir, name).path
    }

    /// Where a whole file's bytes lie.
    pub fn lies(&self, name: &str) -> Lies {
        lies(&self.dir, name)
    }

    fn part(&self, name: &str) -> PathBuf {
        self.dir.join(format!("{name}.part"))
    }

    /// The records of the group that was let go last.
    fn last(&self) -> PathBuf {
        self.dir.with_file_name("last-let-go.json")
    }

    fn record(&self, group: &str) -> PathBuf {
        self.dir.join(format!("{group}.json"))
    }

    fn groups(&self) -> MutexGuard<'_, BTreeMap<String, Group>> {
        self.groups.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A file of a group is gone, which was a name of its `own`; whether it was the last.
    fn was_last(&self, group: &str, own: bool) -> bool {
        let mut groups = self.groups();
        let left = groups.get_mut(group).map(|left| {
            left.own = left.own.saturating_sub(usize::from(own));
            left.own == 0 && left.packed.is_empty()
        });
        left == Some(true) && groups.remove(group).is_some()
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
            .blocking(move |disk| spool.remove(disk, &spool.part(&name)).map(drop))
            .await
            .map_err(self.failed("remove a partial"))
    }

    /// Removes a file whose bytes are counted; whether it was there.
    fn remove(&self, disk: &dyn Disk, path: &Path) -> io::Result<bool> {
        let Some(stat) = disk.stat(path)? else { return Ok(false) };
        match disk.remove(path) {
            // Somebody else was quicker.
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(false),
            other => other?,
        }
        self.budget.free(stat.len);
        Ok(true)
    }

    /// Removes files that the ledger has let go, whole or partial, and the records of groups that
    /// are gone with them. What is gone already is no error; one that cannot be removed holds up no
    /// other and is tried again at the next start.
    pub async fn unlink(&self, names: Vec<String>) {
        let spool = self.clone();
        let unlink = move |disk: &dyn Disk| {
            let mut ended = Vec::new();
            for name in &names {
                match spool.unlink_one(disk, name) {
                    Ok(true) => ended.push(group_of(name)),
                    Ok(false) => {}
                    Err(e) => {
                        tracing::warn!(name, "a file that is not needed any more stays in the spool: {e}");
                    }
                }
            }
            if let Err(e) = spool.end(disk, &ended) {
                tracing::warn!("records that are not needed any more stay in the spool: {e}");
            }
        };
        self.edges.blocking(unlink).await;
    }

    /// Removes a file; whether it was the last of its group. One that lies among others goes with the
    /// last of them.
    fn unlink_one(&self, disk: &dyn Disk, name: &str) -> io::Result<bool> {
        let packed = packed(name);
        if let Some(place) = packed {
            let gone = |group: &mut Group| group.packed.remove(&place) && group.packed.is_empty();
            if !self.groups().get_mut(group_of(name)).is_some_and(gone) {
                return Ok(false);
            }
        }
        if self.remove(disk, &self.whole(name))? {
            return Ok(self.was_last(group_of(name), packed.is_none()));
        }
        self.remove(disk, &self.part(name))?;
        Ok(false)
    }

    /// The records of these groups go. A file that a power cut brings back must have its record, too.
    fn end(&self, disk: &dyn Disk, groups: &[&str]) -> io::Result<()> {
        if groups.is_empty() {
            return Ok(());
        }
        disk.flush_dir(&self.dir)?;
        for group in groups {
            match disk.rename(&self.record(group), &self.last()) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
                _ => {}
            }
        }
        Ok(())
    }
}

/// The group of a whole file's name.
fn group_of(name: &str) -> &str {
    name.split_once('-').map_or(name, |(group, _)| group)
}

/// Where a whole file's bytes lie in the spool of a state folder.
pub fn lies_in(state_dir: &Path, name: &str) -> Lies {
    lies(&state_dir.join("spool"), name)
}

fn lies(dir: &Path, name: &str) -> Lies {
    let packed = packed(name);
    let path = dir.join(format!("{}.log", file_of(name)));
    Lies { path, at: packed.map_or(0, |(at, _)| at), own: packed.is_none() }
}

/// Where a whole file begins in the file of its group, and its number; `None` for one of its own.
fn packed(name: &str) -> Option<(u64, u32)> {
    let (number, at) = name.split_once('-')?.1.split_once('@')?;
    Some((at.parse().ok()?, number.parse().ok()?))
}

/// The name of the file that holds a whole one, without its ending.
fn file_of(name: &str) -> &str {
    if packed(name).is_some() { group_of(name) } else { name }
}
