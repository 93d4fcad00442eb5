//! A file of which not all bytes are here yet. Blocking: call on a thread that may wait.

use std::io;

use bytes::Bytes;

use super::Spool;
use crate::durable::{Disk, DiskFile, read_full};
use crate::ledger::Mark;
use crate::model::{Digest, EDGE, Edges, RunningHash};

/// An open partial: its bytes from 0 to `hash.len()` are written, those up to the last mark are
/// durable.
#[derive(Debug)]
pub struct Partial {
    /// Its name in the spool.
    pub name: String,
    pub(super) file: Box<dyn DiskFile>,
    hash: RunningHash,
    named: bool,
    marked: u64,
}

impl std::fmt::Debug for RunningHash {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "hash of {} bytes", self.len())
    }
}

impl Partial {
    /// A new, empty one. Its name becomes durable with the first mark.
    pub fn create(disk: &dyn Disk, spool: &Spool, name: &str) -> io::Result<Self> {
        let file = disk.create_new(&spool.part(name), 0o600)?;
        Ok(Self { name: name.to_owned(), file, hash: RunningHash::default(), named: false, marked: 0 })
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
        let marked = hash.len();
        file.set_len(marked)?;
        Ok(Some((Self { name: name.to_owned(), file, hash, named: true, marked }, len - marked)))
    }

    /// One that was set aside, hashed again from its first byte. A kill between its publishing and
    /// the commit has left it under its final name: it gets its old one back.
    pub fn reread(disk: &dyn Disk, spool: &Spool, name: &str) -> io::Result<Self> {
        if disk.stat(&spool.part(name))?.is_none() && disk.stat(&spool.whole(name))?.is_some() {
            disk.rename(&spool.whole(name), &spool.part(name))?;
        }
        let file = disk.open_write(&spool.part(name))?;
        let mut hash = RunningHash::default();
        let mut buffer = vec![0; 256 * 1024];
        loop {
            match read_full(&*file, &mut buffer, hash.len())? {
                0 => break,
                read => hash.update(&buffer[..read]),
            }
        }
        let marked = hash.len();
        Ok(Self { name: name.to_owned(), file, hash, named: true, marked })
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
        // What cannot be cut off now is cut off when it is opened again.
        let _ = self.file.set_len(self.marked);
        self.unmarked()
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

    /// Writes the next bytes.
    pub fn append(&mut self, chunks: &[Bytes]) -> io::Result<()> {
        for chunk in chunks {
            self.file.write_at(chunk, self.hash.len())?;
            self.hash.update(chunk);
        }
        Ok(())
    }

    /// Makes all that is written durable, and says what the ledger may now claim.
    pub fn flush(&mut self, disk: &dyn Disk, spool: &Spool) -> io::Result<Mark> {
        self.file.flush()?;
        if !self.named {
            disk.flush_dir(&spool.dir)?;
            self.named = true;
        }
        crate::killpoint::pass("partial-flushed");
        self.marked = self.len();
        Ok(Mark { offset: self.marked, hash: self.hash.to_bytes() })
    }

    /// Throws all bytes away.
    pub fn empty(&mut self) -> io::Result<()> {
        self.file.set_len(0)?;
        self.hash = RunningHash::default();
        self.marked = 0;
        Ok(())
    }

    /// Its own bytes from an offset; fewer only at its end.
    pub fn read(&self, from: u64, len: usize) -> io::Result<Vec<u8>> {
        let mut bytes = vec![0; len];
        let read = read_full(&*self.file, &mut bytes, from)?;
        bytes.truncate(read);
        Ok(bytes)
    }
}
