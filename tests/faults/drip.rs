//! Loggers that are never silent and hardly move hold up nobody.

use std::sync::Arc;

use yarder::clock::Clock as _;
use yarder::sim::{ListingFault, Options};

use super::depot::{Depot, TestClock, content, dice, eventually, logger};

const DAY: i64 = 86_400_000;
/// Minutes pass in seconds.
const PACE: u32 = 60;

#[tokio::test(flavor = "multi_thread")]
async fn a_dripping_transfer_gives_its_turn_to_another_vehicle_and_goes_on_later() {
    let mut dice = dice("drip, transfer");
    let contents = [content(&mut dice, 200_000), content(&mut dice, 200_000)];
    let mut loggers = Vec::new();
    for content in &contents {
        let logger = logger(Options::http(), &[("1.log", content.clone())]).await;
        logger.faults().rate = Some(2000);
        loggers.push(logger);
    }
    let depot = Depot::new().poll("max_transfers = 1");
    depot.write(&[("1", loggers[0].url()), ("2", loggers[1].url())]);
    let clock = TestClock::fast(PACE);
    let (depot, loggers) = (Arc::new(depot), Arc::new(loggers));
    let (theirs, at, now) = (loggers.clone(), depot.clone(), clock.now().as_millisecond());
    let look = tokio::task::spawn_blocking(move || {
        // Whichever has the turn drips on; the one that waits is quick.
        let begun = || theirs.iter().position(|l| l.counters().transfers > 0);
        let other = 1 - eventually("a transfer", begun);
        theirs[other].faults().rate = None;
        eventually("the other's file", || (at.archived() == 1).then_some(()));
        let home = at.hashes();
        let air = at.ledger().air(now - DAY, now + DAY).expect("air");
        theirs[1 - other].faults().rate = None;
        (other, home, air.len())
    });
    let round = depot.round(&clock).await;
    let (other, home, told) = look.await.expect("looked");
    assert_eq!(told, 2, "what came of the dripping one is told before it waits");
    assert_eq!(home, [contents[other].sha256().hex()], "the dripping one was not home yet");
    assert!(round.trouble.is_empty(), "{:?}", round.trouble);
    assert_eq!(depot.archived(), 2);
    for logger in loggers.iter() {
        let sent = logger.counters().of("1.log");
        assert!(sent < 2 * 200_000, "it went on from where it was: {sent} bytes");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn dripping_listings_do_not_keep_another_logger_from_being_listed_and_fetched() {
    let mut dice = dice("drip, listings");
    let mut loggers = Vec::new();
    for _ in 0..5 {
        let logger = logger(Options::http(), &[("1.log", content(&mut dice, 50_000))]).await;
        logger.faults().listing = ListingFault::Drip;
        loggers.push(logger);
    }
    let depot = Depot::new();
    let ids = ["1", "2", "3", "4", "5"];
    depot.write(&ids.iter().zip(&loggers).map(|(id, l)| (*id, l.url())).collect::<Vec<_>>());
    let clock = TestClock::fast(PACE);
    let (depot, loggers) = (Arc::new(depot), Arc::new(loggers));
    let (theirs, at) = (loggers.clone(), depot.clone());
    let look = tokio::task::spawn_blocking(move || {
        let listed = || theirs.iter().filter(|l| l.counters().listings > 0).count();
        eventually("four listings", || (listed() >= 4).then_some(()));
        let fifth = theirs.iter().position(|l| l.counters().listings == 0).unwrap_or(4);
        theirs[fifth].faults().listing = ListingFault::None;
        eventually("the fifth's file", || (at.archived() == 1).then_some(()));
        for logger in theirs.iter() {
            logger.faults().listing = ListingFault::None;
        }
    });
    let round = depot.round(&clock).await;
    look.await.expect("looked");
    assert!(round.trouble.is_empty(), "{:?}", round.trouble);
    assert_eq!(depot.archived(), 5, "the others are slow, not refused");
}

/// One vehicle's open file is being fetched ahead in the only turn when a file of another is closed.
#[tokio::test(flavor = "multi_thread")]
async fn an_open_file_fetched_ahead_gives_way_to_another_vehicles_closed_one() {
    let mut dice = dice("drip, ahead");
    let closed = content(&mut dice, 50_000);
    let begun = content(&mut dice, 100);
    let slow = Arc::new(logger(Options::http(), &[("1.log", content(&mut dice, 8_000_000))]).await);
    // Fast enough to keep a turn, were it closed.
    slow.faults().rate = Some(80_000);
    let quick = logger(Options::http(), &[("1.log", closed.clone()), ("2.log", begun)]).await;
    let depot = Depot::new()
        .poll("max_transfers = 1")
        .kind("open_file", "\"newest\"")
        .kind("settle", "\"8s\"")
        .kind("closed_after", "\"12h\"");
    depot.write(&[("1", slow.url()), ("2", quick.url())]);
    let depot = Arc::new(depot);
    let (theirs, at) = (slow.clone(), depot.clone());
    let look = tokio::task::spawn_blocking(move || {
        eventually("the closed file", || (at.archived() == 1).then_some(()));
        let sent = theirs.counters().of("1.log");
        theirs.faults().rate = None;
        sent
    });
    let round = depot.round(&TestClock::fast(4)).await;
    let sent = look.await.expect("looked");
    assert!(sent > 0 && sent < 8_000_000, "{sent} bytes of the open file had come");
    assert_eq!(depot.hashes(), [closed.sha256().hex()]);
    assert!(round.trouble.is_empty(), "{:?}", round.trouble);
    assert_eq!(depot.spool().len(), 2, "both open files are here as far as they go: {:?}", depot.states());
}
