//! Every guard by itself.

use super::*;

#[tokio::test]
async fn a_file_that_is_safe_goes_and_the_last_of_its_stream_stays() {
    let (home, mut wire) = safe().await;
    let items = home.items().await;
    assert_eq!(home.try_one(&mut wire, &items[0]).await, Ok(()));
    assert_eq!(wire.deleted, [items[0].sha256]);
    assert_eq!(home.try_one(&mut wire, &items[1]).await, Err(Stays::Last));
    assert_eq!(home.items().await.len(), 1, "what is on its way out is not offered again");
}

#[tokio::test]
async fn every_guard_holds_a_file_back_by_itself() {
    type Break = fn(&mut Home, &mut Wire);
    let cases: [(&str, Break, Stays); 18] = [
        ("its logger tells no serial number", |home, _| home.named = false, Stays::Nameless),
        ("it says another number", |_, wire| wire.units[0].serial = "00422".into(), Stays::Nameless),
        ("no later file is there", |home, _| home.earlier.clear(), Stays::Last),
        (
            "it was archived too short a time ago",
            |home, _| home.remove.after = Duration::from_secs(3600),
            Stays::Waits(Duration::from_secs(3600)),
        ),
        (
            "a stronger proof is asked for",
            |home, _| home.remove.proof = Proof::Digest,
            Stays::Proof(Proof::Reread),
        ),
        (
            "a second required archive has no copy",
            |home, _| home.required.push("mirror"),
            Stays::NoCopy("mirror".into()),
        ),
        (
            "the archive is not in use",
            |home, _| home.archives = Archives::default(),
            Stays::ArchiveAway(CENTRAL.into()),
        ),
        (
            "the archive is away",
            |home, _| *home.shelf.fails.lock().expect("lock") = Some(ArchiveFailure::Away),
            Stays::ArchiveAway(CENTRAL.into()),
        ),
        (
            "the archive cannot read the copy",
            |home, _| *home.shelf.fails.lock().expect("lock") = Some(ArchiveFailure::Broken),
            Stays::CopyUnread(CENTRAL.into()),
        ),
        (
            "the copy is missing",
            |home, _| home.shelf.copies.lock().expect("lock").clear(),
            Stays::CopyWrong(CENTRAL.into()),
        ),
        (
            "a bit of the copy is wrong",
            |home, _| {
                home.shelf.copies.lock().expect("lock").get_mut("00001.log").expect("copy")[150_000] ^= 1
            },
            Stays::CopyWrong(CENTRAL.into()),
        ),
        (
            "the archive tells no more than a length",
            |home, _| home.shelf.lengths.store(true, Ordering::SeqCst),
            Stays::CopyWrong(CENTRAL.into()),
        ),
        (
            "it grew",
            |_, wire| wire.units[0].files.get_mut(&path("00001.log")).expect("file").push(0),
            Stays::Changed,
        ),
        ("its first bytes are others", |_, wire| flip(wire, 0), Stays::Differs),
        ("its last bytes are others", |_, wire| flip(wire, 299_999), Stays::Differs),
        (
            "the times say nothing, and its middle is another",
            |home, wire| {
                home.credible = false;
                flip(wire, 150_000);
            },
            Stays::Differs,
        ),
        (
            "no read begins at its end, and its middle is another",
            |_, wire| {
                wire.resumes = false;
                flip(wire, 150_000);
            },
            Stays::Differs,
        ),
        ("it is not there", |_, wire| drop(wire.units[0].files.remove(&path("00001.log"))), Stays::Changed),
    ];
    for (what, spoil, why) in cases {
        let (mut home, mut wire) = safe().await;
        spoil(&mut home, &mut wire);
        assert_eq!(home.first(&mut wire).await, Err(why), "{what}");
        assert!(wire.deleted.is_empty(), "{what}");
        let in_whole = what.contains("middle");
        assert_eq!(wire.opened > 0, in_whole, "{what}: what shows earlier is not read in whole");
    }
}

fn flip(wire: &mut Wire, at: usize) {
    wire.units[0].files.get_mut(&path("00001.log")).expect("file")[at] ^= 1;
}

