//! A disk for tests: the machine's own, with something before each operation.

use std::fmt;
use std::io;
use std::path::Path;

use crate::durable::{Disk, DiskFile, Entry, FsKind, Held, Locked, OsDisk, Space, Stat};

/// What a disk does before each operation: goes on, or fails.
type Before = dyn Fn(&str, &Path) -> io::Result<()> + Send + Sync;

/// The machine's disk, with something before each operation.
pub(crate) struct Hooked {
    under: OsDisk,
    before: Box<Before>,
}

impl Hooked {
    /// `before` is told the operation and the path at which it works; what it gives back is done.
    pub fn new(before: impl Fn(&str, &Path) -> io::Result<()> + Send + Sync + 'static) -> Self {
        Self { under: OsDisk::new(), before: Box::new(before) }
    }
}

impl fmt::Debug for Hooked {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Hooked")
    }
}

impl Disk for Hooked {
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        (self.before)("create_new", path)?;
        self.under.create_new(path, mode)
    }
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.under.open_write(path)
    }
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        (self.before)("open_read", path)?;
        self.under.open_read(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        (self.before)("rename", to)?;
        self.under.rename(from, to)
    }
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        (self.before)("rename_new", to)?;
        self.under.rename_new(from, to)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        (self.before)("link", to)?;
        self.under.link(from, to)?;
        (self.before)("linked", to)
    }
    fn reflink(&self, from: &dyn DiskFile, to: &dyn DiskFile) -> io::Result<()> {
        self.under.reflink(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        (self.before)("remove", path)?;
        self.under.remove(path)
    }
    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()> {
        (self.before)("create_dir", path)?;
        self.under.create_dir(path, mode)
    }
    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        (self.before)("flush_dir", path)?;
        self.under.flush_dir(path)
    }
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        (self.before)("flush_files", Path::new(""))?;
        self.under.flush_files(files)
    }
    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>> {
        self.under.read_dir(path, limit)
    }
    fn stat(&self, path: &Path) -> io::Result<Option<Stat>> {
        self.under.stat(path)
    }
    fn space(&self, path: &Path) -> io::Result<Space> {
        self.under.space(path)
    }
    fn fs_kind(&self, path: &Path) -> io::Result<FsKind> {
        self.under.fs_kind(path)
    }
    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>> {
        self.under.lock(path, line)
    }
    fn hold(&self, path: &Path) -> io::Result<Held> {
        (self.before)("hold", path)?;
        self.under.hold(path)
    }
    fn set_mode(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.under.set_mode(path, mode)
    }
}
