//! What can go wrong with an archive.

use std::fmt;
use std::io;

/// What came of an attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ArchiveFailure {
    /// The place is not there, or does not answer within the deadline.
    Away,
    /// It is there and holds something else: not empty and not an archive.
    NotAnArchive,
    /// It is full or over a quota.
    Full,
    /// It refuses: rights, read-only.
    Refused,
    /// A read or a flush failed there.
    Broken,
    /// The spool's own file could not be read.
    Source,
}

impl ArchiveFailure {
    /// It concerns the whole archive. Anything else may be one file's or folder's own trouble.
    pub fn is_outage(self) -> bool {
        matches!(self, Self::Away | Self::NotAnArchive | Self::Full)
    }
}

/// A failed attempt, with what was said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArchiveError {
    /// What kind of trouble.
    pub failure: ArchiveFailure,
    /// For a person: the place and the system's words.
    pub detail: String,
}

impl ArchiveError {
    /// A failure and its words.
    pub fn new(failure: ArchiveFailure, detail: impl fmt::Display) -> Self {
        Self { failure, detail: detail.to_string() }
    }

    /// What a person should do when it does not pass by itself.
    pub fn help(&self) -> &'static str {
        match self.failure {
            ArchiveFailure::Away => {
                "See whether the share is mounted and its server answers; nothing is lost meanwhile."
            }
            ArchiveFailure::NotAnArchive => {
                "See whether the right share is mounted; an archive begins in an empty folder."
            }
            ArchiveFailure::Full => "Make room on the archive; files wait in the spool until then.",
            ArchiveFailure::Refused => "Give the service's user the right to write there.",
            ArchiveFailure::Broken => "Look at the archive's disk: a read or a flush failed.",
            ArchiveFailure::Source => "Look at the depot PC's own disk: the spool could not be read.",
        }
    }
}

impl fmt::Display for ArchiveError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self.failure {
            ArchiveFailure::Away => "is away",
            ArchiveFailure::NotAnArchive => "is not an archive",
            ArchiveFailure::Full => "is full",
            ArchiveFailure::Refused => "refuses",
            ArchiveFailure::Broken => "failed",
            ArchiveFailure::Source => "could not be given a file, since the spool failed",
        };
        write!(f, "{what}: {}", self.detail)
    }
}

impl std::error::Error for ArchiveError {}

/// What a failed system call at a place in the archive means. Numbers are `errno` of Linux.
pub(super) fn of_io(place: &dyn fmt::Display, error: &io::Error) -> ArchiveError {
    use io::ErrorKind as Kind;
    let failure = match error.kind() {
        Kind::StorageFull | Kind::QuotaExceeded => ArchiveFailure::Full,
        Kind::PermissionDenied | Kind::ReadOnlyFilesystem => ArchiveFailure::Refused,
        Kind::NotFound
        | Kind::NotADirectory
        | Kind::StaleNetworkFileHandle
        | Kind::TimedOut
        | Kind::NotConnected
        | Kind::ConnectionRefused
        | Kind::ConnectionReset
        | Kind::ConnectionAborted
        | Kind::HostUnreachable
        | Kind::NetworkUnreachable
        | Kind::NetworkDown => ArchiveFailure::Away,
        _ => match error.raw_os_error() {
            // EHOSTDOWN, ENODEV, ENXIO: the server or the disk behind the mount has gone.
            Some(112 | 19 | 6) => ArchiveFailure::Away,
            // EFBIG, ENAMETOOLONG, EILSEQ: it cannot hold such a file.
            Some(27 | 36 | 84) => ArchiveFailure::Refused,
            _ => ArchiveFailure::Broken,
        },
    };
    ArchiveError::new(failure, format!("{place}: {error}"))
}
