//! Packed files, made by the programs that people use.

use std::io::Write as _;
use std::process::{Command, Stdio};

use yarder::inspect::damage::Damage;
use yarder::inspect::frame::{Frame, Sink};
use yarder::inspect::{Format, Inspector, Packing};

use crate::told::{inspect, recording};

/// What a program makes of bytes.
fn through(program: &[&str], bytes: &[u8]) -> Vec<u8> {
    let mut child = Command::new(program[0])
        .args(&program[1..])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap_or_else(|e| panic!("{}: {e}; tests/run installs it", program[0]));
    let mut stdin = child.stdin.take().expect("piped");
    let bytes = bytes.to_vec();
    let writing = std::thread::spawn(move || stdin.write_all(&bytes));
    let output = child.wait_with_output().expect("it ends");
    writing.join().expect("written").expect("written");
    assert!(output.status.success(), "{program:?}");
    output.stdout
}

const PACKERS: [(&[&str], Packing); 8] = [
    (&["gzip", "-c"], Packing::Gzip),
    (&["gzip", "-1c"], Packing::Gzip),
    (&["xz", "-c"], Packing::Xz),
    (&["xz", "-9ec", "--check=crc32"], Packing::Xz),
    (&["xz", "-0c", "--block-size=50000", "-T2"], Packing::Xz),
    (&["zstd", "-qc"], Packing::Zstd),
    (&["zstd", "-19qc", "--no-check"], Packing::Zstd),
    (&["zstd", "-1qc", "-B65536"], Packing::Zstd),
];

#[test]
fn a_packed_file_tells_what_the_plain_one_does() {
    for name in ["synthetic/truck_ok.log", "nmea2000/sailboat-2022-25s-b.pcapng", "car/ev-2021-obd-scan.csv"]
    {
        let plain = recording(name);
        let known = inspect(&plain, plain.len());
        for (packer, packing) in PACKERS {
            let packed = through(packer, &plain);
            for piece in [1, 3, 1000, 65_536] {
                if piece < 1000 && name != "synthetic/truck_ok.log" {
                    continue;
                }
                let found = inspect(&packed, piece);
                assert_eq!((found.format, found.packing), (known.format, Some(packing)), "{name} {packer:?}");
                assert!(
                    found.sink == known.sink,
                    "{name} {packer:?} in pieces of {piece}: {:?}",
                    found.sink.damage
                );
            }
        }
    }
}

#[test]
fn packed_files_in_a_row_are_one() {
    let plain = recording("synthetic/truck_ok.log");
    let (one, other) = plain.split_at(51 * 1000);
    let known = inspect(&plain, plain.len()).sink;
    for (packer, _) in PACKERS {
        let packed = [through(packer, one), through(packer, other)].concat();
        assert!(inspect(&packed, 1000).sink == known, "{packer:?}");
        assert!(inspect(&packed, 1).sink == known, "{packer:?}");
    }
}

#[test]
fn a_packed_file_cut_anywhere_says_so_and_keeps_what_was_before() {
    let plain = recording("synthetic/truck_ok.log");
    let known = inspect(&plain, plain.len()).sink;
    for (packer, packing) in PACKERS {
        let packed = through(packer, &plain);
        let mut most = 0;
        for cut in (6..packed.len()).step_by(7).chain(packed.len() - 30..packed.len()) {
            let found = inspect(&packed[..cut], 4096);
            let told = &found.sink;
            assert!(
                told.damages().contains(&Damage::MissingEnd),
                "{packer:?} cut at {cut}: {:?}",
                told.damage
            );
            assert_eq!(told.times[..], known.times[..told.times.len()], "{packer:?} cut at {cut}");
            most = most.max(told.times.len());
        }
        let all = known.times.len();
        // A block of Zstandard, and this is a single one, gives nothing until it is whole; behind it stands a
        // checksum, unless it was not wanted.
        let whole = packing == Packing::Zstd && packer.contains(&"--no-check");
        assert!(whole || most > all - 20, "{packer:?}: {most} of {all}");
    }
}

#[test]
fn a_changed_byte_in_a_packed_file_is_found() {
    let plain = recording("synthetic/truck_ok.log");
    for (packer, _) in PACKERS.into_iter().filter(|(packer, _)| !packer.contains(&"--no-check")) {
        let packed = through(packer, &plain);
        for at in [packed.len() / 3, packed.len() / 2, packed.len() - 60] {
            let mut bytes = packed.clone();
            bytes[at] ^= 0x10;
            let told = inspect(&bytes, 1000).sink;
            assert!(!told.damage.is_empty(), "{packer:?} changed at {at}");
        }
    }
}

#[test]
fn zeros_behind_a_packed_file_are_a_tail_and_other_bytes_are_told() {
    let plain = recording("synthetic/truck_ok.log");
    for (packer, _) in PACKERS {
        let packed = through(packer, &plain);
        let zeros = inspect(&[&packed[..], &[0; 999]].concat(), 100).sink;
        assert_eq!(zeros.damages(), [Damage::NulTail(999)], "{packer:?}");
        let more = inspect(&[&packed[..], b"something else is here"].concat(), 100).sink;
        assert_eq!(
            more.damages(),
            [Damage::BadStructure("something else behind the packed content")],
            "{packer:?}"
        );
    }
}

#[test]
fn a_bomb_is_left_when_it_unpacks_to_more_than_any_log() {
    let zeros = vec![b'0'; 300_000_000];
    for packer in [&["gzip", "-9c"][..], &["xz", "-c"], &["zstd", "-19qc"]] {
        let bomb = through(packer, &zeros);
        let told = inspect(&bomb, 65_536);
        assert_eq!(told.format, Format::Unknown);
        assert_eq!(
            told.sink.damages(),
            [Damage::BadStructure("it unpacks to more than any log would")],
            "{packer:?}: {} bytes",
            bomb.len()
        );
    }
}

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

#[test]
fn a_packed_bomb_ends_with_one_word_in_bounded_work() {
    let too_much = Damage::BadStructure("it unpacks to more than any log would");
    let line = b"(1436509052.249713) can0 044#\n";
    for (text, least) in [(line.repeat(4_000_000), 1), (vec![b'0'; 200 << 20], 0)] {
        let text = [&line[..], &text].concat();
        for (packer, _) in [PACKERS[0], PACKERS[3], PACKERS[5]] {
            let packed = through(packer, &text);
            let found = Inspector::new(Count::default()).whole(&&packed[..]).expect("in memory").sink;
            assert_eq!(found.damages, std::slice::from_ref(&too_much), "{packer:?}");
            assert!(found.frames >= least && found.frames < 3_000_000, "{}", found.frames);
        }
    }
}
