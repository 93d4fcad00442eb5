//! A disk in memory that forgets what was not flushed.
//!
//! Every file has two contents: what processes see, and what the medium holds. Written bytes reach the
//! medium with a flush of the file, names with a flush of their folder. A *kill* ends the process
//! and keeps what it wrote; a *power cut* leaves what the medium holds and a random part of the rest,
//! in pieces of one sector and one name. A flush that fails drops what it should have written, as
//! Linux does: the next one succeeds over lost bytes, which the page cache goes on to show.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::{self, Debug, Formatter};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

use tokio::sync::Notify;
use yarder::durable::{Disk, DiskFile, Entry, FsKind, Locked, Space, Stat};

use crate::log::Log;

/// Written bytes survive a power cut or not in pieces of so many.
const SECTOR: usize = 512;
/// Where the folder under an unmounted archive's name lies.
const BARE: &str = "/bare";
/// What a device holds in all.
const TOTAL: u64 = 1 << 40;

/// Which part of the depot's disks a path belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    Ledger,
    Spool,
    Archive,
    Other,
}

impl Part {
    pub fn of(path: &Path) -> Self {
        let under = |root| path.starts_with(root);
        match () {
            () if under("/central") || under("/copy") => Self::Archive,
            () if under("/depot/state/spool") => Self::Spool,
            () if under("/depot/state") => Self::Ledger,
            () => Self::Other,
        }
    }
}

/// How often in a thousand operations something goes wrong.
#[derive(Debug, Clone, Copy, Default)]
pub struct Faults {
    pub read: u32,
    pub write: u32,
    pub flush: u32,
    /// A flush that succeeds writes something else.
    pub rot: u32,
}

#[derive(Debug)]
enum Dirty {
    Bytes(usize, Vec<u8>),
    Len(usize),
}

#[derive(Debug)]
struct Inode {
    part: Part,
    device: u64,
    is_dir: bool,
    seen: Vec<u8>,
    medium: Vec<u8>,
    dirty: Vec<Dirty>,
    /// Grows with every change of either content.
    changes: u64,
}

/// A name that went or came, not flushed.
#[derive(Debug, Clone)]
struct Renamed {
    gone: Option<PathBuf>,
    here: Option<(PathBuf, u64)>,
}

impl Renamed {
    fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        self.gone.iter().chain(self.here.iter().map(|(path, _)| path))
    }

    fn apply(&self, names: &mut BTreeMap<PathBuf, u64>) {
        if let Some(gone) = &self.gone {
            names.remove(gone);
        }
        if let Some((path, inode)) = &self.here {
            names.insert(path.clone(), *inode);
        }
    }
}

/// Locks of one open database, by connection.
#[derive(Debug, Default)]
pub struct Locks {
    /// Each connection's level, as SQLite counts them.
    pub levels: BTreeMap<u64, i32>,
    /// For each of the index's eight locks: who shares it, and who has it alone.
    pub index: [(BTreeSet<u64>, Option<u64>); 8],
}

struct State {
    inodes: BTreeMap<u64, Inode>,
    /// As processes see them.
    names: BTreeMap<PathBuf, u64>,
    /// As the medium has them.
    kept: BTreeMap<PathBuf, u64>,
    renamed: Vec<Renamed>,
    /// The process that may use the disk; handles of earlier ones are worth nothing.
    life: u64,
    dead: bool,
    /// It dies before this many further changes.
    dies_in: Option<u64>,
    next: u64,
    rng: fastrand::Rng,
    faults: BTreeMap<Part, Faults>,
    full: BTreeSet<u64>,
    unmounted: BTreeSet<&'static str>,
    away: BTreeSet<&'static str>,
    one_device: bool,
    links: bool,
    locked: bool,
    locks: BTreeMap<u64, Locks>,
    /// Injected failures that were met.
    met: u64,
}

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

