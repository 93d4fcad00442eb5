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
