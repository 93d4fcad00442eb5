//! Archives: where whole files go for good.
//!
//! An adapter makes one attempt and knows no ledger. The protocol that makes a content stand in an
//! archive once is `forward`'s.
//!
//! Objects have keys: relative paths with `/`, whose parts are safe names already. Keys below
//! `.yarder/` are the archive's own keeping.

#[cfg(test)]
pub(crate) mod conformance;
mod error;
mod file;
mod in_use;
mod names;
mod patience;
mod pool;
mod room;
mod transfer;

use std::path::PathBuf;

use async_trait::async_trait;

pub use error::{ArchiveError, ArchiveFailure};
pub use file::FileArchive;
pub use in_use::Archives;
pub use names::{MAX_KEY, fit_part, fold, is_key, mark, safe_part, unsafe_part};
pub use pool::Pool;
pub use room::{IDENTITY, Publish};

use crate::model::Digest;

/// Largest small object (claim, receipt, archive.json) that is read.
pub const SMALL: usize = 4 * 1024 * 1024;

/// The outcome of a conditional create.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Created {
    /// It was not there; it is now, durably.
    New,
    /// Something stands there already; nothing was changed.
    Exists,
}

/// A whole file that is to be stored.
#[derive(Debug, Clone)]
pub struct StoreItem {
    /// In which file it lies.
    pub source: PathBuf,
    /// At which byte of that file it begins.
    pub at: u64,
    /// That file is the spool's own and holds nothing else; it will go: the two may share their blocks
    /// for a while.
    pub own: bool,
    /// The key to create.
    pub key: String,
    /// Its length in bytes.
    pub size: u64,
    /// Its hash, compared with what the copy reads back as.
    pub sha256: Digest,
}

/// The outcome of one store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stored {
    /// It was created; `shared` when it is a link or reflink of the spool's file, and so no second
    /// copy.
    New {
        /// Shares its blocks with the spool.
        shared: bool,
    },
    /// Something stands at the key already; nothing was changed.
    Exists,
}

/// How a copy was read back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verified {
    /// From the medium or the server, past this machine's cache.
    DiskRead,
    /// From the server, which may have answered from a cache of its own.
    ServerRead,
    /// The server stated a digest of the whole object.
    ServerDigest,
    /// The length alone.
    Length,
}

impl Verified {
    /// The word in receipts.
    pub fn as_str(self) -> &'static str {
        match self {
            Verified::DiskRead => "disk-read",
            Verified::ServerRead => "server-read",
            Verified::ServerDigest => "server-digest",
            Verified::Length => "length",
        }
    }

    /// The reverse of [`Verified::as_str`].
    pub fn parse(text: &str) -> Option<Self> {
        [Verified::DiskRead, Verified::ServerRead, Verified::ServerDigest, Verified::Length]
            .into_iter()
            .find(|v| v.as_str() == text)
    }
}

/// What was read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadBack {
    /// Its length in bytes.
    pub size: u64,
    /// Its hash.
    pub sha256: Digest,
    /// How it was read.
    pub how: Verified,
}

/// One archive. Every call has the adapter's own deadline; an error is about the archive as a
/// whole (an outage), an answer about an object is an `Ok` in its place. Groups share flushes; their
/// results come in the order of the items.
#[async_trait]
pub trait Archive: Send + Sync {
    /// What `.yarder/archive.json` holds; `None` where there is none and the archive is empty
    /// (`lost+found` aside). A missing or non-empty place without it is an error. Nothing is created.
    async fn identify(&self) -> Result<Option<Vec<u8>>, ArchiveError>;

    /// From now on every other call first sees that the identity still holds these bytes, and is
    /// `Away` where it does not. Before the first `accept` only the identity can be created.
    fn accept(&self, identity: &[u8]);

    /// Creates small objects that are not there yet, each durable when this returns.
    async fn create(&self, objects: Vec<(String, Vec<u8>)>) -> Result<Vec<Created>, ArchiveError>;

    /// Small objects as they stand; `None` for each that is not there. One of more than [`SMALL`]
    /// bytes is none of ours and reads as empty.
    async fn get(&self, keys: Vec<String>) -> Result<Vec<Option<Vec<u8>>>, ArchiveError>;

    /// Stores files under keys that are not taken, each durable when this returns.
    async fn store(&self, items: Vec<StoreItem>) -> Result<Vec<Stored>, ArchiveError>;

    /// The same, and reads those back that can be read before they have their names: one with other
    /// bytes is an error, and gets none. A copy that was not read has no reading.
    async fn store_and_read(
        &self,
        items: Vec<StoreItem>,
    ) -> Result<Vec<(Stored, Option<ReadBack>)>, ArchiveError> {
        Ok(self.store(items).await?.into_iter().map(|stored| (stored, None)).collect())
    }

    /// Where a copy can be read as a file of this machine, if it can be.
    fn file(&self, key: &str) -> Option<PathBuf> {
        let _ = key;
        None
    }

    /// Reads copies back, past any cache of this machine; `None` for each that is not there.
    async fn read_back(&self, keys: Vec<String>) -> Result<Vec<Option<ReadBack>>, ArchiveError>;

    /// Writes a text of our own keeping over what was there (a manifest). Never a stored file.
    async fn replace(&self, key: String, bytes: Vec<u8>) -> Result<(), ArchiveError>;

    /// Puts the right bytes in the place of a copy that is missing or has others: the one case in which a
    /// stored file is replaced. `false`, and nothing done, where what stands there is right. A source that
    /// does not have these bytes is [`ArchiveFailure::Source`].
    async fn repair(&self, item: StoreItem) -> Result<bool, ArchiveError> {
        Err(ArchiveError::new(ArchiveFailure::Refused, format!("{} cannot be repaired there", item.key)))
    }

    /// Up to `limit` keys (files only) that begin with `prefix` (a whole folder, ending with `/`)
    /// and come after `after`, in byte order, folders entered.
    async fn list(
        &self,
        prefix: String,
        after: String,
        limit: usize,
    ) -> Result<Vec<(String, u64)>, ArchiveError>;
}
