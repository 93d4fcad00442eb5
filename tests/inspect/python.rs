//! Files that other programs write at random, read by them and by us.
//!
//! `oracle.py` makes them with python-can, asammdf and `candump`'s own printing, and tells the frames that went in.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use serde::Deserialize;
use yarder::inspect::frame::Kind;

use crate::told::{Told, inspect};

/// A frame as the oracle tells it.
#[derive(Debug, Deserialize)]
struct Known {
    /// Microseconds since 1970.
    us: i64,
    id: u32,
    extended: bool,
    remote: bool,
    error: bool,
    fd: bool,
    brs: bool,
    esi: bool,
    len: u8,
    data: String,
    bus: String,
}

/// Makes the files once; the folder, and the frames of each.
fn made() -> &'static (PathBuf, BTreeMap<String, Vec<Known>>) {
    static MADE: OnceLock<(PathBuf, BTreeMap<String, Vec<Known>>)> = OnceLock::new();
    MADE.get_or_init(|| {
        let seed = std::env::var("YARDER_TEST_SEED").unwrap_or_else(|_| fastrand::u32(..).to_string());
        println!("YARDER_TEST_SEED={seed}");
        let dir = std::env::temp_dir().join(format!("yarder-oracle-{}", std::process::id()));
        std::fs::create_dir_all(&dir).expect("a folder");
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/inspect");
        let output =
            Command::new(here.join("oracle.sh")).arg(&dir).arg(&seed).output().expect("oracle.sh runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let known = serde_json::from_slice(&output.stdout).expect("JSON");
        (dir, known)
    })
}

fn compare(name: &str, known: &[Known], told: &Told) {
    assert_eq!(told.damage, [], "{name}");
    assert_eq!(told.times.len(), known.len(), "{name}");
    for (n, known) in known.iter().enumerate() {
        let what = format!("{name}: frame {n}: {known:?}");
        // A float holds a time of this century to a quarter of a microsecond.
        assert!((told.times[n] - known.us * 1000).abs() <= 1000, "{what}: {}", told.times[n]);
        let kind = told.kinds[n];
        let marks = [Kind::REMOTE, Kind::ERROR, Kind::FD, Kind::BRS, Kind::ESI].map(|mark| kind.has(mark));
        assert_eq!(marks, [known.remote, known.error, known.fd, known.brs, known.esi], "{what}");
        if !known.error {
            assert_eq!(
                (told.ids_in_order[n], kind.has(Kind::EXTENDED)),
                (known.id, known.extended),
                "{what}"
            );
            assert_eq!(told.lengths[n], known.len, "{what}");
            assert_eq!(hex::encode(&told.frames[n]), known.data, "{what}");
        }
        if !known.bus.is_empty() {
            assert_eq!(told.names.get(&told.buses_in_order[n]), Some(&known.bus), "{what}");
        }
    }
}

#[test]
fn what_other_programs_write_is_read_as_it_was_meant() {
    let (dir, known) = made();
    assert!(known.len() >= 6, "{:?}", known.keys());
    for (name, frames) in known {
        let bytes = std::fs::read(dir.join(name)).expect("made");
        let found = inspect(&bytes, 10_000);
        compare(name, frames, &found.sink);
    }
}
