//! An archive that was exchanged.

use std::os::unix::fs::MetadataExt as _;
use std::path::PathBuf;

use super::*;

fn content(n: u64) -> Content {
    Content::noise(n, 100_000 + n)
}

impl Depot {
    fn root(&self, archive: &str) -> PathBuf {
        self.dir.path().join(archive)
    }

    /// Five files, archived.
    async fn with_five(archives: Vec<&'static str>) -> Self {
        let mut depot = Depot::new("").await;
        depot.archives = archives;
        for n in 1..=5 {
            depot.add(&format!("0000{n}.log"), content(n), n as i64);
        }
        depot.once().await;
        assert!(depot.files().iter().all(|f| f.state == State::Archived), "{:?}", depot.states());
        depot
    }

    /// The archive is put away, and an empty folder in its place is accepted.
    pub(super) async fn exchange(&self, archive: &str) {
        self.disk.rename(&self.root(archive), &self.root("former")).expect("put away");
        self.disk.create_dir(&self.root(archive), 0o755).expect("empty");
        self.adopt(archive).await;
    }

    async fn adopt(&self, archive: &str) {
        crate::service::adopt(self.edges(), &self.config(), archive).await.expect("adopted");
    }

    fn count(&self, state: State) -> usize {
        self.files().iter().filter(|f| f.state == state).count()
    }

    /// Every copy that the ledger calls verified has its bytes.
    fn copies_are_as_told(&self) {
        for archive in ["central", "second"] {
            for copy in self.ledger().copies(archive, "", 20).expect("copies") {
                let bytes = std::fs::read(self.root(archive).join(&copy.location)).expect("there");
                assert_eq!(crate::model::Digest::of(&bytes), copy.sha256, "{} in {archive}", copy.location);
            }
        }
    }

    fn held_by(&self, archive: &str) -> Vec<String> {
        let mut all: Vec<_> =
            self.stored(archive).iter().map(|bytes| crate::model::Digest::of(bytes).hex()).collect();
        all.sort();
        all
    }
}

fn hashes(of: impl IntoIterator<Item = u64>) -> Vec<String> {
    let mut all: Vec<_> = of.into_iter().map(|n| content(n).sha256().hex()).collect();
    all.sort();
    all
}

#[tokio::test]
async fn what_an_exchanged_archive_held_is_copied_from_another() {
    let depot = Depot::with_five(vec!["central", "second"]).await;
    depot.logger.leave().await;
    depot.exchange("central").await;
    // The other one is away at first.
    depot.disk.rename(&depot.root("second"), &depot.root("away")).expect("away");
    depot.disk.create_dir(&depot.root("second"), 0o755).expect("not mounted");
    depot.once().await;
    assert_eq!(depot.count(State::Whole), 5, "{:?}", depot.states());
    std::fs::remove_dir(depot.root("second")).expect("mounted again");
    depot.disk.rename(&depot.root("away"), &depot.root("second")).expect("mounted again");
    depot.once().await;
    depot.once().await;
    assert_eq!(depot.count(State::Archived), 5, "{:?}", depot.states());
    assert_eq!(depot.held_by("central"), hashes(1..=5));
    for copy in depot.ledger().copies("central", "", 10).expect("copies") {
        let links = std::fs::metadata(depot.root("central").join(copy.location)).expect("there").nlink();
        assert_eq!(links, 1, "a copy of its own");
    }
    assert!(depot.findings().is_empty(), "{:?}", depot.findings());
}

#[tokio::test]
async fn a_wrong_copy_is_no_source() {
    let depot = Depot::with_five(vec!["central", "second"]).await;
    depot.exchange("central").await;
    let at = depot.ledger().copies("second", "", 1).expect("copies").remove(0).location;
    let file = depot.root("second").join(at);
    let mut bytes = std::fs::read(&file).expect("read");
    bytes[7] ^= 1;
    std::fs::write(&file, bytes).expect("flipped");
    for _ in 0..3 {
        depot.once().await;
    }
    assert_eq!(depot.held_by("central"), hashes(1..=5), "that one from the logger: {:?}", depot.states());
    assert!(depot.findings().contains(&"archive-copy-wrong".to_owned()));
}

