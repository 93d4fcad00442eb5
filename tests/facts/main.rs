//! Every fact about every recording, against what independent programs found in the same files
//! (`tests/recordings/can`, with their sources).

use std::collections::BTreeMap;
use std::path::Path;

use jiff::Timestamp;
use serde_json::Value;
use yarder::inspect::facts::{Began, Facts, Rates, Summary, VinSource};
use yarder::inspect::{Format, Inspector};

fn recording(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/recordings/can");
    std::fs::read(folder.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn truth(name: &str) -> BTreeMap<String, Value> {
    let all: BTreeMap<String, Value> = serde_json::from_slice(&recording(name)).expect("JSON");
    all.into_iter().filter(|(name, _)| !name.starts_with('_') && !name.ends_with('/')).collect()
}

fn inspect(name: &str, bit_rate: Option<u64>) -> (Format, Summary) {
    let bytes = recording(name);
    let rates = Rates { nominal: bit_rate.and_then(|rate| u32::try_from(rate).ok()), data: None };
    let mut inspector = Inspector::new(Facts::new(rates));
    bytes.chunks(64 * 1024).for_each(|piece| inspector.push(piece));
    let found = inspector.finish(&&bytes[..]).expect("memory");
    (found.format, found.sink.finish())
}

/// A time in seconds with nine digits.
fn time(value: &Value) -> Timestamp {
    let text = value.as_str().unwrap_or_else(|| panic!("{value} is no text"));
    let (seconds, fraction) = text.split_once('.').unwrap_or((text, "0"));
    let at = Timestamp::from_second(seconds.parse().expect("seconds")).expect("time");
    at + jiff::SignedDuration::from_nanos(format!("{fraction:0<9}").parse().expect("fraction"))
}

/// Equal, to what seconds as a float of eight bytes can hold, which is how MDF files have their times.
fn at(format: Format, is: Option<Timestamp>, expected: &Value, what: &str) {
    let within = if format == Format::Mdf4 { 1_000 } else { 0 };
    let off = is.unwrap_or_else(|| panic!("{what}: none")).duration_since(time(expected)).as_nanos();
    assert!(off.abs() <= within, "{what}: {is:?}, expected {expected}");
}

fn near(is: Option<f64>, expected: &Value, within: f64, what: &str) {
    let expected = expected.as_f64().or_else(|| expected.as_str()?.parse().ok());
    let expected = expected.unwrap_or_else(|| panic!("{what} is no number"));
    let is = is.unwrap_or_else(|| panic!("{what}: nothing"));
    assert!((is - expected).abs() <= within, "{what}: {is}, expected {expected}");
}

#[test]
fn every_fact_of_every_recording_is_as_it_is_known_to_be() {
    for (name, expected) in truth("truth.json") {
        let (format, found) = inspect(&name, expected["assumed_bitrate"].as_u64());
        let number = |key: &str| expected[key].as_u64().unwrap_or_else(|| panic!("{name}: {key}"));
        assert_eq!(found.frames, number("frames"), "{name}: frames");
        assert_eq!(
            found.vin.as_ref().map(|vin| vin.value.as_str()),
            expected["expected_vin"].as_str(),
            "{name}: VIN"
        );
        if found.frames == 0 {
            assert!(!found.complete, "{name}");
            continue;
        }
        assert_eq!((found.remote, found.error), (number("frames_remote"), number("frames_error")), "{name}");
        assert_eq!(found.fd, number("frames_fd"), "{name}: FD");
        assert_eq!(found.ids, number("ids_distinct"), "{name}: ids");
        assert_eq!(found.steps_back, number("steps_back_in_file_order"), "{name}: steps back");
        at(format, found.first, &expected["earliest"], &name);
        at(format, found.last, &expected["latest"], &name);
        let gap = &expected["largest_gap_sorted_timeline"];
        near(found.largest_gap_s, &gap["s"], 1e-6, &format!("{name}: largest gap"));
        let long = found.gaps.iter().filter(|gap| gap.s > 1.0).count() as u64;
        assert_eq!(long, number("gaps_over_1s_sorted").min(10), "{name}: gaps over a second");
        if let (Some(gap), [from, to]) = (found.gaps.first(), &gap["between"].as_array().expect("two")[..]) {
            at(format, Some(gap.from), from, &name);
            at(format, Some(gap.to), to, &name);
        }
        buses(&name, format, &expected, &found);
        let Some(j1939) = expected.get("j1939_or_nmea2000") else { continue };
        let keys = |key: &str| -> Vec<u64> {
            let map = j1939[key].as_object().expect("an object");
            let mut keys: Vec<u64> = map.keys().map(|key| key.parse().expect("number")).collect();
            keys.sort_unstable();
            keys
        };
        assert_eq!(
            found.pgns.iter().map(|pgn| u64::from(*pgn)).collect::<Vec<_>>(),
            keys("pgns"),
            "{name}: PGNs"
        );
        let addresses: Vec<u64> = found.addresses.iter().map(|address| u64::from(*address)).collect();
        assert_eq!(addresses, keys("source_addresses"), "{name}: source addresses");
    }
}

fn buses(name: &str, format: Format, expected: &Value, found: &Summary) {
    let channels = expected["channels"].as_object().expect("channels");
    assert_eq!(found.buses.len(), channels.len(), "{name}: buses");
    for (place, bus) in found.buses.iter().enumerate() {
        // Only candump and CSV call buses by the names that the figures have.
        let named = channels.get(&bus.name);
        let alike = || channels.values().find(|channel| channel["frames"].as_u64() == Some(bus.frames));
        let channel = named.or_else(alike).unwrap_or_else(|| panic!("{name}: bus {place} {}", bus.name));
        assert!(format != Format::Candump || named.is_some(), "{name}: bus {}", bus.name);
        assert_eq!(Some(bus.frames), channel["frames"].as_u64(), "{name}: {} frames", bus.name);
        at(format, bus.first, &channel["earliest"], name);
        at(format, bus.last, &channel["latest"], name);
        let Some(load) = channel.get("bus_load_percent_whole_span") else {
            assert_eq!(bus.load, None, "{name}: without a bit rate there is no load");
            continue;
        };
        for (is, key) in
            [(bus.load, "exact"), (bus.load_low, "no_stuffing"), (bus.load_high, "worst_stuffing")]
        {
            near(is, &load[key], 0.002, &format!("{name}: {} {key}", bus.name));
        }
        assert_eq!(bus.impossible_frames, 0, "{name}: {}", bus.name);
        if channels.len() == 1 {
            let peak = expected["max_frames_in_a_whole_clock_second"]["count"].as_u64();
            assert_eq!(Some(u64::from(bus.peak_frames_per_s)), peak, "{name}: peak");
        }
    }
}

#[test]
fn every_fact_of_every_synthetic_log_is_as_it_was_made() {
    for (name, expected) in truth("synthetic/ground_truth.json") {
        let (_, found) = inspect(&format!("synthetic/{name}"), expected["bitrate"].as_u64());
        // Parts of a log have its VIN too, which their entries do not say.
        if !name.starts_with("truck_first") {
            assert_eq!(found.vin.map(|vin| vin.value).as_deref(), expected["vin"].as_str(), "{name}: VIN");
        }
        if let Some(complete) = expected["complete"].as_bool() {
            assert_eq!(found.complete, complete, "{name}");
        }
        if let Some(ids) = expected["ids"].as_object() {
            assert_eq!(found.ids, ids.len() as u64, "{name}: ids");
        }
        for (key, is) in
            [("frames", found.frames), ("remote_frames", found.remote), ("error_frames", found.error)]
        {
            if let Some(expected) = expected[key].as_u64() {
                assert_eq!(is, expected, "{name}: {key}");
            }
        }
        if let Some(gaps) = expected["gaps_gt_1s"].as_array() {
            assert_eq!(found.gaps.len(), gaps.len(), "{name}: gaps");
            for (is, expected) in found.gaps.iter().zip(gaps) {
                let ns = |at: Timestamp| i64::try_from(at.as_nanosecond()).ok();
                assert_eq!(ns(is.from), expected["from_ns"].as_i64(), "{name}");
                assert_eq!(ns(is.to), expected["to_ns"].as_i64(), "{name}");
                near(Some(is.s), &expected["gap_s"], 1e-6, &name);
            }
        }
        if !expected["bits_exact"].is_null() {
            let [bus] = &found.buses[..] else { panic!("{name}: {} buses", found.buses.len()) };
            near(bus.load, &expected["load_exact_pct"], 0.001, &name);
            near(bus.load_low, &expected["load_nostuff_pct"], 0.001, &name);
            near(bus.load_high, &expected["load_worstcase_pct"], 0.001, &name);
        }
        if let Some(range) = expected.get("engine_running_by_rpm_s") {
            let span =
                range.as_array().map_or(0.0, |r| r[1].as_f64().unwrap_or(0.0) - r[0].as_f64().unwrap_or(0.0));
            near(found.engine.running_s, &span.into(), 0.1, &name);
            assert_eq!(found.engine.ran, Some(span > 0.0), "{name}");
        }
        if let Some(hours) = expected.get("engine_hours_h") {
            near(found.engine.hours.map(|meter| meter.last), hours, 1e-9, &name);
            near(found.engine.odometer.map(|meter| meter.last), &expected["vdhr_km"], 1e-9, &name);
        }
    }
}

fn synthetic(name: &str) -> Summary {
    inspect(&format!("synthetic/{name}"), Some(250_000)).1
}

#[test]
fn the_clock_of_each_planted_log_is_told() {
    let right = synthetic("truck_ok.log").clock;
    assert!(right.offset_s.is_some_and(|offset| offset.abs() < 2.0) && right.steps.is_empty());
    assert_eq!((right.began, right.gps_turns, right.zone_s), (None, None, None));

    let jumped = synthetic("truck_clockjump.log").clock;
    assert_eq!(jumped.began, Some(Began::Y2000));
    assert_eq!(jumped.steps.iter().map(|step| step.by_s.round()).collect::<Vec<_>>(), [825_743_400.0]);
    assert!(jumped.offset_s.is_some_and(|offset| offset.abs() < 2.0), "right at its end");

    let turned = synthetic("truck_gpsrollover.log").clock;
    assert_eq!((turned.gps_turns, turned.began), (Some(-1), None));
    near(turned.offset_s, &(-619_315_200.0).into(), 2.0, "turn of the GPS week");

    let back = synthetic("truck_clockback.log");
    assert_eq!(back.steps_back, 1);
    assert_eq!(back.clock.steps.iter().map(|step| step.by_s.round()).collect::<Vec<_>>(), [-3600.0]);
    assert_eq!(back.clock.zone_s, Some(-3600));
}

#[test]
fn a_canopen_machine_tells_its_nodes_and_its_time() {
    let found = synthetic("canopen.log");
    assert_eq!(
        found.nodes.iter().map(|node| (node.node, node.serial)).collect::<Vec<_>>(),
        [(10, Some(123_456))]
    );
    assert!(found.clock.offset_s.is_some(), "the time object counts among heartbeats");
    assert!(found.pgns.is_empty() && found.addresses.is_empty());
}

#[test]
fn a_car_that_is_asked_tells_vin_speed_and_engine() {
    for (name, address) in [("van_obd11.log", 0xE8), ("van_obd29.log", 0x10), ("van_ns_be.pcap", 0xE8)] {
        let found = synthetic(name);
        let [vin] = &found.vins[..] else { panic!("{name}: {:?}", found.vins) };
        assert_eq!((vin.source, vin.address, vin.check_digit), (VinSource::Obd, address, true), "{name}");
        assert_eq!((found.engine.rpm_max, found.engine.speed_max_km_h), (Some(850.0), Some(30.0)), "{name}");
    }
}

#[test]
fn a_recorder_that_lost_frames_is_heard() {
    let found = synthetic("grammar.log");
    assert_eq!((found.drops.reports, found.drops.frames), (1, 3));
    assert_eq!((found.remote, found.error, found.fd), (3, 2, 2));
    assert!(found.buses.iter().all(|bus| bus.impossible_frames == 0));
}
