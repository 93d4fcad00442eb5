//! Files that would have us do more than they are worth: memory, time, records.

use super::super::super::bounds::{TOO_MUCH, records as most, unpacked};
use super::super::super::damage::Damage;
use super::super::super::frame::{Frame, Sink};
use super::super::read;
use super::build::{File, PARTS, Part, RECORD, record, records};
use super::told_of;

/// Counts what it is told.
#[derive(Default)]
struct Count {
    frames: u64,
    damages: Vec<Damage>,
}

impl Sink for Count {
    fn frame(&mut self, _: &Frame<'_>) {
        self.frames += 1;
    }

    fn dropped(&mut self, _: Option<u64>) {}

    fn damage(&mut self, _: u64, damage: Damage) {
        self.damages.push(damage);
    }

    fn bus(&mut self, _: u8, _: &str) {}
}

fn count(bytes: &[u8]) -> Count {
    let mut count = Count::default();
    read(&bytes, bytes.len() as u64, &mut count).expect("an MDF file");
    count
}

/// The most memory that this process has had, in bytes.
fn peak() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("proc");
    let line = status.lines().find_map(|line| line.strip_prefix("VmPeak:")).expect("VmPeak");
    line.trim().trim_end_matches(" kB").parse::<u64>().expect("a number") * 1024
}

/// A file of one group with these parts, whose data is so many packed blocks of the same bytes.
fn blocks(parts: &[Part<'_>], time: Part<'_>, record: u32, block: &[u8], count: usize) -> Vec<u8> {
    let mut file = File::new(None);
    let linear = file.linear(0.0, 1e-9);
    let group = file.group_at("CAN_DataFrame", parts, (0, record, 0), 0, (time, linear));
    let first = file.packed(block, 0);
    let packed = file.bytes[first as usize + 24..].to_vec();
    let more = (1..count).map(|_| file.block(*b"DZ", &[], &packed));
    let blocks: Vec<_> = [first].into_iter().chain(more).collect();
    let list = file.list(0, &blocks, 0);
    file.data_group(&[group], list, 0);
    file.bytes
}

#[test]
fn thousands_of_groups_with_values_apart_take_no_more_memory_than_a_few() {
    let mut file = File::new(None);
    let values = file.block(*b"SD", &[], &[0; 64]);
    let mut parts = PARTS;
    parts[6].1 = 1;
    let groups: Vec<_> =
        (0..4_000).map(|id| file.group("CAN_DataFrame", &parts, (id, RECORD, 0), values)).collect();
    let data = [1_u16.to_le_bytes().to_vec(), record(1, &[0; 8])].concat();
    let block = file.block(*b"DT", &[], &data);
    file.data_group(&groups, block, 2);
    let before = peak();
    assert_eq!(count(&file.bytes).frames, 1);
    assert!(peak() - before < 100 << 20, "{} MiB", (peak() - before) >> 20);
}

#[test]
fn a_bomb_of_packed_blocks_ends_with_one_word() {
    // Records of nothing but zeros are passed over: these have ones.
    let file = blocks(&PARTS, ("Timestamp", 2, 0, 0, 0, 64), RECORD, &[1; 16 << 20], 20);
    let found = count(&file);
    assert!(found.frames * u64::from(RECORD) <= unpacked(file.len() as u64), "{}", found.frames);
    assert_eq!(found.damages, [TOO_MUCH]);
}

#[test]
fn no_more_records_are_read_than_such_a_file_can_have() {
    let id = [("ID", 0, 0, 0, 4, 29)];
    let file = blocks(&id, ("Timestamp", 2, 0, 0, 0, 32), 8, &[1; 8 << 20], 5);
    let found = count(&file);
    // What is in the buffer is read to its end.
    assert!(found.frames <= most(file.len() as u64) + (1 << 16), "{}", found.frames);
    assert_eq!(found.damages, [TOO_MUCH]);
}

#[test]
fn records_too_short_for_a_frame_are_none() {
    let id = [("ID", 0, 0, 0, 1, 16)];
    let (time, record) = (("Timestamp", 2, 0, 0, 0, 8), 3);
    let found = count(&blocks(&id, time, record, &[1; 300], 1));
    assert_eq!(found.frames, 0);
    let short = Damage::BadStructure("records too short for a time and an identifier");
    assert_eq!(found.damages, [short]);
}

#[test]
fn values_that_lead_back_do_not_unpack_without_end() {
    let mut file = File::new(None);
    let mut parts = PARTS;
    parts[6].1 = 1;
    // Values of no bytes, and a block that is behind them all.
    let values = vec![0; 15 << 20];
    let blocks: Vec<_> = (0..2).map(|_| file.packed(&values, 0)).collect();
    let list = file.list(0, &blocks, 0);
    let group = file.group("CAN_DataFrame", &parts, (0, RECORD, 60), list);
    let far = (16_u64 << 20).to_le_bytes();
    let data: Vec<u8> =
        (0..60).flat_map(|number| record(number, if number % 2 == 0 { &[0; 8] } else { &far })).collect();
    let block = file.block(*b"DT", &[], &data);
    file.data_group(&[group], block, 0);
    let found = count(&file.bytes);
    assert_eq!(found.damages, [TOO_MUCH]);
}

#[test]
fn packed_values_that_no_record_wants_are_passed_over() {
    let mut file = File::new(None);
    let mut parts = PARTS;
    parts[6].1 = 1;
    let value = [&8_u32.to_le_bytes()[..], &[7; 8]].concat();
    let (unwanted, wanted) = (file.packed(&[9; 1_200], 0), file.packed(&value, 0));
    // No zlib stream any more.
    file.set(unwanted + 48, 0);
    let list = file.list(0, &[unwanted, wanted], 0);
    let group = file.group("CAN_DataFrame", &parts, (0, RECORD, 1), list);
    let block = file.block(*b"DT", &[], &record(8, &1_200_u64.to_le_bytes()));
    file.data_group(&[group], block, 0);
    let (_, told) = told_of(&file.bytes);
    assert_eq!(told.damages, []);
    assert_eq!(told.frames[0].data, [7; 8]);
}

#[test]
fn many_groups_that_lead_to_one_long_list_follow_it_once() {
    let mut file = File::new(Some(0x05));
    let mut parts = PARTS;
    parts[6].1 = 1;
    let values: Vec<_> = (0..20_000).map(|_| file.block(*b"SD", &[], &[0; 8])).collect();
    let list = file.list(0, &values, 0);
    let groups: Vec<_> =
        (0..2_000).map(|id| file.group("CAN_DataFrame", &parts, (id, RECORD, 0), list)).collect();
    let block = file.block(*b"DT", &[], &[]);
    file.data_group(&groups, block, 2);
    let reads = Reads { bytes: &file.bytes, count: std::cell::Cell::new(0) };
    read(&reads, reads.bytes.len() as u64, &mut Count::default()).expect("an MDF file");
    let reads = reads.count.get();
    assert!(reads < 300_000, "{reads} reads");
}

/// Counts how often it is read.
struct Reads<'a> {
    bytes: &'a [u8],
    count: std::cell::Cell<u64>,
}

