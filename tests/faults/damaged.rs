//! Damaged, lost and rolled-back ledgers: what was whole or archived is archived once, and nothing of
//! it comes over the air again.

use std::fs::{self, OpenOptions};
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use yarder::ledger::FileRow;
use yarder::sim::{Content, Options, SimLogger};

use super::depot::{Depot, Running, content, dice, eventually, json, logger, recorded};

/// A depot with its one logger, and what the logger holds.
struct Yard {
    depot: Depot,
    logger: SimLogger,
    contents: Vec<Content>,
    dice: fastrand::Rng,
}

impl Yard {
    /// A few files are archived, and the ledger is backed up.
    async fn new(test: &str) -> Self {
        let mut yard = Self {
            depot: Depot::new(),
            logger: logger(Options::http(), &[]).await,
            contents: Vec::new(),
            dice: dice(test),
        };
        yard.depot.write(&[("1", yard.logger.url())]);
        yard.record(3);
        yard.depot.once();
        assert_eq!(yard.backups().len(), 1, "a round makes the day's backup");
        yard
    }

    fn record(&mut self, count: usize) {
        for _ in 0..count {
            let number = self.contents.len() + 1;
            let len = self.dice.usize(300..6000);
            let content = content(&mut self.dice, len);
            self.logger.card().add(format!("{number:05}.log"), content.clone(), recorded(number as i64));
            self.contents.push(content);
        }
    }

    fn ledger(&self, with: &str) -> PathBuf {
        self.depot.state_dir().join(format!("ledger.sqlite{with}"))
    }

    fn backups(&self) -> Vec<PathBuf> {
        let entries = fs::read_dir(self.depot.state_dir().join("backups")).expect("backups");
        let mut all: Vec<_> = entries.map(|e| e.expect("entry").path()).collect();
        all.sort();
        all
    }

    fn run(&self) -> Running {
        Running::start(self.depot.yarder(&["run"]), &self.depot.path().join("run.log"))
    }

    /// The archive is away while this runs.
    fn without_archive(&self, then: impl FnOnce()) {
        let away = self.depot.path().join("away");
        fs::rename(&self.depot.archive, &away).expect("renamed");
        then();
        fs::rename(&away, &self.depot.archive).expect("renamed");
    }

    /// A round later everything is archived, and no byte of a log file was sent for it.
    fn assert_recovered(&self, what: &str, told: Told) {
        let sent = self.logger.counters().bytes();
        let log = self.depot.yarder(&["once", "--json"]).output().expect("start");
        let said = String::from_utf8_lossy(&log.stderr);
        assert!(matches!(log.status.code(), Some(0 | 3)), "{what}: {} {said}", log.status);
        json(&log);
        let all: Vec<_> = ["ledger-damaged", "ledger-went-back"]
            .iter()
            .flat_map(|code| self.depot.findings(code))
            .collect();
        let codes: Vec<_> = all.iter().map(|f| f.code.as_str()).collect();
        let fits = match told {
            Told::Nothing => codes.is_empty(),
            Told::Damaged => codes == ["ledger-damaged"],
            Told::WentBack => codes == ["ledger-went-back"],
            Told::Perhaps => codes.is_empty() || codes == ["ledger-went-back"],
        };
        assert!(fits, "{what}: {codes:?} {said}");
        self.depot.assert_archived("L-1", &self.contents);
        // What is compared once a visit, to see that it is the same card, is at most ten files.
        let more = self.logger.counters().bytes() - sent;
        assert!(more <= 10 * 6000, "{what}: {more} bytes were sent again");
        let failed = self.depot.findings("spool-failed");
        assert!(failed.is_empty(), "{what}: {failed:?}");
        assert!(self.depot.findings("depot-name-taken").is_empty(), "{what}");
    }
}

/// What a start says of the ledger.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Told {
    Nothing,
    Damaged,
    WentBack,
    /// Either nothing of note was lost, or that it went back.
    Perhaps,
}

/// Where 500 files are when the ledger is lost.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Are {
    Whole,
    Archived,
}

