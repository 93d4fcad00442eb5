//! The figures of every recording, and those of the synthetic ones.

use serde_json::Value;
use yarder::inspect::Format;
use yarder::inspect::damage::Damage;
use yarder::inspect::frame::Kind;

use crate::told::{Told, inspect, largest_gap, recording};

/// Text of a time, in seconds with nine digits, as nanoseconds.
fn nanoseconds(value: &Value) -> i64 {
    let text = value.as_str().unwrap_or_else(|| panic!("{value} is no text"));
    let (seconds, fraction) = text.split_once('.').unwrap_or((text, "0"));
    let seconds: i64 = seconds.parse().expect("seconds");
    let fraction: i64 = format!("{fraction:0<9}").parse().expect("fraction");
    seconds * 1_000_000_000 + fraction
}

/// The damages of each damaged recording; the others have none.
fn damages(name: &str) -> Vec<Damage> {
    use Damage::{BadLine, CutLine, Empty, MissingEnd, NulTail, TornRecord};
    match name {
        "damaged/empty.log" => vec![Empty],
        "damaged/ev-2019-garbage-512-bytes.log" => vec![BadLine, BadLine],
        "damaged/sailboat-cut-mid-block.pcapng" => vec![TornRecord],
        "damaged/truck-a-two-buses-cut.log.gz" => vec![MissingEnd, CutLine],
        "damaged/truck-b-cut-mid-line.log" => vec![CutLine],
        "damaged/truck-c-nul-tail.log" => vec![CutLine, NulTail(8192)],
        "j1939/truck-a-2022-power-cut-gap.log" => vec![BadLine],
        // Its last frame is whole, but nothing says that it was to be the last.
        "nmea2000/sailboat-2017-candump-l.log" => vec![CutLine],
        _ => vec![],
    }
}

#[test]
fn every_recording_is_read_as_it_is_known_to_be() {
    let truth: Value = serde_json::from_slice(&recording("truth.json")).expect("JSON");
    for (name, expected) in
        truth.as_object().expect("an object").iter().filter(|(name, _)| !name.starts_with('_'))
    {
        let found = inspect(&recording(name), 64 * 1024);
        let told = &found.sink;
        let number = |key: &str| expected[key].as_u64().unwrap_or_else(|| panic!("{name}: {key}"));
        assert_eq!(told.times.len() as u64, number("frames"), "{name}: frames");
        // What is known of MDF times is rounded, and their damages are known in the reader's own tests.
        if found.format == Format::Mdf4 {
            continue;
        }
        assert_eq!(told.damages(), damages(name), "{name}: damage");
        if told.times.is_empty() {
            continue;
        }
        let format = match (expected["format"].as_str(), expected["container"].as_str()) {
            (_, Some(container)) => container,
            (Some("log"), None) => "candump",
            (other, None) => other.expect("a format"),
        };
        assert_eq!(found.format.as_str(), format, "{name}");
        let fd = told.count(Kind::FD);
        let classic = told.times.len() as u64 - fd - told.count(Kind::REMOTE) - told.count(Kind::ERROR);
        for (key, count) in [
            ("frames_data_classic", classic),
            ("frames_remote", told.count(Kind::REMOTE)),
            ("frames_error", told.count(Kind::ERROR)),
            ("frames_fd", fd),
            ("frames_fd_brs", told.count(Kind::BRS)),
            ("frames_fd_esi", told.count(Kind::ESI)),
            ("frames_extended", told.count(Kind::EXTENDED)),
            ("payload_bytes", told.frames.iter().map(|data| data.len() as u64).sum()),
            ("ids_distinct", told.ids.len() as u64),
            (
                "steps_back_in_file_order",
                told.times.windows(2).filter(|pair| pair[1] < pair[0]).count() as u64,
            ),
            (
                "equal_timestamps_in_a_row",
                told.times.windows(2).filter(|pair| pair[1] == pair[0]).count() as u64,
            ),
        ] {
            assert_eq!(count, number(key), "{name}: {key}");
        }
        let sorted = told.sorted();
        for (key, time) in [
            ("first_in_file", told.times[0]),
            ("last_in_file", told.times[told.times.len() - 1]),
            ("earliest", sorted[0]),
            ("latest", sorted[sorted.len() - 1]),
        ] {
            assert_eq!(time, nanoseconds(&expected[key]), "{name}: {key}");
        }
        let gaps = [("largest_gap_file_order", &told.times), ("largest_gap_sorted_timeline", &sorted)];
        for (key, times) in gaps {
            assert_eq!(largest_gap(times), nanoseconds(&expected[key]["s"]), "{name}: {key}");
        }
        for (id, count) in expected["ids"].as_object().expect("ids").iter().filter(|(id, _)| *id != "_note") {
            assert_eq!(told.ids.get(id).copied(), count.as_u64(), "{name}: {id}");
        }
        let mut counts: Vec<_> = told.buses.values().copied().collect();
        let channels = expected["channels"].as_object().expect("channels");
        let mut known: Vec<_> = channels.values().filter_map(|bus| bus["frames"].as_u64()).collect();
        counts.sort_unstable();
        known.sort_unstable();
        assert_eq!(counts, known, "{name}: buses");
        if format == "candump" {
            assert!(told.names.values().all(|name| channels.contains_key(name)), "{name}: {:?}", told.names);
        }
    }
}

