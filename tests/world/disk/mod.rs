//! A disk in memory that forgets what was not flushed.
//!
//! Every file has two contents: what processes see, and what the medium holds. Written bytes reach the
//! medium with a flush of the file, names with a flush of their folder. A *kill* ends the process
//! and keeps what it wrote; a *power cut* leaves what the medium holds and a random part of the rest,
//! in pieces of one sector and one name. A flush that fails drops what it should have written, as
//! Linux does: the next one succeeds over lost bytes, which the page cache goes on to show.

mod file;
mod state;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::{self, Debug, Formatter};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

use tokio::sync::Notify;
use yarder::model::Digest;

use crate::log::Log;

pub use file::MemoryFile;
use state::{Dirty, SECTOR, State, apply};
pub use state::{Faults, Locks, Part};

/// The disk; clones are the same one.
#[derive(Clone)]
pub struct Memory {
    state: Arc<Mutex<State>>,
    died: Arc<Notify>,
    log: Log,
}

impl Debug for Memory {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str("Memory")
    }
}

impl Memory {
    /// An empty one with the folders of a depot; archives lie on devices of their own unless
    /// `one_device`.
    pub fn new(seed: u64, one_device: bool, links: bool, log: Log) -> Self {
        let mut state = State {
            inodes: BTreeMap::new(),
            names: BTreeMap::new(),
            kept: BTreeMap::new(),
            renamed: Vec::new(),
            life: 0,
            dead: true,
            powerless: false,
            dies_in: None,
            next: 0,
            rng: fastrand::Rng::with_seed(seed),
            faults: BTreeMap::new(),
            full: BTreeSet::new(),
            unmounted: BTreeSet::new(),
            away: BTreeSet::new(),
            one_device,
            links,
            locked: false,
            locks: BTreeMap::new(),
            met: 0,
        };
        for path in ["/", "/bare", "/bare/central", "/bare/copy", "/central", "/copy", "/depot", "/depot/etc"]
        {
            state.top(path);
        }
        Self { state: Arc::new(Mutex::new(state)), died: Arc::new(Notify::new()), log }
    }

