//! Notices that the configuration was edited, and tells edits that somebody must accept.
//!
//! Events of the file system only wake; what counts is a look at both files' bytes, which is taken
//! every few seconds anyway, since shares send no events and queues overflow.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use notify::event::{AccessKind, AccessMode};
use notify::{Event, EventKind};
use notify::{RecommendedWatcher, RecursiveMode, Watcher as _};
use tokio::sync::Notify;

use super::{Config, Pair, Problems};
use crate::durable::Disk;
use crate::edges::Edges;

/// Between two looks without an event.
const LOOK_EVERY: Duration = Duration::from_secs(10);
/// How long both files must have stood still: an editor saves one after the other.
const STILL_FOR: Duration = Duration::from_secs(2);

/// What a look at both files gave: the pair, or why there is none.
type Look = Result<Pair, Problems>;

/// Watches a pair.
#[derive(Debug)]
pub struct Watch {
    edges: Edges,
    path: PathBuf,
    given: Look,
    wake: Arc<Notify>,
    /// `None` where the machine gives no events: the looks go on.
    watcher: Option<RecommendedWatcher>,
    folders: BTreeSet<PathBuf>,
}

/// Whether an event may be an edit. Opening and reading a file are events too, and our own looks
/// make them: waking on those would look for ever.
fn tells(event: &notify::Result<Event>) -> bool {
    match event {
        Ok(event) => match event.kind {
            EventKind::Access(kind) => kind == AccessKind::Close(AccessMode::Write),
            _ => true,
        },
        // A queue that overflowed, say: a look tells.
        Err(_) => true,
    }
}

impl Watch {
    /// Watches the pair that begins at `path`; `pair` is what the caller has of it.
    pub fn start(edges: Edges, path: &Path, pair: Pair) -> Self {
        let wake = Arc::new(Notify::new());
        let waker = wake.clone();
        let told = move |event: notify::Result<Event>| {
            if tells(&event) {
                waker.notify_one();
            }
        };
        let watcher = notify::recommended_watcher(told).ok();
        let folders = folders_of(path, Some(&pair));
        let path = path.to_owned();
        let mut watch = Self { edges, path, given: Ok(pair), wake, watcher, folders: BTreeSet::new() };
        watch.follow(folders);
        watch
    }

    /// Ends when the files differ from what was given last and have stood still for a look: gives
    /// the new pair, unchecked, or why it cannot be read. May be dropped and called again.
    pub async fn changed(&mut self) -> Result<Pair, Problems> {
        loop {
            let (mut seen, _) = self.look().await;
            while seen != self.given {
                self.edges.clock.sleep(STILL_FOR).await;
                let (again, folders) = self.look().await;
                if again == seen {
                    return self.give(again, folders);
                }
                seen = again;
            }
            tokio::select! {
                biased;
                () = self.wake.notified() => {}
                () = self.edges.clock.sleep(LOOK_EVERY) => {}
            }
        }
    }

    /// The pair as it stands now, changed or not: for a reload that a person asks for, who may
    /// have exchanged a secret's file alone.
    pub async fn read_now(&mut self) -> Result<Pair, Problems> {
        let (look, folders) = self.look().await;
        self.give(look, folders)
    }

    fn give(&mut self, look: Look, folders: BTreeSet<PathBuf>) -> Look {
        self.given = look.clone();
        self.follow(folders);
        look
    }

    async fn look(&self) -> (Look, BTreeSet<PathBuf>) {
        let path = self.path.clone();
        let read = move |disk: &dyn Disk| {
            let look = Pair::read(disk, &path);
            let folders = folders_of(&path, look.as_ref().ok());
            (look, folders)
        };
        self.edges.blocking(read).await
    }

    fn follow(&mut self, wanted: BTreeSet<PathBuf>) {
        let Some(watcher) = &mut self.watcher else { return };
        for gone in self.folders.difference(&wanted) {
            // It may be gone itself.
            let _ = watcher.unwatch(gone);
        }
        // Where a watch cannot be had, the looks find the change. A folder that is watched already
        // is asked for again: another one may have taken its place.
        let watch = |dir: &PathBuf| watcher.watch(dir, RecursiveMode::NonRecursive).is_ok();
        self.folders = wanted.into_iter().filter(watch).collect();
    }
}

/// The folders in which the names stand, and those in which the files lie that links lead to:
/// editors write a new file and rename it, so that a watch on the file itself goes stale.
fn folders_of(path: &Path, pair: Option<&Pair>) -> BTreeSet<PathBuf> {
    let mut names = vec![path.to_owned()];
    names.extend(pair.map(|pair| pair.vehicles.name.clone()));
    let real: Vec<_> = names.iter().filter_map(|name| name.canonicalize().ok()).collect();
    let folder = |name: &PathBuf| match name.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    };
    names.iter().chain(&real).map(folder).collect()
}

/// Why an edit must be accepted by hand: it drops more than 5 % (and at least 2) of the loggers, or
/// moves an archive. `None` for one that may be taken at once.
pub fn drops_too_many(old: &Config, new: &Config) -> Option<String> {
    let kept: BTreeSet<_> = new.loggers.iter().map(|logger| &logger.id).collect();
    let dropped: Vec<_> =
        old.loggers.iter().map(|logger| &logger.id).filter(|id| !kept.contains(id)).collect();
    let mut reasons = Vec::new();
    if dropped.len() >= 2 && dropped.len() * 20 > old.loggers.len() {
        let named: Vec<_> = dropped.iter().take(3).map(|id| id.as_str()).collect();
        let more = match dropped.len() - named.len() {
            0 => String::new(),
            n => format!(" and {n} more"),
        };
        let (of, all) = (dropped.len(), old.loggers.len());
        reasons.push(format!("drops {of} of {all} loggers ({}{more})", named.join(", ")));
    }
    for archive in &old.archives {
        let same = new.archives.iter().find(|other| other.name == archive.name);
        if same.is_some_and(|other| other.target != archive.target) {
            reasons.push(format!("moves archive {} to another place", archive.name));
        }
    }
    (!reasons.is_empty()).then(|| {
        format!("the edited configuration {}; `yarder reload --accept` takes it", reasons.join(" and "))
    })
}

#[cfg(test)]
#[path = "reload_tests.rs"]
mod tests;
