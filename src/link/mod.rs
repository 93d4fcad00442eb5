//! Links: what a logger offers, over whichever protocol it speaks.
//!
//! A link makes one attempt at one thing and says exactly what came of it. It knows no ledger, no
//! retry and no schedule. Protocol quirks end here: above, nobody asks for a protocol's name.
//!
//! Everything that arrives is hostile: names, sizes, listings and bodies are bounded here.

mod dialer;
mod ends;
mod error;
pub mod ftp;
pub mod http;
mod select;
mod serial;
mod time;

use std::sync::Arc;

use async_trait::async_trait;
use bytes::Bytes;
use jiff::Timestamp;

pub use dialer::NetDialer;
pub use ends::{Ends, read_ends};
pub use error::{LinkError, LinkFailure};
pub use select::{Patterns, propose};
pub use serial::{Told, tells};
pub use time::parse_http_date;

use crate::config::{Logger, Poll, SerialFrom};
use crate::model::{Look, OfferedDigest, RemoteFile, RemotePath};
use crate::remove::Permit;

/// Bounds on one listing; beyond them it is not whole.
#[derive(Debug, Clone, Copy)]
pub struct ListCaps {
    /// Bytes over all folders.
    pub bytes: u64,
    /// Files and folders over all folders.
    pub entries: usize,
    /// Folders within folders.
    pub depth: usize,
    /// For all folders together.
    pub time: std::time::Duration,
}

impl Default for ListCaps {
    fn default() -> Self {
        Self {
            bytes: 64 * 1024 * 1024,
            entries: 200_000,
            depth: 16,
            time: std::time::Duration::from_secs(300),
        }
    }
}

/// Why a listing is not whole: a folder that failed, or a cap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// The folder (empty at the top).
    pub folder: Vec<u8>,
    /// For the event log and the finding.
    pub why: String,
}

/// Files that the kind's patterns keep out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Skipped {
    /// How many.
    pub files: u64,
    /// The first ones, at most a hundred.
    pub some: Vec<RemotePath>,
}

impl Skipped {
    /// One more.
    pub fn add(&mut self, path: RemotePath) {
        self.files += 1;
        if self.some.len() < 100 {
            self.some.push(path);
        }
    }
}

/// What a logger offered at one moment. Every folder that could be read is in it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Listing {
    /// Files that the kind's patterns let through and folders led to, in the order of their paths.
    pub files: Vec<RemoteFile>,
    /// What the patterns kept out.
    pub skipped: Skipped,
    /// What was not seen; empty for a whole listing.
    pub missing: Vec<Missing>,
    /// Which form it had, for `probe` and the event log: `nginx html`, `MLSD`.
    pub dialect: &'static str,
    /// The logger's own clock, where it told it (HTTP `Date`).
    pub server_time: Option<Timestamp>,
}

impl Listing {
    /// Whether every folder was entered and ended, and no cap was met: only such a listing
    /// proves that a file is absent.
    pub fn is_whole(&self) -> bool {
        self.missing.is_empty()
    }
}

/// What a link can do, as data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LinkCaps {
    /// Every byte is authenticated on the way (TLS, SSH).
    pub secured: bool,
    /// Whether a read may begin behind the first byte. `None` until it was tried.
    pub resumes: Option<bool>,
}

/// How a read began.
#[derive(Debug, Clone)]
pub struct Opened {
    /// The offset of the first byte that will come: never behind the one asked for, but it may lie
    /// before it (0 when the logger begins again).
    pub from: u64,
    /// What the logger says of the file in this reply.
    pub look: Look,
    /// A digest of the whole file stated in this reply.
    pub digest: Option<OfferedDigest>,
}

/// One conversation with one logger. Dropping it ends the conversation.
///
/// At most one read is open at a time. After an error that is not [`LinkError::is_answer`] the link
/// reconnects by itself on the next call.
#[async_trait]
pub trait Link: Send {
    /// What it can do.
    fn caps(&self) -> LinkCaps;

    /// Everything the logger offers that the patterns of its kind want. A page in no known dialect
    /// at the top is [`LinkFailure::NotAListing`]; a folder below that fails is in `missing`.
    async fn list(&mut self, caps: &ListCaps) -> Result<Listing, LinkError>;

    /// The file's exact size, time and validator now.
    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError>;

    /// Begins a read at `from`. `expect` is what the file was when its first bytes were read; a
    /// strong validator in it makes the request conditional where the protocol can. `from` is
    /// never beyond the expected size.
    async fn open(&mut self, path: &RemotePath, from: u64, expect: &Look) -> Result<Opened, LinkError>;

    /// The next bytes of the open read; `None` once the logger said that this was the end (FTP:
    /// after its closing 226; HTTP: after the announced length). An early end is an error
    /// ([`LinkFailure::Cut`]), as is silence for `idle_timeout`. A call may be given up and made
    /// again: nothing is lost by that.
    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError>;

    /// Ends the open read before its end, in whatever way the protocol needs.
    async fn stop(&mut self);

    /// Bytes `from..from + len` (fewer at the end of the file), `len` at most 64 KiB.
    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError>;

    /// A digest that the logger states for the whole file on request or in a side file.
    async fn digest(&mut self, path: &RemotePath) -> Result<Option<OfferedDigest>, LinkError>;

    /// The text in which the logger says who it is; one of more than [`MAX_SAYS`] bytes is cut there.
    async fn says(&mut self, from: &SerialFrom) -> Result<String, LinkError> {
        Err(LinkError::new(LinkFailure::NotFound, format!("it has no way to tell {from:?}")))
    }

    /// Asks the logger to delete a file, once. That it said yes does not prove that the file is gone.
    /// One that it will not delete, or cannot, is [`LinkFailure::Forbidden`]; where an answer does not tell
    /// whether the file was deleted, or none comes, the failure is no [`LinkError::is_answer`].
    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        Err(LinkError::new(LinkFailure::Forbidden, format!("it has no way to delete {}", permit.path())))
    }
}

/// Bytes in which a logger says who it is.
pub const MAX_SAYS: u64 = 16 * 1024;

/// Makes links, and knocks. The seam behind which simulated loggers stand.
#[async_trait]
pub trait Dialer: Send + Sync {
    /// The cheap look whether a logger answers: one TCP connect to the first of its addresses that
    /// takes it. Gives that address' place in the list.
    async fn knock(&self, logger: &Logger, poll: &Poll) -> Result<usize, LinkError>;

    /// A link to one of the logger's addresses. May connect at once or at the first call.
    async fn dial(
        &self,
        logger: &Arc<Logger>,
        address: usize,
        poll: &Poll,
    ) -> Result<Box<dyn Link>, LinkError>;
}