fn error(number: i32) -> io::Error {
    io::Error::from_raw_os_error(number)
}
const EIO: i32 = 5;
const ENODEV: i32 = 19;
const ENOSPC: i32 = 28;
const ENOTCONN: i32 = 107;

impl State {
    fn top(&mut self, path: &str) {
        let inode = self.inode(Path::new(path), true);
        self.names.insert(path.into(), inode);
        self.kept.insert(path.into(), inode);
    }

    fn inode(&mut self, path: &Path, is_dir: bool) -> u64 {
        self.next += 1;
        let part = Part::of(path);
        let device = match part {
            Part::Archive if !self.one_device => {
                if path.starts_with("/copy") {
                    3
                } else {
                    2
                }
            }
            _ => 1,
        };
        let (seen, medium, dirty) = Default::default();
        self.inodes.insert(self.next, Inode { part, device, is_dir, seen, medium, dirty, changes: 0 });
        self.next
    }

    fn chance(&mut self, of_thousand: u32) -> bool {
        of_thousand > 0 && self.rng.u32(..1000) < of_thousand
    }

    /// Where a path leads now.
    fn resolve(&self, path: &Path) -> io::Result<PathBuf> {
        let path: PathBuf = path.components().filter(|c| *c != std::path::Component::CurDir).collect();
        if self.away.iter().any(|root| path.starts_with(root)) {
            return Err(error(ENOTCONN));
        }
        match self.unmounted.iter().find(|root| path.starts_with(root)) {
            Some(root) => Ok(Path::new(BARE).join(&root[1..]).join(path.strip_prefix(root).expect("below"))),
            None => Ok(path),
        }
    }

