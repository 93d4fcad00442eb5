//! The archives are read again by themselves, and what differs is told.

use super::*;
use crate::audit::{Audit, Counts, Kept, Progress, WHOLE};
use crate::service::{Parts, audits};

const WEEK: i64 = 7 * 24 * 3600;

/// The service's parts, with every archive attached.
async fn parts(depot: &Depot, config: Config) -> Parts {
    let dialer = Arc::new(NetDialer::new(depot.clock.clone()));
    let stop = CancellationToken::new();
    let parts =
        Parts::build(depot.edges(), dialer, crate::progress::Progress::default(), config, "test", stop)
            .await
            .expect("parts");
    for archive in &parts.yard.config.borrow().archives.clone() {
        parts.forwarder(archive).expect("forwarder").attach(true).await.expect("attached");
    }
    parts
}

/// Every copy is read.
fn all_of(depot: &Depot) -> Config {
    let mut config = depot.config();
    config.audit.sample = 1000;
    config
}

/// Does the next piece as a service that then is killed.
async fn piece(depot: &Depot) -> Kept {
    let parts = parts(depot, all_of(depot)).await;
    audits::goes_on(&parts.yard).await.expect("goes on");
    let text = parts.yard.ledger.audit("central").await.expect("asked").expect("noted");
    Kept::parse(&text).expect("as it was written")
}

async fn audit(depot: &Depot) -> Counts {
    loop {
        let kept = piece(depot).await;
        if kept.running.is_none() {
            return kept.last.expect("ended").counts;
        }
    }
}

async fn with_three_files() -> Depot {
    let depot = Depot::new("").await;
    for n in 1..4 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 5000), n as i64);
    }
    depot.once().await;
    depot
}

#[tokio::test]
async fn an_audit_is_made_when_it_is_due_and_one_that_was_missed_once() {
    let depot = with_three_files().await;
    assert_eq!(
        piece(&depot).await.running,
        None,
        "what was due before the archive was known is not made up for"
    );
    // Several moments pass while the service is down.
    depot.pass(3 * WEEK);
    assert_eq!(audit(&depot).await, Counts { copies: 3, bytes: 15_000, ..Counts::default() });
    assert_eq!(piece(&depot).await.running, None, "once");
    assert!(depot.findings().is_empty(), "{:?}", depot.findings());
}

#[tokio::test]
async fn what_an_audit_finds_is_told_once_and_ends_when_it_is_over() {
    let depot = with_three_files().await;
    piece(&depot).await;
    let places: Vec<_> = depot.ledger().copies("central", "", 9).expect("copies");
    let at = |n: usize| depot.dir.path().join("central").join(&places[n].location);
    let mut bytes = std::fs::read(at(0)).expect("read");
    bytes[7] ^= 1;
    std::fs::write(at(0), bytes).expect("flipped");
    depot.disk.remove(&at(1)).expect("gone");
    let foreign = at(2).with_file_name("foreign");
    std::fs::write(&foreign, "nobody here stored this").expect("written");
    let told = ["archive-copy-wrong", "archive-copy-wrong", "archive-foreign"];
    for _ in 0..2 {
        depot.pass(WEEK);
        let counts = audit(&depot).await;
        assert_eq!((counts.copies, counts.differences()), (3, 3), "{counts:?}");
        assert_eq!((counts.flipped, counts.missing, counts.foreign), (1, 1, 1));
        let mut found = depot.findings();
        found.sort();
        assert_eq!(found, told);
        let archived = depot.files().iter().filter(|file| file.state == State::Archived).count();
        assert_eq!(archived, 1, "what is not there as it was stored is not archived");
    }
    depot.disk.remove(&foreign).expect("moved elsewhere");
    depot.pass(WEEK);
    audit(&depot).await;
    assert_eq!(depot.findings(), &told[..2]);
}

#[tokio::test]
async fn a_copy_that_cannot_be_read_holds_up_no_audit() {
    let depot = with_three_files().await;
    piece(&depot).await;
    let place = depot.ledger().copies("central", "", 1).expect("copies").remove(0).location;
    depot.disk.refused.set(place.rsplit('/').next().expect("name"), 5);
    depot.pass(WEEK);
    let counts = audit(&depot).await;
    assert_eq!((counts.copies, counts.flipped), (3, 1), "{counts:?}");
}

#[tokio::test]
async fn what_another_depot_stored_is_for_that_one_to_judge() {
    let depot = with_three_files().await;
    let mut config = depot.config();
    config.depot.name = "south-yard".into();
    config.depot.state_dir = depot.dir.path().join("sister");
    std::fs::create_dir(&config.depot.state_dir).expect("state");
    let sister = parts(&depot, config.clone()).await;
    let archive = sister.yard.archives.get("central").expect("in use");
    let (edges, state) = (depot.edges(), config.depot.state_dir.clone());
    let of = ("central", &*archive);
    let mut audit = Audit::new(&edges, &state, of, &config.depot.name, Progress::new(WHOLE, 1));
    while !audit.progress.is_over() {
        audit.step().await.expect("goes on");
    }
    assert_eq!(audit.progress.counts, Counts::default());
}

#[tokio::test]
async fn a_wrong_copy_that_has_its_receipt_is_looked_at_again_after_a_while() {
    let depot = with_three_files().await;
    piece(&depot).await;
    let place = depot.ledger().copies("central", "", 1).expect("copies").remove(0).location;
    let place = depot.dir.path().join("central").join(place);
    let right = std::fs::read(&place).expect("read");
    std::fs::write(&place, "other bytes").expect("flipped");
    depot.pass(WEEK);
    audit(&depot).await;
    depot.once().await;
    let due = async || {
        let ledger = Ledger::open(&depot.edges(), &depot.dir.path().join("state")).expect("ledger");
        ledger.due("central", [].into_iter(), 9).await.expect("due").len()
    };
    assert_eq!(due().await, 0, "and not each minute");
    std::fs::write(&place, right).expect("as it was");
    depot.pass(3600);
    depot.once().await;
    assert_eq!(depot.states().iter().filter(|state| state.contains("archived")).count(), 3);
    assert!(depot.findings().is_empty(), "{:?}", depot.findings());
}
