//! What every reader of bytes from outside keeps to, whatever they are: for random tests, and for the fuzzers below
//! `tests/fuzz`. No part of the product.
#![allow(missing_docs, clippy::missing_panics_doc)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock};

use crate::config::{self, Env, Pair, SecretFile, Source};
use crate::forward::records::{ArchiveJson, Claim, DepotRecord, LoggerRecord, Receipt, path_of, path_text};
use crate::inspect::columns::{Columns, Place, TimeAs};
use crate::inspect::{Inspection, Known};
use crate::ledger::VersionId;
use crate::link::{ftp, http};
use crate::model::LoggerId;
use crate::spool::Record;

/// A reader: its name, what it keeps to, and where bytes that it takes are kept below `tests`, by the end of their names.
pub type Reader = (&'static str, fn(&[u8]), &'static [(&'static str, &'static str)]);

const LOGS: &str = "recordings/can";

/// All of them.
pub const READERS: [Reader; 14] = [
    ("candump", log, &[(LOGS, ".log"), ("fuzz/inputs/candump", "")]),
    ("pcap", log, &[(LOGS, ".pcap")]),
    ("pcapng", log, &[(LOGS, ".pcapng")]),
    ("mdf", log, &[(LOGS, ".mf4")]),
    ("csv", log, &[(LOGS, ".csv")]),
    ("packed", log, &[(LOGS, ".gz"), ("fuzz/inputs/packed", "")]),
    (
        "html",
        |bytes| http::hostile::page(bytes, false),
        &[("recordings/http", ".raw"), ("fuzz/inputs/html", "")],
    ),
    ("json", |bytes| http::hostile::page(bytes, true), &[("recordings/http/nginx-json", ".raw")]),
    ("list", |bytes| ftp::hostile::listing(bytes, false), &[("recordings/ftp", ".txt")]),
    ("mlsd", |bytes| ftp::hostile::listing(bytes, true), &[("recordings/ftp", ".txt")]),
    ("replies", replies, &[("recordings/http", ".raw"), ("fuzz/inputs/replies", "")]),
    (
        "config",
        configuration,
        &[("../config", ".toml"), ("config/cases", ".toml"), ("fuzz/inputs/config", "")],
    ),
    ("receipts", receipts, &[("fuzz/inputs/receipts", "")]),
    ("records", records, &[("fuzz/inputs/records", "")]),
];

/// Bytes to begin with, at most so many of each file.
pub fn seeds(reader: &Reader, most: usize) -> Vec<Vec<u8>> {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests");
    let mut paths = Vec::new();
    for (folder, end) in reader.2 {
        files(&tests.join(folder), end, &mut paths);
    }
    paths.sort();
    let read = |path: PathBuf| std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut seeds: Vec<_> = paths.into_iter().map(read).collect();
    for seed in &mut seeds {
        // A recorded page has its head before it.
        if matches!(reader.0, "html" | "json")
            && let Some(head) = seed.windows(4).position(|w| w == b"\r\n\r\n")
        {
            seed.drain(..head + 4);
        }
        seed.truncate(most);
    }
    seeds
}

fn files(folder: &Path, end: &str, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        match path.is_dir() {
            true => files(&path, end, into),
            false if path.to_string_lossy().ends_with(end) => into.push(path),
            false => {}
        }
    }
}

/// A number that the bytes alone decide.
pub(crate) fn chosen(bytes: &[u8], below: usize) -> usize {
    crc32fast::hash(bytes) as usize % below
}

static COLUMNS: LazyLock<Arc<Columns>> = LazyLock::new(|| {
    Arc::new(Columns {
        time: Place::Number(1),
        id: Place::Number(2),
        data: vec![Place::Number(4)],
        bus: Some(Place::Number(3)),
        length: None,
        header: 0,
        delimiter: b';',
        times: TimeAs::Open,
        decimal_ids: false,
    })
});

/// A log file: the same facts in whatever pieces it comes, and facts that agree with each other.
pub fn log(bytes: &[u8]) {
    for columns in [None, Some(COLUMNS.clone())] {
        let known = Known { bit_rate: Some(250_000), columns };
        let whole = Inspection::of(&bytes, &known).expect("a slice can be read");
        agree(&whole, bytes.len() as u64);
        let mut inspector = Inspection::begin(&known);
        let piece = 1 + chosen(bytes, 5_000);
        bytes.chunks(piece).for_each(|piece| inspector.push(piece));
        let pieces = Inspection::from(inspector.finish(&bytes).expect("a slice can be read"));
        assert_eq!(whole, pieces, "in pieces of {piece}");
    }
}