    fn find(&self, path: &Path) -> io::Result<u64> {
        self.names.get(path).copied().ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    fn parent(&self, path: &Path) -> io::Result<()> {
        let parent = path.parent().ok_or(io::ErrorKind::NotFound)?;
        match self.inodes.get(&self.find(parent)?) {
            Some(inode) if inode.is_dir => Ok(()),
            _ => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    fn rename(&mut self, gone: Option<PathBuf>, here: Option<(PathBuf, u64)>) {
        let renamed = Renamed { gone, here };
        renamed.apply(&mut self.names);
        self.renamed.push(renamed);
    }

    /// Names that were flushed, and those before them which they stand upon, reach the medium.
    fn keep_names(&mut self, chosen: impl Fn(&Renamed) -> bool) {
        let mut keep = vec![false; self.renamed.len()];
        let mut paths: BTreeSet<PathBuf> = BTreeSet::new();
        for (at, renamed) in self.renamed.iter().enumerate().rev() {
            if chosen(renamed) || renamed.paths().any(|path| paths.contains(path)) {
                keep[at] = true;
                paths.extend(renamed.paths().cloned());
            }
        }
        let mut left = Vec::new();
        for (renamed, keep) in std::mem::take(&mut self.renamed).into_iter().zip(keep) {
            if keep { renamed.apply(&mut self.kept) } else { left.push(renamed) }
        }
        self.renamed = left;
    }

    fn write(&mut self, inode: u64, dirty: Dirty) {
        let Some(inode) = self.inodes.get_mut(&inode) else { return };
        apply(&mut inode.seen, &dirty);
        inode.dirty.push(dirty);
        inode.changes += 1;
    }

    fn flush(&mut self, number: u64) -> io::Result<()> {
        let part = self.inodes[&number].part;
        let faults = self.faults.get(&part).copied().unwrap_or_default();
        let (fails, rots) = (self.chance(faults.flush), self.chance(faults.rot));
        let at = self.rng.usize(..);
        let Some(inode) = self.inodes.get_mut(&number) else { return Err(error(EIO)) };
        let dirty = std::mem::take(&mut inode.dirty);
        inode.changes += 1;
        if fails {
            self.met += 1;
            return Err(error(EIO));
        }
        dirty.iter().for_each(|dirty| apply(&mut inode.medium, dirty));
        if rots && !dirty.is_empty() && !inode.medium.is_empty() {
            let at = at % inode.medium.len();
            inode.medium[at] ^= 1;
            self.met += 1;
        }
        Ok(())
    }

    /// The page cache lets go of what is clean.
    fn forget_clean(&mut self) {
        for inode in self.inodes.values_mut().filter(|inode| inode.dirty.is_empty()) {
            if inode.seen != inode.medium {
                inode.seen = inode.medium.clone();
                inode.changes += 1;
            }
        }
    }
}

fn apply(content: &mut Vec<u8>, dirty: &Dirty) {
    match dirty {
        Dirty::Len(len) => content.resize(*len, 0),
        Dirty::Bytes(at, bytes) => {
            if content.len() < at + bytes.len() {
                content.resize(at + bytes.len(), 0);
            }
            content[*at..at + bytes.len()].copy_from_slice(bytes);
        }
    }
}

/// How a file is opened.
enum Open {
    New,
    Write,
    Read,
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
        for path in ["/", "/bare", "/bare/central", "/bare/copy", "/central", "/copy", "/depot", "/etc"] {
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
        state.dead = false;
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

    /// Before every operation of a process.
    fn enter(&self, what: &str, path: &Path, changes: bool) -> io::Result<(MutexGuard<'_, State>, PathBuf)> {
        let mut state = self.lock_state();
        self.alive(&mut state, changes)?;
        let resolved = state.resolve(path);
        if changes {
            self.log.note(|| format!("disk {what} {}", path.display()));
        }
        Ok((state, resolved?))
    }

    fn alive(&self, state: &mut State, changes: bool) -> io::Result<()> {
        if state.dead {
            return Err(io::Error::other("the process is dead"));
        }
        if changes && let Some(left) = state.dies_in {
            if left <= 1 {
                self.die(state);
                return Err(io::Error::other("the process is dead"));
            }
            state.dies_in = Some(left - 1);
        }
        Ok(())
    }

    fn open(&self, path: &Path, how: Open) -> io::Result<MemoryFile> {
        let new = matches!(how, Open::New);
        let (mut state, path) = self.enter("create", path, new)?;
        let number = match how {
            Open::New => {
                state.parent(&path)?;
                if state.names.contains_key(&path) {
                    return Err(io::ErrorKind::AlreadyExists.into());
                }
                let number = state.inode(&path, false);
                state.rename(None, Some((path, number)));
                number
            }
            Open::Read | Open::Write => state.find(&path)?,
        };
        if state.inodes[&number].is_dir {
            return Err(io::ErrorKind::IsADirectory.into());
        }
        Ok(MemoryFile { disk: self.clone(), life: state.life, inode: number })
    }

    /// Opens a file for a database, and makes it where it is missing and that is asked for.
    pub fn open_database(&self, path: &Path, create: bool) -> io::Result<(MemoryFile, bool)> {
        match self.open(path, Open::Write) {
            Err(e) if e.kind() == io::ErrorKind::NotFound && create => {
                Ok((self.open(path, Open::New)?, true))
            }
            other => Ok((other?, false)),
        }
    }

    fn second_name(&self, what: &str, from: &Path, to: &Path, keep: bool) -> io::Result<()> {
        let (mut state, to) = self.enter(what, to, true)?;
        let from = state.resolve(from)?;
        let inode = state.find(&from)?;
        state.parent(&to)?;
        if state.names.contains_key(&to) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        if state.inodes[&inode].device != state.inodes[&state.names[to.parent().expect("parent")]].device {
            return Err(io::ErrorKind::CrossesDevices.into());
        }
        state.rename((!keep).then_some(from), Some((to, inode)));
        Ok(())
    }
}

impl Disk for Memory {
    fn create_new(&self, path: &Path, _: u32) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(self.open(path, Open::New)?))
    }
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(self.open(path, Open::Write)?))
    }
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(self.open(path, Open::Read)?))
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let (mut state, to) = self.enter("rename to", to, true)?;
        let from = state.resolve(from)?;
        let inode = state.find(&from)?;
        state.parent(&to)?;
        state.rename(Some(from), Some((to, inode)));
        Ok(())
    }
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.second_name("rename to new", from, to, false)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        if !self.lock_state().links {
            return Err(io::ErrorKind::Unsupported.into());
        }
        self.second_name("link to", from, to, true)
    }
    fn reflink(&self, _: &dyn DiskFile, _: &dyn DiskFile) -> io::Result<()> {
        Err(io::ErrorKind::Unsupported.into())
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        let (mut state, path) = self.enter("remove", path, true)?;
        state.find(&path)?;
        state.rename(Some(path), None);
        Ok(())
    }
    fn create_dir(&self, path: &Path, _: u32) -> io::Result<()> {
        let (mut state, path) = self.enter("create folder", path, true)?;
        state.parent(&path)?;
        if state.names.contains_key(&path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let number = state.inode(&path, true);
        state.rename(None, Some((path, number)));
        Ok(())
    }
    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        let (mut state, path) = self.enter("flush folder", path, true)?;
        let part = state.inodes[&state.find(&path)?].part;
        let faults = state.faults.get(&part).copied().unwrap_or_default();
        if state.chance(faults.flush) {
            state.met += 1;
            self.log.note(|| "disk folder flush fails".to_owned());
            return Err(error(EIO));
        }
        state.keep_names(|renamed| renamed.paths().any(|p| p.parent() == Some(&path)));
        Ok(())
    }
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        // All are tried, as one flush of the file system does.
        files.iter().map(|file| file.flush()).fold(Ok(()), io::Result::and)
    }
    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>> {
        let (state, path) = self.enter("read folder", path, false)?;
        if !state.inodes[&state.find(&path)?].is_dir {
            return Err(io::ErrorKind::NotADirectory.into());
        }
        let below = state.names.range(path.clone()..).take_while(|(p, _)| p.starts_with(&path));
        let children = below.filter(|(p, _)| p.parent() == Some(&path));
        let entry = |(p, number): (&PathBuf, &u64)| Entry {
            name: p.file_name().unwrap_or_default().to_owned(),
            stat: stat(*number, &state.inodes[number]),
        };
        let mut entries: Vec<Entry> = children.map(entry).collect();
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        entries.truncate(limit);
        Ok(entries)
    }
    fn stat(&self, path: &Path) -> io::Result<Option<Stat>> {
        let (state, path) = self.enter("stat", path, false)?;
        Ok(state.find(&path).ok().map(|number| stat(number, &state.inodes[&number])))
    }
    fn space(&self, path: &Path) -> io::Result<Space> {
        let (state, path) = self.enter("space", path, false)?;
        let full = state.full.contains(&state.inodes[&state.find(&path)?].device);
        Ok(Space { free: if full { 0 } else { TOTAL }, total: TOTAL })
    }
    fn fs_kind(&self, path: &Path) -> io::Result<FsKind> {
        let (state, path) = self.enter("kind", path, false)?;
        let own = state.inodes[&state.find(&path)?].device == 1;
        Ok(if own { FsKind::Local("ext4") } else { FsKind::Network("nfs") })
    }
    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>> {
        let (mut state, _) = self.enter("lock", path, false)?;
        if std::mem::replace(&mut state.locked, true) {
            return Ok(Err(line.to_owned()));
        }
        Ok(Ok(Box::new(Lock { disk: self.clone(), life: state.life })))
    }
    fn database(&self) -> Option<&'static str> {
        Some(crate::vfs::NAME)
    }
}

