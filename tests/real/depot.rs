//! A depot in a temporary folder, and the `yarder` command on it.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::{Command, Output};

use serde::Deserialize;
use serde_json::Value;
use tempfile::TempDir;

/// One vehicle with one logger, one archive.
pub struct Depot {
    dir: TempDir,
}

/// A line of `files --json`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct FileLine {
    pub path: String,
    pub version: i64,
    pub size: Option<u64>,
    pub state: String,
    pub sha256: Option<String>,
    pub archives: Vec<CopyLine>,
}

/// A file's copy in an archive.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct CopyLine {
    pub location: Option<String>,
    pub verified: Option<String>,
}

impl Depot {
    pub fn new(url: &str, login: Option<(&str, &str)>) -> Self {
        let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("folder");
        let depot = Self { dir };
        let (state, archive) = (depot.path("state"), depot.archive());
        fs::create_dir(&archive).expect("folder");
        let yarder = format!(
            r#"
[depot]
name = "north-yard"
time_zone = "UTC"
works = "Mon-Sun"
state_dir = "{}"
spool_limit = "2 GB"
spool_reserve = "1 MB"

[poll]
connect_timeout = "5s"

[[archive]]
name = "central"
url = "file://{}"
"#,
            state.display(),
            archive.display()
        );
        let login = login.map_or_else(String::new, |(user, password)| {
            format!("user = \"{user}\"\npassword = \"{password}\"\n")
        });
        let vehicles = format!(
            r#"
[kind.real]
files = ["**"]
open_file = "none"
bit_rate = 250000
card_size = "16 GB"

[[vehicle]]
id = "PLOW-01"

[[logger]]
id = "L-0001"
vehicle = "PLOW-01"
kind = "real"
url = "{url}"
{login}"#
        );
        fs::write(depot.path("yarder.toml"), yarder).expect("write");
        fs::write(depot.path("vehicles.toml"), vehicles).expect("write");
        depot
    }

    /// Changes the vehicle list.
    pub fn edit(&self, from: &str, to: &str) {
        let text = fs::read_to_string(self.path("vehicles.toml")).expect("read");
        assert!(text.contains(from), "{text}");
        fs::write(self.path("vehicles.toml"), text.replace(from, to)).expect("write");
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn archive(&self) -> PathBuf {
        self.path("archive")
    }

    /// Runs a command on it.
    pub fn yarder(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_yarder"))
            .arg("--config")
            .arg(self.path("yarder.toml"))
            .args(args)
            .env_remove("YARDER_CONFIG")
            .env_remove("YARDER_LOG")
            .env_remove("STATE_DIRECTORY")
            .env("LC_ALL", "C.UTF-8")
            .output()
            .expect("run")
    }

    /// Runs one round and gives its exit code.
    pub fn once(&self) -> Option<i32> {
        let output = self.yarder(&["once"]);
        let code = output.status.code();
        if code != Some(0) {
            let said = [&output.stdout[..], &output.stderr].concat();
            let said = String::from_utf8_lossy(&said);
            let from = said.len().saturating_sub(4000);
            eprintln!("once: {code:?} {}", said.get(from..).unwrap_or(&said));
        }
        code
    }

    /// What the ledger has, by path; each path must have one version alone.
    pub fn files(&self) -> BTreeMap<String, FileLine> {
        let output = self.yarder(&["files", "--json"]);
        assert!(output.status.success(), "{output:?}");
        let text = String::from_utf8(output.stdout).expect("UTF-8");
        let mut files = BTreeMap::new();
        for line in text.lines() {
            let file: FileLine = serde_json::from_str(line).expect("JSON");
            let before = files.insert(file.path.clone(), file);
            assert_eq!(before, None, "two versions of one file that never changed");
        }
        files
    }

    /// The day's report.
    pub fn report(&self) -> Value {
        serde_json::from_slice(&self.yarder(&["report", "--json"]).stdout).expect("JSON")
    }
}

/// Codes of the findings of a report, those of the vehicle among them.
pub fn codes(report: &Value) -> Vec<String> {
    let all = report["vehicles"][0]["findings"].as_array().into_iter().flatten();
    let mut codes: Vec<String> = report["findings"]
        .as_array()
        .into_iter()
        .flatten()
        .chain(all)
        .filter_map(|finding| finding["code"].as_str().map(str::to_owned))
        .collect();
    codes.sort();
    codes.dedup();
    codes
}
