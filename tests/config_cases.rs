//! What an administrator reads: every case is a pair of files and the exact text that `check`
//! says about it. `YARDER_BLESS=1` writes the texts anew.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use proptest::prelude::*;
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

fn examples() -> (String, String) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let read = |name: &str| fs::read_to_string(folder.join(name)).expect(name);
    (read("yarder.toml"), read("vehicles.toml"))
}

fn pair(depot: &str, vehicles: &str) -> Pair {
    let source = |name: &str, text: &str| Source { name: PathBuf::from(name), text: text.to_owned() };
    Pair { depot: source("yarder.toml", depot), vehicles: source("vehicles.toml", vehicles) }
}

fn problems(depot: &str, vehicles: &str) -> Problems {
    let env = CaseEnv { folder: PathBuf::from("/nonexistent"), vars: BTreeMap::new() };
    match check(&pair(depot, vehicles), &env) {
        Ok(checked) => checked.warnings,
        Err(problems) => problems,
    }
}

#[test]
fn the_examples_are_right_as_they_are() {
    let (depot, vehicles) = examples();
    let said = problems(&depot, &vehicles);
    assert!(said.is_empty(), "{said}");
}

/// A `#` right before a key or a header; remarks have a space.
fn is_setting(line: &str) -> bool {
    let inner = line.strip_prefix('#').unwrap_or_default();
    inner.starts_with(|c: char| c.is_ascii_lowercase() || c == '[')
}

fn uncommented(text: &str) -> String {
    let line = |line: &str| match is_setting(line) {
        true => format!("{}\n", &line[1..]),
        false => format!("{line}\n"),
    };
    text.lines().map(line).collect()
}

#[test]
fn every_commented_setting_of_the_examples_is_known() {
    let (depot, vehicles) = examples();
    let said = problems(&uncommented(&depot), &uncommented(&vehicles));
    for problem in &said.0 {
        for word in ["unknown key", "no TOML", "stands twice"] {
            assert!(!problem.message.contains(word), "{said}");
        }
    }
    // What a remark says of the settings below it is true.
    let mut counted = (0, 0);
    for (file, text) in [("yarder.toml", &depot), ("vehicles.toml", &vehicles)] {
        let mut refused = None;
        for (nth, line) in text.lines().enumerate() {
            if line.starts_with("# Not in this version") {
                refused = Some(line.ends_with("version:"));
                continue;
            }
            let Some(refused) = refused.filter(|_| is_setting(line)) else {
                refused = None;
                continue;
            };
            let here = |p: &&yarder::config::Problem| {
                let place = p.places.first().expect("place");
                place.file == Path::new(file) && place.at.is_some_and(|(line, _)| line == nth + 1)
            };
            let told = said.0.iter().find(here).map(|p| p.message.as_str());
            match refused {
                true => assert!(told.is_some_and(|m| m.ends_with("of Yarder")), "{file}: {line}: {told:?}"),
                false => assert_eq!(told, None, "{file}: {line}"),
            }
            counted = if refused { (counted.0 + 1, counted.1) } else { (counted.0, counted.1 + 1) };
        }
    }
    assert!(counted.0 > 12 && counted.1 > 6, "{counted:?}");
}

#[test]
fn every_key_that_is_known_stands_in_the_examples() {
    let (depot, vehicles) = examples();
    let (depot, vehicles) = (uncommented(&depot), uncommented(&vehicles));
    let table_of =
        |text: &str| text.trim_matches(['[', ']', '`']).rsplit('.').next().unwrap_or("").to_owned();
    let mut shown: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut probe = |text: &str| {
        let mut out = String::new();
        let mut table = String::new();
        for line in text.lines() {
            out += &format!("{line}\n");
            let code = line.split('#').next().unwrap_or("").trim_end();
            if code.starts_with('[') {
                table = table_of(code);
                out += "zzzzzzzzzzzz = 1\n";
            } else if let Some((key, _)) = code.split_once(" = ") {
                shown.entry(table.clone()).or_default().insert(key.to_owned());
            }
        }
        out
    };
    let (depot, vehicles) = (probe(&depot), probe(&vehicles));
    // Tables within tables.
    shown.entry("report".to_owned()).or_default().extend(["mail", "alert"].map(str::to_owned));
    shown.entry("intake".to_owned()).or_default().extend(["ftp", "http", "inbox"].map(str::to_owned));
    let mut tables = BTreeSet::new();
    for problem in problems(&depot, &vehicles).0 {
        let Some(table) = problem.message.strip_prefix("unknown key `zzzzzzzzzzzz` in ") else { continue };
        let help = problem.help.unwrap_or_default();
        let help = help.split_whitespace().collect::<Vec<_>>().join(" ");
        let keys = help.strip_prefix("the keys here are ").unwrap_or_else(|| panic!("{help}"));
        let table = table_of(table);
        for key in keys.split(", ") {
            assert!(
                shown.get(&table).is_some_and(|keys| keys.contains(key)),
                "{key} of {table} is not shown"
            );
        }
        tables.insert(table);
    }
    assert!(tables.len() >= 15, "{tables:?}");
}

#[test]
fn five_hundred_loggers_pass() {
    let (depot, _) = examples();
    let mut list = "[kind.wifi]\nurl = \"http://{host}/logs/\"\n".to_owned();
    for n in 0..500 {
        list += &format!(
            "\n[[vehicle]]\nid = \"TRUCK-{n}\"\naccess_point = \"east\"\n\n[[logger]]\nid = \"L-{n}\"\n\
             vehicle = \"TRUCK-{n}\"\nkind = \"wifi\"\nhost = \"10.20.{}.{}\"\n",
            n / 250,
            n % 250 + 1
        );
    }
    let env = CaseEnv { folder: PathBuf::from("/nonexistent"), vars: BTreeMap::new() };
    let checked = check(&pair(&depot, &list), &env).unwrap_or_else(|p| panic!("{p}"));
    assert!(checked.warnings.is_empty(), "{}", checked.warnings);
    assert_eq!(checked.config.loggers.len(), 500);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever a slip of the hand leaves behind is told, with its lines, and the password that
    /// stands in the file is not.
    #[test]
    fn a_damaged_pair_is_told_without_its_secret(
        at in 0..8000usize,
        gone in 0..60usize,
        put in "[a-z=\\[\\]{}\"'#\n.\u{e9}\u{1F69C}\t\r\\\\]{0,6}",
        in_list in any::<bool>(),
    ) {
        let (depot, vehicles) = examples();
        let mut texts = [uncommented(&depot), uncommented(&vehicles.replacen("#password = \"...\"", "password = \"hunter2\"", 1))];
        let text = &mut texts[usize::from(in_list)];
        let boundary = |at: usize| (at..).find(|at| text.is_char_boundary(*at)).unwrap_or(0);
        let from = boundary(at % text.len());
        let to = boundary((from + gone).min(text.len()));
        text.replace_range(from..to, &put);
        let said = problems(&texts[0], &texts[1]);
        let told = format!("{said}{}", said.render(true));
        prop_assert!(!told.is_empty());
        // Without its key, nothing says that a text is a secret.
        prop_assume!(texts[1].contains("password = \"hunter2"));
        prop_assert!(!told.contains("hunter2"), "{said}");
    }
}
