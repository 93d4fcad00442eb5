//! How many bits a frame takes on the bus, stuff bits counted.
//!
//! Frame formats and the stuff rule: ISO 11898-1 (classic frames as in Bosch CAN 2.0, part B). Every count includes
//! the three bits of intermission, so that bits divided by the bit rate are the time for which a frame holds the bus.

use super::frame::{Frame, Kind};

/// What a frame takes. In a classic frame, and in an FD frame without a rate switch, `data` is 0.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Bits {
    /// Bits at the nominal rate.
    pub nominal: u32,
    /// Bits at the data rate (FD with BRS).
    pub data: u32,
}

/// The bits of a frame: as counted, and between which bounds they lie whatever its payload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Length {
    /// Counted; `None` where the recorder did not keep the payload.
    pub exact: Option<Bits>,
    /// Without any stuff bit.
    pub low: Bits,
    /// With as many stuff bits as there can be.
    pub high: Bits,
}

/// CRC delimiter, acknowledge slot and delimiter, end of frame (7), intermission (3): never stuffed.
const CLASSIC_END: u32 = 13;
/// The same of an FD frame, whose CRC delimiter still is sent at the data rate.
const FD_END: u32 = 12;

/// The length of any frame. An error frame counts for nothing: a log does not say how long its flags lasted.
pub fn of(frame: &Frame<'_>) -> Length {
    let Frame { id, kind, len, data, .. } = *frame;
    let extended = kind.has(Kind::EXTENDED);
    if kind.has(Kind::ERROR) {
        return Length { exact: Some(Bits::default()), low: Bits::default(), high: Bits::default() };
    }
    if kind.has(Kind::FD) {
        let (low, high) = (fd_bounds(kind, len, false), fd_bounds(kind, len, true));
        let exact = (data.len() >= usize::from(len)).then(|| fd(id, kind, len, data));
        return Length { exact, low, high };
    }
    let remote = kind.has(Kind::REMOTE);
    let payload = if remote { 0 } else { len.min(8) };
    let (low, high) = classic_bounds(extended, payload);
    let exact =
        (data.len() >= usize::from(payload)).then(|| nominal(classic(id, extended, remote, len, data)));
    Length { exact, low: nominal(low), high: nominal(high) }
}

const fn nominal(bits: u32) -> Bits {
    Bits { nominal: bits, data: 0 }
}

/// The fewest and the most bits of a classic frame with this many payload bytes. The most: Davis, Burns, Bril and
/// Lukkien, Real-Time Systems 35 (2007), equation for the worst case of stuffing.
pub const fn classic_bounds(extended: bool, payload: u8) -> (u32, u32) {
    let stuffed = (if extended { 54 } else { 34 }) + 8 * payload as u32;
    (stuffed + CLASSIC_END, stuffed + CLASSIC_END + (stuffed - 1) / 4)
}

/// The bits of a classic data or remote frame. `len` is the length that it states (more than 8 counts as 8 bytes of
/// payload), `data` holds at least that many bytes unless it is a remote frame.
pub fn classic(id: u32, extended: bool, remote: bool, len: u8, data: &[u8]) -> u32 {
    let payload = if remote { 0 } else { len.min(8) };
    let header = classic_header(id, extended, remote, len.min(8));
    // Most frames are full: with its lengths known beforehand, a frame takes a third less time.
    match (payload, data.first_chunk(), extended) {
        (8, Some(all), true) => counted(header, 39, u64::from_be_bytes(*all), 64),
        (8, Some(all), false) => counted(header, 19, u64::from_be_bytes(*all), 64),
        (_, _, true) => counted(header, 39, right_aligned(data, payload), 8 * u32::from(payload)),
        (_, _, false) => counted(header, 19, right_aligned(data, payload), 8 * u32::from(payload)),
    }
}

#[inline(always)]
fn counted(header: u64, header_bits: u32, data: u64, data_bits: u32) -> u32 {
    let message = u128::from(header) << data_bits | u128::from(data);
    let bits = header_bits + data_bits + 15;
    bits + CLASSIC_END + walk(message << 15 | u128::from(crc15(message)), bits).0
}

/// Start of frame to data length code: 39 bits, or 19.
const fn classic_header(id: u32, extended: bool, remote: bool, len: u8) -> u64 {
    let (remote, len) = (remote as u64, len as u64);
    if extended {
        let (base, rest) = ((id as u64 >> 18) & 0x7FF, id as u64 & 0x3_FFFF);
        // SRR and IDE are recessive; then RTR, r1, r0.
        base << 27 | 0b11 << 25 | rest << 7 | remote << 6 | len
    } else {
        (id as u64 & 0x7FF) << 7 | remote << 6 | len
    }
}

/// The first `count` bytes as the low end of a number, as they follow each other on the bus.
fn right_aligned(data: &[u8], count: u8) -> u64 {
    data.iter().take(usize::from(count)).fold(0, |all, byte| all << 8 | u64::from(*byte))
}

/// The CRC of a classic frame, over start of frame to payload without stuff bits (polynomial 4599h, begun with 0).
/// Zeros in front change nothing, so the message needs no length.
#[inline]
pub fn crc15(message: u128) -> u16 {
    let bytes = message.to_le_bytes();
    bytes.iter().zip(&CRC15).fold(0, |crc, (byte, table)| crc ^ table[usize::from(*byte)])
}

/// What a byte adds to the CRC when this many bytes follow it: the CRC is linear, so that no byte waits for the one
/// before it. A classic message has 13 bytes at most.
static CRC15: [[u16; 256]; 13] = {
    let mut tables = [[0; 256]; 13];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = (byte as u16) << 7;
        let mut after = 0;
        while after < 13 {
            let mut bit = 0;
            while bit < 8 {
                crc = (crc << 1) ^ (if crc & 0x4000 != 0 { 0x4599 } else { 0 });
                bit += 1;
            }
            crc &= 0x7FFF;
            tables[after][byte] = crc;
            after += 1;
        }
        byte += 1;
    }
    tables
};

