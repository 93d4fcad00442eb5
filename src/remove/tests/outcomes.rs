//! What the ledger makes of a removal that has begun.

use super::*;
use crate::ledger::Remains;

impl Home {
    /// A file whose removal was intended, and which no archive has any more.
    async fn only_copy_gone() -> (Self, VersionId) {
        let (home, _) = safe().await;
        home.ledger.let_go().await.expect("the spool has it no more");
        let item = home.items().await.remove(0);
        let intent = home.ledger.intend_removal(item.id, false, json!({})).await.expect("ledger");
        assert!(intent.is_some());
        home.ledger.wrong_elsewhere(&item.copies[0], "found wrong").await.expect("told");
        (home, item.id)
    }

    async fn no_source(&self, id: VersionId) {
        self.ledger.no_source(CENTRAL, vec![id], vec!["L-0101".into()]).await.expect("told");
        self.ledger.settled().await.expect("settled");
    }

    async fn told(&self, change: Change) {
        self.ledger.apply(&self.row, "PLOW-01", true, vec![change]).await.expect("applied");
    }
}

#[tokio::test]
async fn what_is_there_still_and_has_lost_its_only_copy_is_fetched_again() {
    let (home, id) = Home::only_copy_gone().await;
    home.no_source(id).await;
    assert_eq!(home.state("00001.log").await, State::Removing, "whether it is gone is not known");
    home.told(Change::Remains { id, why: Remains::Listed }).await;
    assert_eq!(home.state("00001.log").await, State::Listed);
    let pending = home.ledger.pending(home.row.key).await.expect("pending");
    assert_eq!(pending.iter().map(|p| p.id).collect::<Vec<_>>(), [id]);
}

#[tokio::test]
async fn what_is_there_still_and_whose_copy_is_owed_again_is_not_archived() {
    let (home, id) = Home::only_copy_gone().await;
    home.told(Change::Remains { id, why: Remains::Listed }).await;
    assert_eq!(home.state("00001.log").await, State::Whole);
    home.no_source(id).await;
    assert_eq!(home.state("00001.log").await, State::Listed, "its logger has it");
}

#[tokio::test]
async fn what_is_gone_and_has_lost_its_only_copy_is_lost() {
    for first in [true, false] {
        let (home, id) = Home::only_copy_gone().await;
        if first {
            home.no_source(id).await;
        }
        home.told(Change::Absent { id }).await;
        if !first {
            assert_eq!(home.state("00001.log").await, State::Removed, "its bytes may be somewhere yet");
            home.no_source(id).await;
        }
        assert_eq!(home.state("00001.log").await, State::Lost, "{first}");
    }
}

/// A file of the first card as it lies on a further one: known by its ends.
async fn again(home: &mut Home, same: VersionId) -> Removable {
    home.row = home.ledger.new_card(&home.row, "numbers fell back").await.expect("card");
    let seen = Seen {
        path: path("00001.log"),
        listed: "again".into(),
        look: Look { size: Some(300_000), time: Some(time()), ..Look::default() },
    };
    home.told(Change::New { seen, backlog: false, same_as: Some(same), why: "a new card" }).await;
    home.items().await.remove(0)
}

#[tokio::test]
async fn what_is_known_on_a_third_card_has_the_copies_of_the_first() {
    let (mut home, _) = safe().await;
    let first = home.items().await.remove(0);
    let second = again(&mut home, first.id).await;
    let third = again(&mut home, second.id).await;
    assert_eq!((second.copies.len(), &third.copies), (1, &first.copies));
}

#[tokio::test]
async fn what_is_presumed_is_not_removed_unless_all_of_it_was_read() {
    let (mut home, _) = safe().await;
    let first = home.items().await.remove(0);
    let item = again(&mut home, first.id).await;
    assert!(item.presumed);
    assert!(home.ledger.intend_removal(item.id, false, json!({})).await.expect("ledger").is_none());
    assert_eq!(home.state("00001.log").await, State::Archived);
    assert!(home.ledger.intend_removal(item.id, true, json!({})).await.expect("ledger").is_some());
    home.told(Change::Remains { id: item.id, why: Remains::Listed }).await;
    assert!(!home.items().await.remove(0).presumed, "all of it is known now");
}

#[tokio::test]
async fn what_is_known_by_its_ends_waits_from_the_moment_that_it_was_seen() {
    const HOUR: Duration = Duration::from_secs(3600);
    let (mut home, _) = safe().await;
    let first = home.items().await.remove(0);
    home.ledger.lived(HOUR).expect("told");
    again(&mut home, first.id).await;
    home.ledger.lived(HOUR).expect("told");
    assert_eq!(home.items().await.remove(0).waited, HOUR);
}

#[tokio::test]
async fn what_has_no_size_is_never_removed_and_holds_back_no_other() {
    let (mut home, _) = safe().await;
    let first = home.items().await.remove(0);
    again(&mut home, first.id).await;
    let seen = Seen { path: path("00002.log"), listed: "again".into(), look: Look::default() };
    home.told(Change::New { seen, backlog: false, same_as: Some(first.id), why: "a new card" }).await;
    let items = home.items().await;
    assert_eq!(items.iter().map(|item| item.path.to_string()).collect::<Vec<_>>(), ["00001.log"]);
}
