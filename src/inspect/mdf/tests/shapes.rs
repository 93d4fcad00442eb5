//! Every way in which frames can lie in a file.

use super::super::super::damage::Damage;
use super::super::super::frame::Kind;
use super::build::{File, Mixed, PARTS, RECORD, START, packed, payload, record, records, sorted, unsorted};
use super::{Seen, told_of};

/// Frame `number` of [`records`].
fn frame(number: u64) -> Seen {
    let data = payload(number);
    let kind = if number.is_multiple_of(5) { Kind::EXTENDED.with(Kind::SENT) } else { Kind::EXTENDED };
    Seen {
        at: START + number as i64 * 1_000_000,
        bus: (number % 2) as u8,
        id: 0x18FE_F100 + number as u32 % 7,
        kind,
        len: data.len() as u8,
        data,
    }
}

fn frames(count: u64) -> Vec<Seen> {
    (0..count).map(frame).collect()
}

/// A file whose frames are those of so many records, without damage.
#[track_caller]
fn whole(bytes: &[u8], count: u64) {
    let (_, told) = told_of(bytes);
    assert_eq!(told.damages, []);
    assert_eq!(told.frames, frames(count));
    assert_eq!(told.buses, ["CAN1", "CAN2"]);
}

#[test]
fn sorted_records_in_one_block() {
    whole(&sorted(&records(1_000)), 1_000);
    // More than a buffer holds.
    whole(&sorted(&records(40_000)), 40_000);
}

#[test]
fn records_go_on_in_the_next_block_of_a_list() {
    let data = records(500);
    for piece in [1, 7, 24, 100, 4_096] {
        let mut file = File::new(None);
        let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 500), 0);
        let blocks: Vec<_> = data.chunks(piece).map(|piece| file.block(*b"DT", &[], piece)).collect();
        let mut list = 0;
        for blocks in blocks.chunks(70).rev() {
            list = file.list(list, blocks, 0);
        }
        file.data_group(&[group], list, 0);
        whole(&file.bytes, 500);
    }
}

#[test]
fn packed_blocks_with_and_without_transposition() {
    for columns in [0, 1, 5, 24, 1_000] {
        for piece in [24 * 100, 1_001, 24 * 300 + 5] {
            whole(&packed(&records(700), piece, columns), 700);
        }
    }
}

#[test]
fn unsorted_records_with_numbers_of_every_size() {
    for id_size in [1, 2, 4, 8] {
        for mixed in [Mixed::Inline, Mixed::Before, Mixed::Behind] {
            for piece in [11, 1_000, 1 << 20] {
                let file = unsorted(600, id_size, mixed, piece, None);
                whole(&file, 600);
                assert_eq!(told_of(&file).0.other_groups, 1);
            }
        }
    }
    whole(&unsorted(30_000, 1, Mixed::Before, 100_000, None), 30_000);
    whole(&unsorted(30_000, 2, Mixed::Behind, 100_000, None), 30_000);
}

#[test]
fn values_without_offsets_belong_to_the_records_in_their_order() {
    for mixed in [Mixed::Before, Mixed::Behind] {
        let (_, told) = told_of(&unsorted(300, 1, mixed, 1 << 20, Some(0x40)));
        assert_eq!(told.damages, [(60, Damage::Unfinalised(0x40))]);
        assert_eq!(told.frames, frames(300));
    }
}

#[test]
fn values_of_many_records_may_come_before_and_behind_all_of_them() {
    for behind in [false, true] {
        let mut file = File::new(None);
        let values = file.values(2, 100);
        let mut parts = PARTS;
        parts[6].1 = 1;
        let group = file.group("CAN_DataFrame", &parts, (1, RECORD, 100), values);
        let (mut fixed, mut variable, mut offset) = (Vec::new(), Vec::new(), 0_u64);
        for number in 0..100 {
            let payload = payload(number);
            fixed.push(1);
            fixed.extend(record(number, &offset.to_le_bytes()));
            variable.push(2);
            variable.extend((payload.len() as u32).to_le_bytes());
            variable.extend_from_slice(&payload);
            offset += 4 + payload.len() as u64;
        }
        let data = if behind { [fixed, variable].concat() } else { [variable, fixed].concat() };
        let block = file.block(*b"DT", &[], &data);
        file.data_group(&[group, values], block, 1);
        whole(&file.bytes, 100);
    }
}

