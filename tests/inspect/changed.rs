//! Files cut and changed in very many ways; the runs that take minutes are asked for.
#![expect(
    clippy::disallowed_methods,
    reason = "it tells how long a run took, which is nothing that is tested"
)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use yarder::inspect::facts::Summary;
use yarder::inspect::{Inspection, Known};

use crate::packed::through;
use crate::told::recordings;

fn read(bytes: &[u8], piece: usize) -> (String, Summary) {
    let mut inspector = Inspection::begin(&Known { bit_rate: Some(250_000), columns: None });
    bytes.chunks(piece).for_each(|piece| inspector.push(piece));
    let found = Inspection::from(inspector.finish(&bytes).expect("a slice can be read"));
    (found.format, found.facts)
}

/// All files of a folder and of those in it.
fn files(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        match path.is_dir() {
            true => files(&path, into),
            false => into.push(path),
        }
    }
}

/// The recordings, or the files of the folder that `YARDER_FILES` names.
fn corpus() -> Vec<(PathBuf, Vec<u8>)> {
    let mut paths = Vec::new();
    files(&std::env::var_os("YARDER_FILES").map_or_else(recordings, PathBuf::from), &mut paths);
    paths.sort();
    paths.into_iter().map(|path| (path.clone(), std::fs::read(&path).expect("a file"))).collect()
}

fn number(name: &str, default: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

#[test]
#[ignore = "every file cut at 2,000 random bytes, small ones at every byte: minutes in a release build"]
fn every_file_cut_at_two_thousand_bytes_neither_panics_nor_invents_frames() {
    let (seed, cuts) = (number("YARDER_TEST_SEED", 1), number("YARDER_CUTS", 2_000));
    let mut random = fastrand::Rng::with_seed(seed);
    let (begun, mut count) = (Instant::now(), 0_u64);
    for (path, bytes) in corpus() {
        let (format, whole) = read(&bytes, 1 << 20);
        let cuts: Vec<usize> = match bytes.len() as u64 <= 2 * cuts {
            true => (0..bytes.len()).collect(),
            false => (0..cuts).map(|_| random.usize(..bytes.len())).collect(),
        };
        for cut in cuts {
            let (_, found) = read(&bytes[..cut], 1 << 20);
            // MDF files are not read in the order of their bytes, and a cut one may not know its counts.
            let most = if format == "mdf4" { u64::MAX } else { whole.frames };
            assert!(found.frames <= most, "{} cut at {cut}", path.display());
            count += 1;
        }
    }
    println!("{count} cut files in {:?}", begun.elapsed());
}

/// Changes bytes here and there: single ones, numbers, ranges that go, come twice or from another file.
fn mutate(random: &mut fastrand::Rng, file: &mut Vec<u8>, other: &[u8]) {
    const NUMBERS: [u64; 10] = [0, 1, 7, 24, 64, 1 << 31, 1 << 32, u64::MAX, u64::MAX - 7, i64::MAX as u64];
    for _ in 0..random.usize(1..8) {
        if file.is_empty() {
            return;
        }
        let at = random.usize(..file.len());
        let at = if random.bool() { at } else { at.min(random.usize(..2_000)) };
        let end = file.len().min(at + random.usize(1..300));
        match random.u8(..10) {
            0..=2 => file[at] ^= 1 << random.u8(..8),
            3 => file[at] = random.u8(..),
            4 => file[at..end].fill([0, 0xFF, b'0', b'\n'][random.usize(..4)]),
            5 => drop(file.drain(at..end)),
            6 => {
                let twice = file[at..end].to_vec();
                drop(file.splice(at..at, twice));
            }
            7 if !other.is_empty() => {
                let from = random.usize(..other.len());
                let piece = other[from..other.len().min(from + 200)].to_vec();
                drop(file.splice(at..at, piece));
            }
            8 => file.truncate(at),
            _ => {
                let number = NUMBERS[random.usize(..NUMBERS.len())].to_le_bytes();
                let width = [2, 4, 8][random.usize(..3)].min(file.len() - at);
                file[at..at + width].copy_from_slice(&number[..width]);
            }
        }
    }
}

#[test]
#[ignore = "changed files for YARDER_SECONDS of each format"]
fn changed_files_of_every_format_neither_panic_nor_hang() {
    let span = Duration::from_secs(number("YARDER_SECONDS", 600));
    let only = std::env::var("YARDER_FORMAT").ok();
    let mut formats: BTreeMap<String, Vec<Vec<u8>>> = BTreeMap::new();
    for (_, mut bytes) in corpus() {
        let found = Inspection::of(&&bytes[..], &Known::default()).expect("in memory");
        bytes.truncate(if found.format == "mdf4" { 200_000 } else { 20_000 });
        formats.entry(found.compression.unwrap_or(found.format)).or_default().push(bytes);
    }
    for (packing, packer) in [("gzip", "gzip -c"), ("xz", "xz -c"), ("zstd", "zstd -qc")] {
        let packer: Vec<&str> = packer.split(' ').collect();
        let packed = ["candump", "pcap", "csv"].map(|format| through(&packer, &formats[format][0]));
        formats.entry(packing.to_owned()).or_default().extend(packed);
    }
    for (format, files) in formats.iter().filter(|(name, _)| only.as_ref().is_none_or(|only| only == *name)) {
        let (begun, mut slowest, mut seed) = (Instant::now(), Duration::ZERO, number("YARDER_TEST_SEED", 1));
        while begun.elapsed() < span {
            let mut random = fastrand::Rng::with_seed(seed);
            let mut file = files[random.usize(..files.len())].clone();
            let other = &files[random.usize(..files.len())];
            mutate(&mut random, &mut file, other);
            let piece = random.usize(1..10_000);
            let one = Instant::now();
            let read = std::panic::catch_unwind(|| read(&file, piece));
            assert!(read.is_ok(), "{format}: seed {seed}");
            slowest = slowest.max(one.elapsed());
            seed += 1;
        }
        println!("{format}: {seed} files, the slowest took {slowest:?}");
    }
}