/// How stuffing goes on over a byte, for each of the eight states that it can meet: the value of the last bit (4 for
/// a one) and how often it was sent already (less one). After five, a stuff bit follows at once, and counts as the
/// first of its kind. An entry has the next state times 8 in its low six bits, where it is the next shift, and the
/// stuff bits above them.
static STUFF: [u64; 256] = {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut state = 0;
        while state < 8 {
            let (mut last, mut run, mut stuffed) = (state / 4, state % 4 + 1, 0);
            let mut bit = 8;
            while bit > 0 {
                bit -= 1;
                let value = (byte as u64 >> bit) & 1;
                (last, run) = if value == last { (last, run + 1) } else { (value, 1) };
                if run == 5 {
                    (last, run, stuffed) = (1 - last, 1, stuffed + 1);
                }
            }
            table[byte] |= ((stuffed << 6) | ((last * 4 + run - 1) * 8)) << (8 * state);
            state += 1;
        }
        byte += 1;
    }
    table
};

/// State of a bus that was recessive just before.
const IDLE: u64 = 4 * 8;

/// The stuff bits of the low `bits` bits (120 at most), and the state behind them. In front stands what never needs
/// a stuff bit and ends recessive, so that every message takes the same straight way.
#[inline(always)]
fn walk(message: u128, bits: u32) -> (u32, u64) {
    let padded = (u128::from_le_bytes([0x55; 16]) << bits) | message;
    let bytes = padded.to_be_bytes();
    let (mut state, mut stuffed) = (IDLE, 0);
    for byte in &bytes[1..] {
        state = STUFF[usize::from(*byte)].wrapping_shr(state as u32 & 63);
        stuffed += (state >> 6) & 3;
    }
    (stuffed as u32, state)
}

/// Bits of an FD frame before the bit that switches the rate: SOF, id, RRS, IDE, FDF, res (SRR in between, 29 bits).
const fn before_switch(extended: bool) -> u32 {
    if extended { 35 } else { 16 }
}

/// Bits of an FD frame from stuff count to CRC delimiter: 4 bits of stuff count, CRC-17 up to 16 bytes of payload and
/// CRC-21 above, a fixed stuff bit in front and after each fourth bit (ISO 11898-1:2015, 10.4.2.6), and the delimiter.
const fn fd_check(payload: u32) -> u32 {
    if payload <= 16 { 4 + 17 + 6 + 1 } else { 4 + 21 + 7 + 1 }
}

/// The bits of an FD frame, whose `data` holds at least `len` bytes.
fn fd(id: u32, kind: Kind, len: u8, data: &[u8]) -> Bits {
    let extended = kind.has(Kind::EXTENDED);
    let before = before_switch(extended);
    let flags = u64::from(kind.has(Kind::BRS)) << 5
        | u64::from(kind.has(Kind::ESI)) << 4
        | u64::from(length_code(len));
    let first = if extended {
        let (base, rest) = ((u64::from(id) >> 18) & 0x7FF, u64::from(id) & 0x3_FFFF);
        base << 23 | 0b11 << 21 | rest << 3 | 0b010
    } else {
        (u64::from(id) & 0x7FF) << 4 | 0b0010
    };
    let (in_first, _) = walk(u128::from(first), before);
    let (mut stuffed, mut state) = walk(u128::from(first << 6 | flags), before + 6);
    let mut last = flags & 1;
    for byte in data.iter().take(usize::from(len)) {
        state = STUFF[usize::from(*byte)].wrapping_shr(state as u32 & 63);
        stuffed += ((state >> 6) & 3) as u32;
        last = u64::from(byte & 1);
    }
    // Five equal bits at the very end: the fixed stuff bit that follows anyway does for them (from memory of 10.5).
    if (state >> 5) & 1 != last {
        stuffed -= 1;
    }
    split(kind, len, in_first, stuffed - in_first)
}

fn fd_bounds(kind: Kind, len: u8, most: bool) -> Bits {
    let before = before_switch(kind.has(Kind::EXTENDED));
    let then = 6 + 8 * u32::from(len);
    if !most {
        return split(kind, len, 0, 0);
    }
    let first = (before - 1) / 4;
    // Of two rates each has its own worst case: four equal bits may stand before the switch.
    let fast = if kind.has(Kind::BRS) { then.div_ceil(4) } else { (before + then - 1) / 4 - first };
    split(kind, len, first, fast)
}

/// Where the bits of an FD frame belong, with its stuff bits up to the rate switch and from there.
fn split(kind: Kind, len: u8, stuffed_first: u32, stuffed_then: u32) -> Bits {
    let first = before_switch(kind.has(Kind::EXTENDED)) + 1 + stuffed_first + FD_END;
    let then = 5 + 8 * u32::from(len) + stuffed_then + fd_check(u32::from(len));
    if kind.has(Kind::BRS) { Bits { nominal: first, data: then } } else { nominal(first + then) }
}

/// The data length code of an FD payload (ISO 11898-1:2015, table of DLC codes); a length between two codes is sent
/// as the longer one.
const fn length_code(len: u8) -> u8 {
    match len {
        0..=8 => len,
        9..=12 => 9,
        13..=16 => 10,
        17..=20 => 11,
        21..=24 => 12,
        25..=32 => 13,
        33..=48 => 14,
        _ => 15,
    }
}

#[cfg(test)]
#[path = "bits_tests.rs"]
mod tests;
