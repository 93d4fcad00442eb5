//! Cards that are formatted, clocks that are lost or shift, loggers that change places.

use bytes::Bytes;
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use yarder::sim::{Content, Options, SimLogger};

use super::depot::{Depot, content, dice, logger, recorded};

const NAMES: [&str; 6] = ["00001.log", "00002.log", "00003.log", "00004.log", "00005.log", "00006.log"];

fn lost_clock() -> Timestamp {
    "1980-01-01T00:00:00Z".parse().expect("moment")
}

/// Writes files with a clock that has been lost: every time is the first moment of 1980.
fn record(logger: &SimLogger, contents: &[Content]) {
    for (name, content) in NAMES.iter().zip(contents) {
        logger.card().add(name, content.clone(), lost_clock());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_formatted_card_comes_home_whole_though_names_sizes_and_times_are_the_old_ones() {
    let mut dice = dice("cards, formatted");
    for seen_empty in [true, false] {
        for options in [Options::http(), Options::ftp()] {
            let logger = logger(options, &[]).await;
            let depot = Depot::new();
            depot.write(&[("1", logger.url())]);
            let mut made = |_| content(&mut dice, 200_000);
            let old: Vec<_> = NAMES.iter().map(&mut made).collect();
            let new: Vec<_> = NAMES.iter().map(&mut made).collect();
            record(&logger, &old);
            depot.once();
            depot.assert_archived("L-1", &old);
            logger.card().format();
            if seen_empty {
                depot.once();
            }
            record(&logger, &new);
            depot.once();
            depot.assert_archived("L-1", &[old, new].concat());
        }
    }
}

/// One file of the new card has the very bytes of the old one: it is not stored twice.
#[tokio::test(flavor = "multi_thread")]
async fn a_formatted_card_with_some_old_files_is_not_stored_twice() {
    let mut dice = dice("cards, copied back");
    let logger = logger(Options::http(), &[]).await;
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    let old: Vec<_> = NAMES.iter().map(|_| content(&mut dice, 200_000)).collect();
    record(&logger, &old);
    depot.once();
    logger.card().format();
    let mut mixed = old.clone();
    mixed[1] = content(&mut dice, 200_000);
    mixed[4] = content(&mut dice, 200_000);
    record(&logger, &mixed);
    depot.once();
    depot.assert_archived("L-1", &[old, vec![mixed[1].clone(), mixed[4].clone()]].concat());
}

#[tokio::test(flavor = "multi_thread")]
async fn times_that_shift_by_an_hour_cost_under_a_hundredth() {
    let mut dice = dice("cards, shifted");
    const FILES: usize = 10;
    const SIZE: usize = 20_000_000;
    // Windows into one heap of bytes: distinct contents that take no memory of their own.
    let mut bytes = vec![0; SIZE + FILES * 1_000_000];
    dice.fill(&mut bytes);
    let bytes = Bytes::from(bytes);
    for (ftp, whole_clock) in [(false, false), (false, true), (true, false), (true, true)] {
        let logger = logger(if ftp { Options::ftp() } else { Options::http() }, &[]).await;
        let mut contents = Vec::new();
        for n in 0..FILES {
            let content = Content::bytes(bytes.slice(n * 1_000_000..n * 1_000_000 + SIZE));
            logger.card().add(format!("{n:05}.log"), content.clone(), recorded(n as i64));
            contents.push(content);
        }
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        let read = |report: Value| report["totals"]["bytes_delivered"].as_u64().expect("bytes");
        let mut read_before = read(depot.once());
        depot.assert_archived("L-1", &contents);
        // As fast as such loggers are: at loopback's speed megabytes lie in the machine's buffers
        // before a reader that wants 64 KiB can say so.
        logger.faults().rate = Some(5_000_000);
        let mut sent_before = logger.counters().bytes();
        if whole_clock {
            for n in 0..FILES {
                logger.card().set_time(format!("{n:05}.log"), recorded(n as i64 + 60));
            }
        } else {
            logger.faults().listing_shift = SignedDuration::from_hours(1);
        }
        // The second visit checks known files, as every visit does.
        for visit in 1..=2 {
            let (read, sent) = (read(depot.once()), logger.counters().bytes());
            let (cost, airtime) = (read - read_before, sent - sent_before);
            (read_before, sent_before) = (read, sent);
            println!(
                "cards, shifted: FTP {ftp}, its clock {whole_clock}, visit {visit}: {cost} read, {airtime} sent"
            );
            let hundredth = (FILES * SIZE) as u64 / 100;
            assert!(cost < hundredth, "{cost} bytes read");
            // FTP cannot ask for an end: what is on its way when a reading is broken off is sent too.
            assert!(airtime < if ftp { 2 * hundredth } else { hundredth }, "{airtime} bytes sent");
        }
        depot.assert_archived("L-1", &contents);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn swapped_loggers_are_told_apart_and_nothing_is_fetched() {
    let mut dice = dice("cards, swapped");
    for alike in [true, false] {
        let mut loggers = Vec::new();
        for of in ["a", "b"] {
            let logger = logger(Options::http(), &[]).await;
            for name in NAMES {
                let path = if alike { name.to_owned() } else { format!("{of}-{name}") };
                logger.card().add(path, content(&mut dice, 100_000), recorded(1));
            }
            loggers.push(logger);
        }
        let (one, two) = (loggers[0].url(), loggers[1].url());
        let depot = Depot::new();
        depot.write(&[("1", one.clone()), ("2", two.clone())]);
        depot.once();
        let home = depot.hashes();
        assert_eq!(home.len(), 2 * NAMES.len());
        // New files wait on both when the addresses are swapped.
        let mut fresh = Vec::new();
        for logger in &loggers {
            let content = content(&mut dice, 500_000);
            logger.card().add("00099.log", content.clone(), recorded(99));
            fresh.push(content.sha256().hex());
        }
        let before: Vec<_> = loggers.iter().map(|l| l.counters().of("00099.log")).collect();
        depot.write(&[("1", two.clone()), ("2", one.clone())]);
        depot.once();
        assert_eq!(depot.hashes(), home, "nothing was fetched");
        for (logger, before) in loggers.iter().zip(before) {
            // Two ends of a file at most, to tell whose it is.
            assert!(logger.counters().of("00099.log") - before <= 128 * 1024);
        }
        let findings = depot.findings("wrong-logger");
        let owners: Vec<_> =
            findings.iter().map(|f| (f.logger.clone(), f.evidence["owner"].clone())).collect();
        let named = |logger: &str, owner: &str| (Some(logger.to_owned()), owner.into());
        assert_eq!(owners.len(), 2, "{owners:?}");
        assert!(owners.contains(&named("L-1", "L-2")) && owners.contains(&named("L-2", "L-1")), "{owners:?}");
        assert!(findings.iter().all(|f| f.cause.contains(f.evidence["owner"].as_str().expect("owner"))));
        // Set right, all goes on by itself.
        depot.write(&[("1", one), ("2", two)]);
        depot.once();
        assert!(fresh.iter().all(|hash| depot.hashes().contains(hash)));
        assert!(depot.findings("wrong-logger").is_empty());
    }
}
