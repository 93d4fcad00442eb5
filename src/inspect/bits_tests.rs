//! Frame lengths against published formulas and against counting bit by bit.

use super::super::check_values::{bytes, number, text, topic};
use super::*;

/// `can_frame_bits`: Bosch CAN 2.0 and ISO 11898-1 frame format, counts compared there with can-utils
/// `canframelen.c` on 200 000 random frames.
#[test]
fn published_frames_have_their_crc_and_length() {
    for entry in topic("can_frame_bits", 30) {
        let expected = |at: &str| number(&entry, at) as u32;
        if entry["input"]["id_bits"].is_null() {
            let extended = entry["input"]["extended"] == true;
            let id = u32::from_str_radix(text(&entry, "/input/id"), 16).expect("id");
            let data = bytes(text(&entry, "/input/data"));
            let header = classic_header(id, extended, false, data.len() as u8);
            let count = data.len() as u8;
            let message = u128::from(header) << (8 * count) | u128::from(right_aligned(&data, count));
            assert_eq!(format!("{:04X}", crc15(message)), text(&entry, "/expected/crc15"), "{entry}");
            let exact = classic(id, extended, false, count, &data);
            assert_eq!(exact, expected("/expected/bits_exact_with_3bit_intermission"), "{entry}");
            let (low, high) = classic_bounds(extended, count);
            assert_eq!(low, expected("/expected/bits_no_stuffing"), "{entry}");
            assert_eq!(exact - low, expected("/expected/stuff_bits"), "{entry}");
            assert_eq!(high, expected("/expected/bits_worstcase"), "{entry}");
            assert_eq!(exact * 4, expected("/expected/us_at_250k"), "{entry}");
            assert_eq!(exact * 2, expected("/expected/us_at_500k"), "{entry}");
        } else {
            let extended = entry["input"]["id_bits"] == 29;
            let (low, high) = classic_bounds(extended, expected("/input/data_bytes") as u8);
            assert_eq!(low, expected("/expected/no_stuffing"), "{entry}");
            assert_eq!(high, expected("/expected/worst_case"), "{entry}");
            assert_eq!(high - 3, expected("/expected/worst_case_without_intermission"), "{entry}");
        }
    }
}

/// `digest`, CRC-15/CAN of the CRC catalogue.
#[test]
fn the_crc_has_its_check_value() {
    let entries = topic("digest", 16);
    let entry = entries.iter().find(|e| e["id"] == "crc15-can-check").expect("entry");
    let message = text(entry, "/input").bytes().fold(0u128, |all, byte| all << 8 | u128::from(byte));
    assert_eq!(format!("{:04x}", crc15(message)), text(entry, "/expected"));
}

/// `can_fd_bits`: ISO 11898-1:2015 as coded in Linux `include/linux/can/length.h`.
#[test]
fn an_fd_frame_without_stuff_bits_has_its_length() {
    for entry in topic("can_fd_bits", 4) {
        let len = number(&entry, "/input/data_bytes") as u8;
        let low = fd_bounds(Kind::FD.with(Kind::BRS), len, false);
        let at_nominal = number(&entry, "/expected/bits_at_nominal_rate") as u32;
        assert_eq!(low.nominal, at_nominal, "{entry}");
        let at_data = "/expected/bits_at_data_rate_without_dynamic_stuffing";
        assert_eq!(f64::from(low.data), number(&entry, at_data), "{entry}");
        assert_eq!(f64::from(low.nominal + low.data), number(&entry, "/expected/total"), "{entry}");
        let extended = fd_bounds(Kind::FD.with(Kind::BRS).with(Kind::EXTENDED), len, false);
        let more = number(&entry, "/expected/extended_id_adds_nominal_bits") as u32;
        assert_eq!((extended.nominal - at_nominal, extended.data), (more, low.data), "{entry}");
        let slow = fd_bounds(Kind::FD, len, false);
        assert_eq!((slow.nominal, slow.data), (low.nominal + low.data, 0), "one rate without BRS");
    }
}

/// `bus_load`: the arithmetic of frames, bits and rates.
#[test]
fn published_loads_follow_from_the_lengths() {
    let mut seen = 0;
    for entry in topic("bus_load", 5) {
        let Some(length) = entry.pointer("/input/data_bytes").and_then(serde_json::Value::as_u64) else {
            continue;
        };
        seen += 1;
        let (low, high) = classic_bounds(entry["input"]["id_bits"] == 29, length as u8);
        let rate = number(&entry, "/input/bitrate");
        let near = |is: f64, at: &str| {
            let expected = number(&entry, at);
            assert!((is - expected).abs() < 0.051, "{at}: {is} in {entry}");
        };
        if entry["input"]["frames_per_s"].is_null() {
            near(rate / f64::from(high), "/expected/frames_per_s_if_all_worst_case");
            near(rate / f64::from(low), "/expected/frames_per_s_upper_bound_no_stuffing");
        } else {
            let load = |bits: u32| 100.0 * f64::from(bits) * number(&entry, "/input/frames_per_s") / rate;
            near(load(low), "/expected/pct_no_stuffing");
            near(load(high), "/expected/pct_worst_case");
        }
    }
    assert_eq!(seen, 4, "the fifth is a file, which the tests of the facts read");
}

/// The rule as the standard tells it, bit by bit.
fn stuffed_slowly(bits: &[u8]) -> usize {
    let (mut last, mut run, mut count) = (1, 1, 0);
    for &bit in bits {
        (last, run) = if bit == last { (last, run + 1) } else { (bit, 1) };
        if run == 5 {
            (last, run, count) = (1 - last, 1, count + 1);
        }
    }
    count
}

