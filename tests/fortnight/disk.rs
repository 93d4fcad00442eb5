//! The machine's disk, of which somebody else may take all the room.

use std::io;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use yarder::durable::{DiskFile, Entry, FsKind, Held, Locked, OsDisk, Space, Stat};

#[derive(Debug, Default)]
pub struct Disk {
    disk: OsDisk,
    full: AtomicBool,
}

impl Disk {
    pub fn full(&self, full: bool) {
        self.full.store(full, Ordering::SeqCst);
    }
}

impl yarder::durable::Disk for Disk {
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        self.disk.create_new(path, mode)
    }
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.disk.open_write(path)
    }
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.disk.open_read(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.disk.rename(from, to)
    }
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.disk.rename_new(from, to)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.disk.link(from, to)
    }
    fn reflink(&self, from: &dyn DiskFile, to: &dyn DiskFile) -> io::Result<()> {
        self.disk.reflink(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.disk.remove(path)
    }
    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.disk.create_dir(path, mode)
    }
    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        self.disk.flush_dir(path)
    }
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        self.disk.flush_files(files)
    }
    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>> {
        self.disk.read_dir(path, limit)
    }
    fn stat(&self, path: &Path) -> io::Result<Option<Stat>> {
        self.disk.stat(path)
    }
    fn space(&self, path: &Path) -> io::Result<Space> {
        let space = self.disk.space(path)?;
        let free = if self.full.load(Ordering::SeqCst) { 0 } else { space.free };
        Ok(Space { free, ..space })
    }
    fn fs_kind(&self, path: &Path) -> io::Result<FsKind> {
        self.disk.fs_kind(path)
    }
    fn set_mode(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.disk.set_mode(path, mode)
    }
    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>> {
        self.disk.lock(path, line)
    }
    fn hold(&self, path: &Path) -> io::Result<Held> {
        self.disk.hold(path)
    }
}
