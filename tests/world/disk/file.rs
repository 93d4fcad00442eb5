//! The disk as a process uses it, and its open files.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::MutexGuard;

use yarder::durable::{Disk, DiskFile, Entry, FsKind, Locked, Space, Stat};

use super::Memory;
use super::state::{Dirty, EIO, ENODEV, ENOSPC, Faults, Inode, State, TOTAL, error};

/// How a file is opened.
enum Open {
    New,
    Write,
    Read,
}

impl Memory {
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
        let flips = state.chance(faults.flip) && !bytes.is_empty();
        let mut bytes = bytes.to_vec();
        if flips {
            let bit = state.rng.usize(..bytes.len() * 8);
            bytes[bit / 8] ^= 1 << (bit % 8);
            state.met += 1;
            self.disk.log.note(|| "disk writes another bit".to_owned());
        }
        // Killed in the middle of a write.
        if state.dies_in == Some(1) {
            let part = state.rng.usize(..=bytes.len());
            bytes.truncate(part);
            state.write(self.inode, Dirty::Bytes(at, bytes));
            self.disk.die(&mut state);
            return Err(io::Error::other("the process is dead"));
        }
        state.write(self.inode, Dirty::Bytes(at, bytes));
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
