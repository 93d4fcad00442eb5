//! Notices that the configuration was edited, and tells edits that somebody must accept.
//!
//! Events of the file system only wake; what counts is a look at both files' bytes, which is taken
//! every few seconds anyway, since shares send no events and queues overflow.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use notify::{RecommendedWatcher, RecursiveMode, Watcher as _};
use tokio::sync::Notify;

use super::{Config, Pair, Problems};
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

impl Watch {
    /// Watches the pair that begins at `path`; `pair` is what the caller has of it.
    pub fn start(edges: Edges, path: &Path, pair: Pair) -> Self {
        let wake = Arc::new(Notify::new());
        let waker = wake.clone();
        let watcher = notify::recommended_watcher(move |_| waker.notify_one()).ok();
        let mut watch = Self {
            edges,
            path: path.to_owned(),
            given: Ok(pair),
            wake,
            watcher,
            folders: BTreeSet::new(),
        };
        watch.follow();
        watch
    }

    /// Looks at once instead of at the next turn, for SIGHUP.
    pub fn look_now(&self) -> Arc<Notify> {
        self.wake.clone()
    }

    /// Ends when the files differ from what was given last and have stood still for a look: gives
    /// the new pair, unchecked, or why it cannot be read. May be dropped and called again.
    pub async fn changed(&mut self) -> Result<Pair, Problems> {
        loop {
            let mut seen = self.look().await;
            while seen != self.given {
                self.edges.clock.sleep(STILL_FOR).await;
                let again = self.look().await;
                if again == seen {
                    self.given = again.clone();
                    self.follow();
                    return again;
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

    async fn look(&self) -> Look {
        let path = self.path.clone();
        self.edges.blocking(move |disk| Pair::read(disk, &path)).await
    }

    /// Watches the folders in which the names stand, and those in which the files lie that links
    /// lead to: editors write a new file and rename it, so a watch on the file itself goes stale.
    fn follow(&mut self) {
        let Some(watcher) = &mut self.watcher else { return };
        let mut names = vec![self.path.clone()];
        names.extend(self.given.as_ref().ok().map(|pair| pair.vehicles.name.clone()));
        let real: Vec<_> = names.iter().filter_map(|name| name.canonicalize().ok()).collect();
        let folder = |name: &PathBuf| match name.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
            _ => PathBuf::from("."),
        };
        let wanted: BTreeSet<_> = names.iter().chain(&real).map(folder).collect();
        for gone in self.folders.difference(&wanted) {
            // It may be gone itself.
            let _ = watcher.unwatch(gone);
        }
        // Where a watch cannot be had, the looks find the change.
        self.folders =
            wanted.into_iter().filter(|dir| watcher.watch(dir, RecursiveMode::NonRecursive).is_ok()).collect();
    }
}

/// Why an edit must be accepted by hand: it drops more than 5 % (and at least 2) of the loggers, or
/// moves an archive. `None` for one that may be taken at once.
pub fn drops_too_many(old: &Config, new: &Config) -> Option<String> {
    let kept: BTreeSet<_> = new.loggers.iter().map(|logger| &logger.id).collect();
    let dropped: Vec<_> = old.loggers.iter().map(|logger| &logger.id).filter(|id| !kept.contains(id)).collect();
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
