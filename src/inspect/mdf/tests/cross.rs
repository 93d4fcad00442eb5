//! Compared with asammdf and python-can, both ways: files of theirs read here, files of ours read there.

use std::path::Path;
use std::process::Command;

use super::super::super::frame::Kind;
use super::build::{self, Mixed, START, records};
use super::{Told, shapes, told_of};

/// Runs the script with the Python of `YARDER_PYTHON`, or the one in the path.
fn peers(arguments: &[&str], folder: &Path) {
    let python = std::env::var("YARDER_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/inspect/mdf_peers.py");
    let done = Command::new(python).arg(script).arg(arguments[0]).arg(folder).args(&arguments[1..]).status();
    assert!(done.expect("Python").success());
}

/// The frames as the script writes them, in microseconds since `start`.
fn lines(told: &Told, start: i64) -> String {
    let line = |frame: &super::Seen| {
        let micros = (frame.at - start + 500).div_euclid(1_000);
        let bus = told.buses[usize::from(frame.bus)].trim_start_matches("CAN");
        let mut marks = String::from(match frame.kind {
            kind if kind.has(Kind::REMOTE) => "r",
            kind if kind.has(Kind::ERROR) => "e",
            _ => "d",
        });
        for (kind, mark) in
            [(Kind::EXTENDED, 'x'), (Kind::FD, 'f'), (Kind::BRS, 'b'), (Kind::ESI, 's'), (Kind::SENT, 't')]
        {
            if frame.kind.has(kind) {
                marks.push(mark);
            }
        }
        let data: String = frame.data.iter().map(|byte| format!("{byte:02x}")).collect();
        format!("{micros} {bus} {:x} {marks} {} {data}\n", frame.id, frame.len)
    };
    told.frames.iter().map(line).collect()
}

/// Compares all files in the folder with the frames that lie beside them; how many there were.
fn compare(folder: &Path, start: i64) -> usize {
    let mut files = 0;
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.extension().is_none_or(|extension| extension != "mf4") {
            continue;
        }
        files += 1;
        let expected = std::fs::read_to_string(path.with_extension("frames")).expect("frames");
        let (_, told) = told_of(&std::fs::read(&path).expect("a file"));
        assert_eq!(told.damages, [], "{path:?}");
        let found = lines(&told, start);
        let differs = found.lines().zip(expected.lines()).find(|(found, expected)| found != expected);
        assert_eq!(differs, None, "{path:?}");
        assert_eq!(found.len(), expected.len(), "{path:?}");
    }
    files
}

#[test]
#[ignore = "needs a Python with asammdf and python-can"]
fn what_asammdf_and_python_can_write_reads_as_it_was_given_to_them() {
    for seed in ["1", "2", "3", "4", "5"] {
        let folder = tempfile::tempdir().expect("a folder");
        peers(&["write", seed], folder.path());
        assert_eq!(compare(folder.path(), 0), 12);
    }
}

#[test]
#[ignore = "needs a Python with asammdf and python-can"]
fn what_we_read_is_what_asammdf_reads() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut files = 0;
    let mut file = |bytes: &[u8]| {
        files += 1;
        std::fs::write(folder.path().join(format!("{files}.mf4")), bytes).expect("a file");
    };
    file(&build::sorted(&records(300)));
    for (piece, columns) in [(2_400, 0), (2_400, 24), (1_200, 7)] {
        file(&build::packed(&records(300), piece, columns));
    }
    for id_size in [1, 2, 4, 8] {
        for mixed in [Mixed::Inline, Mixed::Before, Mixed::Behind] {
            file(&build::unsorted(200, id_size, mixed, 1 << 20, None));
        }
    }
    file(&shapes::signal(200, &(0..200).collect::<Vec<_>>(), 1 << 20).bytes);
    peers(&["read"], folder.path());
    assert_eq!(compare(folder.path(), START), files);
}
