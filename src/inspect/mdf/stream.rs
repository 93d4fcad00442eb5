//! The content of a chain of data blocks as one stream of bytes.

use std::io;

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::block::{self, HEAD};
use super::chain::Chain;
use super::packed::{Outcome, Unpacked};
use super::reading::Reading;
use super::source;

/// Bytes read at a time, where few groups are read side by side.
const MOST: usize = 256 << 10;

/// And where many are. No record may be longer.
pub(super) const LEAST: usize = 64 << 10;

/// The least for values that are stored apart.
pub(super) const LEAST_OF_VALUES: usize = 1 << 10;

/// The buffers of all groups together.
const TOGETHER: usize = 8 << 20;

/// Readable bytes behind the end of the content, for fields that are read as eight bytes.
const SLACK: usize = 8;

/// Standard flag: the length of the last DT was not brought up to date.
pub(super) const LAST_DT: u16 = 0x04;

/// What asking for more brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    /// There are more bytes now.
    More,
    /// Bytes are missing here; how many, where that is known. What was in the buffer is dropped: its record goes on in them.
    Hole(Option<u64>),
    /// Nothing more comes.
    End,
}

/// Where the bytes in the buffer come from.
enum Piece {
    None,
    /// From the file: offset, bytes left.
    Plain(u64, u64),
    /// From an unpacked block: how many were given.
    Unpacked(usize),
}

/// Where a block's content begins: in the stream, in the file; packed content has its block's offset.
#[derive(Debug, Clone, Copy, Default)]
struct Origin {
    position: u64,
    at: u64,
    packed: bool,
}

/// A stream of bytes.
pub(super) struct Stream {
    chain: Chain,
    buffer: Box<[u8]>,
    start: usize,
    end: usize,
    /// The place in the stream of the first byte in the buffer.
    position: u64,
    /// Bytes that were skipped and have not come yet.
    owed: u64,
    piece: Piece,
    unpacked: Unpacked,
    here: Origin,
    before: Origin,
    /// Every block so far began with a record.
    aligned: bool,
}

impl Stream {
    /// What the link leads to, with a buffer of at least so many bytes.
    pub(super) fn new<S: Sink>(reading: &mut Reading<'_, S>, link: u64, least: usize) -> io::Result<Self> {
        Ok(Self {
            chain: Chain::new(reading, link)?,
            buffer: vec![0; (TOGETHER / reading.together.max(1)).clamp(least, MOST) + SLACK]
                .into_boxed_slice(),
            start: 0,
            end: 0,
            position: 0,
            owed: 0,
            piece: Piece::None,
            unpacked: Unpacked::default(),
            here: Origin::default(),
            before: Origin::default(),
            aligned: true,
        })
    }

    /// How many bytes are in the buffer.
    #[inline]
    pub(super) fn available(&self) -> usize {
        self.end - self.start
    }

    /// What is in the buffer, and slack behind it.
    #[inline]
    pub(super) fn window(&self) -> &[u8] {
        &self.buffer[self.start..self.end + SLACK]
    }

