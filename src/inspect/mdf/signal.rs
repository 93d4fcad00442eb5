//! Payloads that are stored apart from their records.
//!
//! Signal data is a row of values, each a length (u32) and its bytes; a record has the offset of its value. It lies in blocks
//! of its own (SD), or in the records of a group of variable length (VLSD) among all others, whose values count as if they
//! were stored one after the other (ASAM MDF 4.1, SD and CG; from memory, confirmed with asammdf).

use std::io;
use std::ops::Range;

use super::super::frame::Sink;
use super::block;
use super::reading::Reading;
use super::stream::{Fill, LEAST_OF_VALUES, Stream};

/// No frame has more bytes.
pub(super) const MOST: usize = 64;

/// How many bytes of values we keep until their records come, of all groups together.
const KEPT: usize = 16 << 20;

/// And of one group at least.
const KEPT_OF_ONE: usize = 256;

/// A payload in the hand.
#[derive(Debug, Clone, Copy)]
pub(super) struct Value {
    bytes: [u8; MOST],
    len: usize,
}

impl Value {
    pub(super) fn of(bytes: &[u8]) -> Self {
        let len = bytes.len().min(MOST);
        let mut value = Self { bytes: [0; MOST], len };
        value.bytes[..len].copy_from_slice(&bytes[..len]);
        value
    }

    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes[..self.len]
    }
}

/// Signal data in blocks of its own, read along with the records.
pub(super) struct Signal {
    stream: Stream,
    link: u64,
    /// Values that are lost.
    lost: Range<u64>,
}

impl Signal {
    pub(super) fn new<S: Sink>(reading: &mut Reading<'_, S>, link: u64) -> io::Result<Self> {
        Ok(Self { stream: Stream::new(reading, link, LEAST_OF_VALUES)?, link, lost: 0..0 })
    }

    /// The value at this offset; `None` where there is none.
    pub(super) fn value<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        offset: u64,
    ) -> io::Result<Option<Value>> {
        let position = self.stream.position();
        if offset < position {
            if self.lost.contains(&offset) || reading.rewinds == 0 {
                return Ok(None);
            }
            reading.rewinds -= 1;
            reading.budget = reading.budget.saturating_add(reading.len);
            self.stream = Stream::new(reading, self.link, LEAST_OF_VALUES)?;
        }
        self.stream.skip(offset - self.stream.position());
        let mut wanted = 4;
        loop {
            if self.stream.available() >= wanted {
                let bytes = self.stream.bytes();
                let length = (block::u64_at(self.stream.window(), 0) & 0xFFFF_FFFF) as usize;
                match bytes.get(4..4 + length.min(MOST)) {
                    Some(bytes) => return Ok(Some(Value::of(bytes))),
                    None => wanted = 4 + length.min(MOST),
                }
            }
            match self.stream.more(reading)? {
                Fill::More => {}
                Fill::Hole(_) => {
                    self.lost = offset..self.stream.position();
                    return Ok(None);
                }
                Fill::End => return Ok(None),
            }
        }
    }
}

/// The latest values of a group of variable length.
#[derive(Debug)]
pub(super) struct Values {
    /// Each with its length in front.
    bytes: Vec<u8>,
    /// How many of them are kept at least, and half of how many at most.
    kept: usize,
    /// The offset of the first byte.
    first: u64,
    /// The offset of the value that the next record without a valid offset has.
    pub(super) next: u64,
    /// Records come before their values here.
    late: bool,
    /// Values are missing, so that we do not know the offset of the next one.
    lost: bool,
}

impl Values {
    /// Of one of so many groups that are read side by side.
    pub(super) fn new(groups: usize) -> Self {
        let kept = (KEPT / 2 / groups.max(1)).max(KEPT_OF_ONE);
        Self { bytes: Vec::new(), kept, first: 0, next: 0, late: false, lost: false }
    }

    /// The offset of the value that comes next.
    pub(super) fn end(&self) -> u64 {
        self.first + self.bytes.len() as u64
    }

    /// Keeps a value. What is longer than a payload is left out: `value` is empty then.
    pub(super) fn keep(&mut self, length: u32, value: &[u8]) {
        if value.len() as u64 != u64::from(length) {
            return self.pass(length);
        }
        if self.bytes.len() > 2 * self.kept {
            let old = self.bytes.len() - self.kept;
            self.bytes.drain(..old);
            self.first += old as u64;
        }
        self.bytes.extend_from_slice(&length.to_le_bytes());
        self.bytes.extend_from_slice(value);
    }

    /// Goes on behind a value that was used as it came.
    pub(super) fn used(&mut self, length: u32) {
        self.late = true;
        self.pass(length);
        self.next = self.first;
    }

    fn pass(&mut self, length: u32) {
        self.first = self.end().saturating_add(4 + u64::from(length));
        self.bytes.clear();
    }

    /// Values are missing here.
    pub(super) fn lose(&mut self) {
        self.lost = true;
        self.pass(0);
        self.next = self.first;
    }

    /// The value that comes next is the one at this offset, because a record waits for that.
    pub(super) fn found_again(&mut self, offset: u64) {
        if self.lost && self.late {
            self.lost = false;
            self.first = offset;
            self.bytes.clear();
        }
    }

    /// The value at this offset: `Err` where it has not come yet, `None` where it is not kept.
    pub(super) fn value(&self, offset: u64) -> Result<Option<&[u8]>, NotYet> {
        if self.lost && !self.late {
            return Ok(None);
        }
        if self.lost || offset >= self.end() {
            return Err(NotYet);
        }
        let value = offset.checked_sub(self.first).and_then(|at| {
            let bytes = self.bytes.get(usize::try_from(at).ok()?..)?;
            let length = u32::from_le_bytes(*bytes.first_chunk()?) as usize;
            bytes.get(4..4 + length)
        });
        Ok(value)
    }
}

/// The value is not there yet.
#[derive(Debug)]
pub(super) struct NotYet;
