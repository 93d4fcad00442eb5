//! What can be wrong with a log file.

/// Bytes of the largest file that FAT32 can hold: its size has 32 bits (Microsoft FAT specification, 6).
pub const FAT_LARGEST: u64 = 4_294_967_295;

/// One thing that is wrong with a file. Offsets and lengths are in bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Damage {
    /// There is nothing in it.
    Empty,
    /// The last line has no end.
    CutLine,
    /// A line that is none of the format's.
    BadLine,
    /// The last record, packet or block is shorter than it says.
    TornRecord,
    /// The file ends in this many zero bytes that nobody wrote.
    NulTail(u64),
    /// It is as large as a file on a FAT card can be ([`FAT_LARGEST`]): what came after that was not recorded.
    FatLimit,
    /// The file ends before a part that it points to.
    MissingEnd,
    /// A part's own check value or its packing does not agree with its bytes.
    BadChecksum,
    /// The recorder did not finish the file; its standard flags (MDF 4, ID block, byte 60).
    Unfinalised(u16),
    /// Counts that the file states and its content differ.
    CountMismatch {
        /// What the file says.
        stated: u64,
        /// What is there.
        found: u64,
    },
    /// Its structure contradicts itself or exceeds what we follow; what was met.
    BadStructure(&'static str),
}

impl Damage {
    /// The word for it in output.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::CutLine => "cut-line",
            Self::BadLine => "bad-line",
            Self::TornRecord => "torn-record",
            Self::NulTail(_) => "nul-tail",
            Self::FatLimit => "fat-limit",
            Self::MissingEnd => "missing-end",
            Self::BadChecksum => "bad-checksum",
            Self::Unfinalised(_) => "unfinalised",
            Self::CountMismatch { .. } => "count-mismatch",
            Self::BadStructure(_) => "bad-structure",
        }
    }
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Empty => f.write_str("there is nothing in it"),
            Self::CutLine => f.write_str("its last line has no end"),
            Self::BadLine => f.write_str("a line is none of its format's"),
            Self::TornRecord => f.write_str("the last record is shorter than it says"),
            Self::NulTail(bytes) => write!(f, "it ends in {bytes} zero bytes that nobody wrote"),
            Self::FatLimit => f.write_str("it is as large as a file on its card can be, and goes no further"),
            Self::MissingEnd => f.write_str("it ends before a part that it points to"),
            Self::BadChecksum => f.write_str("a check value does not agree with its bytes"),
            Self::Unfinalised(flags) => write!(f, "its recorder did not finish it (flags {flags:#06x})"),
            Self::CountMismatch { stated, found } => write!(f, "it states {stated} records and has {found}"),
            Self::BadStructure(what) => write!(f, "its structure is wrong: {what}"),
        }
    }
}
