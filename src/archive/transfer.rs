//! The bytes of stored files: from the spool into the archive, and back to be checked.
//!
//! Crash: data is flushed, then named, then the name is flushed, then told. A kill before the name
//! leaves a temporary file; one after it leaves a whole file that the next attempt finds.

use std::io;
use std::path::{Path, PathBuf};

use super::error::of_io;
use super::room::{Publish, Room, Temp, cannot, folder_of};
use super::{ArchiveError, ArchiveFailure, ReadBack, StoreItem, Stored, Verified};
use crate::durable::DiskFile;
use crate::killpoint;
use crate::model::Digest;

/// Bytes that are read or written at a time.
const BUFFER: usize = 256 * 1024;
/// Written bytes after which a long copy is flushed, so that no single flush outlasts a deadline.
const FLUSH_EVERY: u64 = 16 * 1024 * 1024;

/// A file on its way to a key.
enum Ready<'a> {
    /// The spool's own file, to be linked.
    Own(PathBuf),
    Temp(Temp<'a>),
}

impl<'a> Room<'a> {
    /// Stores files of the spool. Copies are read back before any of them has its name, so that one
    /// which is known to be bad never has one.
    pub(super) fn store(
        &mut self,
        items: &[StoreItem],
    ) -> Result<Vec<(Stored, Option<ReadBack>)>, ArchiveError> {
        let mut ready = Vec::with_capacity(items.len());
        for item in items {
            Self::checked(&item.key)?;
            ready.push(match self.can_link(item)? {
                true => Ready::Own(item.source.clone()),
                false => Ready::Temp(self.copy(item)?),
            });
        }
        self.flush_temps(&ready)?;
        killpoint::pass("archive-temp-flushed");
        let mut backs = Vec::with_capacity(items.len());
        for (item, ready) in items.iter().zip(&ready) {
            backs.push(match ready {
                Ready::Temp(temp) if !temp.shared => Some(self.proven(item, &*temp.file)?),
                _ => None,
            });
        }
        let mut stored = Vec::with_capacity(items.len());
        for ((item, ready), back) in items.iter().zip(ready.iter_mut()).zip(backs) {
            stored.push((self.put(item, ready)?, back));
        }
        killpoint::pass("archive-published");
        self.flush_folders(items.iter().map(|item| item.key.as_str()))?;
        killpoint::pass("archive-folder-flushed");
        Ok(stored)
    }

    fn flush_temps(&self, ready: &[Ready<'_>]) -> Result<(), ArchiveError> {
        let files: Vec<&dyn DiskFile> = ready
            .iter()
            .filter_map(|r| match r {
                Ready::Temp(temp) => Some(&*temp.file),
                Ready::Own(_) => None,
            })
            .collect();
        if files.is_empty() { Ok(()) } else { self.flush(&files) }
    }

    /// Gives one file its key. A link that turns out not to be possible becomes a copy.
    fn put(&mut self, item: &StoreItem, ready: &mut Ready<'a>) -> Result<Stored, ArchiveError> {
        if let Ready::Own(source) = ready {
            if !self.folder(folder_of(&item.key))? {
                return Ok(Stored::Exists);
            }
            self.pulse.beat()?;
            let to = self.path(&item.key);
            match self.disk.link(source, &to) {
                Ok(()) => {
                    let mode = self.disk.set_mode(&to, self.settings.file_mode);
                    mode.map_err(|e| self.failed(&item.key, &e))?;
                    return Ok(Stored::New { shared: true });
                }
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                    // An earlier attempt whose answer was lost linked it already.
                    let identity = |path: &Path| self.disk.stat(path).ok().flatten().map(|s| s.identity);
                    let own = identity(source).is_some_and(|own| identity(&to) == Some(own));
                    return Ok(if own { Stored::New { shared: true } } else { Stored::Exists });
                }
                Err(e) if cannot(&e) => {
                    let temp = self.copy(item)?;
                    self.flush(&[&*temp.file])?;
                    self.proven(item, &*temp.file)?;
                    *ready = Ready::Temp(temp);
                }
                Err(e) => return Err(self.failed(&item.key, &e)),
            }
        }
        let Ready::Temp(temp) = ready else { return Ok(Stored::Exists) };
        if self.doubts(&item.key) && self.read_back(&item.key)?.is_some_and(|back| fits(item, &back)) {
            self.rename_anew(temp, &item.key)?;
            return Ok(Stored::New { shared: temp.shared });
        }
        let new = self.place(temp, &item.key, false)?;
        Ok(if new { Stored::New { shared: temp.shared } } else { Stored::Exists })
    }

    /// Whether source and archive lie on one file system, as far as can be seen.
    fn can_link(&mut self, item: &StoreItem) -> Result<bool, ArchiveError> {
        if !item.own || self.publish == Publish::Reserve || self.doubts(&item.key) {
            return Ok(false);
        }
        self.pulse.beat()?;
        let source = self.disk.stat(&item.source).map_err(|e| of_source(item, &e))?;
        let source = source.ok_or_else(|| of_source(item, &io::ErrorKind::NotFound.into()))?;
        if source.len != item.size {
            return Err(of_size(item, source.len));
        }
        if self.device.is_none() {
            let own = self.disk.stat(&self.path(".yarder")).map_err(|e| self.failed(".yarder", &e))?;
            self.device = own.map(|own| own.identity.0);
        }
        Ok(self.device == Some(source.identity.0))
    }

