//! One recorded CAN frame, and where readers put what they read.

use super::damage::Damage;

/// What a frame is, besides its identifier and bytes (ISO 11898-1).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Kind(u8);

impl Kind {
    /// A classic data frame with an 11-bit identifier.
    pub const DATA: Self = Self(0);
    /// The identifier has 29 bits.
    pub const EXTENDED: Self = Self(1);
    /// A remote frame: asks for data, carries none.
    pub const REMOTE: Self = Self(1 << 1);
    /// An error frame, or a controller's report of one.
    pub const ERROR: Self = Self(1 << 2);
    /// A CAN FD frame.
    pub const FD: Self = Self(1 << 3);
    /// Its data phase ran at the data bit rate (FD).
    pub const BRS: Self = Self(1 << 4);
    /// Its sender was error passive (FD).
    pub const ESI: Self = Self(1 << 5);
    /// The logger sent it itself.
    pub const SENT: Self = Self(1 << 6);

    /// Both.
    #[must_use]
    pub const fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether every mark of `other` is here.
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }
}

/// The payload length of a frame by its length code (ISO 11898-1; codes above 8 are of CAN FD).
pub(super) const LENGTHS: [u8; 16] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];

/// One frame as it was recorded. The bytes live in the reader's buffer.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    /// Nanoseconds since 1970-01-01T00:00:00Z by the logger's clock, as recorded.
    pub at: i64,
    /// Which bus, counted from 0 in order of first appearance in the file.
    pub bus: u8,
    /// The identifier: 11 or 29 bits; of an error frame, the error class bits.
    pub id: u32,
    /// What it is.
    pub kind: Kind,
    /// Its payload length in bytes on the bus, 0..=64 (of a remote frame: what it asks for).
    pub len: u8,
    /// The payload bytes that were recorded: `len` of them, fewer where the recorder kept fewer.
    pub data: &'a [u8],
}

/// Takes what a reader reads, in the order of the file.
pub trait Sink {
    /// A frame.
    fn frame(&mut self, frame: &Frame<'_>);
    /// The recorder says that it lost frames here; how many, where it tells.
    fn dropped(&mut self, frames: Option<u64>);
    /// Something is wrong with the file at this byte offset (of the unpacked content).
    fn damage(&mut self, at: u64, damage: Damage);
    /// A bus has a name (interface name, channel name).
    fn bus(&mut self, bus: u8, name: &str);
}
