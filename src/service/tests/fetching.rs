//! What is fetched, again or not, when files, cards and disks are not as they were.

use super::*;

#[tokio::test]
async fn old_stock_that_stays_where_it_is_ends_nothing_and_is_wanted_once_it_grows() {
    let depot = Depot::new("open_file = \"newest\"\nsettle = \"1s\"\nbacklog = \"none\"").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log skipped 5000", "00002.log skipped 5000"]);
    depot.logger.card().grow("00002.log", 1000, at(60));
    depot.once().await;
    let grown = depot.files().into_iter().find(|f| f.path.as_bytes() == b"00002.log").expect("known");
    assert_ne!(grown.state, State::Skipped, "what is recorded from now on is wanted");
}

#[tokio::test]
async fn a_file_that_was_lost_with_a_partial_and_comes_back_goes_on() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 300_000), 1);
    depot.add("00002.log", Content::noise(2, 300), 2);
    depot.logger.faults().always(Point::file("00001.log", 200_000), Effect::Fin);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log fetching 300000", "00002.log archived 300"]);
    let gone = depot.logger.card().file("00001.log").cloned().expect("there");
    depot.logger.card().remove("00001.log");
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    assert_eq!(depot.states()[0], "00001.log lost 300000");
    depot.logger.card().add("00001.log", gone.content, at(1));
    depot.once().await;
    depot.logger.faults().clear_incidents();
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 300000", "00002.log archived 300"]);
}

#[tokio::test]
async fn a_file_rewritten_in_place_between_two_transfers_is_not_spliced() {
    let depot = Depot::with(Options::ftp(), "").await;
    let mut bytes = vec![0; 300_000];
    depot.add("00001.log", Content::bytes(bytes.clone()), 1);
    depot.logger.faults().always(Point::file("00001.log", 200_000), Effect::Fin);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log fetching 300000"]);
    depot.logger.faults().clear_incidents();
    bytes[1000] = 1;
    depot.logger.card().overwrite("00001.log", Content::bytes(bytes.clone()), at(9));
    depot.once().await;
    assert!(depot.stored("central") == [bytes], "the overlap alone would not have shown it");
}

#[tokio::test]
async fn a_failed_flush_is_a_finding_and_the_bytes_are_fetched_again_from_the_last_mark() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 300_000), 1);
    depot.add("00002.log", Content::noise(2, 300_000), 2);
    depot.once().await;
    depot.add("00003.log", Content::noise(3, 300_000), 3);
    depot.logger.faults().once(Point::file("00003.log", 100_000), Effect::Fin);
    // The flush of the cut, and the group's own.
    depot.disk.flushes.store(2, Ordering::SeqCst);
    depot.once().await;
    assert_eq!(depot.findings(), ["spool-failed"]);
    depot.disk.flushes.store(0, Ordering::SeqCst);
    let edges = depot.edges();
    let spool = crate::spool::Spool::open(edges.clone(), &depot.dir.path().join("state"), 1 << 30, 0)
        .await
        .expect("spool");
    let ledger = Ledger::open(&edges, &depot.dir.path().join("state")).expect("ledger");
    spool.recover(&ledger, false).await.expect("recovered");
    drop(ledger);
    depot.once().await;
    assert_eq!(depot.states()[2], "00003.log archived 300000");
    assert!(depot.findings().is_empty(), "it is over once a file becomes whole");
}

#[tokio::test]
async fn a_first_listing_of_a_new_card_that_was_cut_short_fetches_nothing_twice() {
    let depot = Depot::new("").await;
    for n in 1..4 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 300_000), n as i64);
    }
    depot.once().await;
    let before = depot.logger.counters().bytes();
    let ledger = Ledger::open(&depot.edges(), &depot.dir.path().join("state")).expect("ledger");
    let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
    ledger.new_card(&row, "numbers fell back").await.expect("card");
    drop(ledger);
    depot.once().await;
    let read = depot.logger.counters().bytes() - before;
    assert!(read <= 3 * 2 * 65_536 * 2, "{read} bytes");
    assert!(depot.files().iter().all(|f| f.state == State::Archived));
    assert_eq!(depot.stored("central").len(), 3);
}

#[tokio::test]
async fn a_whole_file_that_the_spool_cannot_give_holds_up_no_other() {
    let mut depot = Depot::new("").await;
    depot.archives = vec!["central"];
    std::fs::write(depot.dir.path().join("central"), "not mounted").expect("in the way");
    depot.add("00001.log", Content::noise(1, 50_000), 1);
    depot.once().await;
    let lost = depot.files()[0].spool.clone().expect("in the spool");
    depot.disk.remove(&depot.dir.path().join(format!("state/spool/{lost}.log"))).expect("removed");
    depot.disk.remove(&depot.dir.path().join("central")).expect("out of the way");
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let round = depot.once().await;
    assert_eq!(depot.states(), ["00001.log whole 50000", "00002.log archived 5000"]);
    assert!(round.away.is_empty(), "the archive is not to blame: {:?}", round.away);
    assert!(depot.findings().iter().all(|code| code == "spool-failed"), "{:?}", depot.findings());
}

#[tokio::test]
async fn a_copy_that_went_before_its_receipt_is_stored_again() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.once().await;
    // As a kill between the data and its receipt leaves it, and the data went meanwhile.
    let copies = depot.ledger().copies("central", "", 10).expect("copies");
    let root = depot.dir.path().join("central");
    let stored = root.join(&copies[0].location);
    let bytes = std::fs::read(&stored).expect("stored");
    depot.disk.remove(&stored).expect("removed");
    depot.disk.remove(&root.join(".yarder/receipts/L-0101/000000000001")).expect("no receipt");
    let state = depot.dir.path().join("state");
    std::fs::write(state.join("spool/again.log"), &bytes).expect("in the spool");
    let db = rusqlite::Connection::open(state.join(ledger::FILE)).expect("ledger");
    db.execute_batch(
        "DELETE FROM receipts; UPDATE obligations SET state = 'stored';
         UPDATE versions SET state = 'whole', spool = 'again'",
    )
    .expect("set back");
    drop(db);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 5000"]);
    assert!(depot.stored("central") == [bytes]);
}

#[tokio::test]
async fn a_file_written_on_within_its_fixed_size_is_fetched_again_where_its_end_cannot_be_read() {
    let depot = Depot::new("").await;
    depot.logger.faults().ignore_ranges = true;
    let mut bytes = vec![7; 9_000_000];
    depot.add("00001.log", Content::bytes(bytes.clone()), 1);
    depot.once().await;
    bytes[8_990_000] = 1;
    depot.logger.card().overwrite("00001.log", Content::bytes(bytes.clone()), at(90));
    depot.once().await;
    assert!(depot.stored("central").contains(&bytes), "{:?}", depot.states());
}

#[tokio::test]
async fn a_pattern_that_no_longer_wants_a_file_of_a_card_that_is_gone_ends_nothing() {
    let mut depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 300_000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.logger.faults().always(Point::file("00001.log", 200_000), Effect::Fin);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log fetching 300000", "00002.log archived 5000"]);
    // In the same listing the card is another one.
    depot.kind = "files = [\"**/*2.log\"]";
    depot.logger.card().format();
    depot.add("00002.log", Content::noise(3, 4000), 3);
    depot.once().await;
    depot.once().await;
    let mut states = depot.states();
    states.sort();
    assert_eq!(states, ["00001.log skipped 300000", "00002.log archived 4000", "00002.log archived 5000"]);
}
