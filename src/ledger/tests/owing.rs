//! What archives are owed, have, and are said to have.

use super::*;

/// A receipt of the first number for a version's copy.
fn receipt(id: VersionId, key: &str) -> ReceiptRow {
    ReceiptRow {
        seq: 1,
        line: 0,
        key: key.to_owned(),
        kind: "stored".into(),
        path: "a".into(),
        location: format!("at/{}", id.0),
        depot: "north-yard".into(),
    }
}

#[tokio::test]
async fn archived_is_what_every_required_archive_has_verified() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true), ("two", true), ("extra", false)]).await;
    let id = desk.whole("a", &["one"]).await;
    assert!(desk.verify("one", id).await.is_empty());
    assert_eq!(desk.known("a").await.state, State::Whole, "the second is owed though the file named one");
    assert!(desk.verify("two", id).await.is_empty(), "the optional copy still needs the spool's file");
    assert_eq!(desk.known("a").await.state, State::Archived);
    assert_eq!(desk.verify("extra", id).await, ["spool-a"]);
}

#[tokio::test]
async fn an_exchanged_archive_is_not_said_to_hold_what_its_forerunner_held() {
    let desk = Desk::new().await;
    desk.archives(&[("central", true)]).await;
    desk.ledger.accept_archive("central", "/srv/a", "one").await.expect("accepted");
    let id = desk.whole("a", &["central"]).await;
    desk.verify("central", id).await;
    let key = facts(id, "a", 5000, &[]).sha256.hex();
    let read = async |key: &str| {
        let rows = vec![receipt(id, key)];
        desk.ledger.adopt_receipts("central", "L-0101", rows, Vec::new(), false).await.expect("read");
        desk.ledger.manifest("central", "at").await.expect("manifest").len()
    };
    assert_eq!(read(&key).await, 1);
    desk.ledger.accept_archive("central", "/srv/b", "two").await.expect("accepted");
    assert_eq!(desk.ledger.manifest("central", "at").await.expect("manifest").len(), 0);
    assert_eq!(read(&"0".repeat(64)).await, 0, "its numbers begin again");
}

#[tokio::test]
async fn a_manifest_names_a_copy_that_is_in_doubt() {
    let desk = Desk::new().await;
    desk.archives(&[("central", true)]).await;
    let id = desk.whole("a", &["central"]).await;
    desk.verify("central", id).await;
    let facts = facts(id, "a", 5000, &[]);
    desk.ledger
        .adopt_receipts("central", "L-0101", vec![receipt(id, &facts.sha256.hex())], Vec::new(), false)
        .await
        .expect("read");
    let named = async || desk.ledger.manifest("central", "at").await.expect("manifest").len();
    assert_eq!(named().await, 1);
    desk.ledger.unlinked(vec![id]).expect("told");
    let record = Record::new(&facts, "part", "L-0101", "PLOW-01", &path("a"));
    assert_eq!(desk.ledger.adopt_file(&record, false).await, Ok(Adopted::Whole));
    assert_eq!((desk.known("a").await.state, named().await), (State::Whole, 1));
}

#[tokio::test]
async fn an_archive_that_is_taken_out_holds_up_nothing() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true), ("two", true)]).await;
    let id = desk.whole("a", &["one", "two"]).await;
    desk.verify("one", id).await;
    desk.archives(&[("one", true)]).await;
    assert_eq!(desk.known("a").await.state, State::Archived);
    assert!(desk.ledger.let_go().await.expect("free").is_empty(), "a group may be on its way there");
    let claim = vec![(id, "x".to_owned(), "y".to_owned(), "x".to_owned())];
    desk.ledger.intend("two", claim).await.expect("and it goes on");
    desk.ledger.waive(Some("two".into())).await.expect("waived");
    assert!(desk.due("two").await.is_empty());
    assert_eq!(desk.ledger.let_go().await.expect("free"), ["spool-a"]);
}

#[tokio::test]
async fn an_archive_that_comes_back_is_owed_again_and_a_late_waiver_does_nothing() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true), ("two", true)]).await;
    desk.whole("a", &["one", "two"]).await;
    desk.archives(&[("one", true)]).await;
    desk.ledger.waive(None).await.expect("waived");
    assert_eq!(desk.due("one").await.len(), 1);
    assert!(desk.due("two").await.is_empty());
    desk.archives(&[("one", true), ("two", true)]).await;
    desk.ledger.waive(Some("two".into())).await.expect("too late");
    assert_eq!(desk.due("two").await, [(Duty::Owed, None)]);
}

#[tokio::test]
async fn a_copy_found_wrong_is_stored_anew_as_often_as_it_takes() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true)]).await;
    let id = desk.whole("a", &["one"]).await;
    for _ in 0..3 {
        let place = || "k0".to_owned();
        desk.ledger.intend("one", vec![(id, place(), place(), place())]).await.expect("intended");
        desk.ledger.stored("one", vec![(id, place(), place(), false)]).await.expect("stored");
        desk.ledger.found_wrong("one", id, "is not there".into()).await.expect("told");
        assert_eq!(desk.due("one").await, [(Duty::Owed, None)]);
    }
}

#[tokio::test]
async fn what_lies_in_a_group_for_others_is_a_source_all_the_same() {
    let desk = Desk::new().await;
    desk.archives(&[("central", true)]).await;
    desk.ledger.accept_archive("central", "/srv/a", "one").await.expect("accepted");
    let id = desk.whole("a", &["central"]).await;
    desk.verify("central", id).await;
    for at in [0, 3600] {
        desk.clock.0.store(BEGAN + at, Ordering::SeqCst);
        desk.list(vec![Change::Absent { id }]).await;
    }
    assert_eq!(desk.known("a").await.state, State::Gone);
    let record = Record::new(&facts(id, "a", 5000, &[]), "part", "L-0101", "PLOW-01", &path("a"));
    assert_eq!(desk.ledger.adopt_file(&record, true).await, Ok(Adopted::Done), "it is at home");
    // The archive is exchanged after the file was let go, and a kill leaves it there.
    desk.ledger.accept_archive("central", "/srv/b", "two").await.expect("exchanged");
    desk.ledger.owe_again("central", 9).await.expect("owed");
    assert_eq!(desk.ledger.adopt_file(&record, true).await, Ok(Adopted::Whole));
    let due = desk.ledger.due("central", [].into_iter(), 9).await.expect("due");
    assert_eq!(due[0].spool.as_deref(), Some("spool-a"));
}
