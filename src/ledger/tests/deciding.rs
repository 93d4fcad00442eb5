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

#[tokio::test]
async fn what_is_owed_again_is_owed_to_what_came_in_while_it_was_gone() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true)]).await;
    let id = desk.whole("a", &["one"]).await;
    desk.verify("one", id).await;
    desk.archives(&[("one", true), ("two", true)]).await;
    assert!(desk.due("two").await.is_empty(), "what is archived stays so");
    desk.ledger.accept_archive("one", "here", "first").await.expect("accepted");
    desk.ledger.accept_archive("one", "here", "second").await.expect("exchanged");
    while desk.ledger.owe_again("one", 9).await.expect("owed") {}
    assert_eq!((desk.due("one").await.len(), desk.due("two").await.len()), (1, 1));
}

#[tokio::test]
async fn a_content_that_a_required_archive_lacks_now_is_waited_for() {
    let (desk, id) = half_archived().await;
    desk.verify("two", id).await;
    let waits = async || {
        let known = desk.ledger.contents_at(desk.row.key, &path("a"), 5000, false).await.expect("asked");
        known.into_iter().map(|content| content.waits).collect::<Vec<_>>()
    };
    assert_eq!(waits().await, [false]);
    // It is gone from the card, and so stays what it is while its copy is looked for.
    desk.list(vec![Change::Absent { id }]).await;
    desk.clock.0.fetch_add(601, Ordering::SeqCst);
    desk.list(vec![Change::Absent { id }]).await;
    assert_eq!(waits().await, [false], "gone, and safe");
    desk.ledger.accept_archive("one", "here", "first").await.expect("accepted");
    desk.ledger.accept_archive("one", "here", "second").await.expect("exchanged");
    while desk.ledger.owe_again("one", 9).await.expect("owed") {}
    assert_eq!(waits().await, [true]);
}

#[tokio::test]
async fn what_was_taken_for_a_content_is_lost_with_it() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true)]).await;
    let id = desk.whole("a", &["one"]).await;
    desk.verify("one", id).await;
    let row = desk.ledger.new_card(&desk.row, "formatted").await.expect("card");
    let again = Change::New { seen: seen("a", 5000), backlog: false, same_as: Some(id), why: "listed" };
    desk.ledger.apply(&row, "PLOW-01", true, vec![again]).await.expect("listed");
    let state = async || {
        let known = desk.ledger.known(&row, vec![path("a")], true).await.expect("known");
        known.iter().find(|k| k.on_card).map(|k| k.state)
    };
    assert_eq!(state().await, Some(State::Archived), "presumed");
    desk.ledger.accept_archive("one", "here", "first").await.expect("accepted");
    desk.ledger.accept_archive("one", "here", "second").await.expect("exchanged");
    while desk.ledger.owe_again("one", 9).await.expect("owed") {}
    // Its logger is off the list: nothing is fetched again.
    desk.ledger.no_source("one", vec![id], Vec::new()).await.expect("asked");
    assert_eq!(state().await, Some(State::Lost));
}
