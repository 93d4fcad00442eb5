//! The disk: the one room that renames, links, flushes and removes.
//!
//! Everything that must survive a power cut goes through [`Disk`], in the order: data flushed,
//! renamed or linked, folder flushed, and only then recorded in the ledger. A failed flush is
//! never retried here or by a caller: Linux drops the dirty pages after reporting the error once,
//! so a second flush would succeed over lost data.

use std::ffi::OsString;
use std::fmt::Debug;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Seek as _, Write as _};
use std::os::fd::{AsFd, AsRawFd as _, OwnedFd};
use std::os::unix::fs::{
    DirBuilderExt as _, FileExt as _, MetadataExt as _, OpenOptionsExt as _, PermissionsExt as _,
};
use std::path::{Path, PathBuf};

/// What [`Disk::stat`] tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stat {
    /// Bytes.
    pub len: u64,
    /// A folder.
    pub is_dir: bool,
    /// Anything that is neither a plain file nor a folder.
    pub is_other: bool,
    /// File system and inode, equal for two names of one file.
    pub identity: (u64, u64),
}

/// What a file system can hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    /// Bytes that this user may still write.
    pub free: u64,
    /// Bytes in all.
    pub total: u64,
}

/// How a file system behaves where it matters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FsKind {
    /// On this machine's own disks.
    Local(&'static str),
    /// In memory: nothing survives a power cut.
    Memory,
    /// Served by another machine (NFS, SMB, FUSE, 9p ...).
    Network(&'static str),
    /// Not known to us; treated with the care of a network one.
    Unknown(u64),
}

/// One entry of a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its name.
    pub name: OsString,
    /// What it is.
    pub stat: Stat,
}

/// A file that is open. Offsets and lengths are in bytes.
pub trait DiskFile: Send + Sync + Debug {
    /// Reads at an offset; fewer bytes than asked for only at the end.
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize>;
    /// Writes all of the bytes at an offset.
    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()>;
    /// Cuts or extends the file.
    fn set_len(&self, len: u64) -> io::Result<()>;
    /// Makes the file's bytes and length durable.
    fn flush(&self) -> io::Result<()>;
    /// Begins writing the bytes out without waiting, so that a later flush is short.
    fn write_out(&self, offset: u64, len: u64);
    /// Forgets the cached bytes of a flushed file, so that the next read comes from the medium.
    fn drop_cache(&self);
    /// Its length.
    fn len(&self) -> io::Result<u64>;
    /// File system and inode, as [`Stat::identity`].
    fn identity(&self) -> io::Result<(u64, u64)> {
        let meta = self.os_file().ok_or(io::ErrorKind::Unsupported)?.metadata()?;
        Ok((meta.dev(), meta.ino()))
    }
    /// Whether it has no bytes.
    fn is_empty(&self) -> io::Result<bool> {
        self.len().map(|len| len == 0)
    }
    /// For [`Disk`] implementations that copy within the kernel.
    fn os_file(&self) -> Option<&File> {
        None
    }
}

/// Files and folders. `create_*`, `rename_new` and `link` fail with `AlreadyExists` instead of
/// replacing anything; a missing parent folder is `NotFound`, never created on the way.
pub trait Disk: Send + Sync + Debug {
    /// A new file, open for reading and writing. `mode` is its Unix permission bits, whatever the mask
    /// of the process takes away; a file system without them ignores it.
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>>;
    /// An existing file, for reading and writing.
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// An existing file, for reading.
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Renames, replacing what is there: for our own keeping only, never for a stored file.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Renames without replacing, atomically; `Unsupported` where the file system cannot.
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// A second name for a file; `Unsupported` (or `CrossesDevices`) where that cannot be.
    fn link(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// A copy that shares its blocks with the original, into an empty file; `Unsupported` where
    /// the file system cannot.
    fn reflink(&self, from: &dyn DiskFile, to: &dyn DiskFile) -> io::Result<()>;
    /// Removes a file.
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// A new folder; one level only.
    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()>;
    /// Makes the names in a folder durable. A file system that cannot flush folders (EINVAL)
    /// counts as flushed.
    fn flush_dir(&self, path: &Path) -> io::Result<()>;
    /// Makes many files durable, with one flush of the file system where that is cheaper and
    /// reports failures. All of them lie on one file system. The first was opened before any byte
    /// that is to be flushed was written: through it, only what failed since its opening is told.
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()>;
    /// A folder's entries, in the order of their names' bytes, `limit` at most.
    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>>;
    /// What stands there, without following a link; `None` for nothing.
    fn stat(&self, path: &Path) -> io::Result<Option<Stat>>;
    /// Room on the file system that holds the path.
    fn space(&self, path: &Path) -> io::Result<Space>;
    /// What kind of file system holds the path.
    fn fs_kind(&self, path: &Path) -> io::Result<FsKind>;
    /// Sets a file's Unix permission bits; a file system without them ignores it.
    fn set_mode(&self, path: &Path, mode: u32) -> io::Result<()> {
        let _ = (path, mode);
        Ok(())
    }
    /// [`Disk::create_new`] below a folder that is held.
    fn create_new_in(&self, folder: &Held, name: &str, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        self.create_new(&folder.path.join(name), mode)
    }
    /// [`Disk::rename_new`] of two names below a folder that is held.
    fn rename_new_in(&self, folder: &Held, from: &str, to: &str) -> io::Result<()> {
        self.rename_new(&folder.path.join(from), &folder.path.join(to))
    }
    /// Takes a file, made where it is missing, for this process alone until the value is dropped or the
    /// process ends, and leaves a line in it. `Err` with the line of the process that has it.
    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>>;
    /// By which of SQLite's file systems (VFS) a database on this disk is opened; `None` for its own.
    fn database(&self) -> Option<&'static str> {
        None
    }
    /// Holds on to a folder.
    fn hold(&self, path: &Path) -> io::Result<Held> {
        match self.stat(path)? {
            Some(stat) if stat.is_dir => Ok(Held { path: path.to_owned(), folder: None }),
            Some(_) => Err(io::ErrorKind::NotADirectory.into()),
            None => Err(io::ErrorKind::NotFound.into()),
        }
    }
}

