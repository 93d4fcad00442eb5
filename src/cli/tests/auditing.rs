//! An audit that was interrupted.

use super::*;
use crate::archive::{Archive as _, FileArchive};
use crate::audit::{Audit, Progress, WHOLE};

/// What an audit has reached that read both copies, as it lies in the state folder.
async fn interrupted(depot: &Depot, began: Timestamp) -> PathBuf {
    let edges = Edges::real();
    let (state, root) = (depot.dir.path().join("state"), depot.dir.path().join("archive"));
    let archive = FileArchive::new(edges.clone(), root, 0o640, std::time::Duration::from_secs(60));
    archive.accept(&archive.identify().await.expect("read").expect("there"));
    let progress = Progress::new(WHOLE, 1);
    let mut audit = Audit::new(&edges, &state, ("central", &archive), "north-yard", progress);
    while audit.progress.counts.copies < 2 {
        audit.step().await.expect("read");
    }
    let place = state.join("audit-central.json");
    let mark = json!({ "began": began, "progress": audit.progress, "repaired": 0 });
    std::fs::write(&place, mark.to_string()).expect("written");
    place
}

#[tokio::test]
async fn an_interrupted_audit_goes_on_where_it_was() {
    let depot = Depot::new().await;
    depot.night().await;
    let place = interrupted(&depot, Edges::real().clock.now()).await;
    // Behind its back, and it has passed that place.
    std::fs::write(depot.archive("logs/1.log"), "flipped").expect("flipped");
    std::fs::write(depot.archive("stray.txt"), "stray").expect("written");
    let (end, text) = depot.run(&["audit"]).await;
    assert_eq!(end.expect("done"), Outcome::NeedsPerson);
    assert!(text.contains("goes on with the audit of"), "{text}");
    assert!(text.contains("Copies read: 2.") && text.contains("stray.txt"), "{text}");
    assert!(!text.contains("logs/1.log"), "{text}");
    assert!(!place.exists(), "it is over");
    let (_, text) = depot.run(&["audit"]).await;
    assert!(text.contains("logs/1.log") && !text.contains("goes on"), "{text}");
}

#[tokio::test]
async fn an_audit_of_another_share_an_old_one_or_anew_begins_at_the_beginning() {
    let depot = Depot::new().await;
    depot.night().await;
    let (now, day) = (Edges::real().clock.now(), jiff::SignedDuration::from_hours(24));
    for (args, began) in [
        (vec!["audit", "--anew"], now),
        (vec!["audit", "--sample", "50%"], now),
        (vec!["audit"], now - day * 8),
        (vec!["audit"], now + day),
    ] {
        interrupted(&depot, began).await;
        let (_, text) = depot.run(&args).await;
        assert!(!text.contains("goes on"), "{args:?} {text}");
    }
}

#[tokio::test]
async fn what_an_audit_reached_is_written_down_when_the_archive_fails() {
    let depot = Depot::new().await;
    depot.night().await;
    let place = interrupted(&depot, Edges::real().clock.now()).await;
    let kept = std::fs::read(&place).expect("there");
    // Nothing is there any more.
    let (from, to) = (depot.dir.path().join("archive"), depot.dir.path().join("elsewhere"));
    Edges::real().disk.rename(&from, &to).expect("taken away");
    let (end, _) = depot.run(&["audit"]).await;
    assert!(end.is_err());
    assert_eq!(std::fs::read(&place).expect("there"), kept);
}

#[tokio::test]
async fn a_receipt_that_names_another_files_place_says_nothing_against_that_file() {
    let depot = Depot::new().await;
    depot.night().await;
    let (state, bytes) = (depot.dir.path().join("state"), content("logs/1.log"));
    let sha256 = Digest::of(&bytes);
    let query = ledger::read(&state).expect("ledger");
    let id = query.copies_at("central", "logs/1.log").expect("copies")[0].id;
    // The spool has it, so that a repair has a source.
    let lies = crate::spool::lies_in(&state, &query.in_spool(sha256).expect("names")[0]);
    std::fs::create_dir_all(lies.path.parent().expect("parent")).expect("folder");
    std::fs::write(&lies.path, &bytes).expect("written");
    depot.ledger.found_wrong("central", id, "a test".into()).await.expect("owed again");
    let damaged = crate::ledger::ReceiptRow {
        seq: 99,
        line: 0,
        key: sha256.hex(),
        kind: "stored".into(),
        path: "logs/1.log".into(),
        location: "logs/2.log".into(),
        depot: "north-yard".into(),
    };
    depot.ledger.adopt_receipts("central", "L-0401", vec![damaged], Vec::new(), false).await.expect("read");
    let claim = json!({
        "schema": 1, "key": sha256.hex(), "sha256": sha256.hex(), "size": bytes.len(), "k0": "logs/1.log",
        "k1": crate::archive::mark("logs/1.log", &sha256.short()), "big": false, "vehicle": "PLOW-01",
        "logger": "L-0401", "path": "logs/1.log", "depot": "north-yard",
    });
    let place = depot.archive(&format!(".yarder/claims/L-0401/{}", sha256.hex()));
    std::fs::create_dir_all(place.parent().expect("parent")).expect("folder");
    std::fs::write(place, claim.to_string()).expect("written");
    let (_, text) = depot.run(&["audit", "--repair"]).await;
    assert!(!text.contains("logs/2.log"), "{text}");
    assert_eq!(std::fs::read(depot.archive("logs/2.log")).expect("there"), content("logs/2.log"));
}
