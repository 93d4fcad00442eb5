//! Files that become whole: each by itself, and each once.

use super::*;

#[tokio::test]
async fn one_file_that_moved_on_holds_up_no_other_of_its_group() {
    let desk = Desk::new().await;
    let mut group = Vec::new();
    for name in ["a", "b", "c"] {
        desk.list(vec![new(name, 5000)]).await;
        let id = desk.known(name).await.id;
        desk.ledger.grant(Grant { id, spool: format!("spool-{name}"), reserved: 0 }).expect("granted");
        group.push((facts(id, name, 5000, &["one"]), false));
    }
    desk.list(vec![Change::Unwanted { path: path("b") }]).await;
    let _ = desk.ledger.whole(group).await;
    let states = [desk.known("a").await.state, desk.known("b").await.state, desk.known("c").await.state];
    assert_eq!(states, [State::Whole, State::Skipped, State::Whole]);
}

#[tokio::test]
async fn a_file_that_is_whole_already_with_the_same_bytes_is_no_news() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true)]).await;
    let id = desk.whole("a", &["one"]).await;
    let before = desk.story(id).await;
    let again = desk.ledger.whole(vec![(facts(id, "a", 5000, &["one"]), false)]).await;
    assert!(again.is_ok(), "{again:?}");
    assert_eq!(desk.story(id).await, before);
    // Once it has left the spool, its copy is to be read back before it goes again.
    desk.verify("one", id).await;
    assert_eq!(
        desk.ledger.whole(vec![(facts(id, "a", 5000, &["one"]), false)]).await,
        Ok(vec![Ok(Adopted::Whole)])
    );
    assert_eq!(desk.known("a").await.state, State::Whole);
    desk.verify("one", id).await;
    assert_eq!(desk.known("a").await.state, State::Archived);
}

#[tokio::test]
async fn a_record_is_first_of_all_that_of_its_own_version() {
    let desk = Desk::new().await;
    desk.list(vec![new("a", 5000)]).await;
    let own = desk.known("a").await.id;
    // Another card has a file of the same name and length.
    desk.ledger.new_card(&desk.row, "exchanged").await.expect("card");
    let row = desk.ledger.logger("L-0101", "PLOW-01").await.expect("row");
    desk.ledger.apply(&row, "PLOW-01", true, vec![new("a", 5000)]).await.expect("listed");
    let record = Record::new(&facts(own, "a", 5000, &["one"]), "in memory", "L-0101", "PLOW-01", &path("a"));
    assert_eq!(desk.ledger.adopt_file(&record, false).await, Ok(Adopted::Whole));
    assert!(desk.story(own).await.contains(&"became-whole".to_owned()));
    let pending = desk.ledger.pending(row.key).await.expect("pending");
    assert_eq!(pending.len(), 1, "the other card's is still to be fetched");
}

#[tokio::test]
async fn a_version_of_a_ledger_before_is_not_taken_for_another_file() {
    let desk = Desk::new().await;
    desk.list(vec![new("other", 5000)]).await;
    let other = desk.known("other").await.id;
    // A ledger that was restored gave its number to another file.
    let record = Record::new(&facts(other, "a", 5000, &["one"]), "part", "L-0101", "PLOW-01", &path("a"));
    assert_eq!(desk.ledger.adopt_file(&record, false).await, Ok(Adopted::Whole));
    assert_eq!(desk.known("other").await.state, State::Listed);
    assert_eq!(desk.known("a").await.state, State::Whole);
}

#[tokio::test]
async fn what_is_being_fetched_is_taken_for_archived_at_the_start_alone() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true)]).await;
    desk.list(vec![new("a", 5000)]).await;
    let id = desk.known("a").await.id;
    desk.ledger.grant(Grant { id, spool: "part".into(), reserved: 0 }).expect("granted");
    let told = facts(id, "a", 5000, &[]);
    let receipt = FromReceipt {
        vehicle: "PLOW-01".into(),
        card: desk.row.card_number,
        path: path("a"),
        look: told.look.clone(),
        sha256: told.sha256,
        edges: told.edges,
        blocks: told.blocks.clone(),
        proof: told.proof,
        whole_at: BEGAN * 1000,
        archived_at: BEGAN * 1000,
    };
    let adopt = async |at_start: bool| {
        let files = vec![receipt.clone()];
        desk.ledger.adopt_receipts("one", "L-0101", Vec::new(), files, at_start).await.expect("adopted")
    };
    assert_eq!(adopt(false).await, (0, vec![]));
    assert_eq!(desk.known("a").await.state, State::Fetching);
    assert_eq!(adopt(true).await, (1, vec!["part".to_owned()]));
    assert_eq!(desk.known("a").await.state, State::Whole);
    // Its transfer was in memory alone, and ends now: what it brought is a source.
    let group = vec![(WholeFacts { owed: vec!["one".into()], ..told }, false)];
    assert_eq!(desk.ledger.whole(group).await, Ok(vec![Ok(Adopted::Whole)]));
    let due = desk.ledger.due("one", [].into_iter(), 9).await.expect("due");
    assert_eq!(due[0].spool.as_deref(), Some("spool-a"));
}

#[tokio::test]
async fn what_comes_again_for_an_archive_that_is_no_longer_asked_is_archived() {
    let desk = Desk::new().await;
    let both = [("one", true), ("two", true)];
    desk.archives(&both).await;
    let id = desk.whole("a", &["one", "two"]).await;
    desk.verify("one", id).await;
    desk.verify("two", id).await;
    desk.ledger.unlinked(vec![id]).expect("told");
    // The copy in one archive is gone, and the file is fetched again for it.
    desk.ledger.found_wrong("two", id, "missing".into()).await.expect("owed");
    desk.ledger.no_source("two", vec![id], vec!["L-0101".into()]).await.expect("asked");
    desk.archives(&both[..1]).await;
    desk.ledger.grant(Grant { id, spool: "again".into(), reserved: 0 }).expect("granted");
    let came = desk.ledger.whole(vec![(facts(id, "a", 5000, &["one"]), false)]).await;
    assert!(came.is_ok(), "{came:?}");
    assert_eq!(desk.known("a").await.state, State::Archived);
}
