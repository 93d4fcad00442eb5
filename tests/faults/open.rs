//! Files that a logger still writes.

use std::fs;

use yarder::report::Verdict;
use yarder::sim::{Content, HttpOptions, Index, Options, Protocol};

use super::depot::{Depot, TestClock, content, dice, logger, recorded};

#[tokio::test(flavor = "multi_thread")]
async fn the_newest_file_waits_until_it_is_closed_and_grows_into_a_version_that_extends_it() {
    let mut dice = dice("open");
    for ftp in [false, true] {
        let clock = TestClock::new();
        let options = if ftp { Options::ftp() } else { Options::http() };
        let closed = [content(&mut dice, 50_000), content(&mut dice, 60_000)];
        let growing = Content::noise(dice.u64(..), 100_000);
        let files = [("1.log", closed[0].clone()), ("2.log", closed[1].clone()), ("3.log", growing.clone())];
        let logger = logger(options.clock(clock.clone()), &files).await;
        let depot = Depot::new()
            .kind("open_file", "\"newest\"")
            .kind("settle", "\"100ms\"")
            .kind("closed_after", "\"10min\"");
        depot.write(&[("1", logger.url())]);

        let mut len = growing.len();
        for minute in 0..4 {
            let round = depot.round(&clock).await;
            assert_eq!(round.open.len(), 1, "what is still open is named");
            assert_eq!(round.open[0].1, ["3.log"]);
            assert_eq!(depot.states(), [("archived", 2), ("fetching", 1)].into());
            let report = depot.report(&clock);
            assert_eq!(report.vehicles[0].verdict, Verdict::Complete, "what is closed is home");
            assert_eq!((report.vehicles[0].files.open, report.vehicles[0].files.listed), (1, 0));
            assert!(report.not_home.iter().all(|file| file.open && file.path == "3.log"));
            len += 40_000;
            logger.card().grow("3.log", 40_000, recorded(10 + minute));
            clock.pass(11);
        }
        // It stands still now: seen so once, and again after `closed_after`.
        depot.round(&clock).await;
        assert_eq!(depot.states(), [("archived", 2), ("fetching", 1)].into());
        clock.pass(11);
        depot.round(&clock).await;
        let first = growing.with_len(len);
        depot.assert_archived("L-1", &[&closed[..], std::slice::from_ref(&first)].concat());

        // The logger goes on with it after all, and begins another one behind it.
        let second = growing.with_len(len + 300_000);
        logger.card().grow("3.log", 300_000, recorded(90));
        logger.card().add("4.log", content(&mut dice, 1000), recorded(91));
        clock.pass(1);
        depot.round(&clock).await;
        clock.pass(1);
        depot.round(&clock).await;
        depot.assert_archived("L-1", &[&closed[..], &[first.clone(), second.clone()]].concat());
        let receipts = depot.receipts("L-1");
        let find = |content: &Content| {
            let sha256 = content.sha256();
            receipts.iter().find(|r| r.sha256 == sha256).expect("its receipt")
        };
        assert_eq!(find(&first).extends, None);
        assert_eq!(find(&second).extends, Some(find(&first).seq), "the receipt says what it extends");
        assert_eq!(depot.states(), [("archived", 4), ("fetching", 1)].into());
    }
}

/// Bytes that a resume may read again: those before the end of the partial, and the file's first.
const AGAIN: u64 = 2 * 64 * 1024;

fn newest() -> Depot {
    Depot::new().kind("open_file", "\"newest\"").kind("settle", "\"100ms\"").kind("closed_after", "\"10min\"")
}

#[tokio::test(flavor = "multi_thread")]
async fn an_open_file_comes_home_as_it_grows_and_only_its_tail_is_read_when_it_closes() {
    let mut dice = dice("open, ahead");
    // The one tells a file's tag in each look, the other's listing is enough and tells none.
    for index in [Index::NginxHtml, Index::NginxJson] {
        comes_home_as_it_grows(&mut dice, HttpOptions { index, ..HttpOptions::default() }).await;
    }
}

