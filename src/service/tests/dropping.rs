//! What a person dropped stays away.

use super::*;

#[tokio::test]
async fn a_content_that_a_person_dropped_is_never_archived_and_never_fetched_twice() {
    let depot = Depot::new("proof = \"reread\"").await;
    depot.add("00001.log", Content::noise(1, 900_000), 1);
    depot.logger.faults().always(Point::file("00001.log", 10), Effect::Noise);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log held 900000"]);
    let held = depot.files().remove(0);
    let part = format!("state/spool/{}.part", held.spool.expect("in the spool"));
    let bytes = std::fs::read(depot.dir.path().join(part)).expect("what came");
    let done = crate::service::held_drop(depot.edges(), &depot.config(), held.id.0, "test recording").await;
    assert!(done.expect("dropped").contains("will not be fetched again"));
    assert_eq!(depot.partials(), 0);

    // The same content under another name is known by its hash once it came.
    depot.logger.faults().clear_incidents();
    depot.logger.card().remove("00001.log");
    depot.add("00002.log", Content::bytes(bytes), 2);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log dropped 900000", "00002.log dropped 900000"]);
    let story = depot.ledger().story(depot.files()[1].id).expect("story");
    let told = story.last().expect("told");
    assert_eq!((told.what.as_str(), &told.detail["reason"]), ("dropped-before", &"test recording".into()));
    assert!(depot.stored("central").is_empty() && depot.findings().is_empty(), "{:?}", depot.findings());
    let left = depot.disk.read_dir(&depot.dir.path().join("state/spool"), 10).expect("read");
    assert!(left.is_empty(), "{left:?}");

    // On another card it is known by its ends, before it is read.
    let ledger = Ledger::open(&depot.edges(), &depot.dir.path().join("state")).expect("ledger");
    let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
    ledger.new_card(&row, "numbers fell back").await.expect("card");
    drop(ledger);
    let before = depot.logger.counters().bytes();
    depot.once().await;
    assert_eq!(depot.states()[2], "00002.log dropped 900000");
    assert!(depot.logger.counters().bytes() - before < 500_000, "its ends alone");
    assert!(depot.stored("central").is_empty());
}

/// Two people decide at once, each way round and this far apart: one of them is told that it is decided,
/// and the service goes on.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_is_kept_and_dropped_at_once_is_decided_once_and_ends_nothing() {
    for (keep_first, apart) in [(true, 0), (false, 0), (true, 3), (false, 110)] {
        let depot = Depot::new("proof = \"reread\"").await;
        depot.add("00001.log", Content::noise(1, 900_000), 1);
        depot.logger.faults().always(Point::file("00001.log", 10), Effect::Noise);
        let (until, run) = depot.run();
        depot.until(State::Held, 1).await;
        let id = depot.files().remove(0).id.0;
        let ask = |request: Request| {
            let dir = depot.dir.path().join("state");
            tokio::task::spawn_blocking(move || control::ask(&dir, &request))
        };
        let keep = Request::Keep { id, reason: "the noise is on the card".into() };
        let drop = Request::Drop { id, reason: "test recording".into() };
        let (first, second) = if keep_first { (keep, drop) } else { (drop, keep) };
        let first = ask(first);
        tokio::time::sleep(Duration::from_millis(apart)).await;
        let second = ask(second);
        let said = [first, second].map(|asked| async { asked.await.expect("joined").expect("asked") });
        let [first, second] = said;
        let (first, second) = (first.await.expect("it runs"), second.await.expect("it runs"));
        assert!(first.ok || second.ok, "{first:?} {second:?}");
        assert!(!(first.ok && second.ok), "{first:?} {second:?}");
        until.cancel();
        run.await.expect("joined").expect("it ended in order");
    }
}
