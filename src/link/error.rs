//! What can go wrong with a link, in terms that say what to do next.

use std::fmt;

/// What came of an attempt. The variants differ in what the caller does about them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkFailure {
    /// Nothing answers at the address.
    Absent,
    /// The connection ended, or was silent for `idle_timeout`, before the answer did.
    Cut,
    /// The logger asks to come back later (421, 503, too many clients).
    Busy,
    /// The login was refused.
    Login,
    /// What came is no listing; the title or first words of what came instead.
    NotAListing {
        /// At most 80 printable characters.
        title: String,
    },
    /// The file or folder is not there (404, 550).
    NotFound,
    /// The file is there and may not be read (403).
    Forbidden,
    /// The file is not what it was when its first bytes were read (412, another total, another tag).
    Changed,
    /// The offset is beyond the file's end (416, 554).
    BeyondEnd,
    /// An answer outside the protocol, or outside our bounds.
    Protocol,
}

/// A failed attempt, with what was said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkError {
    /// What to do about it.
    pub failure: LinkFailure,
    /// For a person and the event log: the logger's own words where it said any. Never a secret.
    pub detail: String,
}

impl LinkError {
    /// A failure and its words; control characters and overlong text are cut.
    pub fn new(failure: LinkFailure, detail: impl fmt::Display) -> Self {
        let detail = detail.to_string().chars().filter(|c| !c.is_control()).take(300).collect();
        Self { failure, detail }
    }

    /// A shorthand for the most frequent one.
    pub fn cut(detail: impl fmt::Display) -> Self {
        Self::new(LinkFailure::Cut, detail)
    }

    /// A shorthand.
    pub fn protocol(detail: impl fmt::Display) -> Self {
        Self::new(LinkFailure::Protocol, detail)
    }

    /// Whether the logger answered within the protocol, so that the conversation can go on and the
    /// failure concerns this file alone.
    pub fn is_answer(&self) -> bool {
        matches!(
            self.failure,
            LinkFailure::NotFound | LinkFailure::Forbidden | LinkFailure::Changed | LinkFailure::BeyondEnd
        )
    }

    /// What a person should do when it does not pass by itself.
    pub fn help(&self) -> &'static str {
        match self.failure {
            LinkFailure::Absent => "See whether the vehicle stands in range and its logger has power.",
            LinkFailure::Cut => {
                "Nothing if it passes; otherwise look at the signal where the vehicle stands."
            }
            LinkFailure::Busy => "See whether another program reads this logger at the same time.",
            LinkFailure::Login => "Check user and password of this logger in vehicles.toml.",
            LinkFailure::NotAListing { .. } => {
                "Open the logger's address in a browser and correct `url` in vehicles.toml."
            }
            LinkFailure::NotFound => "Check the folder in the logger's `url`.",
            LinkFailure::Forbidden => "Check the rights of this login on the logger.",
            LinkFailure::Changed => "Nothing: the file is read again. If it stays, set `settle` longer.",
            LinkFailure::BeyondEnd => "Nothing: the file is looked at again.",
            LinkFailure::Protocol => "Run `yarder probe` on this logger and look at what it answers.",
        }
    }
}

impl fmt::Display for LinkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match &self.failure {
            LinkFailure::Absent => "does not answer",
            LinkFailure::Cut => "the connection was cut",
            LinkFailure::Busy => "is busy",
            LinkFailure::Login => "refused the login",
            LinkFailure::NotAListing { title } => {
                return write!(f, "answered with \"{title}\" instead of a listing ({})", self.detail);
            }
            LinkFailure::NotFound => "has no such file",
            LinkFailure::Forbidden => "does not let this login read it",
            LinkFailure::Changed => "the file changed",
            LinkFailure::BeyondEnd => "the file is shorter than it was",
            LinkFailure::Protocol => "answered in no way that we know",
        };
        if self.detail.is_empty() { f.write_str(what) } else { write!(f, "{what}: {}", self.detail) }
    }
}

impl std::error::Error for LinkError {}