fn stat(number: u64, inode: &Inode) -> Stat {
    let identity = (inode.device, number);
    Stat { len: inode.seen.len() as u64, is_dir: inode.is_dir, is_other: false, identity }
}

#[derive(Debug)]
struct Lock {
    disk: Memory,
    life: u64,
}

impl Locked for Lock {}

impl Drop for Lock {
    fn drop(&mut self) {
        let mut state = self.disk.lock_state();
        if state.life == self.life {
            state.locked = false;
        }
    }
}

/// An open file.
#[derive(Debug)]
pub struct MemoryFile {
    disk: Memory,
    life: u64,
    inode: u64,
}

impl MemoryFile {
    pub fn inode(&self) -> u64 {
        self.inode
    }

    fn enter(&self, what: &str, changes: bool) -> io::Result<(MutexGuard<'_, State>, Faults)> {
        let mut state = self.disk.lock_state();
        self.disk.alive(&mut state, changes)?;
        if state.life != self.life {
            return Err(io::Error::other("a handle of a dead process"));
        }
        let inode = &state.inodes[&self.inode];
        let (part, device) = (inode.part, inode.device);
        if changes {
            self.disk.log.note(|| format!("disk {what} of #{} {part:?}", self.inode));
        }
        if device != 1 && !(state.away.is_empty() && state.unmounted.is_empty()) {
            let gone = |root: &&str| (*root == "/copy") == (device == 3);
            if state.away.iter().any(gone) || state.unmounted.iter().any(gone) {
                return Err(error(ENODEV));
            }
        }
        let faults = state.faults.get(&part).copied().unwrap_or_default();
        Ok((state, faults))
    }

