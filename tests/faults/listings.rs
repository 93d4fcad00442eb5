//! Listings that say less than the truth prove nothing.

use yarder::report::Verdict;
use yarder::sim::{Content, Effect, Faults, ListingFault, Options, Point, SimLogger};

use super::depot::{Depot, TestClock, content, dice, logger};

type Fault = (&'static str, bool, fn(&mut Faults));

/// What a listing can be instead of whole, and whether FTP can tell.
const FAULTS: &[Fault] = &[
    ("a login page", false, |f| f.listing = ListingFault::LoginPage),
    ("a failed folder", true, |f| {
        f.failing_folders.insert(b"b".to_vec());
    }),
    ("a truncated listing", false, |f| f.listing = ListingFault::Truncated),
    ("an error", true, |f| f.listing = ListingFault::Error),
];

fn options(ftp: bool, clock: &std::sync::Arc<TestClock>) -> Options {
    if ftp { Options::ftp() } else { Options::http() }.clock(clock.clone())
}

fn set(logger: &SimLogger, fault: Option<&Fault>) {
    let mut faults = logger.faults();
    faults.listing = ListingFault::None;
    faults.failing_folders.clear();
    if let Some((_, _, set)) = fault {
        set(&mut faults);
    }
}

fn files(dice: &mut fastrand::Rng) -> Vec<(&'static str, Content)> {
    let names = ["a/1.log", "a/2.log", "b/1.log", "b/2.log", "b/3.log", "c.log"];
    names.map(|name| (name, content(dice, 90_000))).to_vec()
}

fn cases() -> impl Iterator<Item = (bool, &'static Fault)> {
    [false, true]
        .into_iter()
        .flat_map(|ftp| FAULTS.iter().filter(move |f| !ftp || f.1).map(move |f| (ftp, f)))
}

/// Over half an hour in which each listing fails, a file that is only half home stays what it is.
#[tokio::test(flavor = "multi_thread")]
async fn no_file_is_lost_by_a_listing_that_is_not_whole() {
    let mut dice = dice("listings, lost");
    for (ftp, fault) in cases() {
        let clock = TestClock::new();
        let files = files(&mut dice);
        let logger = logger(options(ftp, &clock), &files).await;
        logger.faults().always(Point::file("b/2.log", 50_000), Effect::Fin);
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        depot.round(&clock).await;
        assert_eq!(depot.states(), [("archived", 5), ("fetching", 1)].into());
        set(&logger, Some(fault));
        for at in [60_000, 70_000, 80_000] {
            // At another byte each time: at one and the same it would be the card.
            logger.faults().clear_incidents();
            logger.faults().always(Point::file("b/2.log", at), Effect::Fin);
            clock.pass(11);
            depot.round(&clock).await;
            let states = depot.states();
            assert_eq!(states, [("archived", 5), ("fetching", 1)].into(), "{}, FTP: {ftp}", fault.0);
            let report = depot.report(&clock);
            assert_eq!(report.vehicles[0].verdict, Verdict::Incomplete, "{}, FTP: {ftp}", fault.0);
            assert_eq!(report.totals.files_lost, 0);
        }
        set(&logger, None);
        logger.faults().clear_incidents();
        clock.pass(11);
        depot.round(&clock).await;
        assert_eq!(depot.report(&clock).vehicles[0].verdict, Verdict::Complete, "{}, FTP: {ftp}", fault.0);
        depot.assert_archived("L-1", &files.into_iter().map(|(_, c)| c).collect::<Vec<_>>());
    }
}

/// All that such listings show is home, and the vehicle is not complete all the same.
#[tokio::test(flavor = "multi_thread")]
async fn no_vehicle_is_complete_by_a_listing_that_is_not_whole() {
    let mut dice = dice("listings, complete");
    for (ftp, fault) in cases() {
        let clock = TestClock::new();
        let logger = logger(options(ftp, &clock), &files(&mut dice)).await;
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        set(&logger, Some(fault));
        for _ in 0..2 {
            depot.round(&clock).await;
            clock.pass(11);
            assert!(!depot.states().contains_key("fetching"), "what was seen is home");
            let verdict = depot.report(&clock).vehicles[0].verdict;
            assert_ne!(verdict, Verdict::Complete, "{}, FTP: {ftp}", fault.0);
        }
        set(&logger, None);
        depot.round(&clock).await;
        assert_eq!(depot.states(), [("archived", 6)].into(), "{}, FTP: {ftp}", fault.0);
        assert_eq!(depot.report(&clock).vehicles[0].verdict, Verdict::Complete, "{}, FTP: {ftp}", fault.0);
    }
}

/// A vehicle that was complete does not stay so by listings that fail to show a new file.
#[tokio::test(flavor = "multi_thread")]
async fn a_failed_listing_after_a_good_one_does_not_prove_that_nothing_is_new() {
    let mut dice = dice("listings, after a good one");
    for (ftp, fault) in cases() {
        let clock = TestClock::new();
        let logger = logger(options(ftp, &clock), &files(&mut dice)).await;
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        depot.round(&clock).await;
        assert_eq!(depot.report(&clock).vehicles[0].verdict, Verdict::Complete);
        set(&logger, Some(fault));
        clock.pass(11);
        depot.round(&clock).await;
        let report = depot.report(&clock);
        // The simulated logger's clock does not follow the test's.
        let told = |f: &yarder::report::FindingLine| {
            f.code != "logger-clock" && f.state != yarder::report::FindingState::Gone
        };
        let told = report.vehicles[0].findings.iter().any(told);
        assert!(told, "{}, FTP: {ftp}: nothing is said of it", fault.0);
        assert_eq!(depot.states(), [("archived", 6)].into(), "{}, FTP: {ftp}", fault.0);
    }
}
