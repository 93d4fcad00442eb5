//! Archived files leave their loggers.

use std::time::Duration;

use serde_json::Value;

use super::*;
use crate::sim::{Card, ListingFault, RemovalFault};

pub(super) const REMOVES: &str = "proof = \"reread\"\nremove = \"archived\"\nremove_after = \"0s\"";
pub(super) const NAMED: &str = "serial = \"00421\"\nserial_from = \"/device.json\"";

impl Depot {
    /// Three files, archived; the first two may go.
    pub(super) async fn safe(options: Options, kind: &'static str) -> Self {
        // Nothing goes yet, however soon it is archived.
        let mut depot = Self { more: NAMED, ..Self::with(options, "proof = \"reread\"").await };
        depot.logger.set_serial(Some("00421"));
        for n in 1..=3 {
            depot.add(&format!("0000{n}.log"), Content::noise(n, 200_000), n as i64);
        }
        depot.once().await;
        assert_eq!(depot.in_state(State::Archived), 3, "{:?}", depot.states());
        depot.kind = kind;
        depot
    }

    pub(super) fn in_state(&self, state: State) -> usize {
        self.files().iter().filter(|f| f.state == state).count()
    }

    pub(super) fn on_card(&self) -> Vec<String> {
        let card = self.logger.card();
        card.files().map(|(path, _)| String::from_utf8_lossy(path).into_owned()).collect()
    }

    /// What happened to the first file, of these kinds.
    pub(super) fn happened(&self, what: &str) -> Vec<Value> {
        let story = self.ledger().story(self.files()[0].id).expect("story");
        story.into_iter().filter(|e| e.what == what).map(|e| e.detail).collect()
    }
}

#[tokio::test]
async fn archived_files_leave_their_logger_once_and_their_story_says_on_whose_policy() {
    for options in [Options::http(), Options::ftp()] {
        let depot = Depot::safe(options, REMOVES).await;
        assert_eq!(depot.logger.counters().removals, 0, "it was archived when the visit had ended");
        depot.once().await;
        assert_eq!(depot.on_card(), ["00003.log"], "the last of a stream may still be written");
        assert_eq!((depot.in_state(State::Removed), depot.in_state(State::Archived)), (2, 1));
        assert_eq!(depot.stored("central").len(), 3);
        let intended = depot.happened("removal-intended");
        assert_eq!(intended[0]["policy"], "kind wifi: remove_after 0 seconds, remove_proof reread");
        assert_eq!((&intended[0]["serial"], &intended[0]["copies_in"]), (&"00421".into(), &"central".into()));
        assert_eq!((depot.happened("delete-answered").len(), depot.happened("removed").len()), (1, 1));
        depot.once().await;
        assert_eq!(depot.logger.counters().removals, 2, "nothing is asked twice");
        assert!(depot.findings().is_empty(), "{:?}", depot.findings());
    }
}

#[tokio::test]
async fn nothing_is_removed_unless_the_kind_says_so() {
    let depot = Depot::safe(Options::http(), "proof = \"reread\"").await;
    depot.once().await;
    assert_eq!((depot.logger.counters().removals, depot.on_card().len()), (0, 3));
}

#[tokio::test]
async fn nothing_is_removed_from_a_logger_that_does_not_say_who_it_is() {
    let mut depot = Depot::safe(Options::http(), REMOVES).await;
    depot.more = "";
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 0);
}

#[tokio::test]
async fn a_logger_that_says_another_number_is_not_even_listed_into_the_ledger() {
    for serial in [Some("00422"), None] {
        let depot = Depot::safe(Options::http(), REMOVES).await;
        depot.logger.set_serial(serial);
        depot.add("00004.log", Content::noise(4, 1000), 4);
        depot.once().await;
        assert_eq!((depot.logger.counters().removals, depot.files().len()), (0, 3));
        assert_eq!(depot.findings(), ["wrong-logger"]);
        depot.logger.set_serial(Some("00421"));
        depot.once().await;
        assert_eq!(depot.findings(), [""; 0]);
        assert_eq!(depot.files().len(), 4);
    }
}

#[tokio::test]
async fn half_a_listing_lets_nothing_go() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.logger.faults().failing_folders.insert(b"more".to_vec());
    depot.logger.card().add_folder("more");
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 0);
    depot.logger.faults().failing_folders.clear();
    depot.once().await;
    assert_eq!(depot.in_state(State::Removed), 2);
}

#[tokio::test]
async fn a_file_waits_for_time_that_was_lived_and_for_no_clock_that_jumps() {
    let depot = Depot::safe(Options::http(), "proof = \"reread\"\nremove = \"archived\"").await;
    depot.pass(366 * 86_400);
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 0, "a year on the wall clock is no time lived");
    depot.live(Duration::from_secs(72 * 3600 - 60)).await;
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 0);
    depot.live(Duration::from_secs(61)).await;
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 2);
}

