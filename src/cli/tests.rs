use std::path::{Path, PathBuf};

use clap::CommandFactory as _;
use serde_json::{Value, json};
use tempfile::TempDir;

use super::out::capture::Captured;
use super::*;
use crate::ledger::{
    Change, Finding, Grant, Kept, Ledger, LoggerRow, Seen, Severity, VersionId, VisitCounts, WholeFacts,
};
use crate::model::{Blocks, Digest, EDGE, Edges as Ends, Look, Proof, RemotePath};

mod auditing;
mod mending;

/// A depot on this machine: two configuration files, a ledger, an archive.
struct Depot {
    dir: TempDir,
    ledger: Ledger,
}

/// The bytes of the file of that name.
fn content(path: &str) -> Vec<u8> {
    path.bytes().cycle().take(5000).collect()
}

impl Depot {
    async fn new() -> Self {
        let dir = tempfile::tempdir().expect("dir");
        let at = |name: &str| dir.path().join(name);
        for folder in ["state", "archive", "archive/.yarder"] {
            std::fs::create_dir(at(folder)).expect("folder");
        }
        std::fs::write(at("archive/.yarder/archive.json"), r#"{"schema":1,"id":"one"}"#).expect("id");
        let (state, archive) = (at("state"), at("archive"));
        let depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"Europe/Oslo\"\nworks = \"Mon-Sun\"\nstate_dir = {:?}\n\
             [[archive]]\nname = \"central\"\nurl = \"file://{}\"\n",
            state,
            archive.display()
        );
        let vehicles = "[kind.wifi]\nurl = \"ftp://{host}/\"\n\
            [[vehicle]]\nid = \"PLOW-01\"\n[[vehicle]]\nid = \"SWEEP-11\"\n\
            [[logger]]\nid = \"L-0401\"\nvehicle = \"PLOW-01\"\nkind = \"wifi\"\nhost = \"127.0.0.1:1\"\n\
            [[logger]]\nid = \"L-0411\"\nvehicle = \"SWEEP-11\"\nkind = \"wifi\"\nhost = \"127.0.0.2:1\"\n";
        std::fs::write(at("yarder.toml"), depot).expect("written");
        std::fs::write(at("vehicles.toml"), vehicles).expect("written");
        let ledger = Ledger::open(&Edges::real(), &state).expect("ledger");
        ledger.accept_archive("central", "here", "one").await.expect("accepted");
        Self { dir, ledger }
    }

    fn archive(&self, location: &str) -> PathBuf {
        self.dir.path().join("archive").join(location)
    }

    async fn logger(&self, name: &str, vehicle: &str) -> LoggerRow {
        self.ledger.logger(name, vehicle).await.expect("logger")
    }

    async fn list(&self, logger: &LoggerRow, vehicle: &str, paths: &[&str]) {
        let new = |path: &&str| {
            let look = Look { size: Some(5000), ..Look::default() };
            let path = RemotePath::new(path.as_bytes()).expect("path");
            let seen = Seen { path, listed: "5000".into(), look };
            Change::New { seen, backlog: false, same_as: None, why: "listed" }
        };
        let changes = paths.iter().map(new).collect();
        self.ledger.apply(logger, vehicle, true, changes).await.expect("applied");
    }

    async fn version(&self, logger: &LoggerRow, path: &str) -> VersionId {
        let pending = self.ledger.pending(logger.key).await.expect("pending");
        let found = pending.into_iter().find(|p| p.path.as_bytes() == path.as_bytes());
        found.expect("listed").id
    }

    /// Fetches a listed file, with the content that the file `like` has.
    async fn fetch(&self, logger: &LoggerRow, path: &str, like: &str) -> VersionId {
        self.fetch_for(logger, path, like, "central").await
    }

