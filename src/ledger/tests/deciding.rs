//! What waits for a person, and what a person decided.

use super::*;

#[tokio::test]
async fn what_is_held_goes_nowhere_and_what_was_dropped_is_owed_no_more() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true), ("two", true)]).await;
    let id = desk.whole("a", &["one", "two"]).await;
    desk.verify("one", id).await;
    let places = ("a/k0".to_owned(), "a/k1".to_owned());
    desk.ledger.intend("two", vec![(id, places.0.clone(), places.1, places.0)]).await.expect("intended");
    assert_eq!(desk.due("two").await.len(), 1);
    desk.ledger.hold(id, None, json!({ "why": "the card gives other bytes" }), None).await.expect("held");
    assert!(desk.due("two").await.is_empty(), "a person decides first");
    assert!(desk.ledger.let_go().await.expect("asked").is_empty(), "its bytes stay");

    let facts = facts(id, "a", 5000, &[]);
    assert!(desk.ledger.drop_held(id, Some((facts.sha256, facts.edges)), "r".into()).await.expect("dropped"));
    assert!(desk.due("two").await.is_empty());
    assert_eq!(desk.ledger.owed("two").await.expect("counted"), (0, 0));
    assert_eq!(desk.ledger.let_go().await.expect("free"), ["spool-a"]);
    assert_eq!(desk.story(id).await.last().map(String::as_str), Some("waived"));
}