    /// A copy under a temporary name, not all of it flushed yet.
    fn copy(&mut self, item: &StoreItem) -> Result<Temp<'a>, ArchiveError> {
        let source = match self.source.take() {
            Some((path, file)) if path == item.source => file,
            _ => self.disk.open_read(&item.source).map_err(|e| of_source(item, &e))?,
        };
        let mut temp = self.temp()?;
        self.shares = self.shares && (!item.own || self.disk.reflink(&*source, &*temp.file).is_ok());
        if self.shares && item.own {
            temp.shared = true;
            return Ok(temp);
        }
        self.buffer.resize(BUFFER, 0);
        let mut at = 0;
        while at < item.size {
            let want = usize::try_from(item.size - at).unwrap_or(BUFFER).min(BUFFER);
            let want = self.buffer.get_mut(..want).unwrap_or_default();
            let read = source.read_at(want, item.at + at).map_err(|e| of_source(item, &e))?;
            let bytes = self.buffer.get(..read).unwrap_or_default();
            temp.file.write_at(bytes, at).map_err(|e| self.failed(&item.key, &e))?;
            at += read as u64;
            self.pulse.beat()?;
            if read == 0 {
                break;
            }
            if at.is_multiple_of(FLUSH_EVERY) {
                temp.file.flush().map_err(|e| self.failed(&item.key, &e))?;
                self.pulse.beat()?;
            }
        }
        // The next may lie in the same file.
        self.source = Some((item.source.clone(), source));
        if at == item.size { Ok(temp) } else { Err(of_size(item, at)) }
    }

    /// Puts right bytes over a copy that is missing or wrong, and over nothing else.
    pub(super) fn repair(&mut self, item: &StoreItem) -> Result<bool, ArchiveError> {
        Self::checked(&item.key)?;
        let right = self.read_back(&item.key)?.is_some_and(|back| fits(item, &back));
        if right && !self.doubts(&item.key) {
            return Ok(false);
        }
        if !self.folder(folder_of(&item.key))? {
            let detail = format!("{} lies below a file", item.key);
            return Err(ArchiveError::new(ArchiveFailure::Refused, detail));
        }
        // Never shared with what it comes from: a second copy is wanted.
        let mut temp = self.copy(&StoreItem { own: false, ..item.clone() })?;
        self.flush(&[&*temp.file])?;
        self.proven(item, &*temp.file)?;
        self.rename_over(&mut temp, &item.key)?;
        Ok(true)
    }

    /// Reads a flushed copy that has no name yet. One with other bytes than were to be stored is an
    /// error: its source's, where that has others, else the medium's.
    fn proven(&mut self, item: &StoreItem, copy: &dyn DiskFile) -> Result<ReadBack, ArchiveError> {
        let len = copy.len().map_err(|e| self.failed(&item.key, &e))?;
        let (size, sha256) = self.hash(copy, 0, len, |e| of_io(&item.key, e))?;
        let back = ReadBack { size, sha256, how: Verified::DiskRead };
        if fits(item, &back) {
            return Ok(back);
        }
        let source = self.disk.open_read(&item.source).map_err(|e| of_source(item, &e))?;
        let now = self.hash(&*source, item.at, item.size, |e| of_source(item, e))?;
        let detail = format!("{} does not have the bytes that were to be stored", item.source.display());
        Err(match now == (item.size, item.sha256) {
            true => {
                let detail = format!("{}: its copy reads back other bytes than were written", item.key);
                ArchiveError::new(ArchiveFailure::Broken, detail)
            }
            false => ArchiveError::new(ArchiveFailure::Source, detail),
        })
    }

    /// Reads a copy back from the medium.
    pub(super) fn read_back(&mut self, key: &str) -> Result<Option<ReadBack>, ArchiveError> {
        Self::checked(key)?;
        self.pulse.beat()?;
        let path = self.path(key);
        match self.disk.stat(&path).map_err(|e| self.failed(key, &e))? {
            Some(stat) if !stat.is_dir && !stat.is_other => {}
            _ => return Ok(None),
        }
        let file = self.disk.open_read(&path).map_err(|e| self.failed(key, &e))?;
        let len = file.len().map_err(|e| self.failed(key, &e))?;
        let place = self.settings.root.join(key);
        let (size, sha256) = self.hash(&*file, 0, len, |e| of_io(&place.display(), e))?;
        Ok(Some(ReadBack { size, sha256, how: Verified::DiskRead }))
    }

    /// Hashes `len` bytes from an offset of a flushed file, as they lie on the medium; gives how many
    /// there were.
    fn hash(
        &mut self,
        file: &dyn DiskFile,
        from: u64,
        len: u64,
        failed: impl Fn(&io::Error) -> ArchiveError,
    ) -> Result<(u64, Digest), ArchiveError> {
        use sha2::Digest as _;
        file.drop_cache();
        let mut hash = sha2::Sha256::new();
        self.buffer.resize(BUFFER, 0);
        let mut size = 0;
        while size < len {
            let want = usize::try_from(len - size).unwrap_or(BUFFER).min(BUFFER);
            let want = self.buffer.get_mut(..want).unwrap_or_default();
            let read = file.read_at(want, from + size).map_err(|e| failed(&e))?;
            self.pulse.beat()?;
            hash.update(self.buffer.get(..read).unwrap_or_default());
            size += read as u64;
            if read == 0 {
                break;
            }
        }
        // What was read once is not read again soon.
        file.drop_cache();
        Ok((size, Digest(hash.finalize().into())))
    }
}

fn fits(item: &StoreItem, back: &ReadBack) -> bool {
    back.size == item.size && back.sha256 == item.sha256
}

fn of_source(item: &StoreItem, error: &io::Error) -> ArchiveError {
    ArchiveError::new(ArchiveFailure::Source, format!("{}: {error}", item.source.display()))
}

fn of_size(item: &StoreItem, found: u64) -> ArchiveError {
    let detail = format!("{} has {found} bytes and should have {}", item.source.display(), item.size);
    ArchiveError::new(ArchiveFailure::Source, detail)
}