    fn fails(&self, state: &mut State, of_thousand: u32) -> io::Result<()> {
        if state.chance(of_thousand) {
            state.met += 1;
            self.disk.log.note(|| "disk that fails".to_owned());
            return Err(error(EIO));
        }
        Ok(())
    }
}

impl DiskFile for MemoryFile {
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        let (mut state, faults) = self.enter("read", false)?;
        self.fails(&mut state, faults.read)?;
        let seen = &state.inodes[&self.inode].seen;
        let from = usize::try_from(offset).map_or(seen.len(), |from| from.min(seen.len()));
        let to = (from + buffer.len()).min(seen.len());
        buffer[..to - from].copy_from_slice(&seen[from..to]);
        Ok(to - from)
    }
    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        let (mut state, faults) = self.enter("write", true)?;
        self.fails(&mut state, faults.write)?;
        let device = state.inodes[&self.inode].device;
        let at = usize::try_from(offset).expect("offset");
        let grows = at + bytes.len() > state.inodes[&self.inode].seen.len();
        if grows && state.full.contains(&device) {
            state.met += 1;
            self.disk.log.note(|| "disk is full".to_owned());
            return Err(error(ENOSPC));
        }
        // Killed in the middle of a write.
        if state.dies_in == Some(1) {
            let part = state.rng.usize(..=bytes.len());
            state.write(self.inode, Dirty::Bytes(at, bytes[..part].to_vec()));
            self.disk.die(&mut state);
            return Err(io::Error::other("the process is dead"));
        }
        state.write(self.inode, Dirty::Bytes(at, bytes.to_vec()));
        Ok(())
    }
    fn set_len(&self, len: u64) -> io::Result<()> {
        let (mut state, faults) = self.enter("cut", true)?;
        self.fails(&mut state, faults.write)?;
        state.write(self.inode, Dirty::Len(usize::try_from(len).expect("length")));
        Ok(())
    }
    fn flush(&self) -> io::Result<()> {
        let (mut state, _) = self.enter("flush", true)?;
        let flushed = state.flush(self.inode);
        if flushed.is_err() {
            self.disk.log.note(|| "disk flush fails".to_owned());
        }
        flushed
    }
    fn write_out(&self, _: u64, _: u64) {}
    fn drop_cache(&self) {
        if let Ok((mut state, _)) = self.enter("drop cache", false)
            && let Some(inode) = state.inodes.get_mut(&self.inode)
            && inode.dirty.is_empty()
            && inode.seen != inode.medium
        {
            inode.seen = inode.medium.clone();
            inode.changes += 1;
        }
    }
    fn len(&self) -> io::Result<u64> {
        let (state, _) = self.enter("length", false)?;
        Ok(state.inodes[&self.inode].seen.len() as u64)
    }
}