/// A file that no other process can take.
pub trait Locked: Send + Sync + Debug {}

impl Locked for File {}

/// A folder that stays the same one while it is held, even when another is mounted over it, it is
/// unmounted, or its name is given to another.
#[derive(Debug)]
pub struct Held {
    path: PathBuf,
    folder: Option<OwnedFd>,
}

impl Held {
    /// A path that leads to the held folder for as long as this value lives.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether the path is bound to the folder itself; else to its name alone.
    pub fn is_bound(&self) -> bool {
        self.folder.is_some()
    }
}

/// A folder and every missing one above it, each made durable in its parent.
pub fn create_dirs(disk: &dyn Disk, path: &Path, mode: u32) -> io::Result<()> {
    match disk.stat(path)? {
        Some(stat) if stat.is_dir => return Ok(()),
        Some(_) => {
            return Err(io::Error::new(
                io::ErrorKind::NotADirectory,
                format!("{} is no folder", path.display()),
            ));
        }
        None => {}
    }
    let parent = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    create_dirs(disk, parent, mode)?;
    match disk.create_dir(path, mode) {
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
        other => other?,
    }
    disk.flush_dir(parent)
}

/// Writes a small file under a temporary name, flushes, renames it over what was there and
/// flushes the folder: readers see the old or the new text, never a mixture. Not for stored files.
pub fn replace(disk: &dyn Disk, path: &Path, temporary: &Path, bytes: &[u8], mode: u32) -> io::Result<()> {
    match disk.remove(temporary) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    let file = disk.create_new(temporary, mode)?;
    file.write_at(bytes, 0)?;
    file.flush()?;
    disk.rename(temporary, path)?;
    disk.flush_dir(path.parent().unwrap_or(Path::new(".")))
}

/// A whole small file, at most `limit` bytes; `None` where there is none.
pub fn read_small(disk: &dyn Disk, path: &Path, limit: usize) -> io::Result<Option<Vec<u8>>> {
    let file = match disk.open_read(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other?,
    };
    let len = usize::try_from(file.len()?).unwrap_or(usize::MAX);
    if len > limit {
        return Err(io::Error::new(
            io::ErrorKind::FileTooLarge,
            format!("{} has more than {limit} bytes", path.display()),
        ));
    }
    let mut bytes = vec![0; len];
    let read = read_full(&*file, &mut bytes, 0)?;
    bytes.truncate(read);
    Ok(Some(bytes))
}

