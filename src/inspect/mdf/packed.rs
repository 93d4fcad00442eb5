//! Packed data blocks (DZ).
//!
//! Data of the block: which kind of block it was (2 letters), how it was packed (0 deflate, 1 transposed and then deflate), a
//! reserved byte, the columns of the transposition (u32), the lengths unpacked and packed (u64 each), then a zlib stream
//! (RFC 1950), whose Adler-32 covers all bytes. Transposed: the bytes in as many columns as a record has bytes were written
//! column by column, and the bytes of the last row that is not full after them (ASAM MDF 4.1, DZ; from memory, confirmed
//! with asammdf).

use std::io;

use flate2::{Decompress, FlushDecompress, Status};

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::block::{self, HEAD};
use super::reading::Reading;
use super::source;

/// Bytes in front of the zlib stream.
pub(super) const FRONT: u64 = HEAD + 24;

/// The longest unpacked block that we read. Writers are told to stay below 4 MiB.
const MOST: u64 = 16 << 20;

/// Deflate makes no more than 1,032 bytes of one (258 bytes of two bits).
const RATIO: u64 = 1_032;

/// An unpacked block, and the room for it.
#[derive(Default)]
pub(super) struct Unpacked {
    pub(super) bytes: Vec<u8>,
    /// What was taken of the room that all groups share.
    room: usize,
}

/// What became of a packed block.
pub(super) enum Outcome {
    /// Its bytes are there.
    Whole,
    /// So many bytes were passed over.
    Passed(u64),
    /// They are not; how many they would have been, where that is known.
    Lost(Option<u64>),
}

impl Unpacked {
    /// Unpacks the block at `at`, which is `length` bytes long, unless nobody wants more of it than what lies behind `owed`
    /// bytes. A block whose check value is wrong is lost as a whole.
    pub(super) fn fill<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        at: u64,
        length: u64,
        owed: u64,
    ) -> io::Result<Outcome> {
        self.bytes.clear();
        let head = match block::read(reading.source, at, *b"DZ") {
            Ok(head) => head,
            Err(trouble) => return reading.trouble(trouble).map(|()| Outcome::Lost(None)),
        };
        let (kind, columns, unpacked, packed) = (head.u8(2), head.u32(4), head.u64(8), head.u64(16));
        let lost = Outcome::Lost(Some(unpacked).filter(|unpacked| *unpacked < 1 << 40));
        if packed.checked_add(FRONT).is_none_or(|end| end > length) || unpacked / RATIO > packed {
            reading.damage(at, Damage::BadStructure("a packed block whose lengths contradict each other"));
            return Ok(lost);
        }
        if kind > 1 {
            reading.damage(at, Damage::BadStructure("a block packed in a way that we do not know"));
            return Ok(lost);
        }
        if unpacked <= owed {
            return Ok(Outcome::Passed(unpacked));
        }
        if !reading.unpack(at, unpacked) {
            return Ok(lost);
        }
        let size = usize::try_from(unpacked).unwrap_or(usize::MAX);
        if unpacked > MOST || !self.make_room(reading, size) {
            reading.damage(at, Damage::BadStructure("a packed block longer than we unpack"));
            return Ok(lost);
        }
        if !inflate(reading, at + FRONT, packed, size, &mut self.bytes)? {
            self.bytes.clear();
            reading.damage(at, Damage::BadChecksum);
            return Ok(lost);
        }
        if kind == 1 {
            untranspose(&self.bytes, columns as usize, &mut reading.spare);
            std::mem::swap(&mut self.bytes, &mut reading.spare);
        }
        Ok(Outcome::Whole)
    }

    /// Gives everything back.
    pub(super) fn drop_all<S: Sink>(&mut self, reading: &mut Reading<'_, S>) {
        reading.free(self.room);
        *self = Self::default();
    }

    fn make_room<S: Sink>(&mut self, reading: &mut Reading<'_, S>, size: usize) -> bool {
        if size > self.room {
            if !reading.room(size - self.room) {
                return false;
            }
            self.room = size;
        }
        true
    }
}

/// Whether the zlib stream at `at` is in order and gives `size` bytes.
fn inflate<S: Sink>(
    reading: &Reading<'_, S>,
    at: u64,
    packed: u64,
    size: usize,
    into: &mut Vec<u8>,
) -> io::Result<bool> {
    let mut zlib = Decompress::new(true);
    let mut input = vec![0; 64 << 10];
    let mut done = 0;
    // One byte more: the stream ends when its end is read, and too much shows.
    into.reserve_exact(size + 1);
    loop {
        let wanted = input.len().min(usize::try_from(packed - done).unwrap_or(usize::MAX));
        let got = source::fill(reading.source, &mut input[..wanted], at + done)?;
        done += got as u64;
        let mut from = 0;
        loop {
            let (read, made) = (zlib.total_in(), zlib.total_out());
            match zlib.decompress_vec(&input[from..got], into, FlushDecompress::None) {
                Ok(Status::StreamEnd) => return Ok(into.len() == size),
                Ok(Status::Ok | Status::BufError) => {}
                Err(_) => return Ok(false),
            }
            from += usize::try_from(zlib.total_in() - read).unwrap_or(usize::MAX);
            if into.len() > size {
                return Ok(false);
            }
            if zlib.total_in() == read && zlib.total_out() == made {
                break;
            }
        }
        // Nothing more comes, or the room is full and the stream still has no end.
        if got == 0 || from < got {
            return Ok(false);
        }
    }
}

/// Puts the bytes of each row together again.
fn untranspose(from: &[u8], columns: usize, into: &mut Vec<u8>) {
    into.clear();
    into.resize(from.len(), 0);
    let rows = from.len().checked_div(columns).unwrap_or(0);
    let whole = rows * columns;
    if whole > 0 {
        // Some rows at a time, so that they stay in the cache while every column adds its bytes to them.
        const ROWS: usize = 64;
        for first in (0..rows).step_by(ROWS) {
            let count = ROWS.min(rows - first);
            let block = &mut into[first * columns..(first + count) * columns];
            for column in 0..columns {
                let bytes = &from[column * rows + first..][..count];
                for (row, byte) in block.chunks_exact_mut(columns).zip(bytes) {
                    row[column] = *byte;
                }
            }
        }
    }
    into[whole..].copy_from_slice(&from[whole..]);
}
