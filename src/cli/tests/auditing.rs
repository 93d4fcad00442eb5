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
