//! How long what is not whole yet stays here.

use std::time::Duration;

use super::*;

const DAY: Duration = Duration::from_secs(86_400);

impl Depot {
    /// So much time is lived, as a service that runs tells it.
    pub(super) async fn live(&self, span: Duration) {
        let ledger = Ledger::open(&self.edges(), &self.dir.path().join("state")).expect("ledger");
        ledger.lived(span).expect("told");
        ledger.settled().await.expect("committed");
    }

    /// Bytes of partials in the spool.
    pub(super) fn partials(&self) -> u64 {
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
    let (before, began) = (lived(), depot.clock.mono());
    depot.pass(365 * 86_400);
    depot.once().await;
    depot.pass(-2 * 365 * 86_400);
    depot.once().await;
    let after = lived() - before;
    assert!(after > 0 && after as u128 <= (depot.clock.mono() - began).as_millis(), "{after} ms");
}

#[tokio::test]
async fn a_spool_full_of_partials_of_absent_vehicles_still_brings_a_file_home() {
    let mut depot = Depot::new("").await;
    depot.limit = "16 MB";
    for (n, (size, cut)) in [(9_000_000, 6_000_000), (9_000_000, 8_000_000)].into_iter().enumerate() {
        let other = SimLogger::start(Options::http()).await.expect("logger");
        other.card().add("00001.log", Content::noise(n as u64, size), at(1));
        other.faults().always(Point::file("00001.log", cut), Effect::Fin);
        depot.others.push(other);
        depot.once().await;
        depot.others[n].leave().await;
        depot.pass(60);
    }
    let partial = |n: usize| depot.files()[n].mark;
    assert_eq!((partial(0), partial(1)), (6_000_000, 8_000_000));
    // Before it in the queue is one for which there can never be room.
    depot.add("00001.log", Content::noise(1, 17_000_000), 1);
    depot.add("00002.log", Content::noise(2, 5_000_000), 2);
    depot.once().await;
    assert_eq!(depot.states()[3], "00002.log archived 5000000");
    assert_eq!((partial(0), partial(1)), (0, 8_000_000), "that of the longest absent, and no more than must");
    assert_eq!(depot.states()[..2], ["00001.log listed 9000000", "00001.log fetching 9000000"]);
    assert!(depot.findings().contains(&"partial-dropped".to_owned()));
    depot.add("00003.log", Content::noise(3, 15_000_000), 3);
    depot.once().await;
    assert_eq!((depot.states()[4].as_str(), depot.partials()), ("00003.log archived 15000000", 0));
    for other in &depot.others {
        other.faults().clear_incidents();
        other.arrive().expect("back");
        depot.once().await;
    }
    assert!(depot.files()[..2].iter().all(|f| f.state == State::Archived), "{:?}", depot.states());
    assert!(!depot.findings().contains(&"partial-dropped".to_owned()), "it came home after all");
}

#[tokio::test]
async fn no_partial_goes_where_room_comes_by_itself_or_none_would_come_of_it() {
    let mut depot = Depot::new("").await;
    depot.limit = "16 MB";
    let other = SimLogger::start(Options::http()).await.expect("logger");
    other.card().add("00001.log", Content::noise(1, 6_000_000), at(1));
    other.faults().always(Point::file("00001.log", 5_000_000), Effect::Fin);
    depot.others.push(other);
    depot.once().await;
    depot.others[0].leave().await;
    // Too large for the spool as it is.
    depot.add("00002.log", Content::noise(2, 17_000_000), 2);
    depot.once().await;
    assert_eq!(depot.partials(), 5_000_000);
    // The archive is away, and what waits for it is enough.
    depot.logger.card().remove("00002.log");
    depot.disk.rename(&depot.dir.path().join("central"), &depot.dir.path().join("away")).expect("away");
    std::fs::write(depot.dir.path().join("central"), "not mounted").expect("in the way");
    depot.add("00003.log", Content::noise(3, 9_000_000), 3);
    depot.once().await;
    depot.add("00004.log", Content::noise(4, 9_000_000), 4);
    depot.once().await;
    assert_eq!(depot.partials(), 5_000_000, "{:?}", depot.states());
    depot.disk.remove(&depot.dir.path().join("central")).expect("out of the way");
    depot.disk.rename(&depot.dir.path().join("away"), &depot.dir.path().join("central")).expect("back");
    depot.once().await;
    depot.once().await;
    assert_eq!((depot.partials(), depot.files()[3].state), (5_000_000, State::Archived));
}
