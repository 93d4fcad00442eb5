//! Ledgers that are set aside and restored, with a power cut at any moment of it.

use rusqlite::config::DbConfig;

use super::super::mend::{Check, look_into};
use super::*;
use crate::durable::OsDisk;
use crate::hooked::Hooked;

/// A state folder whose ledger is damaged in its log alone, with one backup of before.
async fn damaged() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("dir");
    let ledger = Ledger::open(&Edges::real(), dir.path()).expect("ledger");
    ledger.logger("L-1", "PLOW-01").await.expect("row");
    let day = "2026-11-24".parse().expect("day");
    back_up(&OsDisk::new(), dir.path(), day, 1 << 30).expect("backup");
    ledger.logger("L-2", "PLOW-01").await.expect("row");
    // The thread ends after its last job, and folds the log into the database.
    let mut dead = ledger.dead();
    drop(ledger);
    while dead.changed().await.is_ok() {}
    let db = Connection::open(dir.path().join(FILE)).expect("open");
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).expect("set");
    db.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA wal_autocheckpoint = 0; PRAGMA writable_schema = ON;
         UPDATE sqlite_schema SET rootpage = 999999 WHERE name = 'versions';",
    )
    .expect("damaged");
    drop(db);
    assert!(std::fs::metadata(dir.path().join(format!("{FILE}-wal"))).is_ok_and(|log| log.len() > 0));
    dir
}

/// A row that an index knows as it was before, as after a log that was lost; a quick check does not see it.
fn row_behind_an_index(database: &Path) {
    let open = || {
        let db = Connection::open(database).expect("open");
        db.execute_batch("PRAGMA writable_schema = ON").expect("set");
        db
    };
    let index = "FROM sqlite_schema WHERE name = 'uptimes_last'";
    let db = open();
    db.execute_batch("INSERT INTO uptimes (began, last) VALUES (77, 77)").expect("row");
    let (root, sql): (i64, String) = db
        .query_row(&format!("SELECT rootpage, sql {index}"), [], |row| Ok((row.get(0)?, row.get(1)?)))
        .expect("index");
    db.execute(&format!("DELETE {index}"), []).expect("without the index");
    drop(db);
    let db = open();
    db.execute_batch("UPDATE uptimes SET last = 78 WHERE began = 77").expect("row");
    db.execute(
        "INSERT INTO sqlite_schema VALUES ('index', 'uptimes_last', 'uptimes', ?, ?)",
        rusqlite::params![root, sql],
    )
    .expect("with the index");
    drop(db);
    let said = |how: &str| open().query_row(how, [], |row| row.get::<_, String>(0)).expect("checked");
    assert_eq!(said("PRAGMA quick_check(1)"), "ok");
    assert_ne!(said("PRAGMA integrity_check(1)"), "ok");
}

fn copy_of(from: &Path) -> tempfile::TempDir {
    let to = tempfile::tempdir().expect("dir");
    let copied = std::process::Command::new("cp").arg("-a").arg(from.join(".")).arg(to.path()).status();
    assert!(copied.expect("cp").success());
    to
}

#[tokio::test]
async fn a_power_cut_while_a_ledger_is_set_aside_never_lets_an_older_part_of_it_be_the_ledger() {
    let template = damaged().await;
    for moment in 0.. {
        let dir = copy_of(template.path());
        let count = Arc::new(AtomicI64::new(moment));
        let left = count.clone();
        let cut = Hooked::new(move |op, _| {
            let changes = matches!(op, "create_new" | "rename" | "remove" | "flush_dir");
            match changes && left.fetch_sub(1, Ordering::SeqCst) <= 0 {
                true => Err(std::io::ErrorKind::Other.into()),
                false => Ok(()),
            }
        });
        let _ = mend(&cut, dir.path());
        let found = mend(&OsDisk::new(), dir.path()).expect("mended");
        let Found::Damaged { restored, aside, .. } = found else { panic!("at moment {moment}: {found:?}") };
        assert_eq!(restored.as_deref(), Some("000001-2026-11-24.sqlite"), "at moment {moment}");
        let aside = dir.path().join(aside.expect("kept"));
        assert!(aside.exists(), "at moment {moment}: what was damaged is kept");
        let ledger = Ledger::open(&Edges::real(), dir.path()).expect("ledger");
        assert_eq!(ledger.logger_names().await, Ok(vec!["L-1".into()]), "at moment {moment}");
        if count.load(Ordering::SeqCst) > 0 {
            assert!(moment > 4, "it has more moments than {moment}");
            break;
        }
    }
}