    async fn fetch_for(&self, logger: &LoggerRow, path: &str, like: &str, archive: &str) -> VersionId {
        let id = self.version(logger, path).await;
        let bytes = content(like);
        let sha256 = Digest::of(&bytes);
        self.ledger.grant(Grant { id, spool: format!("s{}", id.0), reserved: 5000 }).expect("granted");
        let whole = WholeFacts {
            id,
            spool: format!("s{}", id.0),
            look: Look { size: Some(5000), ..Look::default() },
            size: 5000,
            sha256,
            edges: Ends { head: sha256, tail: sha256 },
            blocks: Blocks(vec![sha256]),
            proof: Proof::Length,
            extends: None,
            owed: vec![archive.into()],
            detail: json!({ "tries": 1 }),
        };
        assert!(bytes.len() as u64 <= EDGE);
        self.ledger.whole(vec![(whole, false)]).await.expect("whole");
        id
    }

    /// Fetches and stores a listed file; its location is its path.
    async fn bring_home(&self, logger: &LoggerRow, path: &str, like: &str) {
        let id = self.fetch(logger, path, like).await;
        let (place, archive) = (path.to_owned(), "central");
        let claim = vec![(id, place.clone(), place.clone(), place.clone())];
        self.ledger.intend(archive, claim).await.expect("intended");
        let stored = vec![(id, place.clone(), place.clone(), false)];
        self.ledger.stored(archive, stored).await.expect("stored");
        let file = self.archive(path);
        std::fs::create_dir_all(file.parent().expect("parent")).expect("folder");
        std::fs::write(&file, content(like)).expect("stored");
        let kept = Kept { id, location: place, seq: id.0, verified: "disk-read", folder: None, note: "" };
        self.ledger.verified(archive, vec![kept], Vec::new()).await.expect("verified");
    }

    /// A vehicle that is done, and one that is not.
    async fn night(&self) {
        let done = self.logger("L-0401", "PLOW-01").await;
        self.list(&done, "PLOW-01", &["logs/1.log", "logs/2.log"]).await;
        self.bring_home(&done, "logs/1.log", "logs/1.log").await;
        self.bring_home(&done, "logs/2.log", "logs/2.log").await;
        let counts = VisitCounts { listings: 1, files: 2, bytes: 10_000, ..VisitCounts::default() };
        let visit = self.ledger.begin_visit(done.key).await.expect("visit");
        self.ledger.visit(visit, counts, None).expect("visit");
        let pending = self.logger("L-0411", "SWEEP-11").await;
        self.list(&pending, "SWEEP-11", &["a\x1b[2J.log", "b.log"]).await;
        self.fetch(&pending, "b.log", "b.log").await;
        self.ledger.settled().await.expect("committed");
    }

    async fn run(&self, args: &[&str]) -> (Result<Outcome, Failure>, String) {
        let cli = Cli::try_parse_from(["yarder"].iter().chain(args)).expect("arguments");
        let cx = Cx { config: self.dir.path().join("yarder.toml"), edges: Edges::real() };
        let captured = Captured::default();
        let mut out = captured.out(cli.globals.json);
        let end = execute(cli.command, &cx, &mut out).await;
        (end, captured.text())
    }

    async fn lines(&self, args: &[&str]) -> (Outcome, Vec<Value>) {
        let (end, text) = self.run(args).await;
        let parse = |line: &str| serde_json::from_str(line).expect("a JSON line");
        (end.expect("done"), text.lines().map(parse).collect())
    }
}

fn harmless(text: &str) -> bool {
    !text.chars().any(|c| c.is_control() && c != '\n')
}

#[test]
fn every_command_explains_itself_with_an_example() {
    Cli::command().debug_assert();
    for command in Cli::command().get_subcommands_mut() {
        let help = command.render_long_help().to_string();
        assert!(help.contains("Example"), "{help}");
        assert!(help.lines().count() > 8, "{help}");
    }
}

