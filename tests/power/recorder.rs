//! The machine's disk, and everything that is done on it, in order.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use yarder::durable::{Disk, DiskFile, Entry, FsKind, Locked, OsDisk, Space, Stat};

/// Which file, whatever it is called.
pub type FileId = usize;

/// Something that was done, below the root.
#[derive(Debug, Clone)]
pub enum Op {
    Create(PathBuf, FileId),
    Mkdir(PathBuf),
    Write(FileId, u64, Vec<u8>),
    SetLen(FileId, u64),
    Flush(FileId),
    Rename(PathBuf, PathBuf),
    Link(PathBuf, PathBuf),
    Remove(PathBuf),
    FlushDir(PathBuf),
    /// From now on the ledger holds what this snapshot holds.
    Ledger(usize),
    /// The logger is asked to delete this file, and does.
    Deleted(String),
}

/// The ledger's files as they stand between two commits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    pub database: Vec<u8>,
    pub log: Vec<u8>,
}

#[derive(Debug, Default)]
pub struct Tape {
    pub ops: Vec<Op>,
    pub snapshots: Vec<Snapshot>,
    names: BTreeMap<PathBuf, FileId>,
    files: usize,
}

/// Records what is done below its root. SQLite's own files are not among it: it is taken at its word,
/// that a commit is on the disk when it is answered.
#[derive(Debug)]
pub struct Recorder {
    disk: OsDisk,
    root: PathBuf,
    tape: Arc<Mutex<Tape>>,
}

#[derive(Debug)]
struct Recorded {
    file: Box<dyn DiskFile>,
    id: FileId,
    /// SQLite wrote it past this seam.
    by_sqlite: bool,
    tape: Arc<Mutex<Tape>>,
}

impl Recorder {
    pub fn new(root: &Path) -> Arc<Self> {
        Arc::new(Self { disk: OsDisk::new(), root: root.to_owned(), tape: Arc::default() })
    }

    /// What was recorded; nothing more is.
    pub fn take(&self) -> Tape {
        self.see();
        std::mem::take(&mut *self.tape.lock().expect("lock"))
    }

    /// Looks whether anything was committed since the last look.
    pub fn see(&self) {
        let ledger = |with: &str| self.root.join(format!("state/ledger.sqlite{with}"));
        let (Ok(database), log) = (std::fs::read(ledger("")), std::fs::read(ledger("-wal"))) else { return };
        let now = Snapshot { database, log: log.unwrap_or_default() };
        let mut tape = self.tape.lock().expect("lock");
        if tape.snapshots.last() != Some(&now) {
            let number = tape.snapshots.len();
            tape.snapshots.push(now);
            tape.ops.push(Op::Ledger(number));
        }
    }

    /// The logger deletes a file now.
    pub fn deleted(&self, name: &str) {
        self.see();
        self.note(Op::Deleted(name.to_owned()));
    }

    fn below(&self, path: &Path) -> Option<PathBuf> {
        let below = path.strip_prefix(&self.root).ok()?;
        let name = below.file_name()?.to_str()?;
        (!name.starts_with("ledger.sqlite")).then(|| below.to_owned())
    }

    fn note(&self, op: Op) {
        self.tape.lock().expect("lock").ops.push(op);
    }

    fn file(&self, path: &Path, file: Box<dyn DiskFile>, new: bool) -> Box<dyn DiskFile> {
        let Some(below) = self.below(path) else { return file };
        let by_sqlite = below.ends_with("unfinished");
        let mut tape = self.tape.lock().expect("lock");
        let id = match tape.names.get(&below) {
            Some(id) if !new => *id,
            _ => {
                tape.files += 1;
                let id = tape.files;
                tape.names.insert(below.clone(), id);
                tape.ops.push(Op::Create(below, id));
                id
            }
        };
        drop(tape);
        Box::new(Recorded { file, id, by_sqlite, tape: self.tape.clone() })
    }

    fn moved(&self, from: &Path, to: &Path, op: fn(PathBuf, PathBuf) -> Op, stays: bool) {
        let (Some(from), Some(to)) = (self.below(from), self.below(to)) else { return };
        let mut tape = self.tape.lock().expect("lock");
        let id = match stays {
            true => tape.names.get(&from).copied(),
            false => tape.names.remove(&from),
        };
        tape.names.extend(id.map(|id| (to.clone(), id)));
        tape.ops.push(op(from, to));
    }
}

impl DiskFile for Recorded {
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        self.file.read_at(buffer, offset)
    }
    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.file.write_at(bytes, offset)?;
        self.tape.lock().expect("lock").ops.push(Op::Write(self.id, offset, bytes.to_vec()));
        Ok(())
    }
    fn set_len(&self, len: u64) -> io::Result<()> {
        self.file.set_len(len)?;
        self.tape.lock().expect("lock").ops.push(Op::SetLen(self.id, len));
        Ok(())
    }
    fn flush(&self) -> io::Result<()> {
        self.file.flush()?;
        let mut tape = self.tape.lock().expect("lock");
        if self.by_sqlite {
            let mut bytes = vec![0; usize::try_from(self.file.len()?).expect("length")];
            yarder::durable::read_full(&*self.file, &mut bytes, 0)?;
            tape.ops.push(Op::Write(self.id, 0, bytes));
        }
        tape.ops.push(Op::Flush(self.id));
        Ok(())
    }
    fn write_out(&self, offset: u64, len: u64) {
        self.file.write_out(offset, len);
    }
    fn drop_cache(&self) {}
    fn len(&self) -> io::Result<u64> {
        self.file.len()
    }
}

impl Disk for Recorder {
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        self.see();
        Ok(self.file(path, self.disk.create_new(path, mode)?, true))
    }
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.see();
        Ok(self.file(path, self.disk.open_write(path)?, false))
    }
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.disk.open_read(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.see();
        self.disk.rename(from, to)?;
        self.moved(from, to, Op::Rename, false);
        Ok(())
    }
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.see();
        self.disk.rename_new(from, to)?;
        self.moved(from, to, Op::Rename, false);
        Ok(())
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.see();
        self.disk.link(from, to)?;
        self.moved(from, to, Op::Link, true);
        Ok(())
    }
    fn reflink(&self, _: &dyn DiskFile, _: &dyn DiskFile) -> io::Result<()> {
        Err(io::ErrorKind::Unsupported.into())
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.see();
        self.disk.remove(path)?;
        if let Some(below) = self.below(path) {
            self.tape.lock().expect("lock").names.remove(&below);
            self.note(Op::Remove(below));
        }
        Ok(())
    }
    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.see();
        self.disk.create_dir(path, mode)?;
        if let Some(below) = self.below(path) {
            self.note(Op::Mkdir(below));
        }
        Ok(())
    }
    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        self.see();
        self.disk.flush_dir(path)?;
        if let Ok(below) = path.strip_prefix(&self.root) {
            self.note(Op::FlushDir(below.to_owned()));
        }
        Ok(())
    }
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        self.see();
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
