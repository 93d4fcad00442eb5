//! Files of other writers, with what a correct reader finds in them (`tests/recordings/can`).

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::super::super::damage::Damage;
use super::super::super::frame::Kind;
use super::super::{Error, Zone};
use super::{Seen, Told, told, told_of};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/recordings/can")
}

pub(super) fn file(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name)).expect("a recording")
}

fn truth(name: &str) -> BTreeMap<String, Value> {
    serde_json::from_slice(&file(name)).expect("a truth")
}

/// How often each identifier is there, in the words of the truth.
fn ids(told: &Told, name: impl Fn(&Seen) -> String) -> BTreeMap<String, u64> {
    let mut ids = BTreeMap::new();
    told.frames.iter().for_each(|frame| *ids.entry(name(frame)).or_default() += 1);
    ids
}

#[test]
fn every_made_file_gives_the_frames_that_its_maker_says() {
    for (name, truth) in truth("mdf/ground_truth.json") {
        let (_, told) = told(&file(&format!("mdf/{name}")));
        let frames = truth.get("salvageable_frames").unwrap_or(&truth["frames"]);
        assert_eq!(told.frames.len() as u64, *frames, "{name}");
        let whole = *frames == truth["frames"];
        if let (Some(first), true) = (truth.get("first_ns").and_then(Value::as_i64), whole) {
            assert_eq!(told.frames[0].at, first, "{name}");
            assert_eq!(told.frames.last().map(|frame| frame.at), truth["last_ns"].as_i64(), "{name}");
        }
        if let (Some(expected), true) = (truth.get("ids"), whole) {
            let found = ids(&told, |frame| {
                format!("{:X}{}", frame.id, if frame.kind.has(Kind::EXTENDED) { "x" } else { "" })
            });
            assert_eq!(serde_json::to_value(found).expect("a map"), *expected, "{name}");
        }
    }
}

#[test]
fn every_converted_recording_gives_the_frames_of_the_recording() {
    let mut files = 0;
    for (name, truth) in truth("truth.json") {
        if truth["format"] != "mf4" {
            continue;
        }
        files += 1;
        let (_, told) = told_of(&file(&name));
        assert_eq!(told.frames.len() as u64, truth["frames"], "{name}");
        let Some(expected) = truth.get("ids") else { continue };
        let found = ids(&told, |frame| {
            let extended = frame.kind.has(Kind::EXTENDED);
            if extended { format!("{:08X}", frame.id) } else { format!("{:03X}", frame.id) }
        });
        assert_eq!(serde_json::to_value(found).expect("a map"), *expected, "{name}");
        // The converter's times are real numbers of seconds since the day of the conversion.
        let near = |at: Option<i64>, key: &str| {
            let expected: f64 = truth[key].as_str().and_then(|text| text.parse().ok()).expect("a time");
            let found = at.expect("a frame") as f64 / 1e9;
            assert!((found - expected).abs() < 2e-6, "{name}: {key}: {found}");
        };
        near(told.frames.first().map(|frame| frame.at), "first_in_file");
        near(told.frames.last().map(|frame| frame.at), "last_in_file");
        near(told.frames.iter().map(|frame| frame.at).min(), "earliest");
        near(told.frames.iter().map(|frame| frame.at).max(), "latest");
        let back = told.frames.windows(2).filter(|pair| pair[1].at < pair[0].at).count() as u64;
        assert_eq!(back, truth["steps_back_in_file_order"], "{name}");
        let count = |kind| told.frames.iter().filter(|frame| frame.kind.has(kind)).count() as u64;
        assert_eq!(count(Kind::FD), truth["frames_fd"], "{name}");
        assert_eq!(count(Kind::BRS), truth["frames_fd_brs"], "{name}");
        assert_eq!(count(Kind::EXTENDED), truth["frames_extended"], "{name}");
        let bytes: u64 = told.frames.iter().map(|frame| frame.data.len() as u64).sum();
        assert_eq!(bytes, truth["payload_bytes"], "{name}");
        assert!(told.frames.iter().all(|frame| frame.data.len() == usize::from(frame.len)), "{name}");
        let channels = truth["channels"].as_object().expect("channels");
        assert_eq!(told.buses.len(), channels.len(), "{name}: {:?}", told.buses);
        for (bus, (_, channel)) in channels.iter().enumerate() {
            let found = told.frames.iter().filter(|frame| usize::from(frame.bus) == bus).count() as u64;
            assert_eq!(found, channel["frames"], "{name}: bus {bus}");
        }
    }
    assert_eq!(files, 6);
}

