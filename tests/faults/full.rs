//! A spool too small for what is to come home, while the archive is away: the real binary.

use std::fs;
use std::time::{Duration, Instant};

use yarder::sim::Options;

use super::depot::{Depot, Running, content, dice, eventually, logger};

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
