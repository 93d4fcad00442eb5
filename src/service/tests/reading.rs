//! What is read of files that nobody read while they came.

use super::*;

#[tokio::test]
#[expect(clippy::disallowed_methods, reason = "the ledger is lost")]
async fn a_file_adopted_after_its_ledger_was_lost_is_read_from_the_spool() {
    let depot = Depot::new("bit_rate = 250000").await;
    // The archive is away.
    std::fs::write(depot.dir.path().join("central"), "no folder").expect("written");
    let line = "(1436509052.249713) can0 044#2A366C2BBA\n";
    depot.add("00001.log", Content::bytes(line.repeat(3)), 1);
    depot.add("00002.log", Content::bytes(line.repeat(4_000)), 2);
    assert_eq!(depot.once().await.away.len(), 1);
    let frames = |depot: &Depot| -> Vec<u64> {
        let read = |row: &FileRow| depot.ledger().inspection(row.id).expect("ledger").expect("facts");
        depot.files().iter().map(read).map(|inspection| inspection.facts.frames).collect()
    };
    assert_eq!(frames(&depot), [3, 4_000]);
    let state = depot.dir.path().join("state");
    for file in ["ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"] {
        let _ = std::fs::remove_file(state.join(file));
    }
    depot.once().await;
    assert_eq!(frames(&depot), [3, 4_000]);
}

#[tokio::test]
#[expect(clippy::disallowed_methods, reason = "a copy is lost, and a power cut takes removals away")]
async fn files_that_came_back_leave_the_spool_once_their_copies_are_read_back_or_put_back() {
    let depot = Depot::new("").await;
    let (central, spool) = (depot.dir.path().join("central"), depot.dir.path().join("state/spool"));
    std::fs::write(&central, "no folder").expect("written");
    for n in 1..=2 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 100_000), n as i64);
    }
    depot.once().await;
    let lying: Vec<_> = std::fs::read_dir(&spool).expect("spool").map(|e| e.expect("entry").path()).collect();
    let lying: Vec<_> = lying.into_iter().map(|path| (std::fs::read(&path).expect("read"), path)).collect();
    std::fs::remove_file(&central).expect("removed");
    depot.once().await;
    let stored = depot.stored("central");
    assert_eq!(stored.len(), 2);
    let left = || std::fs::read_dir(&spool).expect("spool").count();
    assert_eq!(left(), 0);
    for (bytes, path) in &lying {
        std::fs::write(path, bytes).expect("written");
    }
    // Of one, the spool has the only bytes now.
    let lost = depot.ledger().copies("central", "", 1).expect("copies").remove(0).location;
    std::fs::remove_file(central.join(lost)).expect("lost");
    depot.once().await;
    assert_eq!(left(), 0, "not at the next start only");
    assert_eq!(depot.stored("central"), stored);
}

#[tokio::test]
async fn a_file_that_came_back_and_whose_copy_has_other_bytes_waits_for_a_repair() {
    let depot = Depot::new("").await;
    let (central, spool) = (depot.dir.path().join("central"), depot.dir.path().join("state/spool"));
    std::fs::write(&central, "no folder").expect("written");
    depot.add("00001.log", Content::noise(1, 100_000), 1);
    depot.once().await;
    let lying: Vec<_> = std::fs::read_dir(&spool).expect("spool").map(|e| e.expect("entry").path()).collect();
    let lying: Vec<_> = lying.into_iter().map(|path| (std::fs::read(&path).expect("read"), path)).collect();
    depot.disk.remove(&central).expect("removed");
    depot.once().await;
    for (bytes, path) in &lying {
        std::fs::write(path, bytes).expect("written");
    }
    let copy = central.join(depot.ledger().copies("central", "", 1).expect("copies").remove(0).location);
    std::fs::write(copy, "other bytes").expect("flipped");
    for _ in 0..2 {
        depot.once().await;
    }
    assert!(depot.findings().contains(&"archive-copy-wrong".to_owned()), "{:?}", depot.findings());
    let owed: Vec<_> = depot.ledger().owed_again("central").expect("owed").into_iter().collect();
    assert_eq!(owed.len(), 1, "an audit looks at it, and repairs it from the spool");
    assert_eq!(std::fs::read_dir(&spool).expect("spool").count(), lying.len(), "which has it still");
}