#[tokio::test]
async fn that_a_ledger_was_restored_is_known_until_it_has_said_so_itself() {
    let dir = damaged().await;
    let found = mend(&OsDisk::new(), dir.path()).expect("mended");
    assert!(matches!(found, Found::Damaged { .. }), "{found:?}");
    // A kill, before anybody said so.
    assert_eq!(mend(&OsDisk::new(), dir.path()), Ok(found));
    told(&OsDisk::new(), dir.path()).expect("told");
    assert_eq!(mend(&OsDisk::new(), dir.path()), Ok(Found::Sound));
    let anew = put_aside(&OsDisk::new(), dir.path()).expect("set aside");
    assert!(matches!(anew, Found::Anew { .. }), "{anew:?}");
    assert_eq!(
        mend(&OsDisk::new(), dir.path()),
        Ok(anew),
        "nor does a new one begin as if there had been none"
    );
}

#[tokio::test]
async fn a_backup_whose_indexes_are_damaged_is_not_restored() {
    let dir = damaged().await;
    let day = "2026-11-25".parse().expect("day");
    let (older, newer) = ("000001-2026-11-24.sqlite", "000002-2026-11-25.sqlite");
    let backups = dir.path().join("backups");
    let bytes = std::fs::read(backups.join(older)).expect("backup");
    std::fs::write(backups.join(newer), bytes).expect("copied");
    row_behind_an_index(&backups.join(newer));
    let found = mend(&OsDisk::new(), dir.path()).expect("mended");
    let Found::Damaged { restored, .. } = found else { panic!("{found:?}") };
    assert_eq!(restored.as_deref(), Some(older), "it would be found damaged again, for ever");
    // Nor does one come to be.
    row_behind_an_index(&dir.path().join(FILE));
    assert!(back_up(&OsDisk::new(), dir.path(), day, 1 << 30).is_err());
    told(&OsDisk::new(), dir.path()).expect("told");
    let found = mend(&OsDisk::new(), dir.path()).expect("mended");
    assert!(matches!(found, Found::Damaged { .. }), "and the next start sees to it: {found:?}");
}

#[tokio::test]
async fn where_every_backup_has_damaged_indexes_those_of_the_newest_are_made_anew() {
    let dir = damaged().await;
    let backup = dir.path().join("backups/000001-2026-11-24.sqlite");
    row_behind_an_index(&backup);
    let found = mend(&OsDisk::new(), dir.path()).expect("mended");
    let Found::Damaged { restored, .. } = found else { panic!("{found:?}") };
    assert_eq!(restored.as_deref(), Some("000001-2026-11-24.sqlite"), "not an empty one");
    assert!(matches!(look_into(&OsDisk::new(), &dir.path().join(FILE), Check::Indexes), Ok(1..)));
    let ledger = Ledger::open(&Edges::real(), dir.path()).expect("ledger");
    assert_eq!(ledger.logger_names().await, Ok(vec!["L-1".into()]));
}

#[tokio::test]
async fn a_mark_of_damage_is_believed_of_a_ledger_that_is_damaged_alone() {
    let dir = tempfile::tempdir().expect("dir");
    drop(Ledger::open(&Edges::real(), dir.path()).expect("ledger"));
    std::fs::write(dir.path().join("ledger.damaged"), "a copy of it was").expect("written");
    assert_eq!(mend(&OsDisk::new(), dir.path()), Ok(Found::Sound));
    assert!(!dir.path().join("ledger.damaged").exists(), "what is not true is not kept");
}

#[tokio::test]
async fn a_ledger_that_was_set_aside_and_never_restored_was_there() {
    let dir = tempfile::tempdir().expect("dir");
    std::fs::write(dir.path().join(format!("damaged-1-{FILE}")), "what it was").expect("written");
    let found = mend(&OsDisk::new(), dir.path()).expect("mended");
    assert!(matches!(found, Found::Damaged { restored: None, .. }), "{found:?}");
}

#[tokio::test]
async fn a_ledger_does_not_wait_for_receipts_of_an_archive_that_was_taken_out() {
    let desk = Desk::new().await;
    desk.archives(&[("one", true), ("two", false)]).await;
    desk.ledger
        .went_back(WentBack { why: "a test".into(), detail: json!({}), finding: None })
        .await
        .expect("said");
    desk.archives(&[("one", true)]).await;
    assert_eq!(desk.ledger.behind().await, Ok(vec!["one".into()]));
    desk.ledger.caught_up_with("one").await.expect("read");
    assert_eq!(desk.ledger.behind().await, Ok(vec![]));
    desk.archives(&[("one", true), ("two", false)]).await;
    assert_eq!(
        desk.ledger.behind().await,
        Ok(vec!["two".into()]),
        "it is still to be read when it comes back"
    );
}