/// Fills the buffer from an offset; fewer bytes only at the end of the file.
pub fn read_full(file: &dyn DiskFile, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    let mut done = 0;
    while done < buffer.len() {
        match file.read_at(&mut buffer[done..], offset + done as u64) {
            Ok(0) => break,
            Ok(n) => done += n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(done)
}

/// The machine's own disk.
#[derive(Debug)]
pub struct OsDisk {
    /// Permission bits that the process's mask takes from a new file.
    mask: u32,
}

impl OsDisk {
    /// Needs nothing.
    pub fn new() -> Self {
        let told = fs::read_to_string("/proc/self/status").unwrap_or_default();
        let mask = told.lines().find_map(|line| line.strip_prefix("Umask:"));
        // Where that is not told, every mode is set by itself.
        let mask = mask.and_then(|mask| u32::from_str_radix(mask.trim(), 8).ok()).unwrap_or(0o777);
        Self { mask }
    }

    fn create_new_at(&self, folder: impl AsFd, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        use rustix::fs::{Mode, OFlags, openat};
        let flags = OFlags::RDWR | OFlags::CREATE | OFlags::EXCL | OFlags::CLOEXEC;
        let file = File::from(openat(folder, path, flags, Mode::from_raw_mode(mode))?);
        if mode & self.mask != 0 {
            modeless(file.set_permissions(fs::Permissions::from_mode(mode)))?;
        }
        Ok(Box::new(OsFile(file)))
    }
}

impl Default for OsDisk {
    fn default() -> Self {
        Self::new()
    }
}

#[derive(Debug)]
struct OsFile(File);

impl DiskFile for OsFile {
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        self.0.read_at(buffer, offset)
    }

    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.0.write_all_at(bytes, offset)
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.0.set_len(len)
    }

    #[expect(clippy::disallowed_methods, reason = "this is the room that flushes")]
    fn flush(&self) -> io::Result<()> {
        self.0.sync_data()
    }

    fn write_out(&self, offset: u64, len: u64) {
        // Advice: what it cannot do, the flush does.
        let _ = (offset, len);
    }

    fn drop_cache(&self) {
        #[cfg(target_os = "linux")]
        {
            // Advice: a file system without a cache to drop ignores it.
            let _ = rustix::fs::fadvise(&self.0, 0, None, rustix::fs::Advice::DontNeed);
        }
    }

    fn len(&self) -> io::Result<u64> {
        self.0.metadata().map(|m| m.len())
    }

    fn os_file(&self) -> Option<&File> {
        Some(&self.0)
    }
}

/// From this many files on, one flush of the file system costs less than one for each.
const FLUSH_TOGETHER: usize = 8;

