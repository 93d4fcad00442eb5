//! How long what is not whole yet stays here.

use std::time::Duration;

use super::*;

const DAY: Duration = Duration::from_secs(86_400);

impl Depot {
    /// So much time is lived, as a service that runs tells it.
    async fn live(&self, span: Duration) {
        let ledger = Ledger::open(&self.edges(), &self.dir.path().join("state")).expect("ledger");
        ledger.lived(span).expect("told");
        ledger.settled().await.expect("committed");
    }

    /// Bytes of partials in the spool.
    fn partials(&self) -> u64 {
        let entries = self.disk.read_dir(&self.dir.path().join("state/spool"), 1000).expect("read");
        entries.iter().filter(|e| e.name.to_string_lossy().ends_with(".part")).map(|e| e.stat.len).sum()
    }

    fn story(&self, at: usize) -> Vec<String> {
        let story = self.ledger().story(self.files()[at].id).expect("story");
        story.into_iter().map(|e| e.what).collect()
    }

    /// Its first file is cut, and then absent from two whole listings.
    async fn with_a_lost_partial() -> Self {
        let depot = Depot::new("").await;
        depot.add("00001.log", Content::noise(1, 2_000_000), 1);
        depot.add("00002.log", Content::noise(2, 300), 2);
        depot.logger.faults().always(Point::file("00001.log", 1_500_000), Effect::Fin);
        depot.once().await;
        depot.logger.card().remove("00001.log");
        depot.once().await;
        depot.pass(601);
        depot.once().await;
        assert_eq!(depot.states()[0], "00001.log lost 2000000");
        depot.logger.faults().clear_incidents();
        depot
    }
}

#[tokio::test]
async fn the_partial_of_a_lost_file_goes_after_seven_days_that_were_lived_and_by_no_clock_that_jumps() {
    let depot = Depot::with_a_lost_partial().await;
    let came = depot.partials();
    assert!(came >= 1_000_000, "{came}");
    depot.pass(366 * 86_400);
    depot.once().await;
    depot.live(7 * DAY - Duration::from_secs(60)).await;
    depot.once().await;
    assert_eq!(depot.partials(), came, "a year on the wall clock is no time lived");
    depot.live(Duration::from_secs(61)).await;
    depot.once().await;
    assert_eq!(depot.partials(), 0);
    assert_eq!(depot.states()[0], "00001.log lost 2000000", "it is lost as before");
    assert_eq!(depot.story(0).last().map(String::as_str), Some("partial-dropped"));
    // Its content turns up after all.
    depot.add("00001.log", Content::noise(1, 2_000_000), 1);
    depot.once().await;
    assert_eq!(depot.states()[0], "00001.log archived 2000000");
}

#[tokio::test]
async fn a_lost_file_that_comes_back_in_time_goes_on_from_its_partial_and_its_wait_begins_anew() {
    let depot = Depot::with_a_lost_partial().await;
    depot.live(6 * DAY).await;
    let before = depot.logger.counters().bytes();
    depot.add("00001.log", Content::noise(1, 2_000_000), 1);
    depot.logger.faults().always(Point::file("00001.log", 1_600_000), Effect::Fin);
    depot.once().await;
    let came = depot.partials();
    assert!(came > 1_500_000 && depot.logger.counters().bytes() - before < 1_000_000, "{came}: it went on");
    depot.logger.card().remove("00001.log");
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    depot.live(6 * DAY).await;
    depot.once().await;
    assert_eq!(depot.partials(), came, "twelve days in all, and six since it went");
}

#[tokio::test]
async fn a_logger_off_the_list_keeps_its_partials_for_a_while_and_its_whole_files_go_on() {
    let mut depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 300_000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.logger.faults().always(Point::file("00001.log", 200_000), Effect::Fin);
    std::fs::write(depot.dir.path().join("central"), "not mounted").expect("in the way");
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log fetching 300000", "00002.log whole 5000"]);
    depot.disk.remove(&depot.dir.path().join("central")).expect("out of the way");
    depot.listed = "L-0202";
    depot.once().await;
    assert_eq!(depot.states()[..2], ["00001.log fetching 300000", "00002.log archived 5000"]);
    assert!(depot.files()[1].copies[0].location.as_deref().is_some_and(|at| at.starts_with("PLOW-01/")));
    depot.live(6 * DAY).await;
    depot.once().await;
    assert!(depot.partials() > 0);
    depot.live(DAY).await;
    depot.once().await;
    assert_eq!(depot.partials(), 0);
    assert_eq!(depot.states()[0], "00001.log listed 300000");
}

#[tokio::test]
async fn a_service_lives_by_its_monotonic_clock_alone() {
    let depot = Depot::with_a_lost_partial().await;
    let lived = || {
        let db =
            rusqlite::Connection::open(depot.dir.path().join("state").join(ledger::FILE)).expect("ledger");
        let text: String =
            db.query_row("SELECT value FROM meta WHERE key = 'lived'", [], |row| row.get(0)).expect("told");
        text.parse::<i64>().expect("ms")
    };
    let (before, began) = (lived(), std::time::Instant::now());
    depot.pass(365 * 86_400);
    depot.once().await;
    depot.pass(-2 * 365 * 86_400);
    depot.once().await;
    let after = lived() - before;
    assert!(after > 0 && after as u128 <= began.elapsed().as_millis(), "{after} ms");
}
