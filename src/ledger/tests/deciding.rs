//! What waits for a person, and what a person decided.

use super::*;

/// A file that one of two archives has.
async fn half_archived() -> (Desk, VersionId) {
    let desk = Desk::new().await;
    desk.archives(&[("one", true), ("two", true)]).await;
    let id = desk.whole("a", &["one", "two"]).await;
    desk.verify("one", id).await;
    (desk, id)
}

#[tokio::test]
async fn what_is_held_goes_nowhere_and_what_was_dropped_is_owed_no_more() {
    let (desk, id) = half_archived().await;
    let places = ("a/k0".to_owned(), "a/k1".to_owned());
    desk.ledger.intend("two", vec![(id, places.0.clone(), places.1, places.0)]).await.expect("intended");
    assert_eq!(desk.due("two").await.len(), 1);
    desk.ledger.hold(id, None, json!({ "why": "the card gives other bytes" }), None).await.expect("held");
    assert!(desk.due("two").await.is_empty(), "a person decides first");
    assert!(desk.ledger.let_go().await.expect("asked").is_empty(), "its bytes stay");

    let facts = facts(id, "a", 5000, &[]);
    assert!(desk.ledger.drop_held(id, Some((facts.sha256, facts.edges)), "r".into()).await.expect("dropped"));
    assert!(desk.due("two").await.is_empty());
    assert_eq!(desk.ledger.let_go().await.expect("free"), ["spool-a"]);
    assert_eq!(desk.story(id).await.last().map(String::as_str), Some("waived"));
}

#[tokio::test]
async fn what_was_waived_is_owed_once_more_when_its_file_is_whole_again() {
    let (desk, id) = half_archived().await;
    desk.archives(&[("one", true)]).await;
    desk.ledger.waive(None).await.expect("waived");
    assert_eq!(desk.known("a").await.state, State::Archived);
    assert_eq!(desk.ledger.let_go().await.expect("free"), ["spool-a"]);
    // The first was exchanged while the second was out; the second is in again while it is fetched.
    desk.ledger.accept_archive("one", "here", "first").await.expect("accepted");
    desk.ledger.accept_archive("one", "here", "second").await.expect("exchanged");
    while desk.ledger.owe_again("one", 9).await.expect("owed") {}
    desk.ledger.no_source("one", vec![id], vec!["L-0101".into()]).await.expect("asked");
    assert_eq!(desk.known("a").await.state, State::Listed, "it is fetched again");
    desk.archives(&[("one", true), ("two", true)]).await;
    desk.ledger.grant(Grant { id, spool: "again".into(), reserved: 0 }).expect("granted");
    desk.ledger.whole(vec![(facts(id, "a", 5000, &["one", "two"]), false)]).await.expect("whole");
    assert_eq!(desk.due("two").await.len(), 1, "{:?}", desk.story(id).await);
}