impl super::Source for Reads<'_> {
    fn len(&self) -> u64 {
        self.bytes.len() as u64
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> std::io::Result<usize> {
        self.count.set(self.count.get() + 1);
        super::Source::read_at(&self.bytes, buffer, offset)
    }
}

#[test]
fn a_last_block_without_a_length_and_a_link_into_its_head_do_no_harm() {
    let mut file = File::new(Some(0x05));
    let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
    let data_group = file.data_group(&[group], 0, 0);
    let block = file.block(*b"DT", &[], &records(3));
    file.link(data_group, 2, block);
    file.set(block + 8, 0);
    // What the header links to is where another block begins.
    file.link(64, 5, block + 8);
    let (_, told) = told_of(&file.bytes);
    assert_eq!(told.frames, []);
}

#[test]
fn a_file_with_a_hole_in_every_block_ends_at_last() {
    let mut file = File::new(None);
    let group = file.group("CAN_DataFrame", &PARTS, (1, RECORD, 0), 0);
    let blocks: Vec<_> = (0..3_000).map(|_| file.block(*b"DT", &[], &[77; 4])).collect();
    let list = file.list(0, &blocks, 0);
    file.data_group(&[group], list, 1);
    let reads = Reads { bytes: &file.bytes, count: std::cell::Cell::new(0) };
    read(&reads, reads.bytes.len() as u64, &mut Count::default()).expect("an MDF file");
    assert!(reads.count.get() < 3_000, "{}", reads.count.get());
}