/// Sorted records whose payloads lie in signal data, in blocks of so many bytes; `order` says whose value comes when.
pub(super) fn signal(count: u64, order: &[u64], piece: usize) -> File {
    let mut file = File::new(None);
    let mut parts = PARTS;
    parts[6].1 = 1;
    let (mut data, mut offsets) = (Vec::new(), vec![0; count as usize]);
    for number in order {
        offsets[*number as usize] = data.len() as u64;
        let payload = payload(*number);
        data.extend((payload.len() as u32).to_le_bytes());
        data.extend_from_slice(&payload);
    }
    let blocks: Vec<_> = data.chunks(piece).map(|piece| file.block(*b"SD", &[], piece)).collect();
    let list = file.list(0, &blocks, 0);
    let group = file.group("CAN_DataFrame", &parts, (0, RECORD, count), list);
    let data: Vec<u8> =
        (0..count).flat_map(|number| record(number, &offsets[number as usize].to_le_bytes())).collect();
    let block = file.block(*b"DT", &[], &data);
    file.data_group(&[group], block, 0);
    file
}

#[test]
fn payloads_in_signal_data() {
    let order: Vec<_> = (0..900).collect();
    whole(&signal(900, &order, 1 << 20).bytes, 900);
    whole(&signal(900, &order, 5).bytes, 900);
    // Some offsets lead back.
    let mut order: Vec<_> = (0..100).collect();
    order.swap(3, 90);
    order.swap(10, 11);
    whole(&signal(100, &order, 64).bytes, 100);
}

#[test]
fn frames_whose_bytes_are_missing_are_given_without_them() {
    let order: Vec<_> = (0..50).collect();
    let mut file = signal(50, &order, 1 << 20);
    let at = file.bytes.windows(4).position(|bytes| bytes == b"##SD").expect("signal data") as u64;
    file.set(at + 8, 24 + 100);
    let (_, told) = told_of(&file.bytes);
    assert_eq!(told.frames.len(), 50);
    let with = told.frames.iter().take_while(|frame| frame.data.len() == usize::from(frame.len)).count();
    assert!((10..20).contains(&with), "{with}");
    assert!(told.frames[with..].iter().all(|frame| frame.data.is_empty()));
    assert_eq!(told.damages.len(), 1);
    assert_eq!(told.damages[0].1, Damage::BadStructure("frames without their bytes"));
}

#[test]
fn groups_come_merged_by_time() {
    let mut file = File::new(None);
    for third in 0..3 {
        let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 400), 0);
        let data: Vec<u8> = (0..1_200)
            .filter(|number| number / 4 % 3 == third)
            .flat_map(|number| record(number, &payload(number)))
            .collect();
        let block = file.block(*b"DT", &[], &data);
        file.data_group(&[group], block, 0);
    }
    whole(&file.bytes, 1_200);
}

#[test]
fn remote_error_and_overload_frames() {
    let mut file = File::new(None);
    let remote = file.group("CAN_RemoteFrame", &PARTS[..6], (1, 16, 1), 0);
    let error = ("ErrorType", 0, 0, 0, 16, 8);
    let parts = [PARTS[2], PARTS[5], error];
    let error = file.group("CAN_ErrorFrame", &parts, (2, 17, 2), 0);
    let overload = file.group("CAN_OverloadFrame", &PARTS[2..3], (3, 16, 1), 0);
    let mut data = vec![1];
    data.extend(&record(18, &[])[..16]);
    for kind in [3, 5] {
        data.push(2);
        data.extend(&record(20 + kind, &[])[..16]);
        data.push(kind as u8);
    }
    data.push(3);
    data.extend(&record(30, &[])[..16]);
    let block = file.block(*b"DT", &[], &data);
    file.data_group(&[remote, error, overload], block, 1);
    let (head, told) = told_of(&file.bytes);
    assert_eq!(told.damages, []);
    assert_eq!(head.overload_frames, 1);
    let seen: Vec<_> =
        told.frames.iter().map(|frame| (frame.id, frame.kind, frame.len, frame.data.len())).collect();
    let sent = Kind::ERROR.with(Kind::SENT);
    let remote = (0x18FE_F104, Kind::EXTENDED.with(Kind::REMOTE), 8, 0);
    assert_eq!(seen, [remote, (0x08, Kind::ERROR, 0, 0), (0x20, sent, 0, 0)]);
}