#[test]
fn what_is_wrong_with_a_file_is_said_with_its_place() {
    let zeros = Damage::NulTail(1960);
    let loops = Damage::BadStructure("a loop of links");
    let count = |found| Damage::CountMismatch { stated: 1928, found };
    let table: [(&str, Vec<(u64, Damage)>); 21] = [
        ("mdf/own_sorted_dt.mf4", vec![]),
        ("mdf/own_sorted_dl.mf4", vec![]),
        ("mdf/own_sorted_hl_dz.mf4", vec![]),
        ("mdf/own_unsorted_vlsd.mf4", vec![]),
        ("mdf/asammdf_dt.mf4", vec![]),
        ("mdf/asammdf_dz_deflate.mf4", vec![]),
        ("mdf/finalised_no_frames.mf4", vec![]),
        ("mdf4/ev-2019-ready-two-buses-deflate.mf4", vec![]),
        ("mdf/asammdf_unfin_cyclecounter.mf4", vec![(60, Damage::Unfinalised(1))]),
        ("mdf/unfin_whole_records.mf4", vec![(60, Damage::Unfinalised(5))]),
        ("mdf/unfin_torn_record.mf4", vec![(60, Damage::Unfinalised(5)), (26_712, Damage::TornRecord)]),
        ("mdf/unfin_zero_tail.mf4", vec![(60, Damage::Unfinalised(5)), (26_712, zeros)]),
        ("mdf/unfin_unsorted_vlsd.mf4", vec![(60, Damage::Unfinalised(37))]),
        ("mdf/dg_link_loop.mf4", vec![(2_624, loops)]),
        ("mdf/dz_bitflip.mf4", vec![(15_808, Damage::BadChecksum), (2_520, count(1500))]),
        (
            "mdf/trunc_finalised_mid_dt.mf4",
            vec![(31_517, Damage::MissingEnd), (31_512, Damage::TornRecord), (2_520, count(1200))],
        ),
        ("mdf/trunc_id_only.mf4", vec![(64, Damage::MissingEnd)]),
        ("mdf/trunc_in_header.mf4", vec![(400, Damage::MissingEnd)]),
        ("mdf/asammdf_trunc60.mf4", vec![(30_580, Damage::MissingEnd)]),
        ("damaged/truck-b-cut.mf4", vec![(506_285, Damage::MissingEnd)]),
        (
            "damaged/truck-b-2021-engine-on-unfinalised.mf4",
            vec![(60, Damage::Unfinalised(5)), (117_456, Damage::TornRecord)],
        ),
    ];
    for (name, damages) in table {
        assert_eq!(told_of(&file(name)).1.damages, damages, "{name}");
    }
}

#[test]
fn what_does_not_begin_as_mdf_is_none() {
    let (head, empty) = told(&file("mdf/empty.mf4"));
    assert!(matches!(head, Err(Error::NotMdf)));
    assert_eq!(empty.damages, [(0, Damage::Empty)]);
    assert!(matches!(told(&file("mdf/nul_512.mf4")).0, Err(Error::NotMdf)));
    let mut old = file("mdf/own_sorted_dt.mf4");
    old[28..30].copy_from_slice(&330_u16.to_le_bytes());
    assert!(matches!(told(&old).0, Err(Error::Version(330))));
}

#[test]
fn a_file_says_who_wrote_it_when_and_in_which_time() {
    let (head, _) = told_of(&file("mdf/own_sorted_dt.mf4"));
    assert_eq!((head.version, head.program.as_str(), head.zone), (410, "fieldgen", Zone::Utc));
    assert_eq!((head.start, head.unfinalised), (Some(1_772_428_200_000_000_000), None));
    assert_eq!(told_of(&file("mdf/own_localtime_hd.mf4")).0.zone, Zone::Local);
    assert_eq!(told_of(&file("mdf/asammdf_dt.mf4")).0.zone, Zone::Offset(0));
    assert_eq!(told_of(&file("mdf/unfin_torn_record.mf4")).0.unfinalised, Some(5));
    assert_eq!(told_of(&file("mdf/trunc_id_only.mf4")).0.start, None);
    let mut east = file("mdf/own_sorted_dt.mf4");
    // Header block, 24 bytes and 6 links, then the start: zone, daylight saving, flags.
    east[144..149].copy_from_slice(&[60, 0, 60, 0, 2]);
    let (head, told) = told_of(&east);
    assert_eq!(head.zone, Zone::Offset(120));
    assert_eq!(told.frames[0].at, 1_772_428_200_000_082_000);
}

#[test]
fn a_count_that_is_wrong_is_said_and_all_records_are_given() {
    let mut file = file("mdf/own_sorted_dt.mf4");
    file[2_520 + 24 + 48 + 8..][..8].copy_from_slice(&1_938_u64.to_le_bytes());
    let (_, told) = told_of(&file);
    assert_eq!(told.frames.len(), 1_928);
    assert_eq!(told.damages, [(2_520, Damage::CountMismatch { stated: 1_938, found: 1_928 })]);
}

#[test]
fn one_byte_less_is_one_frame_less() {
    let file = file("mdf/own_sorted_dt.mf4");
    let (_, told) = told_of(&file[..file.len() - 1]);
    assert_eq!(told.frames.len(), 1_927);
    assert_eq!(told.frames.last().map(|frame| frame.at), Some(1_772_428_219_960_055_000));
    let found = Damage::CountMismatch { stated: 1_928, found: 1_927 };
    assert_eq!(told.damages, [(48_983, Damage::MissingEnd), (48_960, Damage::TornRecord), (2_520, found)]);
}