    /// What is in the buffer.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.buffer[self.start..self.end]
    }

    /// The place in the stream of the next byte.
    pub(super) fn position(&self) -> u64 {
        self.position
    }

    /// Whether every block so far began with a record.
    pub(super) fn aligned(&self) -> bool {
        self.aligned
    }

    /// Whether the stream ended inside what was skipped.
    pub(super) fn owes(&self) -> bool {
        self.owed > 0
    }

    /// Goes on behind `count` bytes, which may not have come yet.
    #[inline]
    pub(super) fn skip(&mut self, count: u64) {
        let here = self.available().min(usize::try_from(count).unwrap_or(usize::MAX));
        self.start += here;
        self.owed += count - here as u64;
        self.position = self.position.saturating_add(count);
    }

    /// The offset in the file of the next byte.
    pub(super) fn offset(&self) -> u64 {
        let origin = if self.position < self.here.position { self.before } else { self.here };
        if origin.packed {
            origin.at
        } else {
            origin.at.saturating_add(self.position.saturating_sub(origin.position))
        }
    }

    /// Leaves what is left of the block that the next byte is in.
    pub(super) fn leave(&mut self) {
        if self.position < self.here.position {
            self.skip(self.here.position - self.position);
            return;
        }
        let left = match &mut self.piece {
            Piece::Plain(_, left) => std::mem::take(left),
            Piece::Unpacked(given) => {
                let left = self.unpacked.bytes.len() - *given;
                *given += left;
                left as u64
            }
            Piece::None => 0,
        };
        self.position = self.position - self.owed + self.available() as u64 + left;
        (self.start, self.owed) = (self.end, 0);
    }

    /// Gets more bytes.
    pub(super) fn more<S: Sink>(&mut self, reading: &mut Reading<'_, S>) -> io::Result<Fill> {
        if reading.records == 0 {
            reading.give_up(self.offset());
            return Ok(Fill::End);
        }
        self.buffer.copy_within(self.start..self.end, 0);
        (self.start, self.end) = (0, self.end - self.start);
        let full = self.buffer.len() - SLACK;
        loop {
            let room = &mut self.buffer[self.end..full];
            let count = match &mut self.piece {
                Piece::None => 0,
                Piece::Plain(at, left) => {
                    let past = self.owed.min(*left);
                    (*at, *left, self.owed) = (*at + past, *left - past, self.owed - past);
                    let wanted = room.len().min(usize::try_from(*left).unwrap_or(usize::MAX));
                    let count = source::fill(reading.source, &mut room[..wanted], *at)?;
                    if count < wanted {
                        // It was longer when we opened it.
                        *left = count as u64;
                        reading.damage(*at + count as u64, Damage::MissingEnd);
                    }
                    (*at, *left) = (*at + count as u64, *left - count as u64);
                    count
                }
                Piece::Unpacked(given) => {
                    let left = &self.unpacked.bytes[*given..];
                    let past = left.len().min(usize::try_from(self.owed).unwrap_or(usize::MAX));
                    self.owed -= past as u64;
                    let left = &left[past..];
                    let count = room.len().min(left.len());
                    room[..count].copy_from_slice(&left[..count]);
                    *given += past + count;
                    count
                }
            };
            if count > 0 {
                self.end += count;
                return Ok(Fill::More);
            }
            if self.end == full {
                // Nobody wants more than the buffer holds.
                return Ok(Fill::End);
            }
            let Some((at, last)) = self.chain.next(reading)? else {
                self.piece = Piece::None;
                self.unpacked.drop_all(reading);
                return Ok(Fill::End);
            };
            if let Some(missing) = self.open(reading, at, last)? {
                let kept = (self.end - self.start) as u64;
                let count = missing.unwrap_or(0);
                self.position =
                    self.position.saturating_add(kept).saturating_add(count.saturating_sub(self.owed));
                self.owed = self.owed.saturating_sub(count);
                (self.start, self.end) = (0, 0);
                return Ok(Fill::Hole(missing));
            }
        }
    }

    /// Opens the block at `at`; what is missing where that does not go.
    fn open<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        at: u64,
        last: bool,
    ) -> io::Result<Option<Option<u64>>> {
        self.aligned &= self.end == self.start && self.owed == 0;
        self.piece = Piece::None;
        let head = match block::header(reading.source, at) {
            Ok(head) => head,
            Err(trouble) => return reading.trouble(trouble).map(|()| Some(None)),
        };
        let origin = Origin {
            position: self.position + self.available() as u64 - self.owed,
            at: at + HEAD,
            packed: false,
        };
        let mut end = at.saturating_add(head.length);
        let short = head.length < HEAD;
        match &head.id {
            b"DZ" => {
                if end > reading.len || short {
                    reading.damage(reading.len, Damage::MissingEnd);
                    return Ok(Some(None));
                }
                if last {
                    self.chain.beyond(reading, end)?;
                }
                if !reading.spend(at, head.length) {
                    return Ok(Some(None));
                }
                match self.unpacked.fill(reading, at, head.length, self.owed)? {
                    Outcome::Whole => self.piece = Piece::Unpacked(0),
                    Outcome::Passed(bytes) => self.owed -= bytes,
                    Outcome::Lost(missing) => return Ok(Some(missing)),
                }
                self.originate(Origin { at, packed: true, ..origin });
            }
            b"DT" | b"SD" | b"DV" => {
                if last && (short || !self.chain.beyond(reading, end)?) && reading.lacks(LAST_DT) {
                    end = end.max(reading.next_start(at)).min(reading.len).max(at + HEAD);
                } else if short {
                    reading.damage(at, Damage::BadStructure("a data block shorter than its own head"));
                    return Ok(Some(None));
                }
                if end > reading.len {
                    reading.damage(reading.len, Damage::MissingEnd);
                    end = reading.len;
                }
                if !reading.spend(at, end - at) {
                    return Ok(Some(None));
                }
                self.piece = Piece::Plain(at + HEAD, end - at - HEAD);
                self.originate(origin);
            }
            _ => {
                reading.damage(at, Damage::BadStructure("no data where a link leads to data"));
                return Ok(Some(None));
            }
        }
        Ok(None)
    }

    fn originate(&mut self, origin: Origin) {
        self.before = std::mem::replace(&mut self.here, origin);
    }
}