fn push(bits: &mut Vec<u8>, value: u64, count: u32) {
    bits.extend((0..count).rev().map(|at| ((value >> at) & 1) as u8));
}

/// Payloads of equal bytes and of a few mixed ones have the most stuff bits, random ones the fewest.
fn payload(random: &mut fastrand::Rng, len: usize) -> Vec<u8> {
    const DENSE: [u8; 8] = [0x00, 0xFF, 0x0F, 0xF0, 0x1F, 0xF8, 0x3C, 0x87];
    let dense = random.bool();
    (0..len).map(|_| if dense { DENSE[random.usize(..8)] } else { random.u8(..) }).collect()
}

#[test]
fn classic_frames_are_counted_as_bit_by_bit() {
    let seed = 15_765;
    let mut random = fastrand::Rng::with_seed(seed);
    for turn in 0..40_000 {
        let (extended, remote) = (random.bool(), random.u8(..10) == 0);
        let id = random.u32(..) & if extended { 0x1FFF_FFFF } else { 0x7FF };
        let len = random.u8(0..=8);
        let data = payload(&mut random, if remote { 0 } else { usize::from(len) });
        let mut bits = Vec::new();
        push(&mut bits, 0, 1);
        if extended {
            push(&mut bits, u64::from(id >> 18), 11);
            push(&mut bits, 3, 2);
            push(&mut bits, u64::from(id & 0x3_FFFF), 18);
            push(&mut bits, u64::from(remote), 1);
            push(&mut bits, 0, 2);
        } else {
            push(&mut bits, u64::from(id), 11);
            push(&mut bits, u64::from(remote), 1);
            push(&mut bits, 0, 2);
        }
        push(&mut bits, u64::from(len), 4);
        for byte in &data {
            push(&mut bits, u64::from(*byte), 8);
        }
        let crc = bits.iter().fold(0u16, |crc, bit| {
            let out = (crc >> 14) & 1 != u16::from(*bit);
            ((crc << 1) & 0x7FFF) ^ if out { 0x4599 } else { 0 }
        });
        push(&mut bits, u64::from(crc), 15);
        let expected = bits.len() + stuffed_slowly(&bits) + 13;
        let got = classic(id, extended, remote, len, &data) as usize;
        assert_eq!(got, expected, "seed {seed}, turn {turn}");
        let (low, high) = classic_bounds(extended, data.len() as u8);
        assert!(low as usize <= got && got <= high as usize);
    }
}

#[test]
fn fd_frames_are_counted_as_bit_by_bit() {
    const LENGTHS: [u8; 16] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];
    let seed = 11_898;
    let mut random = fastrand::Rng::with_seed(seed);
    for turn in 0..20_000 {
        let extended = random.bool();
        let (switched, passive) = (random.bool(), random.bool());
        let mut kind = Kind::FD;
        for (set, mark) in [(extended, Kind::EXTENDED), (switched, Kind::BRS), (passive, Kind::ESI)] {
            kind = if set { kind.with(mark) } else { kind };
        }
        let id = random.u32(..) & if extended { 0x1FFF_FFFF } else { 0x7FF };
        let code = random.usize(..16);
        let data = payload(&mut random, usize::from(LENGTHS[code]));
        let mut bits = Vec::new();
        push(&mut bits, 0, 1);
        if extended {
            push(&mut bits, u64::from(id >> 18), 11);
            push(&mut bits, 3, 2);
            push(&mut bits, u64::from(id & 0x3_FFFF), 18);
            push(&mut bits, 0b010, 3);
        } else {
            push(&mut bits, u64::from(id), 11);
            push(&mut bits, 0b0010, 4);
        }
        let first = bits.len();
        push(&mut bits, u64::from(switched) << 5 | u64::from(passive) << 4 | code as u64, 6);
        for byte in &data {
            push(&mut bits, u64::from(*byte), 8);
        }
        // A stuff bit behind the last bit is not sent: one bit less than all decides no other.
        let all = stuffed_slowly(&bits[..bits.len() - 1]);
        let in_first = stuffed_slowly(&bits[..first]);
        let check = if data.len() <= 16 { 28 } else { 33 };
        let nominal = first + 1 + in_first + 12;
        let fast = bits.len() - first - 1 + (all - in_first) + check;
        let expected = if switched { (nominal, fast) } else { (nominal + fast, 0) };
        let frame = Frame { at: 0, bus: 0, id, kind, len: LENGTHS[code], data: &data };
        let length = of(&frame);
        let exact = length.exact.expect("payload");
        assert_eq!((exact.nominal as usize, exact.data as usize), expected, "seed {seed}, turn {turn}");
        assert!(length.low.nominal <= exact.nominal && exact.nominal <= length.high.nominal);
        assert!(length.low.data <= exact.data && exact.data <= length.high.data);
    }
}

#[test]
fn without_its_payload_a_frame_has_bounds_alone() {
    let frame = Frame { at: 0, bus: 0, id: 0x123, kind: Kind::DATA, len: 8, data: &[1, 2] };
    let length = of(&frame);
    assert_eq!(length.exact, None);
    assert_eq!((length.low.nominal, length.high.nominal), (111, 135));
    let remote = Frame { kind: Kind::REMOTE, data: &[], ..frame };
    assert!(of(&remote).exact.is_some(), "a remote frame has none");
    assert_eq!(of(&Frame { kind: Kind::ERROR, ..frame }).exact, Some(Bits::default()));
}