#[tokio::test]
async fn what_no_archive_has_any_more_is_fetched_again_and_what_no_logger_has_is_told() {
    let depot = Depot::with_five(vec!["central"]).await;
    for gone in ["00001.log", "00002.log"] {
        depot.logger.card().remove(gone);
    }
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    assert_eq!(depot.count(State::Gone), 2, "{:?}", depot.states());
    depot.exchange("central").await;
    depot.logger.leave().await;
    depot.once().await;
    assert_eq!((depot.count(State::Listed), depot.count(State::Lost)), (3, 2), "{:?}", depot.states());
    depot.logger.arrive().expect("back");
    depot.once().await;
    assert_eq!((depot.count(State::Archived), depot.count(State::Lost)), (3, 2), "{:?}", depot.states());
    assert_eq!(depot.held_by("central"), hashes(3..=5));
    assert_eq!(depot.files().len(), 5, "none is a version of its own");
    assert_eq!(depot.findings(), ["only-copy-gone"]);
    let finding =
        depot.ledger().findings(i64::MAX).expect("findings").into_iter().find(|f| f.code == "only-copy-gone");
    assert_eq!(finding.expect("told").evidence["files"], serde_json::json!(["00001.log", "00002.log"]));

    // Their content turns up after all.
    for n in 1..=2 {
        depot.add(&format!("0000{n}.log"), content(n), n as i64);
    }
    depot.once().await;
    depot.once().await;
    assert_eq!(depot.held_by("central"), hashes(1..=5));
    assert_eq!(depot.count(State::Lost), 0, "{:?}", depot.states());
    assert!(!depot.findings().contains(&"only-copy-gone".to_owned()), "{:?}", depot.findings());
}

#[tokio::test]
#[expect(clippy::disallowed_methods, reason = "a medium and a person do it")]
async fn a_damaged_receipt_is_not_believed_over_the_claim_of_where_a_copy_stands() {
    let depot = Depot::with_five(vec!["central", "second"]).await;
    let before = depot.ledger().copies("central", "", 9).expect("copies");
    let receipts = depot.root("central").join(".yarder/receipts/L-0101/000000000001");
    let text = std::fs::read_to_string(&receipts).expect("receipts");
    let damaged = ["1", "2"].into_iter().fold(text.clone(), |text, n| {
        text.replace(&format!("L-0101/0000{n}.log"), &format!("L-0101/0000{n}.loe"))
    });
    assert_eq!(damaged.matches("loe").count(), 2, "{text}");
    std::fs::write(&receipts, damaged).expect("written");
    // The one stands; the other is to be put back, from the other archive.
    let lost = &before.iter().find(|copy| copy.location.ends_with("00002.log")).expect("there").location;
    std::fs::remove_file(depot.root("central").join(lost)).expect("lost");
    for file in ["ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"] {
        let _ = std::fs::remove_file(depot.root("state").join(file));
    }
    std::fs::remove_dir_all(depot.root("state/backups")).expect("no backup");
    for _ in 0..3 {
        depot.once().await;
    }
    assert_eq!(depot.count(State::Archived), 5, "{:?}", depot.states());
    assert_eq!(depot.ledger().copies("central", "", 9).expect("copies"), before, "each at its place, once");
    depot.copies_are_as_told();
    let data = depot.root("central").join(lost);
    let beside = std::fs::read_dir(data.parent().expect("folder")).expect("read");
    assert_eq!(beside.count(), 5, "and no second one beside");
    let manifest =
        depot.root("central").join(lost).ancestors().nth(3).expect("day").join("manifest-sha256.txt");
    let manifest = std::fs::read_to_string(manifest).expect("manifest");
    assert_eq!(manifest.lines().count(), 5, "{manifest}");
}

#[tokio::test]
async fn a_restored_copy_of_an_archive_is_verified_and_gets_nothing_twice() {
    let depot = Depot::with_five(vec!["central"]).await;
    // As a restored copy that was given an id of its own.
    let identity = depot.root("central").join(crate::archive::IDENTITY);
    let json = std::fs::read_to_string(&identity).expect("identity");
    let mut json: serde_json::Value = serde_json::from_str(&json).expect("json");
    json["id"] = "restored".into();
    std::fs::write(&identity, json.to_string()).expect("written");
    depot.adopt("central").await;
    depot.logger.card().remove("00001.log");
    depot.once().await;
    assert_eq!(depot.count(State::Archived), 5, "{:?}", depot.states());
    for file in depot.files() {
        let story = depot.ledger().story(file.id).expect("story");
        assert!(story.iter().all(|e| e.what != "fetch-again"), "it is there");
    }
    assert_eq!(depot.held_by("central"), hashes(1..=5));
    let receipts = depot.root("central").join(".yarder/receipts/L-0101");
    assert_eq!(std::fs::read_dir(receipts).expect("receipts").count(), 1, "none is written anew");
}

