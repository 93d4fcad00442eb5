//! What a migration makes of what an older ledger holds.

use rusqlite::params;

use super::*;

#[test]
fn an_older_ledger_learns_since_when_its_files_wait_and_which_version_has_their_copies() {
    let mut db = Connection::open_in_memory().expect("db");
    db.execute_batch(&schema::MIGRATIONS[..12].concat()).expect("as it was");
    db.pragma_update(None, "user_version", 12).expect("version");
    db.execute_batch(
        "INSERT INTO meta (key, value) VALUES ('lived', '5000');
         INSERT INTO loggers (id, name, vehicle) VALUES (1, 'L-1', 'PLOW-01');
         INSERT INTO cards (id, logger, number, began, why) VALUES (1, 1, 1, 0, 'first met');",
    )
    .expect("rows");
    for (id, state, same) in
        [(1, "gone", None), (2, "removed", Some(1)), (3, "archived", Some(2)), (4, "whole", None)]
    {
        db.execute(
            "INSERT INTO versions (id, logger, card, path, number, vehicle, state, listed, listed_at, still, same_as)
             VALUES (?1, 1, 1, ?2, 1, 'PLOW-01', ?3, '', 0, 0, ?4)",
            params![id, [id as u8], state, same],
        )
        .expect("row");
    }
    schema::migrate(&mut db).expect("brought up");
    let mut rows = db.prepare("SELECT safe, same_as FROM versions ORDER BY id").expect("statement");
    let rows: Vec<(Option<i64>, Option<i64>)> =
        rows.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).and_then(Iterator::collect).expect("rows");
    assert_eq!(rows, [(None, None), (None, Some(1)), (Some(5000), Some(1)), (None, None)]);
}
