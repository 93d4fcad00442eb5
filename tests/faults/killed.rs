//! Kills at random moments, over a backlog with random cuts: every file is archived once and equal,
//! and little comes twice.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

use yarder::sim::{Content, Effect, Options, Point, SimLogger};

use super::depot::{Depot, Running, dice, eventually, recorded, walk};

/// Bytes that a kill may cost of one transfer: what was written since its last flush.
const UNFLUSHED: u64 = 8 * 1024 * 1024 + 64 * 1024;
/// Transfers at a time, as configured.
const AT_ONCE: u64 = 8;

struct Backlog {
    kills: usize,
    loggers: usize,
    /// Of each logger.
    files: usize,
    /// The longest of a file, in bytes.
    len: u64,
    /// Bytes a second of each logger.
    rate: u64,
}

impl Backlog {
    async fn survives(&self) {
        let mut dice = dice("random kills");
        let depot = Depot::new();
        let (mut loggers, mut addresses, mut contents) = (Vec::new(), Vec::new(), BTreeMap::new());
        for number in 1..=self.loggers {
            let logger = SimLogger::start(Options::http()).await.expect("loopback");
            logger.faults().rate = Some(self.rate);
            for n in 0..self.files {
                let name = format!("{n:05}.log");
                // A card's own mixture: mostly full files, and some that an ignition cut short.
                let len = if dice.u8(..4) == 0 { dice.u64(1..self.len) } else { self.len };
                let content = Content::noise(dice.u64(..), len);
                logger.card().add(&name, content.clone(), recorded(n as i64));
                if dice.u8(..3) == 0 {
                    logger.faults().once(Point::file(&name, dice.u64(..len)), Effect::Fin);
                }
                contents.insert(content.sha256().hex(), len);
            }
            addresses.push((number.to_string(), logger.url()));
            loggers.push(logger);
        }
        let listed: Vec<_> = addresses.iter().map(|(id, url)| (id.as_str(), url.clone())).collect();
        depot.write(&listed);
        let total: u64 = contents.values().sum();
        let log = depot.path().join("run.log");
        let mut lost = 0;
        for _ in 0..self.kills {
            let running = Running::start(depot.yarder(&["run"]), &log);
            std::thread::sleep(Duration::from_millis(dice.u64(50..1500)));
            // A kill: what is beyond the marks is read again.
            drop(running);
            lost += beyond_the_marks(&depot);
        }
        let count = contents.len();
        let running = Running::start(depot.yarder(&["run"]), &log);
        let mut before = 0;
        // However slow the machine is: it must only get further.
        while depot.archived() < count {
            eventually("progress", || {
                let sent =
                    loggers.iter().map(|l| l.counters().bytes()).sum::<u64>() + depot.archived() as u64;
                (sent > before || depot.archived() == count).then(|| before = sent)
            });
        }
        eventually("an empty spool", || depot.spool().is_empty().then_some(()));
        assert_eq!(running.terminate(), Some(0));
        let mut wanted: Vec<_> = contents.into_keys().collect();
        wanted.sort();
        assert_eq!(depot.hashes(), wanted, "every file once, and equal");
        let sent: u64 = loggers.iter().map(|l| l.counters().bytes()).sum();
        let bound = total / 5 * 6 + lost;
        println!(
            "{} kills, {count} files of {total} bytes: {sent} bytes sent ({:.3} times), {lost} of them lost in kills",
            self.kills,
            sent as f64 / total as f64
        );
        assert!(sent <= bound, "{sent} bytes were sent for {total}, and at most {bound} may be");
    }
}

/// Bytes of partials that the ledger does not know to be durable, as a kill left them; not more than
/// may ever be.
fn beyond_the_marks(depot: &Depot) -> u64 {
    let marks: BTreeMap<_, _> =
        depot.files().into_iter().filter_map(|row| Some((row.spool?, row.mark))).collect();
    let mut beyond = 0;
    let dir = depot.state_dir().join("spool");
    if !dir.is_dir() {
        return 0;
    }
    walk(&dir, &mut |path: &Path| {
        let name = path.file_stem().and_then(|n| n.to_str()).unwrap_or_default();
        if path.extension().is_some_and(|e| e == "part") {
            let len = fs::metadata(path).map_or(0, |m| m.len());
            beyond += len.saturating_sub(marks.get(name).copied().unwrap_or(0));
        }
    });
    assert!(beyond <= AT_ONCE * UNFLUSHED, "{beyond} bytes were not flushed");
    // What was on its way between logger and disk.
    beyond + AT_ONCE * 1024 * 1024
}

#[tokio::test(flavor = "multi_thread")]
async fn a_backlog_comes_home_once_through_kills_at_random_moments() {
    Backlog { kills: 8, loggers: 4, files: 12, len: 1_500_000, rate: 4_000_000 }.survives().await;
}

/// `cargo nextest run --profile soak --run-ignored only -E 'test(soak_three_hundred_kills)' --no-capture`
#[tokio::test(flavor = "multi_thread")]
#[ignore = "takes many minutes"]
async fn soak_three_hundred_kills_over_two_gigabytes() {
    Backlog { kills: 300, loggers: 8, files: 30, len: 10_000_000, rate: 1_000_000 }.survives().await;
}