#[tokio::test]
async fn files_are_objects_of_the_documented_fields_or_a_harmless_table() {
    let depot = Depot::new().await;
    depot.night().await;
    let (_, files) = depot.lines(&["files", "--json"]).await;
    assert_eq!(files.len(), 4);
    let keys: Vec<&String> = files[0].as_object().expect("object").keys().collect();
    let mut want = vec![
        "vehicle", "logger", "card", "path", "version", "size", "mtime", "state", "proof", "sha256",
        "archives", "findings", "format", "span", "frames",
    ];
    want.sort_unstable();
    assert_eq!(keys, want);
    assert_eq!(files[0]["sha256"], Digest::of(&content("logs/1.log")).hex());
    assert_eq!(files[0]["archives"][0]["location"], "logs/1.log");
    assert_eq!(files[0]["archives"][0]["verified"], "disk-read");
    let (_, table) = depot.run(&["files"]).await;
    assert!(harmless(&table) && table.contains("a\\u{1b}[2J.log"), "{table}");
    let (_, whole) = depot.lines(&["files", "--json", "--state", "whole", "--vehicle", "SWEEP-11"]).await;
    assert_eq!(whole.len(), 1);
    let (refused, text) = depot.run(&["files", "--vehicle", "PLOW-99"]).await;
    assert!(matches!(refused, Err(Failure::Usage(_))) && text.is_empty(), "{text}");
    let (_, text) = depot.run(&["files", "--vehicle", "PLOW-01", "--state", "lost"]).await;
    assert_eq!(text, "No file fits.\n");
    assert!(Cli::try_parse_from(["yarder", "files", "--state", "lsot"]).is_err());
}

#[tokio::test]
async fn a_finding_about_a_file_stands_at_the_file() {
    let depot = Depot::new().await;
    depot.night().await;
    depot.ledger.raise(act("file-held", "L-0401/logs/1.log")).expect("raised");
    depot.ledger.settled().await.expect("committed");
    let (_, files) = depot.lines(&["files", "--json"]).await;
    assert_eq!(files[0]["findings"], json!(["file-held"]));
    assert_eq!(files[1]["findings"], json!([]));
}

fn act(code: &'static str, subject: &str) -> Finding {
    Finding {
        code,
        subject: subject.into(),
        severity: Severity::Act,
        vehicle: Some("PLOW-01".into()),
        logger: Some("L-0401".into()),
        evidence: json!({}),
        cause: "it waits for a person".into(),
        action: "See `yarder held`.".into(),
    }
}

#[tokio::test]
async fn a_file_s_story_is_found_by_path_hash_and_place() {
    let depot = Depot::new().await;
    depot.night().await;
    let sha = Digest::of(&content("logs/1.log")).hex();
    for what in ["logs/1.log", "1.log", &sha, &sha[..12]] {
        let (end, story) = depot.run(&["trace", what]).await;
        assert_eq!(end.expect("found"), Outcome::Done);
        assert!(story.contains(&sha) && story.contains("archived: every required archive has it"), "{story}");
        assert!(story.contains("central: logs/1.log (verified by disk-read)"), "{story}");
    }
    let (_, told) = depot.lines(&["trace", "logs/1.log", "--json"]).await;
    assert_eq!(told[0]["path"], "logs/1.log");
    assert_eq!(told[0]["story"][0]["what"], "listed");
    let (unknown, _) = depot.run(&["trace", "nowhere.log"]).await;
    assert!(matches!(unknown, Err(Failure::Failed(_))));
}

#[tokio::test]
async fn a_path_is_traced_as_any_command_prints_it() {
    let depot = Depot::new().await;
    let logger = depot.logger("L-0401", "PLOW-01").await;
    let names: [&[u8]; 4] =
        [b"logs/\xe9t\xe9.log", b"logs/\x1b[2J.log", "logs/\u{202e}gol.log".as_bytes(), b"logs/a b.log"];
    let change = |name: &&[u8]| {
        let look = Look { size: Some(5000), ..Look::default() };
        let seen = Seen { path: RemotePath::new(name).expect("path"), listed: "5000".into(), look };
        Change::New { seen, backlog: false, same_as: None, why: "listed" }
    };
    depot.ledger.apply(&logger, "PLOW-01", true, names.iter().map(change).collect()).await.expect("applied");
    for held in depot.ledger.pending(logger.key).await.expect("pending") {
        depot
            .ledger
            .grant(Grant { id: held.id, spool: format!("s{}", held.id.0), reserved: 1 })
            .expect("granted");
        depot.ledger.hold(held.id, None, json!({ "why": "test" }), None).await.expect("held");
    }
    let mut printed: Vec<String> = Vec::new();
    for list in ["files", "held"] {
        let (_, lines) = depot.lines(&[list, "--json"]).await;
        printed.extend(lines.iter().map(|l| l["path"].as_str().expect("text").to_owned()));
        let (_, table) = depot.run(&[list]).await;
        printed.extend(table.lines().filter_map(|line| Some(line[line.find("logs/")?..].to_owned())));
    }
    assert_eq!(printed.len(), 4 * names.len());
    for path in printed {
        // What `held` tells behind it.
        let path = path.split("  ").next().expect("a part");
        for what in [path, path.strip_prefix("logs/").expect("below")] {
            let (end, told) = depot.lines(&["trace", what, "--json"]).await;
            assert_eq!((end, told.len()), (Outcome::Done, 1), "{what:?}");
        }
    }
}