#[test]
fn frames_of_can_fd() {
    let mut file = File::new(None);
    let parts = [
        ("ID", 0, 0, 0, 8, 32),
        ("DLC", 0, 0, 0, 12, 4),
        ("EDL", 0, 0, 4, 12, 1),
        ("BRS", 0, 0, 5, 12, 1),
        ("ESI", 0, 0, 6, 12, 1),
        ("DataBytes", 0, 10, 0, 13, 512),
    ];
    let group = file.group("CAN_DataFrame", &parts, (0, 77, 3), 0);
    let mut data = Vec::new();
    for (number, flags) in [(9_u8, 0x70_u8), (15, 0x10), (15, 0x20)] {
        data.extend(u64::from(flags).to_le_bytes());
        data.extend(0x123_u32.to_le_bytes());
        data.push(number | flags);
        data.extend([flags; 64]);
    }
    let block = file.block(*b"DT", &[], &data);
    file.data_group(&[group], block, 0);
    let (_, told) = told_of(&file.bytes);
    assert_eq!(told.damages, []);
    let seen: Vec<_> =
        told.frames.iter().map(|frame| (frame.id, frame.kind, frame.len, frame.data.len())).collect();
    let all = Kind::FD.with(Kind::BRS).with(Kind::ESI);
    // The last one is no FD frame: its length code 15 is 8 bytes, and it has no bit rate switch.
    assert_eq!(seen, [(0x123, all, 12, 12), (0x123, Kind::FD, 64, 64), (0x123, Kind::DATA, 8, 8)]);
}

#[test]
fn odd_bits_and_big_endian_numbers() {
    let mut file = File::new(None);
    // Time in the upper 45 bits of six bytes, the identifier of 29 bits over five bytes, the length over a byte's edge.
    let parts = [
        ("ID", 0, 0, 5, 6, 29),
        ("IDE", 0, 0, 2, 10, 1),
        ("DataLength", 0, 0, 6, 10, 4),
        ("BusChannel", 0, 1, 0, 12, 16),
        ("DataBytes", 0, 10, 0, 14, 64),
    ];
    let linear = file.linear(0.0, 1e-6);
    let time = (("t", 2, 0, 3, 0, 45), linear);
    let group = file.group_at("CAN_DataFrame", &parts, (0, 22, 1), 0, time);
    let mut bits = 5_000_000_u128 << 3;
    bits |= 0x1ABC_DEF1 << (6 * 8 + 5);
    bits |= 1 << (10 * 8 + 2);
    bits |= 7 << (10 * 8 + 6);
    let mut data = bits.to_le_bytes()[..12].to_vec();
    data.extend([0, 3]);
    data.extend([1, 2, 3, 4, 5, 6, 7, 8]);
    let block = file.block(*b"DT", &[], &data);
    file.data_group(&[group], block, 0);
    let (_, told) = told_of(&file.bytes);
    assert_eq!(told.damages, []);
    let expected = Seen {
        at: START + 5_000_000_000,
        bus: 0,
        id: 0x1ABC_DEF1,
        kind: Kind::EXTENDED,
        len: 7,
        data: vec![1, 2, 3, 4, 5, 6, 7],
    };
    assert_eq!(told.frames, [expected]);
    assert_eq!(told.buses, ["CAN3"]);
}

