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

impl Depot {
    /// Archived files that lie in the spool again: a power cut took their removal away. Gives how many lie there.
    async fn come_back(&self, files: u64) -> usize {
        let (central, spool) = (self.dir.path().join("central"), self.dir.path().join("state/spool"));
        std::fs::write(&central, "no folder").expect("written");
        for n in 1..=files {
            self.add(&format!("0000{n}.log"), Content::noise(n, 100_000), n as i64);
        }
        self.once().await;
        let lying = std::fs::read_dir(&spool).expect("spool").map(|e| e.expect("entry").path());
        let lying: Vec<_> = lying.map(|path| (std::fs::read(&path).expect("read"), path)).collect();
        self.disk.remove(&central).expect("removed");
        self.once().await;
        assert_eq!((self.stored("central").len() as u64, self.in_spool()), (files, 0));
        for (bytes, path) in &lying {
            std::fs::write(path, bytes).expect("written");
        }
        lying.len()
    }

    fn in_spool(&self) -> usize {
        std::fs::read_dir(self.dir.path().join("state/spool")).expect("spool").count()
    }

    /// Where the first copy stands.
    fn a_copy(&self) -> std::path::PathBuf {
        let location = self.ledger().copies("central", "", 1).expect("copies").remove(0).location;
        self.dir.path().join("central").join(location)
    }
}

#[tokio::test]
async fn files_that_came_back_leave_the_spool_once_their_copies_are_read_back_or_put_back() {
    let depot = Depot::new("").await;
    depot.come_back(2).await;
    let stored = depot.stored("central");
    // Of one, the spool has the only bytes now.
    depot.disk.remove(&depot.a_copy()).expect("lost");
    depot.once().await;
    assert_eq!(depot.in_spool(), 0, "not at the next start only");
    assert_eq!(depot.stored("central"), stored);
}

#[tokio::test]
async fn a_file_that_came_back_and_whose_copy_has_other_bytes_waits_for_a_repair() {
    let depot = Depot::new("").await;
    let lying = depot.come_back(1).await;
    std::fs::write(depot.a_copy(), "other bytes").expect("flipped");
    for _ in 0..2 {
        depot.once().await;
    }
    assert!(depot.findings().contains(&"archive-copy-wrong".to_owned()), "{:?}", depot.findings());
    let owed = depot.ledger().owed_again("central").expect("owed");
    assert_eq!(owed.len(), 1, "an audit looks at it, and repairs it from the spool");
    assert_eq!(depot.in_spool(), lying, "which has it still");
}
