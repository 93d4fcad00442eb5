//! Files that a logger still writes.

use yarder::sim::{Content, Options};

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
            assert_eq!(depot.states(), [("archived", 2), ("open", 1)].into());
            assert_eq!(logger.counters().of("3.log"), 0, "not a byte of it was asked for");
            len += 40_000;
            logger.card().grow("3.log", 40_000, recorded(10 + minute));
            clock.pass(11);
        }
        // It stands still now: seen so once, and again after `closed_after`.
        depot.round(&clock).await;
        assert_eq!(depot.states(), [("archived", 2), ("open", 1)].into());
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
        assert_eq!(depot.states(), [("archived", 4), ("open", 1)].into());
    }
}