#[tokio::test]
async fn what_is_known_by_its_ends_goes_after_it_was_read_in_whole_and_what_has_gaps_never() {
    for (right, why) in [(true, Ok(())), (false, Err(Stays::Differs))] {
        let (home, mut wire) = safe().await;
        let mut item = home.items().await.remove(0);
        item.presumed = true;
        if !right {
            flip(&mut wire, 150_000);
        }
        assert_eq!(home.try_one(&mut wire, &item).await, why);
    }
    let (home, mut wire) = safe().await;
    let mut item = home.items().await.remove(0);
    item.gapped = true;
    assert_eq!(home.try_one(&mut wire, &item).await, Err(Stays::Gapped));
}

#[tokio::test]
async fn neither_the_length_nor_the_channel_is_proof_enough_whatever_is_asked() {
    for proof in [Proof::None, Proof::Length, Proof::Secured] {
        let (mut home, mut wire) = safe().await;
        home.remove.proof = Proof::None;
        let mut item = home.items().await.remove(0);
        item.proof = proof;
        assert_eq!(home.try_one(&mut wire, &item).await, Err(Stays::Proof(proof)));
    }
}

#[tokio::test]
async fn at_least_one_archive_has_it_whatever_the_configuration_says() {
    let (mut home, mut wire) = safe().await;
    home.required.clear();
    let mut item = home.items().await.remove(0);
    item.copies.clear();
    assert_eq!(home.try_one(&mut wire, &item).await, Err(Stays::NoCopy(String::new())));
    home.shelf.copies.lock().expect("lock").clear();
    assert_eq!(home.first(&mut wire).await, Err(Stays::CopyWrong(CENTRAL.into())), "it is looked at too");
}

#[tokio::test]
async fn what_must_be_read_in_whole_gives_way_to_whoever_waits_for_the_airtime() {
    for (presumed, stays) in [(true, Some(Stays::GivesWay)), (false, None)] {
        let (home, mut wire) = safe().await;
        let mut item = home.items().await.remove(0);
        item.presumed = presumed;
        let policy = home.policy();
        let guard = home.guard(&policy);
        let copies = guard.copies(std::slice::from_ref(&item)).await;
        let cleared = guard.clear(&mut wire, &item, &copies, &mut 0, std::future::ready(())).await;
        assert_eq!(cleared.expect("no cut").err(), stays);
    }
}

#[tokio::test]
async fn a_copy_that_cannot_be_read_holds_back_its_own_file_alone() {
    let (mut home, mut wire) = safe().await;
    home.earlier.insert(path("00002.log"));
    *home.shelf.unreadable.lock().expect("lock") = Some("00001.log".into());
    let (policy, items) = (home.policy(), home.items().await);
    let guard = home.guard(&policy);
    let copies = guard.copies(&items).await;
    let mut outcomes = Vec::new();
    for item in &items {
        let idle = std::future::pending();
        outcomes.push(guard.clear(&mut wire, item, &copies, &mut 0, idle).await.expect("no cut").err());
    }
    assert_eq!(outcomes, [Some(Stays::CopyUnread(CENTRAL.into())), None]);
}

/// The machine sleeps for an hour and a second between two looks at it.
#[derive(Debug, Default)]
struct Slow(AtomicU64);

impl Clock for Slow {
    fn now(&self) -> Timestamp {
        time()
    }
    fn mono(&self) -> Duration {
        Duration::ZERO
    }
    fn boot(&self) -> Duration {
        Duration::from_secs(self.0.fetch_add(3601, Ordering::SeqCst))
    }
    fn sleep(&self, _: Duration) -> BoxFuture<'static, ()> {
        Box::pin(std::future::ready(()))
    }
}

#[tokio::test]
async fn a_look_at_an_archive_holds_for_an_hour() {
    let (mut home, mut wire) = safe().await;
    home.clock = Arc::new(Slow::default());
    assert_eq!(home.first(&mut wire).await, Err(Stays::Stale));
}

#[tokio::test]
async fn nothing_goes_whose_copy_is_owed_again_meanwhile() {
    let (home, _) = safe().await;
    let item = home.items().await.remove(0);
    home.ledger.wrong_elsewhere(&item.copies[0], "found wrong").await.expect("told");
    let intent = home.ledger.intend_removal(item.id, false, json!({})).await.expect("ledger");
    assert!(intent.is_none());
}