fn agree(found: &Inspection, bytes: u64) {
    let facts = &found.facts;
    let frames = facts.frames;
    assert!(facts.remote <= frames && facts.error <= frames && facts.fd <= frames);
    assert!(facts.steps_back < frames.max(1) && facts.ids <= frames);
    assert!(frames <= bytes.saturating_mul(4).saturating_add(2 << 20), "{frames} frames in {bytes} bytes");
    assert_eq!(facts.buses.iter().map(|bus| bus.frames).sum::<u64>(), frames);
    assert_eq!((facts.first.is_some(), facts.last.is_some()), (frames > 0, frames > 0));
    assert!(facts.first <= facts.last);
    assert_eq!(facts.damage.len() as u64, facts.damaged_places.min(100));
    assert!(!facts.complete || facts.damaged_places == 0);
    let span =
        facts.first.zip(facts.last).map_or(0.0, |(first, last)| last.duration_since(first).as_secs_f64());
    let near = |a: f64, b: f64| a <= b + 1e-6 * b.abs() + 1e-6;
    assert!(facts.largest_gap_s.is_none_or(|gap| gap >= 0.0 && near(gap, span)));
    assert!(facts.gaps.len() <= 10 && facts.gaps.is_sorted_by(|a, b| a.s >= b.s));
    for gap in &facts.gaps {
        assert!(
            gap.s >= 1.0 && gap.from < gap.to && facts.first <= Some(gap.from) && Some(gap.to) <= facts.last
        );
    }
    for bus in &facts.buses {
        let loads = [bus.load_low, bus.load, bus.load_high].map(|load| load.unwrap_or(0.0));
        assert!(loads.iter().all(|load| load.is_finite() && *load >= 0.0), "{loads:?}");
        if bus.load.is_some() {
            assert!(near(loads[0], loads[1]) && near(loads[1], loads[2]), "{loads:?}");
        }
        assert!(u64::from(bus.peak_frames_per_s) <= bus.frames && bus.impossible_frames <= bus.frames);
        assert!(
            bus.frames == 0 || facts.first <= bus.first && bus.first <= bus.last && bus.last <= facts.last
        );
        is_shown(&bus.name);
    }
    facts.damage.iter().for_each(|damage| is_shown(&damage.text));
    assert!(facts.pgns.is_sorted_by(|a, b| a < b) && facts.pgns.len() as u64 <= facts.ids);
    assert!(facts.addresses.is_sorted_by(|a, b| a < b));
    assert!(facts.nodes.iter().all(|node| (1..=127).contains(&node.node)));
    for vin in facts.vins.iter().chain(&facts.vin) {
        assert_eq!(crate::model::vin::parse(&vin.value).as_deref(), Ok(&*vin.value));
    }
    assert!(facts.clock.steps.len() <= 16);
    // What the ledger keeps of it can be read again.
    let kept = serde_json::to_string(found).expect("JSON");
    let read: Inspection = serde_json::from_str(&kept).unwrap_or_else(|e| panic!("{e}: {kept}"));
    assert_eq!((read.facts.frames, read.facts.first, &read.facts.vins), (frames, facts.first, &facts.vins));
}

/// What a person sees on a terminal moves no cursor.
fn is_shown(text: &str) {
    assert!(!text.chars().any(char::is_control), "{text:?}");
}

/// What servers say beside pages and listings.
pub fn replies(bytes: &[u8]) {
    http::hostile::heads(bytes);
    ftp::hostile::replies(bytes);
    let text = String::from_utf8_lossy(bytes);
    if let Some(at) = crate::link::parse_http_date(&text) {
        let again = crate::link::parse_http_date(&at.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string());
        assert!(again.is_none_or(|again| again.as_second() == at.as_second()), "{text}: {at}");
    }
}

/// An environment without anything in it.
#[derive(Debug)]
struct Bare;

impl Env for Bare {
    fn var(&self, _: &str) -> Option<String> {
        None
    }

    fn secret(&self, _: &Path) -> std::io::Result<SecretFile> {
        Ok(SecretFile { bytes: b"a password".to_vec(), world_readable: false })
    }
}

/// Both files of a configuration, a NUL between them; what has none is tried as either.
pub fn configuration(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    match text.split_once('\0') {
        Some((depot, vehicles)) => pair(depot, vehicles),
        None => {
            pair(&text, include_str!("../config/vehicles.toml"));
            pair(include_str!("../config/yarder.toml"), &text);
        }
    }
}

fn pair(depot: &str, vehicles: &str) {
    let source = |name: &str, text: &str| Source { name: PathBuf::from(name), text: text.to_owned() };
    let pair = Pair { depot: source("yarder.toml", depot), vehicles: source("vehicles.toml", vehicles) };
    let (problems, config) = match config::check(&pair, &Bare) {
        Ok(checked) => (checked.warnings, Some(checked.config)),
        Err(problems) => (problems, None),
    };
    // A pair is refused for something that can be told, and taken without.
    assert_eq!(problems.errors() == 0, config.is_some());
    for problem in &problems.0 {
        assert!(!problem.message.is_empty() && !problem.places.is_empty());
    }
    assert!(problems.is_empty() || !problems.render(false).is_empty() && !problems.render(true).is_empty());
    let Some(config) = config else { return };
    assert!(config.archives.iter().any(|archive| archive.required));
    let mut ids = BTreeSet::new();
    for logger in &config.loggers {
        assert!(ids.insert(logger.id.to_string().to_lowercase()), "{} stands twice", logger.id);
        assert!(config.vehicle(&logger.vehicle).is_some());
        for url in &logger.addresses {
            assert!(
                url.path().ends_with('/') && url.username().is_empty() && url.password().is_none(),
                "{url}"
            );
        }
    }
    assert!(config.depot.state_dir.is_absolute());
    assert!(!format!("{config:?}").contains("a password"));
}