#[test]
fn times_of_every_kind() {
    // Kind, data type, bits, conversion, raw value, nanoseconds since the start.
    let table = [
        (2, 0, 64, (0.0, 1e-9), 5_u64, 5),
        (2, 0, 32, (0.0, 1e-6), 5, 5_000),
        (2, 1, 32, (0.0, 1e-7), 5_u64.swap_bytes() >> 32, 500),
        (2, 2, 32, (0.0, 1e-3), 0xFFFF_FFFE, -2_000_000),
        (2, 3, 16, (0.0, 1e-3), 0xFEFF, -2_000_000),
        (2, 0, 32, (1.5, 0.25), 2, 2_000_000_000),
        (2, 4, 64, (0.0, 1.0), (-1.25_f64).to_bits(), -1_250_000_000),
        (2, 5, 64, (0.0, 1.0), 0.5_f64.to_bits().swap_bytes(), 500_000_000),
        (2, 4, 32, (0.0, 1.0), u64::from(0.5_f32.to_bits()), 500_000_000),
        (2, 4, 64, (0.0, 1.0), f64::NAN.to_bits(), 0),
        (3, 0, 0, (0.0, 0.01), 77, 0),
    ];
    for (kind, data_type, bits, (offset, factor), raw, expected) in table {
        let mut file = File::new(None);
        let linear = file.linear(offset, factor);
        let time = (("t", kind, data_type, 0, 0, bits), linear);
        let group = file.group_at("CAN_DataFrame", &PARTS, (0, RECORD, 1), 0, time);
        let mut data = record(0, &payload(3));
        data[..8].copy_from_slice(&raw.to_le_bytes());
        let block = file.block(*b"DT", &[], &data);
        file.data_group(&[group], block, 0);
        let (_, told) = told_of(&file.bytes);
        assert_eq!(
            told.frames.first().map(|frame| frame.at - START),
            Some(expected),
            "{kind} {data_type} {bits}"
        );
    }
}

#[test]
fn the_length_may_be_in_the_channel_that_the_bytes_link_to() {
    let mut file = File::new(None);
    let size = file.channel(("CAN_DataFrame.Size", 0, 0, 0, 14, 7), [0; 4]);
    let bytes = file.channel(("CAN_DataFrame.DataBytes", 5, 10, 0, 16, 64), [size, 0, 0, size]);
    let id = file.channel(("CAN_DataFrame.ID", 0, 0, 0, 8, 32), [bytes, 0, 0, 0]);
    let linear = file.linear(0.0, 1e-9);
    let time = file.channel(("t", 2, 0, 0, 0, 64), [id, 0, linear, 0]);
    // Not marked as bus events, and no channel for the bus: the channels' names tell, and the group's.
    let group = file.bare_group(time, 0, RECORD, 30, 0);
    let name = file.block(*b"TX", &[], b"front axle\0");
    file.link(group, 2, name);
    let block = file.block(*b"DT", &[], &records(30));
    file.data_group(&[group], block, 0);
    let (_, told) = told_of(&file.bytes);
    assert_eq!(told.damages, []);
    assert_eq!(told.buses, ["front axle"]);
    for (seen, number) in told.frames.iter().zip(0..) {
        assert_eq!((&seen.data, seen.id), (&payload(number), frame(number).id));
    }
    assert_eq!(told.frames.len(), 30);
}

#[test]
fn the_last_block_without_a_length_ends_where_the_next_begins() {
    for length in [0, 24, 24 + 24 * 3] {
        let mut file = File::new(Some(0x05));
        let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
        let first = file.block(*b"DT", &[], &records(10));
        let rest: Vec<u8> = (10..20).flat_map(|number| record(number, &payload(number))).collect();
        let last = file.block(*b"DT", &[], &rest);
        // The list and the data group lie behind the data.
        let list = file.list(0, &[first, last], 0);
        file.data_group(&[group], list, 0);
        file.set(last + 8, length);
        let (_, told) = told_of(&file.bytes);
        assert_eq!(told.damages, [(60, Damage::Unfinalised(5))], "{length}");
        assert_eq!(told.frames, frames(20), "{length}");
    }
}

