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