/// What depots share in an archive: it says the same when it is written again, and leads nowhere else.
pub fn receipts(bytes: &[u8]) {
    fn again<T: PartialEq + std::fmt::Debug, E: std::fmt::Debug>(
        bytes: &[u8],
        read: impl Fn(&[u8]) -> Result<T, E>,
        write: impl Fn(&T) -> Vec<u8>,
    ) -> Option<T> {
        let first = read(bytes).ok()?;
        assert_eq!(read(&write(&first)).as_ref().ok(), Some(&first));
        Some(first)
    }
    again(bytes, ArchiveJson::parse, ArchiveJson::to_bytes);
    again(bytes, DepotRecord::parse, DepotRecord::to_bytes);
    again(bytes, LoggerRecord::parse, LoggerRecord::to_bytes);
    if let Some(claim) = again(bytes, Claim::parse, Claim::to_bytes) {
        assert!(is_inside(&claim.k0) && is_inside(&claim.k1) && claim.key.starts_with(&claim.sha256.hex()));
        assert_eq!(path_of(&path_text(&claim.path)).as_ref(), Some(&claim.path));
    }
    let (logger, seq) = (LoggerId::new("L-0421").expect("id"), 7);
    let batch = again(
        bytes,
        |bytes| Receipt::parse_batch(bytes, &logger, seq),
        |receipts| Receipt::batch(seq, receipts).0,
    );
    for receipt in batch.into_iter().flatten() {
        assert!(is_inside(&receipt.location) && receipt.key.starts_with(&receipt.sha256.hex()));
        assert_eq!((receipt.seq, &receipt.logger), (seq, &logger));
    }
}

/// A place within an archive that is not its own keeping.
fn is_inside(key: &str) -> bool {
    let parts = Path::new(key).components().all(|part| matches!(part, std::path::Component::Normal(_)));
    parts && !key.to_ascii_lowercase().starts_with(".yarder") && !key.chars().any(|c| c.is_ascii_control())
}

/// The spool's records: what is taken can be adopted, and says the same when it is written again.
pub fn records(bytes: &[u8]) {
    let read = Record::parse(bytes);
    for (name, record) in &read {
        assert!(record.path().is_some() && record.sha256().is_some() && record.name == *name);
        let facts = record.facts(VersionId(1)).expect("facts");
        assert_eq!((facts.size, &facts.spool), (record.size, &record.name));
    }
    let written: Vec<u8> = read.values().flat_map(Record::line).collect();
    assert_eq!(Record::parse(&written), read);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Changes a few bytes, or leaves some out, or cuts.
    fn change(random: &mut fastrand::Rng, bytes: &mut Vec<u8>, other: &[u8]) {
        for _ in 0..random.usize(1..6) {
            if bytes.is_empty() {
                return;
            }
            let at = random.usize(..bytes.len());
            let end = bytes.len().min(at + random.usize(1..40));
            match random.u8(..6) {
                0 | 1 => bytes[at] ^= 1 << random.u8(..8),
                2 => bytes[at..end].fill(*random.choice(b"\0\xff\n\r;\"<>{}/.: 09").unwrap_or(&0)),
                3 => drop(bytes.drain(at..end)),
                4 if !other.is_empty() => {
                    let from = random.usize(..other.len());
                    let piece = other[from..other.len().min(from + 60)].to_vec();
                    drop(bytes.splice(at..at, piece));
                }
                _ => bytes.truncate(at),
            }
        }
    }

    fn run(name: &str) {
        let reader = READERS.iter().find(|reader| reader.0 == name).expect("a reader");
        let seeds = seeds(reader, 6_000);
        assert!(!seeds.is_empty(), "nothing to begin with");
        seeds.iter().for_each(|seed| reader.1(seed));
        let seed = std::env::var("YARDER_TEST_SEED").ok().and_then(|text| text.parse().ok());
        let seed = seed.unwrap_or_else(|| fastrand::u64(..));
        println!("YARDER_TEST_SEED={seed}");
        let mut random = fastrand::Rng::with_seed(seed);
        for _ in 0..300 {
            let mut bytes = random.choice(&seeds).expect("a seed").clone();
            let other = random.choice(&seeds).expect("a seed");
            change(&mut random, &mut bytes, other);
            reader.1(&bytes);
        }
    }

    macro_rules! readers {
        ($($name:ident)*) => {
            $(#[test]
            fn $name() {
                run(stringify!($name));
            })*

            #[test]
            fn every_reader_is_tried() {
                assert_eq!(READERS.map(|reader| reader.0), [$(stringify!($name)),*]);
            }
        };
    }
    readers!(candump pcap pcapng mdf csv packed html json list mlsd replies config receipts records);
}
