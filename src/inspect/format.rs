//! Which format a file has, by its first bytes alone: names lie.

use super::candump;
use super::csv::Head;
use super::pcap::Magic;

/// A format of log files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Text of can-utils.
    Candump,
    /// Packets.
    Pcap,
    /// Blocks with packets.
    Pcapng,
    /// ASAM MDF 4.
    Mdf4,
    /// Text with named columns.
    Csv,
    /// None that is read.
    Unknown,
}

/// Bytes that are looked at, of the unpacked content.
pub(super) const LOOKED_AT: usize = 4096;
/// Lines that are looked at: the first ones may be comments, or torn.
const LINES: usize = 32;

impl Format {
    /// By the first [`LOOKED_AT`] bytes, or all there are.
    pub(super) fn detect(head: &[u8]) -> Self {
        match head {
            [a, b, c, d, ..] if Magic::new([*a, *b, *c, *d]).is_some() => return Self::Pcap,
            [0x0a, 0x0d, 0x0d, 0x0a, ..] => return Self::Pcapng,
            _ => {}
        }
        // The identification block: marks of a finished or unfinished file, then the version (ASAM MDF 4.1, ID
        // block; from memory).
        let version = head.get(8).copied();
        if (head.starts_with(b"MDF     ") || head.starts_with(b"UnFinMF ")) && version == Some(b'4') {
            return Self::Mdf4;
        }
        let mut lines =
            head.split(|byte| *byte == b'\n').map(|line| line.strip_suffix(b"\r").unwrap_or(line));
        let mut told = lines.by_ref().filter(|line| !line.is_empty() && !line.starts_with(b"#")).take(LINES);
        let Some(first) = told.next() else { return Self::Unknown };
        if Head::new(first).is_some() {
            return Self::Csv;
        }
        match candump::is_frame(first) || told.any(candump::is_frame) {
            true => Self::Candump,
            false => Self::Unknown,
        }
    }

    /// Its word.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Candump => "candump",
            Self::Pcap => "pcap",
            Self::Pcapng => "pcapng",
            Self::Mdf4 => "mdf4",
            Self::Csv => "csv",
            Self::Unknown => "unknown",
        }
    }
}