#[tokio::test]
async fn a_copy_that_is_gone_or_flipped_is_owed_again_and_its_file_stays() {
    for gone in [true, false] {
        let depot = Depot::safe(Options::http(), REMOVES).await;
        let place = depot.ledger().copies("central", "", 1).expect("copies").remove(0).location;
        let place = depot.dir.path().join("central").join(place);
        if gone {
            depot.disk.remove(&place).expect("removed");
        } else {
            let mut bytes = std::fs::read(&place).expect("read");
            bytes[100_000] ^= 1;
            std::fs::write(&place, bytes).expect("written");
        }
        depot.once().await;
        assert_eq!(depot.on_card(), ["00001.log", "00003.log"]);
        assert!(depot.happened("found-wrong").len() == 1, "{:?}", depot.states());
    }
}

#[tokio::test]
async fn nothing_is_removed_while_the_archive_is_away() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    let (there, away) = (depot.dir.path().join("central"), depot.dir.path().join("elsewhere"));
    depot.disk.rename(&there, &away).expect("away");
    std::fs::create_dir(&there).expect("an empty folder");
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 0);
    std::fs::remove_dir(&there).expect("empty");
    depot.disk.rename(&away, &there).expect("back");
    depot.once().await;
    assert_eq!(depot.logger.counters().removals, 2);
}

#[tokio::test]
async fn a_refusal_is_a_finding_and_one_try_a_visit() {
    for options in [Options::http(), Options::ftp()] {
        for fault in [RemovalFault::Refused, RemovalFault::Unknown] {
            let depot = Depot::safe(options.clone(), REMOVES).await;
            depot.logger.faults().removal = fault;
            depot.once().await;
            let asked = depot.happened("removal-intended").len();
            assert_eq!((asked, depot.in_state(State::Archived)), (1, 3), "{fault:?}");
            assert_eq!(depot.findings(), ["remove-refused"]);
            depot.once().await;
            assert_eq!(depot.happened("removal-intended").len(), 2);
            depot.logger.faults().removal = RemovalFault::None;
            depot.once().await;
            assert_eq!(depot.in_state(State::Removed), 2);
            assert!(depot.findings().is_empty(), "{:?}", depot.findings());
        }
    }
}

#[tokio::test]
async fn a_file_that_is_listed_after_its_deletion_is_archived_still_and_a_finding() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.logger.faults().removal = RemovalFault::Lie;
    depot.once().await;
    assert_eq!(depot.in_state(State::Archived), 3);
    assert_eq!((depot.logger.counters().removals, depot.findings()), (2, vec!["remove-failed".to_owned()]));
    depot.logger.faults().removal = RemovalFault::None;
    depot.once().await;
    assert_eq!((depot.in_state(State::Removed), depot.findings().len()), (2, 0));
}

#[tokio::test]
async fn whether_an_unanswered_deletion_was_done_is_told_by_the_next_whole_listing() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.logger.faults().removal = RemovalFault::Unanswered;
    depot.once().await;
    assert_eq!((depot.in_state(State::Removing), depot.in_state(State::Archived)), (1, 2));
    depot.logger.faults().removal = RemovalFault::None;
    depot.logger.faults().listing = ListingFault::Truncated;
    depot.once().await;
    assert_eq!(depot.in_state(State::Removing), 1, "half a listing proves nothing");
    depot.logger.faults().listing = ListingFault::None;
    depot.once().await;
    assert_eq!((depot.in_state(State::Removed), depot.in_state(State::Archived)), (2, 1));
}

#[tokio::test]
async fn another_card_with_equal_names_sizes_and_times_loses_nothing() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    let mut other = Card::default();
    for n in 1..=3 {
        other.add(format!("0000{n}.log"), Content::noise(90 + n, 200_000), at(n as i64));
    }
    depot.logger.card().swap(other);
    depot.once().await;
    assert_eq!(depot.on_card().len(), 3);
    depot.once().await;
    assert_eq!(depot.on_card(), ["00003.log"], "once its own files are archived, they may go");
    assert_eq!(depot.stored("central").len(), 6);
}

#[tokio::test]
async fn a_name_that_was_removed_may_be_given_again() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.once().await;
    depot.add("00001.log", Content::noise(7, 200_000), 4);
    depot.add("00002.log", Content::noise(2, 200_000), 2);
    depot.once().await;
    let cards: Vec<_> = depot.files().iter().map(|f| f.card).collect();
    assert_eq!(cards, [1; 5], "it is no sign of another card");
    assert_eq!(depot.stored("central").len(), 4, "what comes back with the same bytes is known");
}