#[tokio::test]
async fn report_and_status_say_who_may_leave_and_exit_with_3_when_a_person_is_needed() {
    let depot = Depot::new().await;
    depot.night().await;
    let (end, page) = depot.run(&["report"]).await;
    assert_eq!(end.expect("made"), Outcome::Done);
    assert!(page.contains("1 of 2 vehicles complete. 1 incomplete. Nothing needs you."), "{page}");
    assert!(harmless(&page));
    let (_, status) = depot.run(&["status"]).await;
    assert!(status.contains("The service does not run"), "{status}");
    assert!(status.contains("done, free to leave") && status.contains("1 file to go"), "{status}");
    depot.ledger.raise(act("file-held", "L-0401/logs/1.log")).expect("raised");
    depot.ledger.settled().await.expect("committed");
    for command in ["report", "status"] {
        let (end, text) = depot.run(&[command]).await;
        assert_eq!(end.expect("made"), Outcome::NeedsPerson, "{text}");
        assert!(text.contains("file-held"), "{text}");
        let (end, values) = depot.lines(&[command, "--json"]).await;
        assert_eq!(end, Outcome::NeedsPerson);
        assert_eq!(values[0]["vehicles"][0]["findings"][0]["code"], "file-held");
    }
    let (end, _) = depot.run(&["report", "--date", "2999-01-01"]).await;
    assert!(matches!(end, Err(Failure::Usage(_))));
    let (end, past) = depot.run(&["report", "--date", "2020-02-02"]).await;
    let why = end.expect_err("nothing is known").to_string();
    assert!(why.contains("nothing is known of the day of 2020-02-02") && past.is_empty(), "{why} {past}");
}

#[tokio::test]
async fn what_came_home_still_counts_when_it_is_recognised_by_its_ends_later() {
    let depot = Depot::new().await;
    let logger = depot.logger("L-0401", "PLOW-01").await;
    depot.list(&logger, "PLOW-01", &["logs/1.log"]).await;
    let id = depot.version(&logger, "logs/1.log").await;
    depot.bring_home(&logger, "logs/1.log", "logs/1.log").await;
    let path = RemotePath::new(b"logs/1.log").expect("path");
    let look = Look { size: Some(5000), ..Look::default() };
    let seen = Seen { path, listed: "5,000".into(), look };
    let same = vec![Change::Same { id, seen, presumed: true }];
    depot.ledger.apply(&logger, "PLOW-01", true, same).await.expect("applied");
    let (_, report) = depot.lines(&["report", "--json"]).await;
    assert_eq!(report[0]["totals"]["files_archived"], 1);
}

#[tokio::test]
async fn an_archive_like_the_ledger_has_no_difference() {
    let depot = Depot::new().await;
    depot.night().await;
    std::fs::create_dir_all(depot.archive(".yarder/receipts/L-0401")).expect("folder");
    std::fs::write(depot.archive(".yarder/receipts/L-0401/000000000001"), "{}").expect("written");
    std::fs::write(depot.archive("manifest-sha256.txt"), "").expect("written");
    let (end, differences) = depot.lines(&["audit", "--json"]).await;
    assert_eq!(end, Outcome::Done);
    let kinds: Vec<&str> = differences.iter().filter_map(|d| d["kind"].as_str()).collect();
    assert_eq!(kinds, ["pending"], "the file on its way alone");
}