#[test]
fn blocks_that_the_last_list_does_not_know_yet_are_read() {
    for known in 0..3 {
        let mut file = File::new(Some(0x15));
        let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
        let data_group = file.data_group(&[group], 0, 0);
        let list = file.list(0, &[0; 8], 0);
        file.link(data_group, 2, list);
        let data = records(40);
        let blocks: Vec<_> = data.chunks(240).map(|piece| file.block(*b"DT", &[], piece)).collect();
        for (index, block) in blocks.iter().enumerate().take(known) {
            file.link(list, 1 + index, *block);
        }
        // The last one was being written.
        file.set(blocks[3] + 8, 24);
        let (_, told) = told_of(&file.bytes);
        assert_eq!(told.damages, [(60, Damage::Unfinalised(0x15))]);
        assert_eq!(told.frames, frames(40));
    }
}

#[test]
fn what_nobody_wrote_behind_the_last_record_is_no_frame() {
    let unfinished = |tail: &[u8]| {
        let mut file = File::new(Some(0x05));
        let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
        let data_group = file.data_group(&[group], 0, 0);
        let data = [records(30).as_slice(), tail].concat();
        let block = file.block(*b"DT", &[], &data);
        file.link(data_group, 2, block);
        let (_, told) = told_of(&file.bytes);
        assert_eq!(told.frames, frames(30));
        assert_eq!(told.damages.len(), 2);
        assert_eq!(told.damages[1].0, block + 24 + 30 * 24);
        told.damages[1].1.clone()
    };
    assert_eq!(unfinished(&[0; 1_000]), Damage::NulTail(1_000));
    assert_eq!(
        unfinished(&[0xFF; 1_000]),
        Damage::BadStructure("bytes behind the last record that nobody wrote")
    );
}

#[test]
fn records_of_an_older_file_behind_the_last_one_are_no_frames() {
    let mut file = File::new(Some(0x05));
    let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
    let data_group = file.data_group(&[group], 0, 0);
    let data: Vec<_> =
        [5_000, 5_001, 4_500, 5_002, 7, 5_003].iter().flat_map(|number| record(*number, &[])).collect();
    let block = file.block(*b"DT", &[], &data);
    file.link(data_group, 2, block);
    let (_, told) = told_of(&file.bytes);
    // Half a second back is another bus, five seconds is another file.
    assert_eq!(told.frames.len(), 4);
    let older = Damage::BadStructure("older records behind the last one");
    assert_eq!(told.damages, [(60, Damage::Unfinalised(5)), (block + 24 + 4 * 24, older)]);
}

#[test]
fn zeros_at_the_end_of_unsorted_records_are_no_records() {
    let mut file = unsorted(20, 1, Mixed::Behind, 1 << 20, Some(0x25));
    let data = file.windows(4).rposition(|bytes| bytes == b"##DT").expect("data");
    let length = u64::from_le_bytes(*file[data + 8..].first_chunk().expect("a length")) as usize;
    let content = file[data + 24..data + length].to_vec();
    // The block again, as the last thing in the file, with zeros behind it.
    let at = file.len().next_multiple_of(8);
    file.resize(at, 0);
    let head = file[data..data + 24].to_vec();
    file.extend(head);
    file.extend(content);
    let end = file.len() as u64;
    file.extend([0; 100]);
    let list = file.windows(4).rposition(|bytes| bytes == b"##DL").expect("a list");
    file[list + 32..list + 40].copy_from_slice(&(at as u64).to_le_bytes());
    let (_, told) = told_of(&file);
    assert_eq!(told.damages, [(60, Damage::Unfinalised(0x25)), (end, Damage::NulTail(100))]);
    assert_eq!(told.frames, frames(20));
}

#[test]
fn a_first_frame_of_zeros_is_a_frame() {
    let data = [vec![0; 24], records(5)[24..].to_vec()].concat();
    let (_, told) = told_of(&sorted(&data));
    assert_eq!(told.damages, []);
    assert_eq!(told.frames.len(), 5);
    assert_eq!((told.frames[0].at, told.frames[0].id), (START, 0));
}
