//! What keeps a ledger for years: its files, its backups, and events within bounds.

use super::*;

#[tokio::test]
async fn nobody_but_owner_and_group_can_read_what_lies_in_the_state_folder() {
    use std::os::unix::fs::PermissionsExt as _;
    let dir = tempfile::tempdir().expect("dir");
    let _lock = lock::take(&crate::durable::OsDisk::new(), dir.path(), "run").expect("free");
    let ledger = Ledger::open(&Edges::real(), dir.path()).expect("ledger");
    ledger.logger("L-0101", "PLOW-01").await.expect("written");
    let mut modes = Vec::new();
    for entry in std::fs::read_dir(dir.path()).expect("read") {
        let entry = entry.expect("entry");
        let mode = entry.metadata().expect("stat").permissions().mode() & 0o777;
        modes.push((entry.file_name().to_string_lossy().into_owned(), mode));
    }
    assert!(modes.len() >= 4, "the lock, the ledger and its two files: {modes:?}");
    assert!(modes.iter().all(|(_, mode)| mode & 0o137 == 0), "{modes:?}");
}

#[tokio::test]
async fn events_of_files_archived_long_ago_are_folded_and_the_story_stays() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true)]).await;
    let id = desk.whole("a", &["one"]).await;
    let kept = Kept { id, location: "a".into(), seq: 1, verified: "disk-read", folder: None, note: "" };
    desk.ledger.intend("one", vec![(id, "a".into(), "a~1".into(), "a".into())]).await.expect("intended");
    desk.ledger.stored("one", vec![(id, "a".into(), "a".into(), false)]).await.expect("stored");
    desk.ledger.verified("one", vec![kept], Vec::new()).await.expect("verified");
    let story = async || {
        let all = desk.ledger.writer.ask(move |tx| {
            let mut statement = tx.db.prepare("SELECT what FROM events WHERE version = ? ORDER BY id")?;
            Ok(statement.query_map([id.0], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?)
        });
        all.await.expect("events")
    };
    let before = story().await;
    assert_eq!(desk.ledger.fold(100).await, Ok(0), "it is young");
    desk.clock.0.fetch_add(91 * 24 * 3600, Ordering::SeqCst);
    assert_eq!(desk.ledger.fold(100).await, Ok(0), "a clock that jumped is no time that was lived");
    desk.ledger.lived(Duration::from_secs(91 * 24 * 3600)).expect("lived");
    assert_eq!(desk.ledger.fold(100).await, Ok(2), "{before:?}");
    assert_eq!(story().await, ["listed", "folded", "became-whole", "verified", "archived"]);
    assert_eq!(desk.ledger.fold(100).await, Ok(0), "once");
}

#[tokio::test]
async fn backups_are_whole_and_stay_within_their_limit() {
    let dir = tempfile::tempdir().expect("dir");
    let (edges, disk) = (Edges::real(), OsDisk::new());
    let ledger = Ledger::open(&edges, dir.path()).expect("ledger");
    let names = || -> Vec<String> {
        let all = backups(&disk, dir.path()).expect("backups");
        all.iter().map(|b| b.path.file_name().expect("name").to_string_lossy().into_owned()).collect()
    };
    let mut len = 0;
    for (n, day) in ["2026-11-24", "2026-11-25", "1980-01-01"].iter().enumerate() {
        ledger.logger(&format!("L-{n}"), "PLOW-01").await.expect("row");
        len = back_up(&disk, dir.path(), day.parse().expect("day"), 3 * len.max(1 << 20)).expect("made").len;
    }
    assert_eq!(names(), ["000001-2026-11-24.sqlite", "000002-2026-11-25.sqlite", "000003-1980-01-01.sqlite"]);
    back_up(&disk, dir.path(), "2026-11-26".parse().expect("day"), 2 * len).expect("made");
    assert_eq!(names(), ["000003-1980-01-01.sqlite", "000004-2026-11-26.sqlite"], "the oldest go, by number");
    let refused = back_up(&disk, dir.path(), "2026-11-27".parse().expect("day"), len - 1);
    assert!(matches!(refused, Err(BackupError::Limit { .. })), "{refused:?}");
    assert_eq!(names().len(), 2, "and nothing goes for one that does not fit");
    drop(ledger);
    // The newest cannot be read: the one before is taken.
    std::fs::write(dir.path().join("backups/000004-2026-11-26.sqlite"), "no database").expect("written");
    std::fs::write(
        dir.path().join(FILE),
        "no database either, but longer than a header of a hundred bytes".repeat(9),
    )
    .expect("written");
    let found = mend(&disk, dir.path()).expect("mended");
    let Found::Damaged { restored, aside, .. } = found else { panic!("{found:?}") };
    assert_eq!(restored.as_deref(), Some("000003-1980-01-01.sqlite"));
    assert!(dir.path().join(aside.expect("kept")).exists());
    told(&disk, dir.path()).expect("told");
    assert_eq!(mend(&disk, dir.path()), Ok(Found::Sound));
    let ledger = Ledger::open(&edges, dir.path()).expect("ledger");
    assert_eq!(ledger.logger_names().await, Ok(vec!["L-0".into(), "L-1".into(), "L-2".into()]));
}

#[tokio::test]
async fn what_sqlite_calls_corrupt_in_use_ends_the_ledger_and_the_next_start_sets_it_aside() {
    let dir = tempfile::tempdir().expect("dir");
    let (edges, disk) = (Edges::real(), OsDisk::new());
    let ledger = Ledger::open(&edges, dir.path()).expect("ledger");
    let corrupt = || LedgerError::Corrupt("database disk image is malformed".into());
    let said = ledger.writer.ask(move |_| Err::<(), _>(corrupt())).await;
    assert_eq!(said, Err(corrupt()));
    assert!(ledger.dead().borrow().is_some());
    assert!(ledger.settled().await.is_err(), "nothing more is written into it");
    let mut dead = ledger.dead();
    drop(ledger);
    while dead.changed().await.is_ok() {}
    // What it came upon is there.
    std::fs::write(dir.path().join(FILE), "what is no database".repeat(999)).expect("damaged");
    let found = mend(&disk, dir.path()).expect("mended");
    assert!(matches!(found, Found::Damaged { restored: None, .. }), "{found:?}");
}