#[tokio::test]
async fn a_card_that_is_another_by_then_gives_what_is_the_same_and_the_rest_is_lost() {
    let depot = Depot::with_five(vec!["central"]).await;
    depot.exchange("central").await;
    depot.logger.leave().await;
    depot.once().await;
    assert_eq!(depot.count(State::Listed), 5, "{:?}", depot.states());
    depot.logger.card().overwrite("00005.log", Content::noise(9, 100_005), at(5));
    depot.logger.arrive().expect("back");
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    depot.once().await;
    assert_eq!((depot.count(State::Archived), depot.count(State::Lost)), (9, 1), "{:?}", depot.states());
    let mut wanted = [hashes(1..=4), vec![Content::noise(9, 100_005).sha256().hex()]].concat();
    wanted.sort();
    assert_eq!(depot.held_by("central"), wanted, "each content once");
    assert!(depot.findings().contains(&"file-lost".to_owned()), "{:?}", depot.findings());
}

#[tokio::test]
async fn a_file_that_holds_something_else_when_it_is_fetched_again_says_so() {
    let depot = Depot::new("").await;
    let mut bytes = vec![7; 300_000];
    depot.add("00001.log", Content::bytes(bytes.clone()), 1);
    depot.once().await;
    depot.exchange("central").await;
    bytes[150_000] = 8;
    depot.logger.card().overwrite("00001.log", Content::bytes(bytes.clone()), at(1));
    depot.once().await;
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 300000"]);
    assert!(depot.stored("central") == [bytes]);
    assert_eq!(depot.findings(), ["only-copy-gone"]);
}

#[tokio::test]
async fn a_logger_off_the_list_is_no_source() {
    let mut depot = Depot::with_five(vec!["central"]).await;
    depot.logger.leave().await;
    depot.listed = "L-0202";
    depot.exchange("central").await;
    depot.once().await;
    assert_eq!(depot.count(State::Lost), 5, "{:?}", depot.states());
    assert_eq!(depot.findings(), ["only-copy-gone"]);
}

#[tokio::test]
async fn a_copy_that_was_taken_away_is_put_back_when_its_content_comes_again() {
    let depot = Depot::with_five(vec!["central"]).await;
    let copies = depot.ledger().copies("central", "", 9).expect("copies");
    let taken = copies.iter().find(|copy| copy.location.ends_with("/00002.log")).expect("archived");
    depot.disk.remove(&depot.root("central").join(&taken.location)).expect("taken away");
    // The same bytes under another name: they have their receipt already.
    depot.add("00006.log", content(2), 6);
    depot.once().await;
    assert_eq!(depot.count(State::Archived), 6, "{:?}", depot.states());
    assert_eq!(depot.held_by("central"), hashes(1..=5), "once, at the old place");
    assert!(depot.root("central").join(&taken.location).exists());
    assert!(depot.findings().is_empty(), "{:?}", depot.findings());
}

#[tokio::test]
async fn a_copy_with_other_bytes_is_left_to_a_person() {
    let depot = Depot::with_five(vec!["central"]).await;
    let copies = depot.ledger().copies("central", "", 9).expect("copies");
    let harmed = copies.iter().find(|copy| copy.location.ends_with("/00002.log")).expect("archived");
    let at = depot.root("central").join(&harmed.location);
    std::fs::write(&at, "other bytes").expect("harmed");
    depot.add("00006.log", content(2), 6);
    depot.once().await;
    assert_eq!(std::fs::read(&at).expect("read"), b"other bytes", "nothing is written over");
    assert!(depot.findings().contains(&"archive-copy-wrong".to_owned()));
}

