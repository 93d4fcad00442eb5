//! The trees that the servers serve, and what is true of them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::{Duration, UNIX_EPOCH};

use serde::Deserialize;
use yarder::model::Digest;

/// One file as it lies on the disk.
#[derive(Debug, Clone)]
pub struct Truth {
    pub path: Vec<u8>,
    pub size: u64,
    pub sha256: String,
    /// Seconds since 1970.
    pub mtime: i64,
}

/// A tree and its files, in the order of their paths.
pub struct Tree {
    pub dir: PathBuf,
    pub files: Vec<Truth>,
}

/// A card: 5,000 small files in one folder, one of 300 MB, nested and empty folders, odd names.
pub fn card() -> &'static Tree {
    static TREE: OnceLock<Tree> = OnceLock::new();
    TREE.get_or_init(|| make("card", &["--small", "5000", "--big", "300"]))
}

/// The same with few and small files, and with names that not every server can tell.
pub fn odd() -> &'static Tree {
    static TREE: OnceLock<Tree> = OnceLock::new();
    TREE.get_or_init(|| make("odd", &["--small", "30", "--big", "2", "--raw-name"]))
}

/// Files that the generator does not make: a further name of a content that is long enough to be
/// stored once, one that some servers hide, and, beside the name that is no UTF-8, one with a tab.
const COPIES: [(&str, &str); 2] =
    [("copy/the same.log", "00000005/00000004.log"), ("hidden/.dot.log", "00000005/00000003.log")];
const TAB: (&str, &str) = ("raw/tab\there.log", "00000005/00000002.log");

#[derive(Deserialize)]
struct Listed {
    files: Vec<ListedFile>,
}

#[derive(Deserialize)]
struct ListedFile {
    path: String,
    size: u64,
    sha256: String,
    mtime: i64,
}

fn make(name: &str, arguments: &[&str]) -> Tree {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/servers/tree.py");
    let made_of = fs::read(&script).expect("tree.py");
    let tag = Digest::of(&[&made_of[..], arguments.join(" ").as_bytes()].concat()).short();
    let home = Path::new(env!("CARGO_TARGET_TMPDIR")).join("trees");
    fs::create_dir_all(&home).expect("folder");
    let (dir, truth) = (home.join(format!("{name}-{tag}")), home.join(format!("{name}-{tag}.json")));
    // Each test may be a process of its own; the first one makes the tree.
    let lock = fs::File::create(home.join("lock")).expect("lock");
    lock.lock().expect("lock");
    if !truth.exists() {
        let unfinished = home.join("unfinished.json");
        let made = Command::new("python3")
            .arg(script)
            .arg(&dir)
            .arg("--truth")
            .arg(&unfinished)
            .args(arguments)
            .output()
            .expect("python3");
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        fs::rename(unfinished, &truth).expect("truth");
    }
    let listed: Listed = serde_json::from_slice(&fs::read(truth).expect("truth")).expect("JSON");
    let mut files: Vec<Truth> = listed
        .files
        .into_iter()
        .map(|file| Truth {
            // Each byte stands as the character of that number.
            path: file.path.chars().map(|c| u8::try_from(c).expect("a byte")).collect(),
            size: file.size,
            sha256: file.sha256,
            mtime: file.mtime,
        })
        .collect();
    let has_raw = files.iter().any(|file| file.path.starts_with(b"raw/"));
    for (number, (to, from)) in (1..).zip(COPIES.into_iter().chain(has_raw.then_some(TAB))) {
        let original = files.iter().find(|file| file.path == from.as_bytes()).expect(from).clone();
        let copy = Truth { path: to.as_bytes().to_vec(), mtime: original.mtime + number, ..original };
        let at = dir.join(to);
        if !at.exists() {
            fs::create_dir_all(at.parent().expect("folder")).expect("folder");
            fs::copy(dir.join(from), &at).expect("copy");
            let time = UNIX_EPOCH + Duration::from_secs(copy.mtime.unsigned_abs());
            fs::File::options().write(true).open(&at).and_then(|file| file.set_modified(time)).expect("time");
        }
        files.push(copy);
    }
    files.sort_by(|a, b| a.path.cmp(&b.path));
    Tree { dir, files }
}
