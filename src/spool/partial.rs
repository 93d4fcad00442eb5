//! A file of which not all bytes are here yet. Blocking: call on a thread that may wait.

use std::io;
use std::sync::atomic::Ordering;

use bytes::Bytes;

use super::Spool;
use crate::durable::{Disk, DiskFile, read_full};
use crate::ledger::{Grant, Ledger, LedgerError, Mark};
use crate::model::{Digest, EDGE, Edges, Look, RunningHash};

/// A partial of so few bytes stays in memory until it is whole or cut, so that a small file costs
/// one write and no wait.
pub const SMALL: usize = 32 * 1024;

/// A partial in hand: its bytes from 0 to `hash.len()` are written or, of a small one, held; those
/// up to the last mark are durable.
#[derive(Debug)]
pub struct Partial {
    /// Its name in the spool.
    pub name: String,
    /// None until something is written.
    file: Option<Box<dyn DiskFile>>,
    /// Grows from one that was opened before to the next.
    opened: u64,
    held: Vec<u8>,
    hash: RunningHash,
    /// What the logger said of it when its first bytes came, until a mark tells the ledger.
    pub look: Option<Look>,
    named: bool,
    marked: u64,
    /// What the ledger is told when its file is made.
    grant: Option<(Ledger, Grant)>,
}

impl std::fmt::Debug for RunningHash {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "hash of {} bytes", self.len())
    }
}

impl Partial {
    /// A new, empty one. It is made on the disk with the first write, and its name becomes durable
    /// with the first mark.
    pub fn new(name: String) -> Self {
        Self {
            name,
            file: None,
            opened: 0,
            held: Vec::new(),
            hash: RunningHash::default(),
            look: None,
            named: false,
            marked: 0,
            grant: None,
        }
    }

    /// The new one of a grant that the ledger is told of when its file is made. What becomes whole in
    /// memory tells of itself.
    pub fn granted(grant: Grant, ledger: Ledger) -> Self {
        Self { grant: Some((ledger, grant.clone())), ..Self::new(grant.spool) }
    }

    /// Tells the ledger of its grant, where that has not been done.
    pub fn tell(&mut self) -> Result<(), LedgerError> {
        self.grant.take().map_or(Ok(()), |(ledger, grant)| ledger.grant(grant))
    }

    fn open(spool: &Spool, name: &str, file: Box<dyn DiskFile>, hash: RunningHash) -> Self {
        let marked = hash.len();
        Self {
            name: name.to_owned(),
            file: Some(file),
            opened: spool.opened.fetch_add(1, Ordering::SeqCst),
            held: Vec::new(),
            hash,
            look: None,
            // Without a mark nobody flushed the folder yet.
            named: marked > 0,
            marked,
            grant: None,
        }
    }