async fn comes_home_as_it_grows(dice: &mut fastrand::Rng, http: HttpOptions) {
    let clock = TestClock::new();
    let growing = Content::noise(dice.u64(..), 2_000_000);
    let options = Options { protocol: Protocol::Http(http), ..Options::http() }.clock(clock.clone());
    let logger = logger(options, &[("1.log", growing.clone())]).await;
    let depot = newest();
    depot.write(&[("1", logger.url())]);
    let mut len = growing.len();
    let mut sent = 0;
    let mut round = async |grown: u64, what: &str| {
        clock.pass(1);
        depot.round(&clock).await;
        let now = logger.counters().of("1.log");
        let most = grown + if sent > 0 && grown > 0 { AGAIN } else { 0 };
        assert!(now - sent >= grown && now - sent <= most, "{what}: {} bytes for {grown}", now - sent);
        sent = now;
    };
    round(len, "first seen").await;
    for n in 0..3 {
        len += 300_000;
        logger.card().grow("1.log", 300_000, recorded(10 + n));
        round(300_000, "grown").await;
        round(0, "not grown").await;
        let file = &depot.files()[0];
        assert_eq!((file.state.as_str(), file.mark), ("fetching", len), "all of it is here, and not whole");
        let spool: u64 = fs::read_dir(depot.state_dir().join("spool"))
            .expect("spool")
            .map(|e| e.expect("entry").metadata().expect("there").len())
            .sum();
        assert_eq!(spool, len);
    }
    // It grows once more, and another file begins behind it.
    len += 300_000;
    logger.card().grow("1.log", 300_000, recorded(20));
    logger.card().add("2.log", Content::bytes(b"begun".to_vec()), recorded(21));
    round(300_000, "closed").await;
    let whole = growing.with_len(len);
    assert_eq!(depot.hashes(), [whole.sha256().hex()]);
    assert_eq!(depot.states(), [("archived", 1), ("fetching", 1)].into());
}

#[tokio::test(flavor = "multi_thread")]
async fn an_open_file_that_is_replaced_or_rewritten_at_its_head_begins_again() {
    let mut dice = dice("open, replaced");
    for head in [false, true] {
        let clock = TestClock::new();
        let mut bytes = vec![0; 400_000];
        dice.fill(&mut bytes);
        let logger =
            logger(Options::http().clock(clock.clone()), &[("1.log", Content::bytes(bytes.clone()))]).await;
        let depot = newest();
        depot.write(&[("1", logger.url())]);
        depot.round(&clock).await;
        assert_eq!(depot.files()[0].mark, 400_000);
        if head {
            // As a logger does that completes a file's header when it closes the file.
            bytes[10] ^= 1;
        } else {
            dice.fill(&mut bytes);
        }
        bytes.resize(450_000, 7);
        logger.card().overwrite("1.log", Content::bytes(bytes.clone()), recorded(9));
        logger.card().add("2.log", Content::bytes(b"begun".to_vec()), recorded(10));
        clock.pass(1);
        depot.round(&clock).await;
        clock.pass(1);
        depot.round(&clock).await;
        assert_eq!(depot.hashes(), [Content::bytes(bytes).sha256().hex()], "head: {head}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kill_while_an_open_file_is_fetched_ahead_loses_no_more_than_what_was_not_flushed() {
    let mut dice = dice("open, kill");
    let growing = Content::noise(dice.u64(..), 500_000);
    let logger = logger(Options::http(), &[("1.log", growing.clone())]).await;
    let depot = newest();
    depot.write(&[("1", logger.url())]);
    depot.once();
    assert_eq!(depot.files()[0].mark, 500_000);
    logger.card().grow("1.log", 200_000, recorded(9));
    let mut killed = depot.yarder(&["once"]);
    let status = killed.env("YARDER_KILL_AT", "partial-flushed").output().expect("start").status;
    assert_eq!(status.code(), None, "killed");
    assert_eq!(depot.files()[0].mark, 500_000, "a row never claims more than the disk is known to hold");
    let before = logger.counters().of("1.log");
    depot.once();
    assert_eq!((depot.files()[0].state.as_str(), depot.files()[0].mark), ("fetching", 700_000));
    let again = logger.counters().of("1.log") - before;
    assert!(again <= 200_000 + AGAIN, "{again} bytes");
    logger.card().add("2.log", Content::bytes(b"begun".to_vec()), recorded(10));
    depot.once();
    assert_eq!(depot.hashes(), [growing.with_len(700_000).sha256().hex()]);
}
