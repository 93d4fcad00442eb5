//! What can be wrong with a log file.

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
