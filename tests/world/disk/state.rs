//! What processes see of the disk, what the medium holds, and what stands between the two.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};

/// Written bytes survive a power cut or not in pieces of so many.
pub(super) const SECTOR: usize = 512;
/// Where the folder under an unmounted archive's name lies.
pub(super) const BARE: &str = "/bare";
/// What a device holds in all.
pub(super) const TOTAL: u64 = 1 << 40;

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
    /// A write that succeeds writes something else.
    pub flip: u32,
}

#[derive(Debug)]
pub(super) enum Dirty {
    Bytes(usize, Vec<u8>),
    Len(usize),
}

#[derive(Debug)]
pub(super) struct Inode {
    pub(super) part: Part,
    pub(super) device: u64,
    pub(super) is_dir: bool,
    pub(super) seen: Vec<u8>,
    pub(super) medium: Vec<u8>,
    pub(super) dirty: Vec<Dirty>,
    /// Grows with every change of either content.
    pub(super) changes: u64,
}

/// A name that went or came, not flushed.
#[derive(Debug, Clone)]
pub(super) struct Renamed {
    pub(super) gone: Option<PathBuf>,
    pub(super) here: Option<(PathBuf, u64)>,
}

impl Renamed {
    pub(super) fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        self.gone.iter().chain(self.here.iter().map(|(path, _)| path))
    }

    pub(super) fn apply(&self, names: &mut BTreeMap<PathBuf, u64>) {
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

pub(super) struct State {
    pub(super) inodes: BTreeMap<u64, Inode>,
    /// As processes see them.
    pub(super) names: BTreeMap<PathBuf, u64>,
    /// As the medium has them.
    pub(super) kept: BTreeMap<PathBuf, u64>,
    pub(super) renamed: Vec<Renamed>,
    /// The process that may use the disk; handles of earlier ones are worth nothing.
    pub(super) life: u64,
    pub(super) dead: bool,
    /// It dies with the machine's power.
    pub(super) powerless: bool,
    /// It dies before this many further changes.
    pub(super) dies_in: Option<u64>,
    pub(super) next: u64,
    pub(super) rng: fastrand::Rng,
    pub(super) faults: BTreeMap<Part, Faults>,
    pub(super) full: BTreeSet<u64>,
    pub(super) unmounted: BTreeSet<&'static str>,
    pub(super) away: BTreeSet<&'static str>,
    pub(super) one_device: bool,
    pub(super) links: bool,
    pub(super) locked: bool,
    pub(super) locks: BTreeMap<u64, Locks>,
    /// Injected failures that were met.
    pub(super) met: u64,
}

pub(super) fn error(number: i32) -> io::Error {
    io::Error::from_raw_os_error(number)
}
pub(super) const EIO: i32 = 5;
pub(super) const ENODEV: i32 = 19;
pub(super) const ENOSPC: i32 = 28;
pub(super) const ENOTCONN: i32 = 107;

impl State {
    pub(super) fn top(&mut self, path: &str) {
        let inode = self.inode(Path::new(path), true);
        self.names.insert(path.into(), inode);
        self.kept.insert(path.into(), inode);
    }

    pub(super) fn inode(&mut self, path: &Path, is_dir: bool) -> u64 {
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

    pub(super) fn chance(&mut self, of_thousand: u32) -> bool {
        of_thousand > 0 && self.rng.u32(..1000) < of_thousand
    }

    /// Where a path leads now.
    pub(super) fn resolve(&self, path: &Path) -> io::Result<PathBuf> {
        let path: PathBuf = path.components().filter(|c| *c != std::path::Component::CurDir).collect();
        if self.away.iter().any(|root| path.starts_with(root)) {
            return Err(error(ENOTCONN));
        }
        match self.unmounted.iter().find(|root| path.starts_with(root)) {
            Some(root) => Ok(Path::new(BARE).join(&root[1..]).join(path.strip_prefix(root).expect("below"))),
            None => Ok(path),
        }
    }

    pub(super) fn find(&self, path: &Path) -> io::Result<u64> {
        self.names.get(path).copied().ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    pub(super) fn parent(&self, path: &Path) -> io::Result<()> {
        let parent = path.parent().ok_or(io::ErrorKind::NotFound)?;
        match self.inodes.get(&self.find(parent)?) {
            Some(inode) if inode.is_dir => Ok(()),
            _ => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    pub(super) fn rename(&mut self, gone: Option<PathBuf>, here: Option<(PathBuf, u64)>) {
        let renamed = Renamed { gone, here };
        renamed.apply(&mut self.names);
        self.renamed.push(renamed);
    }

    /// Names that were flushed, and those before them which they stand upon, reach the medium.
    pub(super) fn keep_names(&mut self, chosen: impl Fn(&Renamed) -> bool) {
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

    pub(super) fn write(&mut self, inode: u64, dirty: Dirty) {
        let Some(inode) = self.inodes.get_mut(&inode) else { return };
        apply(&mut inode.seen, &dirty);
        inode.dirty.push(dirty);
        inode.changes += 1;
    }

    pub(super) fn flush(&mut self, number: u64) -> io::Result<()> {
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
    pub(super) fn forget_clean(&mut self) {
        for inode in self.inodes.values_mut().filter(|inode| inode.dirty.is_empty()) {
            if inode.seen != inode.medium {
                inode.seen = inode.medium.clone();
                inode.changes += 1;
            }
        }
    }
}

pub(super) fn apply(content: &mut Vec<u8>, dirty: &Dirty) {
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
