//! A spool too small for what is to come home, while the archive is away: the real binary.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use yarder::sim::Options;

use super::depot::{Depot, Running, content, dice, eventually, logger, recorded};
use super::mounts::root;

/// 24 MB of spool, 60 MB on the card, and an archive that is away for so long.
async fn archive_away(span: Duration) {
    let mut dice = dice("a small spool");
    let names: Vec<_> = (0..20).map(|n| format!("{n:05}.log")).collect();
    let files: Vec<_> = names.iter().map(|name| (name.as_str(), content(&mut dice, 3_000_000))).collect();
    let logger = logger(Options::http(), &files).await;
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    let text = fs::read_to_string(depot.config()).expect("configuration");
    fs::write(depot.config(), text.replace("[depot]", "[depot]\nspool_limit = \"24 MB\"")).expect("written");
    // It was there once: what is away is no first use.
    depot.yarder(&["adopt", "central"]).output().expect("start");
    let away = depot.path().join("away");
    fs::rename(&depot.archive, &away).expect("renamed");
    let running = Running::start(depot.yarder(&["run"]), &depot.path().join("run.log"));
    let pid = running.pid();
    let spooled = || -> u64 {
        let Ok(entries) = fs::read_dir(depot.state_dir().join("spool")) else { return 0 };
        entries.map(|e| e.expect("entry").metadata().map_or(0, |m| m.len())).sum()
    };
    let full = || {
        let said =
            |code| depot.state_dir().join("ledger.sqlite").exists() && !depot.findings(code).is_empty();
        (depot.whole() > 0 && said("archive-away") && said("spool-full")).then_some(())
    };
    eventually("a full spool", full);
    #[expect(clippy::disallowed_methods, reason = "so long the archive stays away, by the real clock")]
    let began = Instant::now();
    while began.elapsed() < span {
        assert!(fs::metadata(format!("/proc/{pid}")).is_ok(), "the service ended");
        // The records of the groups are a few KB beside the files.
        assert!(spooled() <= 24_000_000 + 100_000, "{} bytes", spooled());
        std::thread::sleep(Duration::from_millis(200));
    }
    fs::rename(&away, &depot.archive).expect("renamed");
    eventually("everything archived", || (depot.archived() == files.len()).then_some(()));
    eventually("an empty spool", || depot.spool().is_empty().then_some(()));
    assert_eq!(running.terminate(), Some(0));
    assert!(depot.findings("spool-full").iter().all(|finding| finding.gone.is_some()));
    let contents: Vec<_> = files.into_iter().map(|(_, content)| content).collect();
    depot.assert_archived("L-1", &contents);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_small_spool_waits_for_an_archive_that_is_away() {
    archive_away(Duration::from_secs(10)).await;
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "takes two minutes and more"]
async fn soak_a_small_spool_waits_two_minutes_for_an_archive() {
    archive_away(Duration::from_secs(120)).await;
}

/// A small disk under a state folder; it goes when the test ends.
struct SmallDisk<'d>(&'d Path);

impl<'d> SmallDisk<'d> {
    fn mount(at: &'d Path) -> Self {
        let words = ["-t", "tmpfs", "-o", "size=40m,mode=0777", "tmpfs"].map(Path::new);
        root("mount", &[&words[..], &[at]].concat());
        Self(at)
    }
}

impl Drop for SmallDisk<'_> {
    fn drop(&mut self) {
        root("umount", &[Path::new("--lazy"), self.0]);
    }
}

/// Needs root, or sudo without a password, to mount.
#[tokio::test(flavor = "multi_thread")]
async fn a_ledger_without_room_ends_the_service_once_and_its_start_waits_for_room() {
    let mut dice = dice("a ledger without room");
    let files = [("00001.log", content(&mut dice, 300_000))];
    let logger = logger(Options::http(), &files).await;
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    fs::create_dir(depot.state_dir()).expect("folder");
    let state = depot.state_dir();
    let _disk = SmallDisk::mount(&state);
    let log = depot.path().join("run.log");
    let running = Running::start(depot.yarder(&["run"]), &log);
    eventually("the first file", || (depot.archived() == 1).then_some(()));
    // Somebody else takes all the room.
    let ballast = state.join("ballast");
    let filled = fs::write(&ballast, vec![1; 41_000_000]);
    assert!(filled.is_err(), "the disk is full");
    // Every change of the card is a few rows more.
    let mut contents: Vec<_> = files.into_iter().map(|(_, content)| content).collect();
    let pid = running.pid();
    let mut ended = false;
    for number in 2..2000 {
        let more = content(&mut dice, 500);
        logger.card().add(format!("{number:05}.log"), more.clone(), recorded(number));
        contents.push(more);
        let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
        ended = stat.is_empty() || stat.contains(") Z ");
        if ended {
            break;
        }
        std::thread::sleep(Duration::from_millis(30));
    }
    drop(running);
    assert!(ended, "a ledger that cannot commit ends the service");
    let again = Running::start(depot.yarder(&["run"]), &log);
    let waits = || fs::read_to_string(&log).unwrap_or_default().contains("cannot begin");
    eventually("a start that waits", || waits().then_some(()));
    assert!(fs::metadata(format!("/proc/{}", again.pid())).is_ok(), "it waits, and does not end");
    fs::remove_file(&ballast).expect("removed");
    let count = contents.len();
    eventually("everything archived", || (depot.archived() == count).then_some(()));
    eventually("an empty spool", || depot.spool().is_empty().then_some(()));
    assert_eq!(again.terminate(), Some(0));
    depot.assert_archived("L-1", &contents);
}