    /// The one that a mark speaks of, cut back to the mark, and how many bytes were cut off. `None`
    /// where the disk does not hold what the mark says: then it must begin again.
    pub fn reopen(
        disk: &dyn Disk,
        spool: &Spool,
        name: &str,
        mark: &Mark,
    ) -> io::Result<Option<(Self, u64)>> {
        let file = match disk.open_write(&spool.part(name)) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            other => other?,
        };
        let hash = match mark.offset {
            0 => Some(RunningHash::default()),
            _ => RunningHash::from_bytes(&mark.hash).filter(|hash| hash.len() == mark.offset),
        };
        let len = file.len()?;
        let Some(hash) = hash.filter(|hash| len >= hash.len()) else { return Ok(None) };
        file.set_len(hash.len())?;
        let cut = len - hash.len();
        Ok(Some((Self::open(spool, name, file, hash), cut)))
    }

    /// One that was set aside, hashed again from its first byte.
    pub fn reread(disk: &dyn Disk, spool: &Spool, name: &str) -> io::Result<Self> {
        let file = disk.open_write(&spool.part(name))?;
        let mut hash = RunningHash::default();
        let mut buffer = vec![0; 256 * 1024];
        loop {
            match read_full(&*file, &mut buffer, hash.len())? {
                0 => break,
                read => hash.update(&buffer[..read]),
            }
        }
        Ok(Self::open(spool, name, file, hash))
    }

    /// Bytes written.
    pub fn len(&self) -> u64 {
        self.hash.len()
    }

    /// Whether nothing is written.
    pub fn is_empty(&self) -> bool {
        self.hash.is_empty()
    }

    /// Bytes written since the last mark.
    pub fn unmarked(&self) -> u64 {
        self.len() - self.marked
    }

    /// Goes back to the last mark, after a write or a flush failed: what lies behind it may be lost,
    /// whatever a later flush says. Gives how many bytes of [`Partial::len`] that are.
    pub fn back(self) -> u64 {
        match &self.file {
            // What cannot be cut off now is cut off, and counted so, when it is opened again.
            Some(file) if file.set_len(self.marked).is_err() => 0,
            _ => self.unmarked(),
        }
    }

    /// Whether its bytes are those that its mark speaks of. Reads all of them.
    pub(super) fn is_as_marked(&self) -> io::Result<bool> {
        let mut hash = RunningHash::default();
        while hash.len() < self.len() {
            let want = usize::try_from((self.len() - hash.len()).min(256 * 1024)).unwrap_or(256 * 1024);
            let bytes = self.read(hash.len(), want)?;
            if bytes.is_empty() {
                return Ok(false);
            }
            hash.update(&bytes);
        }
        Ok(hash.digest() == self.hash.digest())
    }

    /// Its file, where there is one, and its place in the order in which such were opened.
    pub(super) fn by_age(&self) -> Option<(u64, &dyn DiskFile)> {
        self.file.as_deref().map(|file| (self.opened, file))
    }

    /// Its running hash.
    pub fn hash(&self) -> &RunningHash {
        &self.hash
    }

    /// The hash of what is written, and the digests of its ends.
    pub fn content(&self) -> io::Result<(Digest, Edges)> {
        let (sha256, size) = (self.hash.digest(), self.len());
        let edge = EDGE as usize;
        let edges = match size <= EDGE {
            true => Edges { head: sha256, tail: sha256 },
            false => Edges {
                head: Digest::of(&self.read(0, edge)?),
                tail: Digest::of(&self.read(size - EDGE, edge)?),
            },
        };
        Ok((sha256, edges))
    }

    /// Whether nothing of it has been written to the disk.
    pub fn is_held(&self) -> bool {
        self.file.is_none()
    }

    /// Its bytes, where nothing of it has been written to the disk.
    pub(super) fn held(&self) -> Option<&[u8]> {
        self.file.is_none().then_some(&self.held)
    }

    /// Keeps the next bytes of a small one in memory.
    pub fn hold(&mut self, chunks: &[Bytes]) {
        for chunk in chunks {
            self.held.extend_from_slice(chunk);
            self.hash.update(chunk);
        }
    }

    /// Its file, made on the disk now if it was not; what was held is written.
    pub(super) fn file(&mut self, disk: &dyn Disk, spool: &Spool) -> io::Result<&dyn DiskFile> {
        let file = match self.file.take() {
            Some(file) => file,
            None => {
                self.tell().map_err(io::Error::other)?;
                let file = disk.create_new(&spool.part(&self.name), 0o600)?;
                self.opened = spool.opened.fetch_add(1, Ordering::SeqCst);
                file
            }
        };
        let file = self.file.insert(file);
        if !self.held.is_empty() {
            file.write_at(&self.held, 0)?;
            self.held = Vec::new();
        }
        Ok(&**file)
    }

    /// Writes the next bytes.
    pub fn append(&mut self, disk: &dyn Disk, spool: &Spool, chunks: &[Bytes]) -> io::Result<()> {
        self.file(disk, spool)?;
        let Some(file) = &self.file else { return Ok(()) };
        for chunk in chunks {
            file.write_at(chunk, self.hash.len())?;
            self.hash.update(chunk);
        }
        Ok(())
    }

    /// Makes all that is written durable, and says what the ledger may now claim.
    pub fn flush(&mut self, disk: &dyn Disk, spool: &Spool) -> io::Result<Mark> {
        self.file(disk, spool)?.flush()?;
        if !self.named {
            disk.flush_dir(&spool.dir)?;
            self.named = true;
        }
        crate::killpoint::pass("partial-flushed");
        self.marked = self.len();
        Ok(Mark { offset: self.marked, hash: self.hash.to_bytes(), look: self.look.take() })
    }

    /// Throws all bytes away.
    pub fn empty(&mut self) -> io::Result<()> {
        if let Some(file) = &self.file {
            file.set_len(0)?;
        }
        self.held = Vec::new();
        self.hash = RunningHash::default();
        self.marked = 0;
        Ok(())
    }

    /// Its own bytes from an offset; fewer only at its end.
    pub fn read(&self, from: u64, len: usize) -> io::Result<Vec<u8>> {
        let mut bytes = vec![0; len];
        let read = self.read_at(&mut bytes, from)?;
        bytes.truncate(read);
        Ok(bytes)
    }

    /// Its own bytes from an offset into a buffer; fewer than it holds only at its end.
    pub fn read_at(&self, buffer: &mut [u8], from: u64) -> io::Result<usize> {
        if let Some(file) = &self.file {
            return read_full(&**file, buffer, from);
        }
        let rest = usize::try_from(from).ok().and_then(|from| self.held.get(from..)).unwrap_or_default();
        let len = buffer.len().min(rest.len());
        buffer[..len].copy_from_slice(&rest[..len]);
        Ok(len)
    }
}
