//! Files that are cut, changed or made to do harm.

use super::super::super::damage::Damage;
use super::build::{File, Mixed, PARTS, RECORD, packed, records, sorted, unsorted};
use super::{Told, recordings, told, told_of};

/// A file of each kind, with so many frames.
fn kinds(count: u64) -> Vec<Vec<u8>> {
    let data = records(count);
    let mut unfinished = File::new(Some(0x05));
    let group = unfinished.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
    let data_group = unfinished.data_group(&[group], 0, 0);
    let block = unfinished.block(*b"DT", &[], &data);
    unfinished.link(data_group, 2, block);
    unfinished.set(block + 8, 24);
    vec![
        sorted(&data),
        unfinished.bytes,
        packed(&data, 24 * 3, 0),
        packed(&data, 100, 24),
        unsorted(count, 1, Mixed::Inline, 50, None),
        unsorted(count, 2, Mixed::Before, 1 << 20, None),
        unsorted(count, 1, Mixed::Behind, 70, Some(0x75)),
    ]
}

#[test]
fn a_file_cut_at_any_byte_gives_the_frames_in_front_of_the_cut() {
    for file in kinds(12) {
        let whole = told_of(&file).1;
        assert_eq!(whole.frames.len(), 12);
        let mut most = 0;
        for cut in 0..file.len() {
            let (head, told) = told(&file[..cut]);
            if head.is_err() {
                continue;
            }
            let count = told.frames.len();
            let same = told.frames.iter().zip(&whole.frames).take_while(|(found, expected)| {
                // The last may have lost its bytes.
                found == expected || found.data.is_empty() && found.at == expected.at
            });
            assert_eq!(same.count(), count, "cut at {cut}");
            assert!(!told.damages.is_empty() || count == 12, "cut at {cut}");
            most = most.max(count);
        }
        assert!(most >= 11 || most == 0);
    }
}

/// Changes bytes of a file: single ones, numbers, whole ranges, its end.
fn mutate(random: &mut fastrand::Rng, file: &mut Vec<u8>) {
    for _ in 0..random.usize(1..6) {
        if file.is_empty() {
            return;
        }
        let at = random.usize(..file.len());
        // Numbers and links are in front of the data.
        let at = if random.bool() { at } else { at.min(random.usize(..4_000)) };
        match random.u8(..8) {
            0 | 1 => file[at] ^= 1 << random.u8(..8),
            2 => file[at] = random.u8(..),
            3 => file.truncate(at),
            4 => {
                let end = file.len().min(at + random.usize(..600));
                let fill = [0, 0xFF, random.u8(..)][random.usize(..3)];
                file[at..end].fill(fill);
            }
            5 => {
                let from = random.usize(..file.len());
                let count = random.usize(..200).min(file.len() - from).min(file.len() - at);
                file.copy_within(from..from + count, at);
            }
            _ => {
                let at = at & !7;
                let numbers = [
                    0,
                    1,
                    24,
                    64,
                    u64::MAX,
                    u64::MAX - 7,
                    1 << 63,
                    1 << 32,
                    file.len() as u64,
                    random.u64(..),
                    at as u64,
                ];
                let number = if random.bool() {
                    numbers[random.usize(..numbers.len())]
                } else {
                    random.u64(..file.len() as u64) & !7
                };
                if let Some(bytes) = file.get_mut(at..at + 8) {
                    bytes.copy_from_slice(&number.to_le_bytes());
                }
            }
        }
    }
}

/// Reads so many changed files.
fn change(seed: u64, count: u64) {
    let mut files = kinds(60);
    let names = [
        "own_sorted_hl_dz",
        "own_unsorted_vlsd",
        "own_sorted_dl",
        "asammdf_dz_deflate",
        "unfin_unsorted_vlsd",
    ];
    files.extend(names.map(|name| recordings::file(&format!("mdf/{name}.mf4"))));
    files.push(recordings::file("mdf4/ev-2019-ready-two-buses-deflate.mf4"));
    files.push(recordings::file("mdf4/derived-n2k-over-fd.mf4"));
    for seed in seed..seed + count {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut file = files[random.usize(..files.len())].clone();
        mutate(&mut random, &mut file);
        let (_, told) = told(&file);
        // A record has at least one byte, and an unpacked block at most 1,032 times the packed one's.
        assert!(told.frames.len() <= file.len() * 1_032, "seed {seed}");
        assert!(told.damages.len() <= 1_001, "seed {seed}");
    }
}

#[test]
fn changed_files_neither_panic_nor_hang() {
    change(1, 2_000);
}

#[test]
#[ignore = "as many files as YARDER_CHANGED says: minutes"]
fn very_many_changed_files_neither_panic_nor_hang() {
    let count = std::env::var("YARDER_CHANGED").ok().and_then(|text| text.parse().ok()).unwrap_or(1_000_000);
    let seed = fastrand::u64(..1 << 40);
    println!("{count} files from seed {seed} on");
    change(seed, count);
}