/// What is wrong with a synthetic one.
fn synthetic_damages(name: &str) -> Vec<Damage> {
    match name {
        "truck_cut.log" => vec![Damage::CutLine],
        "truck_zerotail.log" => vec![Damage::NulTail(4084)],
        "truck_cut.pcap" => vec![Damage::TornRecord],
        _ => vec![],
    }
}

#[test]
fn every_synthetic_log_is_read_as_it_was_made() {
    let truth: Value = serde_json::from_slice(&recording("synthetic/ground_truth.json")).expect("JSON");
    for (name, expected) in
        truth.as_object().expect("an object").iter().filter(|(name, _)| !name.ends_with('/'))
    {
        let found = inspect(&recording(&format!("synthetic/{name}")), 1000);
        let told: &Told = &found.sink;
        assert_eq!(told.damages(), synthetic_damages(name), "{name}: damage");
        assert!(expected["format"].as_str().expect("a format").starts_with(found.format.as_str()), "{name}");
        if name == "grammar.log" {
            assert_eq!(told.count(Kind::REMOTE), 3);
            assert_eq!(told.count(Kind::ERROR), 2);
            assert_eq!(told.count(Kind::FD), 2);
            assert_eq!((told.times.len(), &told.dropped[..]), (15, &[Some(3)][..]));
            assert_eq!(told.count(Kind::SENT), 1);
            assert_eq!(told.kinds[7], Kind::EXTENDED.with(Kind::FD).with(Kind::BRS).with(Kind::ESI));
            assert_eq!((told.lengths[4], told.lengths[5], told.lengths[8]), (8, 5, 8));
            assert_eq!(told.times[14], 1_436_509_053_000_000_123);
            continue;
        }
        assert_eq!(told.times.len() as u64, expected["frames"].as_u64().expect("frames"), "{name}: frames");
        if name == "mixed_fd.pcap" {
            let counts = [Kind::REMOTE, Kind::ERROR, Kind::FD].map(|kind| told.count(kind));
            assert_eq!((counts, told.lengths[4]), ([1, 1, 1], 64));
            continue;
        }
        let sorted = told.sorted();
        assert_eq!(told.times.first().copied(), expected["first_ns"].as_i64(), "{name}: first");
        assert_eq!(told.times.last().copied(), expected["last_ns"].as_i64(), "{name}: last");
        if let Some(ids) = expected["ids"].as_object() {
            assert_eq!(told.ids.len(), ids.len(), "{name}: ids");
            for (id, count) in ids {
                assert_eq!(told.ids.get(id).copied(), count.as_u64(), "{name}: {id}");
            }
        }
        if let Some(gaps) = expected["gaps_gt_1s"].as_array() {
            let found: Vec<_> = sorted
                .windows(2)
                .filter(|pair| pair[1] - pair[0] > 1_000_000_000)
                .map(|pair| (pair[0], pair[1]))
                .collect();
            let known: Vec<_> = gaps
                .iter()
                .map(|gap| (gap["from_ns"].as_i64().expect("from"), gap["to_ns"].as_i64().expect("to")))
                .collect();
            assert_eq!(found, known, "{name}: gaps");
        }
    }
}
