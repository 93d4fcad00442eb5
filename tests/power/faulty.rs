//! The machine's disk, of which one kind of operation fails for as long as it is told to.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use yarder::durable::{Disk, DiskFile, Entry, FsKind, Locked, OsDisk, Space, Stat};

/// What can fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fails {
    Create,
    Write,
    Flush,
    Rename,
    Link,
    Remove,
    FlushDir,
    Read,
}

/// Which operation on which paths fails, and with what.
#[derive(Debug, Clone, Copy)]
pub struct Fault {
    pub what: Fails,
    /// A folder on the path.
    pub below: &'static str,
    /// How the name ends; a folder's own name where it is one.
    pub name: &'static str,
    /// The system's error number.
    pub number: i32,
}

#[derive(Debug, Default)]
struct Shared {
    fault: Mutex<Option<Fault>>,
    times: AtomicU64,
    /// A file was flushed after a flush of it had failed.
    flushed_again: AtomicBool,
}

impl Shared {
    fn pass(&self, what: Fails, path: &Path) -> io::Result<()> {
        let fault = *self.fault.lock().expect("lock");
        let hits = |f: &Fault| {
            let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            f.what == what && path.iter().any(|part| part == f.below) && name.ends_with(f.name)
        };
        match fault.filter(hits) {
            Some(fault) => {
                self.times.fetch_add(1, Ordering::SeqCst);
                Err(io::Error::from_raw_os_error(fault.number))
            }
            None => Ok(()),
        }
    }
}

#[derive(Debug, Default)]
pub struct Faulty {
    disk: OsDisk,
    shared: Arc<Shared>,
}

impl Faulty {
    pub fn set(&self, fault: Option<Fault>) {
        self.shared.times.store(0, Ordering::SeqCst);
        *self.shared.fault.lock().expect("lock") = fault;
    }

    /// How often the fault struck since it was set.
    pub fn times(&self) -> u64 {
        self.shared.times.load(Ordering::SeqCst)
    }

    pub fn flushed_again(&self) -> bool {
        self.shared.flushed_again.load(Ordering::SeqCst)
    }

    fn file(&self, path: &Path, file: Box<dyn DiskFile>) -> Box<dyn DiskFile> {
        let path = path.to_owned();
        Box::new(FaultyFile { file, path, failed: AtomicBool::default(), shared: self.shared.clone() })
    }
}

#[derive(Debug)]
struct FaultyFile {
    file: Box<dyn DiskFile>,
    path: PathBuf,
    /// Its last flush failed, and nothing was written again since.
    failed: AtomicBool,
    shared: Arc<Shared>,
}

impl DiskFile for FaultyFile {
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        self.shared.pass(Fails::Read, &self.path)?;
        self.file.read_at(buffer, offset)
    }
    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.shared.pass(Fails::Write, &self.path)?;
        self.file.write_at(bytes, offset)
    }
    fn set_len(&self, len: u64) -> io::Result<()> {
        self.file.set_len(len)
    }
    fn flush(&self) -> io::Result<()> {
        if self.failed.load(Ordering::SeqCst) {
            self.shared.flushed_again.store(true, Ordering::SeqCst);
        }
        let flushed = self.shared.pass(Fails::Flush, &self.path).and_then(|()| self.file.flush());
        self.failed.store(flushed.is_err(), Ordering::SeqCst);
        flushed
    }
    fn write_out(&self, offset: u64, len: u64) {
        self.file.write_out(offset, len);
    }
    fn drop_cache(&self) {}
    fn len(&self) -> io::Result<u64> {
        self.file.len()
    }
}

impl Disk for Faulty {
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        self.shared.pass(Fails::Create, path)?;
        Ok(self.file(path, self.disk.create_new(path, mode)?))
    }
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(self.file(path, self.disk.open_write(path)?))
    }
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(self.file(path, self.disk.open_read(path)?))
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.shared.pass(Fails::Rename, to)?;
        self.disk.rename(from, to)
    }
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.shared.pass(Fails::Link, to)?;
        self.disk.rename_new(from, to)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.shared.pass(Fails::Link, to)?;
        self.disk.link(from, to)
    }
    fn reflink(&self, _: &dyn DiskFile, _: &dyn DiskFile) -> io::Result<()> {
        Err(io::ErrorKind::Unsupported.into())
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.shared.pass(Fails::Remove, path)?;
        self.disk.remove(path)
    }
    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.shared.pass(Fails::Create, path)?;
        self.disk.create_dir(path, mode)
    }
    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        self.shared.pass(Fails::FlushDir, path)?;
        self.disk.flush_dir(path)
    }
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        files.iter().try_for_each(|file| file.flush())
    }
    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>> {
        self.disk.lock(path, line)
    }
    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>> {
        self.disk.read_dir(path, limit)
    }
    fn stat(&self, path: &Path) -> io::Result<Option<Stat>> {
        self.disk.stat(path)
    }
    fn space(&self, path: &Path) -> io::Result<Space> {
        self.disk.space(path)
    }
    fn fs_kind(&self, path: &Path) -> io::Result<FsKind> {
        self.disk.fs_kind(path)
    }
}