#[tokio::test]
async fn audit_tells_every_difference_once() {
    let depot = Depot::new().await;
    depot.night().await;
    let done = depot.logger("L-0401", "PLOW-01").await;
    depot.list(&done, "PLOW-01", &["logs/3.log", "logs/4.log", "logs/5.log"]).await;
    depot.bring_home(&done, "logs/3.log", "logs/3.log").await;
    depot.bring_home(&done, "logs/4.log", "logs/4.log").await;
    depot.bring_home(&done, "logs/5.log", "logs/4.log").await;
    depot.ledger.settled().await.expect("committed");
    let mut flipped = content("logs/1.log");
    flipped[17] ^= 1;
    std::fs::write(depot.archive("logs/1.log"), &flipped).expect("flipped");
    std::fs::write(depot.archive("logs/3.log"), &content("logs/3.log")[..4999]).expect("cut");
    remove(&depot.archive("logs/2.log"));
    for stray in ["stray.txt", "x/data/manifest-sha256.txt", "zz"] {
        let path = depot.archive(stray);
        std::fs::create_dir_all(path.parent().expect("parent")).expect("folder");
        std::fs::write(path, "stray").expect("written");
    }
    let (end, differences) = depot.lines(&["audit", "--json"]).await;
    assert_eq!(end, Outcome::NeedsPerson);
    let mut found: Vec<(String, String)> = differences
        .iter()
        .map(|d| (d["kind"].to_string(), d["location"].as_str().unwrap_or_default().to_owned()))
        .collect();
    found.sort();
    let want = |kind: &str, place: &str| (format!("{kind:?}"), place.to_owned());
    assert_eq!(
        found,
        [
            want("doubled", "logs/5.log"),
            want("flipped", "logs/1.log"),
            want("flipped", "logs/3.log"),
            want("foreign", "stray.txt"),
            want("foreign", "x/data/manifest-sha256.txt"),
            want("foreign", "zz"),
            want("missing", "logs/2.log"),
            want("pending", ""),
        ]
    );
    let first = differences.iter().find(|d| d["location"] == "logs/1.log").expect("told");
    assert_eq!(first["expected"], Digest::of(&content("logs/1.log")).hex());
    assert_eq!(first["found"], Digest::of(&flipped).hex());
    assert_eq!(first["archive"], "central");
}

#[tokio::test]
async fn a_sample_reads_one_copy_at_least() {
    let depot = Depot::new().await;
    depot.night().await;
    let (end, text) = depot.run(&["audit", "--sample", "0.0001%"]).await;
    assert_eq!(end.expect("done"), Outcome::Done);
    assert!(text.contains("Copies read: 1."), "{text}");
}

#[tokio::test]
async fn an_unknown_logger_is_answered_with_the_nearest_ids() {
    let depot = Depot::new().await;
    let (end, _) = depot.run(&["probe", "L-0410"]).await;
    let why = end.expect_err("unknown").to_string();
    assert!(
        why.contains("nearest are L-0401, L-0411") || why.contains("nearest are L-0411, L-0401"),
        "{why}"
    );
}

#[expect(clippy::disallowed_methods, reason = "the test takes a copy away behind everybody's back")]
fn remove(path: &Path) {
    std::fs::remove_file(path).expect("removed");
}