async fn lost(are: Are, files: &[&str], told: Told) {
    let mut yard = Yard::new(&format!("{are:?} when {files:?} are lost")).await;
    yard.record(500);
    let killed = || {
        let running = yard.run();
        eventually("500 files", || {
            let there = if are == Are::Whole { yard.depot.whole() } else { yard.depot.archived() };
            (there >= 500).then_some(())
        });
        if are == Are::Archived {
            eventually("an empty spool", || yard.depot.spool().is_empty().then_some(()));
        }
        // A kill.
        drop(running);
    };
    match are {
        Are::Whole => yard.without_archive(killed),
        Are::Archived => killed(),
    }
    assert!(fs::metadata(yard.ledger("-wal")).expect("log").len() > 100_000, "there is something to lose");
    for file in files {
        fs::remove_file(yard.ledger(file)).expect("removed");
    }
    // A checkpoint may have come just before the kill: little is lost with the log then, or nothing.
    let known = || {
        let alone = tempfile::tempdir().expect("dir");
        copy(&yard.ledger(""), alone.path());
        let ledger = yarder::ledger::read(alone.path()).expect("ledger");
        let mut known = 0;
        let each = |row: FileRow| {
            known += usize::from(row.state.as_str() == if are == Are::Whole { "whole" } else { "archived" });
            true
        };
        ledger.files(None, None, each).expect("files");
        known
    };
    let told = if told == Told::WentBack && known() >= 500 { Told::Perhaps } else { told };
    yard.assert_recovered(&format!("{are:?} {files:?}"), told);
}