#[tokio::test]
async fn a_partial_of_what_turned_up_elsewhere_is_not_taken_for_the_whole_file() {
    let depot = Depot::with_five(vec!["central"]).await;
    depot.add("00006.log", Content::noise(6, 300_000), 6);
    depot.once().await;
    depot.exchange("central").await;
    depot.logger.faults().always(Point::file("00006.log", 200_000), Effect::Fin);
    for _ in 0..3 {
        depot.once().await;
    }
    assert_eq!(depot.states()[5], "00006.log fetching 300000");
    depot.logger.faults().clear_incidents();
    assert!(depot.logger.card().rename("00006.log", "00009.log"));
    depot.once().await;
    assert_eq!(depot.held_by("central").len(), 6, "under its other name: {:?}", depot.states());
    // The first name is given up while the archive is away.
    depot.disk.rename(&depot.root("central"), &depot.root("away")).expect("away");
    depot.pass(601);
    depot.once().await;
    let turned = depot.files().into_iter().find(|f| f.path.as_bytes() == b"00006.log").expect("known");
    assert_eq!((turned.state, turned.spool), (State::Whole, None));
    assert_eq!(depot.partials(), 0);
    depot.disk.rename(&depot.root("away"), &depot.root("central")).expect("back");
    depot.once().await;
    assert_eq!(depot.count(State::Archived), 7, "{:?}", depot.states());
}

#[tokio::test]
async fn what_is_archived_nowhere_now_is_no_known_content() {
    let depot = Depot::with_five(vec!["central"]).await;
    depot.logger.card().remove("00001.log");
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    assert_eq!(depot.count(State::Gone), 1, "{:?}", depot.states());
    // It stands on the next card, which is seen first after the archive was exchanged.
    depot.exchange("central").await;
    depot.logger.card().format();
    depot.add("00001.log", content(1), 1);
    for _ in 0..3 {
        depot.once().await;
    }
    assert_eq!(depot.held_by("central"), hashes(1..=1), "{:?}", depot.states());
    assert_eq!(depot.count(State::Archived), 2, "on the one card and on the other: {:?}", depot.states());
    assert!(depot.files().iter().filter(|f| f.state == State::Archived).all(|f| !f.copies.is_empty()));
}

#[tokio::test]
async fn what_is_missing_is_looked_for_again_when_another_archive_comes_back() {
    let mut depot = Depot::with_five(vec!["central", "second"]).await;
    for n in 1..=5 {
        depot.logger.card().remove(format!("0000{n}.log"));
    }
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    assert_eq!(depot.count(State::Gone), 5, "{:?}", depot.states());
    depot.archives = vec!["central"];
    depot.exchange("central").await;
    depot.once().await;
    depot.once().await;
    assert!(depot.held_by("central").is_empty(), "nobody has them: {:?}", depot.states());
    depot.archives = vec!["central", "second"];
    depot.once().await;
    depot.once().await;
    assert_eq!(depot.held_by("central"), hashes(1..=5), "{:?}", depot.states());
}

#[tokio::test]
async fn a_copy_of_the_former_content_is_no_copy_of_what_was_fetched_instead() {
    let mut depot = Depot::with_five(vec!["central", "second"]).await;
    depot.add("00006.log", Content::noise(6, 300_000), 6);
    depot.once().await;
    depot.archives = vec!["central"];
    depot.exchange("central").await;
    // Neither its name, size and time nor its ends tell it from what it was.
    let path = depot.ledger().copies("second", "", 9).expect("copies").remove(5).location;
    let mut bytes = std::fs::read(depot.root("second").join(path)).expect("archived");
    bytes[150_000] ^= 1;
    let sha = crate::model::Digest::of(&bytes).hex();
    depot.logger.card().overwrite("00006.log", Content::bytes(bytes), at(6));
    depot.logger.card().set_time("00006.log", at(6));
    for _ in 0..3 {
        depot.once().await;
    }
    depot.archives = vec!["central", "second"];
    for _ in 0..3 {
        depot.once().await;
    }
    depot.copies_are_as_told();
    assert!(depot.held_by("central").contains(&sha), "{:?}", depot.states());
    assert!(depot.findings().contains(&"only-copy-gone".to_owned()));
}

#[tokio::test]
async fn a_file_that_grew_before_it_was_fetched_again_makes_no_good_copy_wrong() {
    let mut depot = Depot::with_five(vec!["central", "second"]).await;
    depot.archives = vec!["central"];
    depot.exchange("central").await;
    depot.logger.faults().always(Point::file("00001.log", 10), Effect::Fin);
    for _ in 0..2 {
        depot.once().await;
    }
    depot.logger.card().grow("00001.log", 7, at(60));
    depot.once().await;
    // It goes before it has come.
    depot.logger.card().remove("00001.log");
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    assert_eq!(depot.states()[0], "00001.log lost 100008");
    depot.archives = vec!["central", "second"];
    for _ in 0..3 {
        depot.once().await;
    }
    assert!(!depot.findings().contains(&"archive-copy-wrong".to_owned()), "{:?}", depot.findings());
    depot.copies_are_as_told();
}