    fn lock_state(&self) -> MutexGuard<'_, State> {
        self.state.lock().expect("lock")
    }

    /// A file that was there before the world began.
    pub fn place(&self, path: &str, bytes: &[u8]) {
        let mut state = self.lock_state();
        let inode = state.inode(Path::new(path), false);
        state.names.insert(path.into(), inode);
        state.kept.insert(path.into(), inode);
        let inode = state.inodes.get_mut(&inode).expect("made");
        (inode.seen, inode.medium) = (bytes.to_vec(), bytes.to_vec());
    }

    /// A process begins.
    pub fn boot(&self) {
        let mut state = self.lock_state();
        state.life += 1;
        (state.dead, state.powerless) = (false, false);
        state.dies_in = None;
        state.locked = false;
        state.locks.clear();
    }

    /// Ends when the process was killed.
    pub async fn died(&self) {
        while !self.is_dead() {
            self.died.notified().await;
        }
    }

    pub fn is_dead(&self) -> bool {
        self.lock_state().dead
    }

    /// The process is killed now, or before so many further changes.
    pub fn kill(&self, within: u64) {
        let mut state = self.lock_state();
        if within == 0 {
            self.die(&mut state);
        } else {
            state.dies_in = Some(within);
        }
    }

    /// The process ends with the machine's power.
    pub fn lose_power(&self) {
        let mut state = self.lock_state();
        state.powerless = true;
        self.die(&mut state);
    }

    /// Whether the process ended so.
    pub fn is_powerless(&self) -> bool {
        self.lock_state().powerless
    }

    fn die(&self, state: &mut State) {
        state.dead = true;
        state.dies_in = None;
        self.log.note(|| "the process is killed".to_owned());
        self.died.notify_one();
    }

    /// The page cache lets go of what is clean.
    pub fn forget_clean(&self) {
        self.lock_state().forget_clean();
    }

    /// The machine loses its power: only what was flushed is certain to stay. The process must be dead.
    pub fn cut_power(&self) {
        let mut state = self.lock_state();
        let state = &mut *state;
        assert!(state.dead, "a power cut ends the process first");
        // None of it stays, some, nearly all, or all.
        let keeps = [0, 300, 700, 1000][state.rng.usize(..4)];
        let renamed = std::mem::take(&mut state.renamed);
        for one in &renamed {
            if state.chance(keeps) {
                one.apply(&mut state.kept);
            }
        }
        let numbers: Vec<u64> = state.inodes.keys().copied().collect();
        for number in numbers {
            let dirty = std::mem::take(&mut state.inodes.get_mut(&number).expect("listed").dirty);
            for dirty in dirty {
                let pieces = match dirty {
                    Dirty::Len(len) => vec![Dirty::Len(len)],
                    Dirty::Bytes(at, bytes) => {
                        let piece =
                            |(n, bytes): (usize, &[u8])| Dirty::Bytes(at + n * SECTOR, bytes.to_vec());
                        bytes.chunks(SECTOR).enumerate().map(piece).collect()
                    }
                };
                for piece in pieces {
                    if state.chance(keeps) {
                        apply(&mut state.inodes.get_mut(&number).expect("listed").medium, &piece);
                    }
                }
            }
        }
        state.forget_clean();
        // A name below a folder that is gone is gone.
        let mut names = BTreeMap::new();
        for (path, inode) in std::mem::take(&mut state.kept) {
            if path.parent().is_none_or(|parent| names.contains_key(parent)) {
                names.insert(path, inode);
            }
        }
        state.kept = names.clone();
        state.names = names;
        self.log.note(|| format!("power is cut, {keeps} of 1000 unflushed pieces stay"));
    }

    /// Everything works again.
    pub fn heal(&self) {
        let mut state = self.lock_state();
        state.faults.clear();
        state.full.clear();
        state.unmounted.clear();
        state.away.clear();
        state.dies_in = None;
    }

    pub fn set_faults(&self, part: Part, faults: Faults) {
        self.lock_state().faults.insert(part, faults);
    }

    pub fn set_full(&self, device: u64, full: bool) {
        let mut state = self.lock_state();
        if full {
            state.full.insert(device)
        } else {
            state.full.remove(&device)
        };
    }

    pub fn unmount(&self, root: &'static str) {
        self.lock_state().unmounted.insert(root);
    }

    pub fn take_away(&self, root: &'static str) {
        self.lock_state().away.insert(root);
    }

    pub fn bring_back(&self, root: &'static str) {
        let mut state = self.lock_state();
        state.unmounted.remove(root);
        state.away.remove(root);
    }

    /// Another medium, an empty one, stands where an archive was.
    pub fn wipe(&self, root: &str) {
        let mut state = self.lock_state();
        let below = |path: &Path| path.starts_with(root) && path != Path::new(root);
        state.names.retain(|path, _| !below(path));
        state.kept.retain(|path, _| !below(path));
        state.renamed.retain(|renamed| !renamed.paths().any(|path| below(path)));
    }

    /// What is wrong with the disks at this moment.
    pub fn wrong(&self) -> Vec<&'static str> {
        let state = self.lock_state();
        let faults = |what: fn(&Faults) -> u32| state.faults.values().any(|faults| what(faults) > 0);
        let all = [
            (!state.away.is_empty(), "while an archive is away"),
            (!state.unmounted.is_empty(), "while an archive is not mounted"),
            (state.full.contains(&1), "while the disk is full"),
            (state.full.iter().any(|device| *device > 1), "while an archive is full"),
            (faults(|faults| faults.read), "while a disk does not read"),
            (faults(|faults| faults.write), "while a disk does not write"),
            (faults(|faults| faults.flush), "while a disk does not flush"),
            (faults(|faults| faults.rot), "while a medium writes other bytes"),
            (faults(|faults| faults.flip), "while bits flip on the way to an archive"),
        ];
        all.into_iter().filter(|(is, _)| *is).map(|(_, what)| what).collect()
    }

    /// How many injected failures were met.
    pub fn met(&self) -> u64 {
        self.lock_state().met
    }

    /// What the medium holds under a path, if its name is durable.
    pub fn durable(&self, path: &Path) -> Option<Vec<u8>> {
        let state = self.lock_state();
        if !path.ancestors().all(|path| state.kept.contains_key(path)) {
            return None;
        }
        Some(state.inodes[&state.kept[path]].medium.clone())
    }

    /// What the medium holds of the file that processes see under a path.
    pub fn medium(&self, path: &Path) -> Option<Vec<u8>> {
        let state = self.lock_state();
        Some(state.inodes[state.names.get(path)?].medium.clone())
    }

    /// Whether the medium holds less of a file's beginning than processes see.
    pub fn lacks(&self, path: &Path, len: u64) -> bool {
        let state = self.lock_state();
        let Some(inode) = state.names.get(path).map(|number| &state.inodes[number]) else { return false };
        let len = usize::try_from(len).expect("length");
        inode.medium.get(..len).is_none_or(|medium| Some(medium) != inode.seen.get(..len))
    }

    /// Whether a content stands durably in an archive.
    pub fn stands(&self, root: &str, sha: Digest) -> bool {
        let files = self.files(root);
        let data =
            files.iter().map(|(path, _)| path).filter(|path| !path.to_string_lossy().contains("/.yarder/"));
        data.filter(|path| self.is_kept(path))
            .any(|path| self.medium(path).map(|m| Digest::of(&m)) == Some(sha))
    }

    /// Whether a name, and all above it, would survive a power cut.
    pub fn is_kept(&self, path: &Path) -> bool {
        let state = self.lock_state();
        path.ancestors().all(|path| state.kept.contains_key(path))
    }

    /// What processes see under a path.
    pub fn seen(&self, path: &Path) -> Option<Vec<u8>> {
        let state = self.lock_state();
        Some(state.inodes[state.names.get(path)?].seen.clone())
    }

    /// Files below a folder as processes see them, each with a number that changes when it does.
    pub fn files(&self, below: &str) -> Vec<(PathBuf, (u64, u64))> {
        let state = self.lock_state();
        let below = Path::new(below);
        let files = state.names.range(below.to_owned()..).take_while(|(path, _)| path.starts_with(below));
        let file = |(path, number): (&PathBuf, &u64)| {
            let inode = &state.inodes[number];
            (!inode.is_dir).then(|| (path.clone(), (*number, inode.changes)))
        };
        files.filter_map(file).collect()
    }

    /// Somebody else removes a file, durably.
    pub fn remove_durably(&self, path: &str) {
        let mut state = self.lock_state();
        state.names.remove(Path::new(path));
        state.kept.remove(Path::new(path));
        state.renamed.retain(|renamed| renamed.paths().all(|p| p != Path::new(path)));
    }

    /// A copy of a file's content as it is seen, put in the place of another, durably.
    pub fn put_durably(&self, path: &str, bytes: &[u8]) {
        self.remove_durably(path);
        self.place(path, bytes);
    }

    /// The locks of the database at an inode.
    pub fn with_locks<T>(&self, inode: u64, with: impl FnOnce(&mut Locks) -> T) -> T {
        with(self.lock_state().locks.entry(inode).or_default())
    }
}