#[tokio::test]
async fn an_archive_that_is_another_one_is_an_outage_and_not_a_thousand_missing_files() {
    let depot = Depot::new().await;
    depot.night().await;
    std::fs::write(depot.archive(".yarder/archive.json"), r#"{"schema":1,"id":"two"}"#).expect("id");
    let (end, text) = depot.run(&["audit", "--json"]).await;
    let why = end.expect_err("an outage").to_string();
    assert!(why.contains("central") && why.contains("yarder adopt central"), "{why}");
    assert_eq!(text, "");
}

#[tokio::test]
async fn the_report_comes_in_every_form_that_is_asked_for() {
    let depot = Depot::new().await;
    depot.night().await;
    let (end, page) = depot.run(&["report", "--format", "html"]).await;
    assert_eq!(end.expect("done"), Outcome::Done);
    assert!(page.starts_with("<!DOCTYPE html>") && page.ends_with("</html>\n"), "{page}");
    assert!(harmless(&page) && page.contains("a\\u{1b}[2J.log"), "{page}");
    let (_, table) = depot.run(&["report", "--format", "csv"]).await;
    assert_eq!(table.lines().count(), 3, "{table}");
    let (_, both) = depot.run(&["report", "--format", "csv,json"]).await;
    assert!(both.starts_with(&table[..20]) && both.trim_end().ends_with('}'), "{both}");
}

#[tokio::test]
async fn the_codes_of_findings_are_told_as_the_report_says() {
    let depot = Depot::new().await;
    let (outcome, text) = depot.run(&["report", "--codes"]).await;
    assert_eq!(outcome.expect("done"), Outcome::Done);
    for (code, means) in crate::report::CODES {
        assert!(text.contains(&format!("\n{code}\n")) || text.starts_with(code), "{code}");
        let first = means.split_whitespace().take(3).collect::<Vec<_>>().join(" ");
        assert!(text.contains(&first), "{code}");
    }
}

#[tokio::test]
async fn what_this_version_lacks_is_refused_by_name() {
    let depot = Depot::new().await;
    depot.night().await;
    for (args, name) in [(&["report", "--format", "pdf"][..], "pdf"), (&["adopt", "nowhere"], "nowhere")] {
        let (end, _) = depot.run(args).await;
        assert!(matches!(&end, Err(Failure::Usage(text)) if text.contains(name)), "{end:?}");
    }
    for bad in ["0%", "101%", "2", "x%", "-1%"] {
        assert!(Cli::try_parse_from(["yarder", "audit", "--sample", bad]).is_err(), "{bad}");
    }
}

#[tokio::test]
async fn without_a_ledger_the_reason_says_what_to_do() {
    let depot = Depot::new().await;
    remove(&depot.dir.path().join("state").join(ledger::FILE));
    for command in [&["report"][..], &["held", "keep", "3", "--reason", "x"], &["audit"]] {
        let (end, _) = depot.run(command).await;
        assert!(end.expect_err("none").to_string().contains("yarder once"), "{command:?}");
        assert!(!depot.dir.path().join("state").join(ledger::FILE).exists(), "{command:?} makes none");
    }
}

#[tokio::test]
async fn a_held_file_is_listed_with_its_reason() {
    let depot = Depot::new().await;
    depot.night().await;
    let (_, none) = depot.run(&["held"]).await;
    assert_eq!(none, "No file waits for a person.\n");
    let logger = depot.logger("L-0411", "SWEEP-11").await;
    let id = depot.version(&logger, "a\x1b[2J.log").await;
    depot.ledger.grant(Grant { id, spool: "s".into(), reserved: 1 }).expect("granted");
    let why = json!({ "why": "ends at byte 4096 in three visits" });
    depot.ledger.hold(id, Some("s".into()), why, None).await.expect("held");
    let (_, text) = depot.run(&["held"]).await;
    assert!(text.contains("ends at byte 4096 in three visits") && harmless(&text), "{text}");
    assert!(text.contains("yarder held keep ID"), "{text}");
    let (_, values) = depot.lines(&["held", "--json"]).await;
    assert_eq!(values[0]["id"], id.0);
    assert_eq!(values[0]["why"]["why"], "ends at byte 4096 in three visits");
}

#[tokio::test]
async fn what_people_know_is_noted_listed_and_ended() {
    let depot = Depot::new().await;
    let (_, none) = depot.run(&["note"]).await;
    assert_eq!(none, "There are no notes.\n");
    for usage in [&["note", "PLOW-01"][..], &["note", "PLOW-01", "--until", "open"]] {
        assert!(matches!(depot.run(usage).await.0, Err(Failure::Usage(_))), "{usage:?}");
    }
    for bad in [&["note", "--until", "open"][..], &["note", "PLOW-01", "--end", "--reason", "x"]] {
        assert!(Cli::try_parse_from(["yarder"].iter().chain(bad)).is_err(), "{bad:?}");
    }
    let snooze =
        |id: &'static str, until: &'static str| ["note", id, "--until", until, "--reason", "a new\x1b card"];
    let (unknown, _) = depot.run(&snooze("PLOW-99", "2999-01-01")).await;
    assert!(
        matches!(unknown, Err(Failure::Failed(text)) if text.contains("no vehicle, logger or finding PLOW-99"))
    );
    depot.ledger.raise(act("file-held", "L-0401/logs/1.log")).expect("raised");
    depot.ledger.settled().await.expect("committed");
    assert_eq!(depot.run(&["report"]).await.0.expect("made"), Outcome::NeedsPerson);
    let id = "file-held:L-0401/logs/1.log";
    let (end, said) = depot.run(&snooze(id, "2999-01-01")).await;
    assert_eq!(end.expect("noted"), Outcome::Done);
    assert!(said.contains("is snoozed until 2999-01-01"), "{said}");
    let (end, report) = depot.lines(&["report", "--json"]).await;
    let findings = report[0]["vehicles"][0]["findings"].as_array().cloned().unwrap_or_default();
    let held = findings.iter().find(|f| f["code"] == "file-held").map(|f| &f["state"]);
    assert_eq!((end, held), (Outcome::Done, Some(&json!("snoozed"))));
    depot.run(&snooze("SWEEP-11", "open")).await.0.expect("noted");
    let (_, list) = depot.run(&["note"]).await;
    assert!(harmless(&list) && list.contains(&format!("{id}  until 2999-01-01\n")), "{list}");
    assert!(list.contains("SWEEP-11      until open\n    a new\\u{1b} card ("), "{list}");
    let (_, rows) = depot.lines(&["note", "--json"]).await;
    assert_eq!((&rows[0]["kind"], &rows[1]["kind"]), (&json!("finding"), &json!("vehicle")));
    assert_eq!((&rows[1]["until"], &rows[1]["reason"]), (&Value::Null, &json!("a new\x1b card")));
    assert!(rows[1]["by"].as_str().is_some_and(|by| !by.is_empty()));
    depot.run(&["note", id, "--end"]).await.0.expect("ended");
    assert_eq!(depot.run(&["report"]).await.0.expect("made"), Outcome::NeedsPerson);
    assert!(matches!(depot.run(&["note", id, "--end"]).await.0, Err(Failure::Failed(_))));
    assert_eq!(depot.lines(&["note", "--json"]).await.1.len(), 1);
}

#[tokio::test]
async fn a_day_s_report_is_printed_as_it_was_stored_and_else_made_anew_and_said_so() {
    let depot = Depot::new().await;
    depot.night().await;
    depot.ledger.alive(None).await.expect("up");
    let (_, now) = depot.run(&["report", "--json"]).await;
    let report: Value = serde_json::from_str(&now).expect("json");
    let date = report["date"].as_str().expect("date");
    let (end, page) = depot.run(&["report", "--date", date]).await;
    assert!(
        end.is_ok() && page.starts_with(&format!("No report of {date} was stored.\n\nnorth-yard")),
        "{page}"
    );
    let stored = crate::ledger::ToStore {
        date: date.parse().expect("date"),
        as_of: 1_790_000_000_000,
        is_final: false,
        json: now.trim_end().to_owned(),
        findings: Vec::new(),
    };
    assert!(depot.ledger.store_report(stored, std::time::Duration::MAX).await.expect("stored"));
    // What becomes known since does not change it.
    depot.ledger.raise(act("file-held", "L-0401/logs/1.log")).expect("raised");
    depot.ledger.settled().await.expect("committed");
    let (end, json) = depot.run(&["report", "--date", date, "--json"]).await;
    assert_eq!((end.expect("printed"), json), (Outcome::Done, now));
    let (_, page) = depot.run(&["report", "--date", date]).await;
    assert!(page.starts_with("north-yard") && page.contains("Nothing needs you."), "{page}");
    assert_eq!(depot.run(&["report"]).await.0.expect("made"), Outcome::NeedsPerson);
}