/// A file of one group whose data link leads to what this builds.
fn with_data(build: impl FnOnce(&mut File) -> u64) -> Told {
    let mut file = File::new(None);
    let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 20), 0);
    let data = build(&mut file);
    file.data_group(&[group], data, 0);
    told_of(&file.bytes).1
}

#[test]
fn links_that_lead_in_circles_are_followed_once() {
    let twice = Damage::BadStructure("links that lead to the same data twice");
    // A list that goes on in itself.
    let told = with_data(|file| {
        let block = file.block(*b"DT", &[], &records(20));
        let list = file.list(0, &[block], 0);
        file.link(list, 0, list);
        list
    });
    assert!(told.damages.iter().any(|(_, damage)| *damage == twice), "{:?}", told.damages);
    // A list of the same block a thousand times.
    let told = with_data(|file| {
        let block = file.block(*b"DT", &[], &records(2_000));
        file.list(0, &[block; 1_000], 0)
    });
    assert!(told.frames.len() < 6_000);
    assert!(told.damages.iter().any(|(_, damage)| *damage == twice), "{:?}", told.damages);
    // Channels and groups.
    for (kind, links) in [("CN", 2), ("CG", 1), ("DG", 1)] {
        let mut file = sorted(&records(20));
        let id = format!("##{kind}");
        let at = file.windows(4).rposition(|bytes| bytes == id.as_bytes()).expect("a block");
        let itself = (at as u64).to_le_bytes();
        (0..links).for_each(|link| file[at + 24 + link * 8..][..8].copy_from_slice(&itself));
        let (_, told) = told_of(&file);
        let said = |(_, damage): &(u64, Damage)| matches!(damage, Damage::BadStructure(_));
        assert!(told.damages.iter().any(said), "{kind}: {:?}", told.damages);
    }
}

#[test]
fn a_packed_block_that_lies_about_its_length_is_not_unpacked() {
    let change = |at: usize, value: u64| {
        with_data(|file| {
            let block = file.packed(&records(20), 0);
            file.set(block + at as u64, value);
            block
        })
    };
    let lengths = Damage::BadStructure("a packed block whose lengths contradict each other");
    for (at, value, damage) in [
        (32, u64::MAX, lengths.clone()),
        (32, 17 << 20, lengths.clone()),
        (32, 100, Damage::BadChecksum),
        (32, 24 * 20 + 1, Damage::BadChecksum),
        (40, u64::MAX, lengths),
        (40, 3, Damage::BadChecksum),
        (
            24,
            u64::from_le_bytes(*b"DT\x07\0\0\0\0\0"),
            Damage::BadStructure("a block packed in a way that we do not know"),
        ),
    ] {
        let told = change(at, value);
        assert_eq!(told.frames, []);
        assert_eq!(told.damages[0].1, damage, "{at} {value}");
    }
    let told = with_data(|file| file.packed(&vec![7; 17 << 20], 0));
    assert_eq!(told.damages[0].1, Damage::BadStructure("a packed block longer than we unpack"));
}

#[test]
fn behind_a_damaged_packed_block_frames_go_on() {
    // Blocks that end within records.
    let mut file = packed(&records(60), 100, 0);
    let blocks: Vec<_> =
        file.windows(4).enumerate().filter(|(_, bytes)| *bytes == b"##DZ").map(|(at, _)| at).collect();
    file[blocks[3] + 60] ^= 0xFF;
    let (_, told) = told_of(&file);
    let numbers: Vec<_> = told.frames.iter().map(|frame| frame.at % 1_000_000_000 / 1_000_000).collect();
    // Bytes 300 to 400 are lost, and with them records 12 to 16.
    assert_eq!(numbers, (0..12).chain(17..60).collect::<Vec<_>>());
    assert_eq!(told.damages[0], (blocks[3] as u64, Damage::BadChecksum));

    // Unsorted ones that do not: the number of the next record is not where it should be.
    let mut file = File::new(None);
    let values = file.values(2, 60);
    let mut parts = PARTS;
    parts[6].1 = 1;
    let group = file.group("CAN_DataFrame", &parts, (1, RECORD, 60), values);
    let mut blocks = Vec::new();
    let mut offset = 0_u64;
    for chunk in 0..6 {
        let mut data = Vec::new();
        for number in chunk * 10..chunk * 10 + 10 {
            let payload = super::build::payload(number);
            data.push(1);
            data.extend(super::build::record(number, &offset.to_le_bytes()));
            data.push(2);
            data.extend((payload.len() as u32).to_le_bytes());
            data.extend_from_slice(&payload);
            offset += 4 + payload.len() as u64;
        }
        blocks.push(file.packed(&data, 0));
    }
    let list = file.list(0, &blocks, 0);
    file.data_group(&[group, values], list, 1);
    let whole = told_of(&file.bytes).1.frames;
    file.bytes[blocks[2] as usize + 60] ^= 0xFF;
    let (_, told) = told_of(&file.bytes);
    let rest: Vec<_> = whole[..20].iter().chain(&whole[30..]).cloned().collect();
    assert_eq!(told.frames, rest);
}

