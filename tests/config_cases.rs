//! What an administrator reads: every case is a pair of files and the exact text that `check`
//! says about it. `YARDER_BLESS=1` writes the texts anew.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use yarder::config::{Env, Pair, Problems, SecretFile, Source, check};

/// The case's folder instead of the machine: `env.txt` holds `NAME=value` lines, and a secret
/// whose name ends with `-open` can be read by everybody.
#[derive(Debug)]
struct CaseEnv {
    folder: PathBuf,
    vars: BTreeMap<String, String>,
}

impl CaseEnv {
    fn of(folder: &Path) -> Self {
        let text = fs::read_to_string(folder.join("env.txt")).unwrap_or_default();
        let pair = |line: &str| line.split_once('=').map(|(k, v)| (k.to_owned(), v.to_owned()));
        Self { folder: folder.to_owned(), vars: text.lines().filter_map(pair).collect() }
    }
}

impl Env for CaseEnv {
    fn var(&self, name: &str) -> Option<String> {
        self.vars.get(name).cloned()
    }

    fn secret(&self, path: &Path) -> io::Result<SecretFile> {
        let bytes = fs::read(self.folder.join(path))?;
        let world_readable = path.to_string_lossy().ends_with("-open");
        Ok(SecretFile { bytes, world_readable })
    }
}

fn said(folder: &Path) -> (Problems, String) {
    let source = |name: &str| Source {
        name: PathBuf::from(name),
        text: fs::read_to_string(folder.join(name)).unwrap_or_else(|e| panic!("{}: {e}", folder.display())),
    };
    let pair = Pair { depot: source("yarder.toml"), vehicles: source("vehicles.toml") };
    let problems = match check(&pair, &CaseEnv::of(folder)) {
        Ok(checked) => checked.warnings,
        Err(problems) => problems,
    };
    let text = format!("{problems}\n");
    (problems, text)
}

fn cases() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/config/cases");
    let entries = fs::read_dir(folder).expect("cases");
    let mut all: Vec<_> = entries.map(|entry| entry.expect("entry").path()).collect();
    all.sort();
    all
}

#[test]
fn every_case_says_exactly_what_it_should() {
    let bless = std::env::var("YARDER_BLESS").is_ok_and(|v| v == "1");
    let cases = cases();
    assert!(cases.len() >= 35, "only {} cases", cases.len());
    let mut wrong = Vec::new();
    for case in cases {
        let (_, text) = said(&case);
        let file = case.join("expected.txt");
        if bless {
            fs::write(&file, &text).expect("bless");
        } else if fs::read_to_string(&file).unwrap_or_default() != text {
            wrong.push(format!("{}:\n{text}", case.display()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn no_case_shows_a_secret() {
    for case in cases() {
        let (problems, text) = said(&case);
        let json = serde_json::to_string(&problems).expect("json");
        let debug = format!("{problems:?}");
        for told in [text, json, debug, problems.render(true)] {
            assert!(!told.contains("hunter2"), "{} shows a secret:\n{told}", case.display());
        }
    }
}