fn stat_of(meta: &fs::Metadata) -> Stat {
    Stat {
        len: meta.len(),
        is_dir: meta.is_dir(),
        is_other: !meta.is_dir() && !meta.is_file(),
        identity: (meta.dev(), meta.ino()),
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the room that renames, links, flushes and removes")]
impl Disk for OsDisk {
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        self.create_new_at(rustix::fs::CWD, path, mode)
    }

    // The path of a held folder leads through /proc, which takes as long as the rest of the way.
    fn create_new_in(&self, folder: &Held, name: &str, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        match &folder.folder {
            Some(held) => self.create_new_at(held, Path::new(name), mode),
            None => self.create_new(&folder.path.join(name), mode),
        }
    }

    fn rename_new_in(&self, folder: &Held, from: &str, to: &str) -> io::Result<()> {
        match &folder.folder {
            Some(held) => rename_new_at(held, Path::new(from), Path::new(to)),
            None => self.rename_new(&folder.path.join(from), &folder.path.join(to)),
        }
    }

    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(OsFile(OpenOptions::new().read(true).write(true).open(path)?)))
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(OsFile(File::open(path)?)))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        rename_new_at(rustix::fs::CWD, from, to)
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        match fs::hard_link(from, to) {
            // What FAT, exFAT and many shares answer when they have no links; and a full link count.
            Err(e) if matches!(e.raw_os_error(), Some(1 | 31 | 38 | 95)) => {
                Err(io::ErrorKind::Unsupported.into())
            }
            other => other,
        }
    }

    fn reflink(&self, from: &dyn DiskFile, to: &dyn DiskFile) -> io::Result<()> {
        match (from.os_file(), to.os_file()) {
            (Some(from), Some(to)) => {
                rustix::fs::ioctl_ficlone(to, from).map_err(|_| io::ErrorKind::Unsupported.into())
            }
            _ => Err(io::ErrorKind::Unsupported.into()),
        }
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()> {
        fs::DirBuilder::new().mode(mode).create(path)
    }

    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        match File::open(path)?.sync_all() {
            // SMB shares answer so: they have no such operation.
            Err(e) if matches!(e.raw_os_error(), Some(22 | 95)) => Ok(()),
            other => other,
        }
    }

    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        let first = match files.first().and_then(|f| f.os_file()) {
            Some(first) if files.len() >= FLUSH_TOGETHER => first,
            _ => return files.iter().try_for_each(|f| f.flush()),
        };
        // syncfs reports a failed write since Linux 5.8 and on the file systems of this machine;
        // elsewhere (network, unknown) each file is asked by itself.
        match kind_of(rustix::fs::fstatfs(first)?.f_type as u64) {
            FsKind::Local(_) | FsKind::Memory => rustix::fs::syncfs(first).map_err(Into::into),
            FsKind::Network(_) | FsKind::Unknown(_) => files.iter().try_for_each(|f| f.flush()),
        }
    }

    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>> {
        let mut entries = Vec::new();
        for entry in fs::read_dir(path)?.take(limit) {
            let entry = entry?;
            match entry.metadata() {
                Ok(meta) => entries.push(Entry { name: entry.file_name(), stat: stat_of(&meta) }),
                // It went away between the two calls.
                Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                Err(e) => return Err(e),
            }
        }
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(entries)
    }

    fn stat(&self, path: &Path) -> io::Result<Option<Stat>> {
        match fs::symlink_metadata(path) {
            Ok(meta) => Ok(Some(stat_of(&meta))),
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => Ok(None),
            Err(e) => Err(e),
        }
    }

    fn space(&self, path: &Path) -> io::Result<Space> {
        let fs = rustix::fs::statvfs(path)?;
        Ok(Space { free: fs.f_bavail * fs.f_frsize, total: fs.f_blocks * fs.f_frsize })
    }

    fn fs_kind(&self, path: &Path) -> io::Result<FsKind> {
        Ok(kind_of(rustix::fs::statfs(path)?.f_type as u64))
    }

    fn set_mode(&self, path: &Path, mode: u32) -> io::Result<()> {
        modeless(fs::set_permissions(path, fs::Permissions::from_mode(mode)))
    }

    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>> {
        let mut open = OpenOptions::new();
        let open = open.read(true).write(true).create(true).truncate(false).mode(0o640);
        let mut file = open.open(path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut text = String::new();
                let _ = file.take(200).read_to_string(&mut text);
                return Ok(Err(text));
            }
            Err(TryLockError::Error(e)) => return Err(e),
        }
        file.set_len(0)?;
        file.rewind()?;
        writeln!(file, "{line}")?;
        Ok(Ok(Box::new(file)))
    }

    fn hold(&self, path: &Path) -> io::Result<Held> {
        use rustix::fs::{Mode, OFlags};
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let folder = rustix::fs::open(path, flags, Mode::empty())?;
        let bound = PathBuf::from(format!("/proc/self/fd/{}", folder.as_raw_fd()));
        let own = rustix::fs::fstat(&folder)?;
        match fs::metadata(&bound) {
            Ok(meta) if meta.ino() == own.st_ino && meta.dev() == own.st_dev => {
                Ok(Held { path: bound, folder: Some(folder) })
            }
            // No /proc here.
            _ => Ok(Held { path: path.to_owned(), folder: None }),
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the room that renames")]
fn rename_new_at(folder: impl AsFd, from: &Path, to: &Path) -> io::Result<()> {
    use rustix::fs::{RenameFlags, renameat_with};
    match renameat_with(&folder, from, &folder, to, RenameFlags::NOREPLACE) {
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) => Err(io::ErrorKind::Unsupported.into()),
        other => other.map_err(Into::into),
    }
}

/// Shares whose server fixes the modes of all files refuse to set one.
fn modeless(done: io::Result<()>) -> io::Result<()> {
    match done {
        Err(e) if matches!(e.raw_os_error(), Some(1 | 38 | 95)) => Ok(()),
        other => other,
    }
}

/// Magic numbers of statfs(2), from `linux/magic.h` and each file system's own header.
fn kind_of(magic: u64) -> FsKind {
    match magic & 0xffff_ffff {
        0xef53 => FsKind::Local("ext4"),
        0x5846_5342 => FsKind::Local("xfs"),
        0x9123_683e => FsKind::Local("btrfs"),
        0xf2f5_2010 => FsKind::Local("f2fs"),
        0x2fc1_2fc1 => FsKind::Local("zfs"),
        0x794c_7630 => FsKind::Local("overlay"),
        0x0102_1994 | 0x8584_58f6 => FsKind::Memory,
        0x6969 => FsKind::Network("nfs"),
        0xff53_4d42 => FsKind::Network("cifs"),
        0xfe53_4d42 => FsKind::Network("smb2"),
        0x517b => FsKind::Network("smb"),
        0x0102_1997 => FsKind::Network("9p"),
        0x6573_5546 => FsKind::Network("fuse"),
        0x00c3_6400 => FsKind::Network("ceph"),
        other => FsKind::Unknown(other),
    }
}

/// Whether a file or folder can be read by everybody on the machine.
pub fn world_readable(path: &Path) -> io::Result<bool> {
    fs::metadata(path).map(|m| m.permissions().mode() & 0o004 != 0)
}