#[tokio::test(flavor = "multi_thread")]
async fn five_hundred_whole_files_outlive_the_ledger() {
    lost(Are::Whole, &["", "-wal", "-shm"], Told::Damaged).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn five_hundred_whole_files_outlive_the_log_of_the_ledger() {
    lost(Are::Whole, &["-wal"], Told::WentBack).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn five_hundred_archived_files_outlive_the_ledger() {
    lost(Are::Archived, &["", "-wal", "-shm"], Told::Damaged).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn five_hundred_archived_files_outlive_the_log_of_the_ledger() {
    lost(Are::Archived, &["-wal"], Told::WentBack).await;
}

fn copy(from: &Path, to: &Path) {
    let copied = Command::new("cp").arg("-a").arg(from).arg(to).status().expect("cp");
    assert!(copied.success());
}

fn write_at(path: &Path, bytes: &[u8], at: u64) {
    let file = OpenOptions::new().write(true).open(path).expect("open");
    file.write_all_at(bytes, at).expect("written");
}

fn cut(path: &Path, len: u64) {
    OpenOptions::new().write(true).open(path).expect("open").set_len(len).expect("cut");
}

const PAGE: u64 = 4096;

#[tokio::test(flavor = "multi_thread")]
async fn every_damaged_ledger_is_recovered() {
    let mut yard = Yard::new("damaged ledgers").await;
    let early = yard.depot.path().join("early.sqlite");
    fs::copy(yard.ledger(""), &early).expect("copied");
    yard.record(20);
    let running = yard.run();
    eventually("archived", || (yard.depot.archived() == 23).then_some(()));
    eventually("an empty spool", || yard.depot.spool().is_empty().then_some(()));
    assert_eq!(running.terminate(), Some(0));
    yard.record(10);
    yard.without_archive(|| {
        let running = yard.run();
        eventually("whole", || (yard.depot.whole() == 10).then_some(()));
        drop(running);
    });
    // As the kill left it.
    let template = yard.depot.path().join("template");
    fs::create_dir(&template).expect("folder");
    for folder in ["state", "archive"] {
        copy(&yard.depot.path().join(folder), &template);
    }
    let (ledger, log) = (yard.ledger(""), yard.ledger("-wal"));
    let remove_all = || {
        for with in ["", "-wal", "-shm"] {
            fs::remove_file(yard.ledger(with)).expect("removed");
        }
    };
    let len = fs::metadata(&ledger).expect("ledger").len();
    assert!(len > 20 * PAGE && fs::metadata(&log).expect("log").len() > PAGE);
    let damaged = Told::Damaged;
    let cases: [(&str, Told, &dyn Fn()); 14] = [
        ("nothing", Told::Nothing, &|| {}),
        ("cut in half", damaged, &|| {
            fs::remove_file(&log).expect("log");
            cut(&ledger, len / 2 / PAGE * PAGE);
        }),
        ("cut within a page", damaged, &|| {
            fs::remove_file(&log).expect("log");
            cut(&ledger, len / PAGE / 2 * PAGE + PAGE / 2);
        }),
        ("flipped pages", damaged, &|| {
            fs::remove_file(&log).expect("log");
            (2..12).for_each(|page| write_at(&ledger, &[0xA5; 64], page * PAGE));
        }),
        ("zeroed pages", damaged, &|| {
            fs::remove_file(&log).expect("log");
            (1..6).for_each(|page| write_at(&ledger, &[0; PAGE as usize], page * PAGE));
        }),
        ("a header of garbage", damaged, &|| {
            fs::remove_file(&log).expect("log");
            write_at(&ledger, &[0x5A; 100], 0);
        }),
        ("emptied", damaged, &|| cut(&ledger, 0)),
        ("a text in its place", damaged, &|| {
            remove_all();
            fs::write(&ledger, "a note that somebody saved under the wrong name\n".repeat(200))
                .expect("text");
        }),
        ("without its log", Told::Perhaps, &|| fs::remove_file(&log).expect("log")),
        ("half of its log", Told::Perhaps, &|| cut(&log, fs::metadata(&log).expect("log").len() / 2)),
        ("without its index of the log", Told::Nothing, &|| {
            fs::remove_file(yard.ledger("-shm")).expect("removed")
        }),
        ("a copy from days before", Told::WentBack, &|| {
            remove_all();
            fs::copy(&early, &ledger).expect("copied");
        }),
        ("gone, and so are its backups", Told::WentBack, &|| {
            remove_all();
            fs::remove_dir_all(yard.depot.state_dir().join("backups")).expect("removed");
        }),
        ("gone, and its backup is damaged", damaged, &|| {
            remove_all();
            cut(&yard.backups()[0], 5000);
        }),
    ];
    for (what, told, damage) in cases {
        println!("{what}");
        damage();
        yard.assert_recovered(what, told);
        if told == damaged && !what.starts_with("gone") {
            let aside = fs::metadata(yard.depot.state_dir().join("damaged-1-ledger.sqlite"));
            assert!(aside.is_ok(), "{what}: it is kept");
        }
        for folder in ["state", "archive"] {
            fs::remove_dir_all(yard.depot.path().join(folder)).expect("removed");
            copy(&template.join(folder), yard.depot.path());
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_new_ledger_is_made_from_receipts_and_spool() {
    let mut yard = Yard::new("rebuild").await;
    yard.record(20);
    yard.depot.once();
    yard.record(10);
    yard.without_archive(|| {
        yard.depot.once();
    });
    let sent = yard.logger.counters().bytes();
    // Not without the archive.
    yard.without_archive(|| {
        let refused = yard.depot.yarder(&["rebuild"]).output().expect("start");
        assert_eq!(refused.status.code(), Some(1));
    });
    assert_eq!(yard.depot.whole(), 10, "nothing was changed");
    let output = yard.depot.yarder(&["rebuild", "--json"]).output().expect("start");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let told = json(&output);
    let wanted =
        serde_json::json!({ "set_aside": "damaged-1-ledger.sqlite", "from_receipts": 23, "from_spool": 10 });
    assert_eq!(told, wanted);
    yard.assert_recovered("rebuilt", Told::Nothing);
    assert!(yard.logger.counters().bytes() - sent <= 60_000);
    // Old stock it is not.
    let report = yard.depot.once();
    assert!(!report.to_string().contains("\"backlog\":1"), "{report}");
}