#[test]
fn impossible_numbers_are_said() {
    let group = |record: u32, parts: &[super::build::Part<'_>]| {
        let mut file = File::new(None);
        let group = file.group("CAN_DataFrame", parts, (0, record, 1), 0);
        let block = file.block(*b"DT", &[], &records(1));
        file.data_group(&[group], block, 0);
        let (_, told) = told_of(&file.bytes);
        assert_eq!(told.frames, []);
        match told.damages.as_slice() {
            [(_, Damage::BadStructure(what))] => *what,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(group(0, &PARTS), "records of an impossible length");
    assert_eq!(group(1 << 30, &PARTS), "records of an impossible length");
    assert_eq!(group(7, &PARTS), "a time outside its record");
    assert_eq!(group(20, &PARTS), "a part of a frame outside its record");
    assert_eq!(group(24, &PARTS[1..]), "frames without an identifier");
    assert_eq!(group(24, &[("ID", 0, 0, 7, 8, 60)]), "a part of a frame outside its record");
    assert_eq!(group(24, &[("ID", 0, 0, 0, u32::MAX, 32)]), "a part of a frame outside its record");
}

#[test]
fn a_record_of_an_unknown_group_costs_the_rest_of_its_block() {
    let file = unsorted(100, 1, Mixed::Inline, 1 << 20, None);
    let data = file.windows(4).position(|bytes| bytes == b"##DT").expect("data");
    let mut changed = file.clone();
    // The first record of a frame has 25 bytes, one of the others 4.
    changed[data + 24 + 29] = 99;
    let (_, told) = told_of(&changed);
    assert_eq!(told.frames, told_of(&file).1.frames[..1]);
    let unknown = Damage::BadStructure("a record of a group that is not described");
    assert_eq!(told.damages[0], (data as u64 + 24 + 29, unknown));
}

#[test]
fn where_blocks_begin_with_records_the_next_block_is_read() {
    let mut file = File::new(None);
    let group = file.group("CAN_DataFrame", &PARTS, (1, RECORD, 60), 0);
    let data: Vec<u8> = records(60).chunks(24).flat_map(|record| [&[1], record].concat()).collect();
    let blocks: Vec<_> = data.chunks(25 * 10).map(|piece| file.block(*b"DT", &[], piece)).collect();
    let list = file.list(0, &blocks, 0);
    file.data_group(&[group], list, 1);
    let whole = told_of(&file.bytes).1.frames;
    let places = [(1, 5), (3, 2)].map(|(block, record)| blocks[block] + 24 + 25 * record);
    places.iter().for_each(|place| file.bytes[*place as usize] = 77);
    let (_, told) = told_of(&file.bytes);
    let unknown = || Damage::BadStructure("a record of a group that is not described");
    assert_eq!(told.damages[..2], places.map(|place| (place, unknown())));
    let rest: Vec<_> = [0..15, 20..32, 40..60].into_iter().flat_map(|range| whole[range].to_vec()).collect();
    assert_eq!(told.frames, rest);
}

/// `adler32`: the check value at the end of a zlib stream (RFC 1950, 2.2) is Adler-32.
#[test]
fn a_packed_block_is_believed_by_its_adler_32_alone() {
    use crate::inspect::check_values::{bytes, text, topic};
    let entries = topic("digest", 16);
    let entry = entries.iter().find(|e| e["id"] == "adler32").expect("entry");
    let (content, adler) = (text(entry, "/input").as_bytes(), bytes(text(entry, "/expected")));
    let refused = |adler: &[u8]| {
        // One stored block (RFC 1951, 3.2.4).
        let stored = [0x78, 0x01, 1, content.len() as u8, 0, !(content.len() as u8), 0xFF];
        let zlib = [&stored[..], content, adler].concat();
        let mut file = File::new(None);
        let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, 0), 0);
        let lengths = [content.len() as u64, zlib.len() as u64].map(u64::to_le_bytes).concat();
        let block = file.block(*b"DZ", &[], &[b"DT\0\0\0\0\0\0", &lengths[..], &zlib].concat());
        file.data_group(&[group], block, 0);
        told_of(&file.bytes).1.damages.iter().any(|(_, damage)| *damage == Damage::BadChecksum)
    };
    assert!(!refused(&adler));
    assert!(refused(&[adler[0] ^ 1, adler[1], adler[2], adler[3]]));
}