#[tokio::test]
async fn a_logger_that_lists_and_serves_another_content_than_before_keeps_it() {
    // Name, size and time are the same, and so are the ten files that each visit compares.
    let depot = Depot { more: NAMED, ..Depot::with(Options::http(), REMOVES).await };
    depot.logger.set_serial(Some("00421"));
    for n in 0..60 {
        depot.add(&format!("{n:05}.log"), Content::noise(n, 5000), n as i64);
    }
    depot.once().await;
    for n in 20..40 {
        depot.add(&format!("{n:05}.log"), Content::noise(1000 + n, 5000), n as i64);
    }
    for _ in 0..12 {
        depot.once().await;
    }
    let stored = depot.stored("central");
    for n in (0..60).map(|n| if (20..40).contains(&n) { 1000 + n } else { n }) {
        let bytes = Content::noise(n, 5000).read(0, 5000).to_vec();
        assert!(stored.contains(&bytes), "content {n} is nowhere");
    }
}

#[tokio::test]
async fn a_deletion_at_which_the_logger_failed_is_judged_by_the_next_whole_listing() {
    for options in [Options::http(), Options::ftp()] {
        for done in [true, false] {
            let depot = Depot::safe(options.clone(), REMOVES).await;
            depot.logger.faults().removal = RemovalFault::Failed { done };
            depot.once().await;
            assert_eq!(depot.happened("removal-intended").len(), 1, "one try a visit");
            assert_eq!(depot.in_state(State::Removed), usize::from(done), "{:?}", depot.states());
            assert_eq!(depot.in_state(State::Removing), 0);
            let told: &[&str] = if done { &[] } else { &["remove-refused"] };
            assert_eq!(depot.findings(), told);
            depot.logger.faults().removal = RemovalFault::None;
            depot.once().await;
            assert_eq!((depot.in_state(State::Removed), depot.findings().len()), (2, 0));
        }
    }
}

#[tokio::test]
async fn what_was_on_its_way_out_is_judged_though_the_patterns_no_longer_want_it() {
    for there in [true, false] {
        let mut depot = Depot::safe(Options::http(), REMOVES).await;
        depot.logger.faults().removal = RemovalFault::Unanswered;
        depot.once().await;
        assert_eq!(depot.in_state(State::Removing), 1);
        if there {
            depot.add("00001.log", Content::noise(1, 200_000), 1);
        }
        depot.logger.faults().removal = RemovalFault::Refused;
        depot.kind =
            "proof = \"reread\"\nremove = \"archived\"\nremove_after = \"0s\"\nfiles = [\"**/*.mf4\"]";
        depot.once().await;
        let want = if there { State::Archived } else { State::Removed };
        assert_eq!(depot.files()[0].state, want, "a listing that leaves it out says nothing of it");
    }
}

#[tokio::test]
async fn what_stood_on_its_way_out_when_its_only_copy_went_is_fetched_again_or_lost_and_told() {
    for there in [true, false] {
        let depot = Depot::safe(Options::http(), REMOVES).await;
        depot.logger.faults().removal = RemovalFault::Unanswered;
        depot.once().await;
        assert_eq!(depot.in_state(State::Removing), 1);
        depot.logger.faults().removal = RemovalFault::Refused;
        if there {
            depot.add("00001.log", Content::noise(1, 200_000), 1);
        }
        depot.exchange("central").await;
        for _ in 0..4 {
            depot.once().await;
        }
        let first = depot.files().remove(0);
        if there {
            assert_eq!(first.state, State::Archived, "{:?}", depot.states());
            assert_eq!(depot.stored("central").len(), 3);
        } else {
            assert_eq!(first.state, State::Lost, "{:?}", depot.states());
            assert!(depot.findings().contains(&"only-copy-gone".to_owned()), "{:?}", depot.findings());
        }
    }
}

#[tokio::test]
async fn a_file_of_another_card_that_takes_the_name_is_not_one_that_is_listed_still() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.logger.faults().removal = RemovalFault::Unanswered;
    depot.once().await;
    depot.logger.faults().removal = RemovalFault::Refused;
    depot.add("00001.log", Content::noise(70, 90_000), 9);
    depot.once().await;
    let failed = depot.happened("removal-failed");
    assert!(failed[0]["why"].as_str().is_some_and(|why| !why.contains("still")), "{failed:?}");
    assert_eq!(depot.files()[0].state, State::Archived);
}

#[tokio::test]
async fn what_was_on_its_way_out_when_the_card_was_exchanged_is_archived_and_nobodys_fault() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.logger.faults().removal = RemovalFault::Unanswered;
    depot.once().await;
    depot.logger.faults().removal = RemovalFault::Refused;
    let mut other = Card::default();
    for n in 1..=3 {
        other.add(format!("0000{n}.log"), Content::noise(90 + n, 200_000), at(n as i64));
    }
    depot.logger.card().swap(other);
    depot.once().await;
    assert_eq!(depot.happened("removal-failed")[0]["why"], "its card is another one now");
    assert_eq!(depot.files()[0].state, State::Archived);
    assert!(!depot.findings().contains(&"remove-failed".to_owned()), "{:?}", depot.findings());
}
