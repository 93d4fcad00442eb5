//! Files that end anywhere, and files that come in pieces of any size.

use yarder::inspect::damage::Damage;
use yarder::inspect::{Format, Inspector};

use crate::told::{Told, inspect, recording};

const SMALL: [&str; 13] = [
    "nmea2000/engine-crlf.log",
    "synthetic/grammar.log",
    "synthetic/canopen.log",
    "synthetic/van_obd11.log",
    "synthetic/truck_vin_lostdt.log",
    "synthetic/truck_vin_rtscts.log",
    "synthetic/truck_vin_interleaved.log",
    "synthetic/van_ns_be.pcap",
    "synthetic/mixed_fd.pcap",
    "synthetic/truck_first500.pcapng",
    "synthetic/truck_first400.csv",
    "synthetic/truck_cut.pcap",
    "synthetic/van_obd29.log",
];

/// A file that ends early has the frames of its beginning, and no others.
fn begins(cut: &Told, whole: &Told, what: &str) {
    let frames = cut.times.len();
    assert!(frames <= whole.times.len(), "{what}");
    // A relative file's stamps may only be understood further on; these all are absolute or fall never.
    assert_eq!(cut.times[..], whole.times[..frames], "{what}");
    assert_eq!(cut.frames[..], whole.frames[..frames], "{what}");
    // What a line tells of a direction stands behind its frame.
    let before = frames.saturating_sub(1);
    assert_eq!(cut.kinds[..before], whole.kinds[..before], "{what}");
}

#[test]
fn a_file_cut_at_any_byte_has_the_frames_before_the_cut_and_no_others() {
    for name in SMALL {
        let bytes = recording(name);
        let whole = inspect(&bytes, bytes.len()).sink;
        for cut in 0..bytes.len() {
            begins(&inspect(&bytes[..cut], bytes.len()).sink, &whole, &format!("{name} cut at {cut}"));
        }
    }
}

/// Random numbers whose seed is printed and can be given.
fn dice() -> fastrand::Rng {
    let given = std::env::var("YARDER_TEST_SEED").ok().and_then(|seed| seed.parse().ok());
    let seed = given.unwrap_or_else(|| fastrand::u64(..));
    println!("YARDER_TEST_SEED={seed}");
    fastrand::Rng::with_seed(seed)
}

#[test]
fn every_recording_cut_at_random_has_the_frames_before_the_cut_and_no_others() {
    let mut dice = dice();
    let truth: serde_json::Value = serde_json::from_slice(&recording("truth.json")).expect("JSON");
    for name in truth.as_object().expect("an object").keys().filter(|name| !name.starts_with('_')) {
        let bytes = recording(name);
        let whole = inspect(&bytes, 1 << 20);
        for _ in 0..40 {
            let cut = dice.usize(..bytes.len().max(1)).min(bytes.len());
            let found = inspect(&bytes[..cut], 1 << 20);
            // MDF files are not read in the order of their bytes: a cut one may have other frames first.
            if whole.format != Format::Mdf4 {
                begins(&found.sink, &whole.sink, &format!("{name} cut at {cut}"));
            }
        }
    }
}

#[test]
fn any_cutting_into_pieces_tells_the_same() {
    for name in SMALL {
        let bytes = recording(name);
        let whole = inspect(&bytes, bytes.len()).sink;
        for piece in [1, 2, 3, 7, 64, 1000, 4097] {
            assert_eq!(inspect(&bytes, piece).sink, whole, "{name} in pieces of {piece}");
        }
    }
}

#[test]
fn bytes_at_random_are_unknown_and_harm_nothing() {
    let mut random = dice();
    let heads: [&[u8]; 9] = [
        b"",
        b"\x0a\x0d\x0d\x0a\x1c\0\0\0\x4d\x3c\x2b\x1a",
        b"\xd4\xc3\xb2\xa1\x02\0\x04\0\0\0\0\0\0\0\0\0\0\0\x04\0\xe3\0\0\0",
        b"MDF     4.10    ",
        b"UnFinMF 4.10    ",
        b"(1436509052.249713) can0 044#2A366C2BBA\n",
        b"timestamp,id,data\n",
        b"\x1f\x8b\x08\0\0\0\0\0\0\x03",
        b"\x28\xb5\x2f\xfd",
    ];
    for round in 0..2000 {
        let mut bytes = heads[round % heads.len()].to_vec();
        let len = random.usize(..2000);
        bytes.extend(std::iter::repeat_with(|| random.u8(..)).take(len));
        let found = inspect(&bytes, 1 + random.usize(..3000));
        if round % heads.len() == 0 && found.packing.is_none() {
            assert_eq!((found.format, found.sink.times.len()), (Format::Unknown, 0), "round {round}");
        }
    }
}

#[test]
fn a_recording_with_random_bytes_written_over_is_read_to_its_end() {
    let mut random = fastrand::Rng::with_seed(7);
    for name in SMALL {
        let whole = recording(name);
        for _ in 0..200 {
            let mut bytes = whole.clone();
            for _ in 0..1 + random.usize(..8) {
                let at = random.usize(..bytes.len());
                bytes[at] = random.u8(..);
            }
            let told = inspect(&bytes, 1000).sink;
            assert!(told.times.len() <= whole.len() / 8, "{name}");
        }
    }
}

#[test]
fn what_is_empty_or_all_zeros_says_so() {
    let empty = inspect(b"", 1);
    assert_eq!((empty.format, empty.sink.damage), (Format::Unknown, vec![(0, Damage::Empty)]));
    let zeros = inspect(&[0; 512], 100);
    assert_eq!((zeros.format, zeros.sink.damage), (Format::Unknown, vec![(0, Damage::NulTail(512))]));
}

#[test]
fn zeros_behind_packets_are_a_tail_and_no_packets() {
    for name in ["synthetic/truck_ok.pcap", "synthetic/truck_first500.pcapng"] {
        let mut bytes = recording(name);
        let (frames, len) = (inspect(&bytes, 4096).sink.times.len(), bytes.len() as u64);
        bytes.resize(bytes.len() + 5000, 0);
        let told = inspect(&bytes, 777).sink;
        assert_eq!(
            (told.times.len(), &told.damage[..]),
            (frames, &[(len, Damage::NulTail(5000))][..]),
            "{name}"
        );
    }
}

#[test]
fn a_file_of_an_unknown_format_takes_no_memory_and_no_damage() {
    let mut inspector = Inspector::new(Told::default());
    for _ in 0..1000 {
        inspector.push(&[b'?'; 10_000]);
    }
    let found = inspector.finish(&&b""[..]).expect("read");
    assert_eq!((found.format, found.sink), (Format::Unknown, Told::default()));
}
