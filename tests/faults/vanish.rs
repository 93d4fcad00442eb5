//! A file that vanishes before it is home is lost, and comes back when it is listed again.

use yarder::report::Verdict;
use yarder::sim::{Effect, Options, Point};

use super::depot::{Depot, TestClock, content, dice, logger, recorded};

#[tokio::test(flavor = "multi_thread")]
async fn a_file_is_lost_by_two_whole_listings_ten_minutes_apart_and_comes_back() {
    let mut dice = dice("vanish");
    for ftp in [false, true] {
        let clock = TestClock::new();
        let options = if ftp { Options::ftp() } else { Options::http() };
        let files: Vec<_> =
            ["1.log", "2.log", "3.log"].into_iter().map(|name| (name, content(&mut dice, 90_000))).collect();
        let logger = logger(options.clock(clock.clone()), &files).await;
        logger.faults().always(Point::file("2.log", 40_000), Effect::Fin);
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        depot.round(&clock).await;
        let half = [("archived", 2), ("fetching", 1)].into();
        assert_eq!(depot.states(), half);

        logger.card().remove("2.log");
        depot.round(&clock).await;
        assert_eq!(depot.states(), half, "one listing is none");
        clock.pass(9);
        depot.round(&clock).await;
        assert_eq!(depot.states(), half, "nine minutes are too few");
        clock.pass(2);
        depot.round(&clock).await;
        assert_eq!(depot.states(), [("archived", 2), ("lost", 1)].into());
        let findings = depot.findings("file-lost");
        assert_eq!(findings.len(), 1);
        assert_eq!(findings[0].evidence["file"], "2.log");
        let report = depot.report(&clock);
        assert_eq!((report.totals.files_lost, report.vehicles[0].verdict), (1, Verdict::Incomplete));
        assert!(report.needs_person());

        logger.faults().clear_incidents();
        logger.card().add("2.log", files[1].1.clone(), recorded(1));
        clock.pass(1);
        depot.round(&clock).await;
        assert_eq!(depot.states(), [("archived", 3)].into());
        assert_eq!(depot.findings("file-lost").len(), 0, "the finding ends");
        assert_eq!(depot.report(&clock).vehicles[0].verdict, Verdict::Complete);
        depot.assert_archived("L-1", &files.into_iter().map(|(_, c)| c).collect::<Vec<_>>());
    }
}
