//! Groups of one archive that are on their way at a time, and what leaves the spool between them.

use bytes::Bytes;
use serde_json::json;
use tokio::sync::{broadcast, oneshot};

use super::*;
use crate::ledger::{Mark, VersionId, WholeFacts};
use crate::model::{Edges as Ends, Look, Proof, RemotePath};
use crate::spool::{Finished, Finisher, Partial, Spool};

const ENOSPC: i32 = 28;

impl Depot {
    /// The states of all versions there are by now.
    fn reached(&self) -> Vec<State> {
        let query = ledger::read(&self.dir.path().join("state"));
        let mut all = Vec::new();
        let told = query.and_then(|query| {
            query.files(None, None, |row| {
                all.push(row.state);
                true
            })
        });
        told.map(|()| all).unwrap_or_default()
    }
}

/// The kinds of the receipts that an archive has of the logger.
fn receipts(depot: &Depot) -> Vec<String> {
    let folder = depot.dir.path().join("central/.yarder/receipts/L-0101");
    let mut kinds = Vec::new();
    for entry in depot.disk.read_dir(&folder, 100).expect("receipts") {
        let lines = std::fs::read_to_string(folder.join(entry.name)).expect("read");
        for line in lines.lines() {
            let receipt: serde_json::Value = serde_json::from_str(line).expect("json");
            kinds.push(receipt["kind"].as_str().expect("kind").to_owned());
        }
    }
    kinds.sort();
    kinds
}

#[tokio::test]
async fn a_content_that_comes_under_two_names_at_once_has_one_receipt_that_says_stored() {
    let depot = Depot::new("").await;
    for n in 1..4 {
        depot.add(&format!("0000{n}.log"), Content::noise(1, 5000), n);
    }
    // Whoever finds it claimed waits until another has archived it.
    let claim: &'static str = super::refusing::claim_on(1, 5000).leak();
    depot.disk.hung.set(Some(claim));
    let archived = async {
        while !depot.reached().contains(&State::Archived) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        depot.disk.hung.set(None);
    };
    tokio::join!(depot.once(), archived);
    assert_eq!(depot.reached(), [State::Archived; 3]);
    assert_eq!(receipts(&depot), ["alias", "alias", "stored"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn archived_files_leave_the_spool_while_the_archive_takes_no_more() {
    let depot = Depot::new("").await;
    depot.disk.refused.set("00002.log", ENOSPC);
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    while depot.files()[0].spool.is_some() {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log whole 5000"]);
    assert_eq!(depot.findings(), ["archive-full"]);
    until.cancel();
    service.await.expect("joined").expect("ends in order");
}

const BYTES: &[u8] = b"(1770000000.000000) can0 123#00";

fn finished(partial: Partial) -> Finished {
    let (sha256, blocks) = partial.hash().clone().finish();
    let facts = WholeFacts {
        id: VersionId(1),
        spool: partial.name.clone(),
        look: Look::default(),
        size: partial.len(),
        sha256,
        edges: Ends { head: sha256, tail: sha256 },
        blocks,
        proof: Proof::Length,
        extends: None,
        owed: Vec::new(),
        detail: json!({}),
    };
    Finished {
        partial,
        facts,
        logger: "L-0101".into(),
        vehicle: "PLOW-01".into(),
        path: RemotePath::new(b"00001.log").expect("path"),
        before: None,
        kept: false,
        answer: oneshot::channel().0,
    }
}

/// One that is in memory.
fn held(name: &str) -> Partial {
    let mut partial = Partial::new(name.into());
    partial.hold(&[Bytes::from_static(BYTES)]);
    partial
}

impl Depot {
    async fn spool(&self) -> Spool {
        let state = self.dir.path().join("state");
        Spool::open(self.edges(), &state, 1 << 30, 0).await.expect("spool")
    }

    fn finisher(&self, spool: &Spool) -> (Finisher, impl Future<Output = ()> + Send + use<>) {
        let ledger = Ledger::in_memory(&self.edges()).expect("ledger");
        Finisher::new(spool.clone(), ledger, broadcast::channel(1).0)
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn files_are_made_whole_while_others_are_flushed() {
    let depot = Depot::new("").await;
    let (finisher, work) = depot.finisher(&depot.spool().await);
    let work = tokio::spawn(work);
    depot.disk.hung.set(Some("spool"));
    for under_way in 1..3 {
        finisher.finish(finished(held(&format!("part-{under_way}")))).await;
        while depot.disk.hung.waiting.load(Ordering::SeqCst) < under_way {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
    depot.disk.hung.set(None);
    drop(finisher);
    work.await.expect("ends with its last sender");
}

#[tokio::test]
async fn a_group_is_flushed_by_the_file_that_was_opened_first() {
    let depot = Depot::new("").await;
    let spool = depot.spool().await;
    let (finisher, work) = depot.finisher(&spool);
    let mut old = Partial::new("old".into());
    old.append(&*depot.disk, &spool, &[Bytes::from_static(BYTES)]).expect("written");
    finisher.finish(finished(held("young"))).await;
    finisher.finish(finished(old)).await;
    drop(finisher);
    depot.disk.hung.passed.lock().expect("lock").clear();
    work.await;
    let flushed = depot.disk.hung.passed.lock().expect("lock").clone();
    let first = flushed[0].file_name().expect("name").to_string_lossy().into_owned();
    assert_eq!(first, "old.part", "it alone is told of every write that failed since: {flushed:?}");
}

#[tokio::test]
async fn the_name_of_a_partial_without_a_mark_is_flushed_with_its_first() {
    // As a write that failed leaves it: it is in the folder, and nobody flushed that.
    let depot = Depot::new("").await;
    let spool = depot.spool().await;
    let folder = depot.dir.path().join("state/spool");
    std::fs::write(folder.join("part.part"), b"").expect("laid");
    let opened = Partial::reopen(&*depot.disk, &spool, "part", &Mark::default()).expect("opened");
    let (mut partial, _) = opened.expect("good");
    partial.append(&*depot.disk, &spool, &[Bytes::from_static(BYTES)]).expect("written");
    partial.flush(&*depot.disk, &spool).expect("flushed");
    assert!(depot.disk.hung.passed.lock().expect("lock").contains(&folder));
}
