//! What a logger says of a file, and how strongly a copy of it was checked.

use jiff::Timestamp;

use super::RemotePath;

/// A size as a listing shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ListedSize {
    /// In bytes.
    Exact(u64),
    /// Rounded for the reader (`5.0M`): a hint that something changed, never a size.
    Rounded(String),
    /// Not shown.
    Unknown,
}

/// How fine a listed time is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Precision {
    /// To the day (an old entry of an FTP `LIST`).
    Day,
    /// To the minute.
    Minute,
    /// To the second or finer.
    Second,
}

/// A time as a listing shows it, converted with the kind's zone where the form tells none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ListedTime {
    /// The moment it names, the fields not shown being zero.
    pub at: Timestamp,
    /// What is shown.
    pub precision: Precision,
    /// Whether the form itself fixes the zone (`GMT`, MLSD); else it was assumed.
    pub zone_told: bool,
}

/// One entry of a listing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RemoteFile {
    /// Relative to the logger's address.
    pub path: RemotePath,
    /// As shown.
    pub size: ListedSize,
    /// As shown.
    pub time: Option<ListedTime>,
    /// An entity tag or unique fact, where the listing has one.
    pub validator: Option<String>,
}

impl RemoteFile {
    /// Size, time and validator as one text: equal texts of the same listing dialect say that
    /// nothing visible changed.
    pub fn fingerprint(&self) -> String {
        let size = match &self.size {
            ListedSize::Exact(n) => n.to_string(),
            ListedSize::Rounded(text) => format!("~{text}"),
            ListedSize::Unknown => "-".to_owned(),
        };
        let time = self.time.map_or_else(|| "-".to_owned(), |t| t.at.as_second().to_string());
        match &self.validator {
            Some(tag) => format!("{size} {time} {tag}"),
            None => format!("{size} {time}"),
        }
    }

    /// Whether the entry alone fixes size and time exactly, so that no look is needed.
    pub fn is_exact(&self) -> bool {
        matches!(self.size, ListedSize::Exact(_))
            && self.time.is_some_and(|t| t.precision == Precision::Second && t.zone_told)
    }
}

/// A file's exact identity on the logger at one moment (HTTP `HEAD` or response headers, FTP
/// `SIZE` and `MDTM`, or an exact listing entry).
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Look {
    /// In bytes; `None` where the logger does not tell it at all.
    pub size: Option<u64>,
    /// Last change, to the millisecond.
    pub time: Option<Timestamp>,
    /// Entity tag without `W/`, or another opaque validator.
    pub validator: Option<String>,
    /// Whether the validator is a strong one (RFC 9110, 8.8.1).
    pub strong: bool,
}

impl Look {
    /// The validator as one text, weak ones marked as in RFC 9110, 8.8.3.
    pub fn validator_text(&self) -> Option<String> {
        self.validator.as_ref().map(|tag| if self.strong { tag.clone() } else { format!("W/{tag}") })
    }

    /// The reverse of [`Look::validator_text`].
    pub fn with_validator_text(mut self, text: Option<String>) -> Self {
        let text = text.as_deref();
        self.strong = text.is_some_and(|t| !t.starts_with("W/"));
        self.validator = text.map(|t| t.strip_prefix("W/").unwrap_or(t).to_owned());
        self
    }

    /// Whether two looks may be of the same content: what both tell is equal. Times are compared
    /// to the second, since some servers cut the fraction in one reply and not in the other.
    pub fn agrees(&self, other: &Look) -> bool {
        fn both<T: PartialEq>(a: &Option<T>, b: &Option<T>) -> bool {
            match (a, b) {
                (Some(a), Some(b)) => a == b,
                _ => true,
            }
        }
        both(&self.size, &other.size)
            && both(&self.time.map(|t| t.as_second()), &other.time.map(|t| t.as_second()))
            && both(&self.validator, &other.validator)
    }
}

/// How strongly a copy was checked, weakest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Proof {
    /// A pushed upload whose length was never told.
    None,
    /// The byte count alone.
    Length,
    /// The channel authenticates every byte; says nothing of the card.
    Secured,
    /// Read twice over separate requests, equal.
    Reread,
    /// The logger stated a digest and it matched.
    Digest,
}

impl Proof {
    /// The word used in configuration, receipts and reports.
    pub fn as_str(self) -> &'static str {
        match self {
            Proof::None => "none",
            Proof::Length => "length",
            Proof::Secured => "secured",
            Proof::Reread => "reread",
            Proof::Digest => "digest",
        }
    }

    /// The reverse of [`Proof::as_str`].
    pub fn parse(text: &str) -> Option<Self> {
        [Proof::None, Proof::Length, Proof::Secured, Proof::Reread, Proof::Digest]
            .into_iter()
            .find(|p| p.as_str() == text)
    }
}
