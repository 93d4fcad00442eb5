//! The events of files that were archived long ago are folded, so that the ledger's size follows the
//! number of files and not the number of things that happened to them.
//!
//! What tells a file's story stays: listed, whole, proven, archived where, removed, what a person
//! decided. How the bytes came, step by step, becomes one row with counts.

use rusqlite::{OptionalExtension as _, params};
use serde_json::{Value, json};

use super::partials::lived;
use super::{Ledger, LedgerError, Tx};

/// Files that are archived longer than this, in ms of lived time: no jump of the clock deletes anything.
const AFTER_MS: i64 = 90 * 24 * 3600 * 1000;
/// What was reached so far: archived since (lived time), and the version.
const CURSOR: &str = "folded-by-lived-time";
/// The event in their place.
const FOLDED: &str = "folded";

/// What is folded, as a list of SQL.
const STEPS: &str = "('granted', 'marked', 'cut', 'may-be-written', 'closed', 'changed', 'claim-intended', 'stored', 'put-off')";

impl Ledger {
    /// Folds the events of the next files, `limit` at most; gives how many rows went.
    pub async fn fold(&self, limit: usize) -> Result<u64, LedgerError> {
        self.writer.ask(move |tx| fold(tx, limit)).await
    }
}

fn fold(tx: &Tx<'_>, limit: usize) -> Result<u64, LedgerError> {
    let cursor: Option<String> = tx
        .db
        .prepare_cached("SELECT value FROM meta WHERE key = ?")?
        .query_row([CURSOR], |row| row.get(0))
        .optional()?;
    let (at, id): (i64, i64) = match &cursor {
        Some(text) => serde_json::from_str(text).map_err(|_| LedgerError::Damaged(text.clone()))?,
        None => (i64::MIN, 0),
    };
    let mut statement = tx.db.prepare_cached(
        "SELECT safe, id FROM versions WHERE safe IS NOT NULL AND safe <= ?3
           AND safe >= ?1 AND (safe > ?1 OR id > ?2) ORDER BY safe, id LIMIT ?4",
    )?;
    let old: Vec<(i64, i64)> = statement
        .query_map(params![at, id, lived(tx.db)? - AFTER_MS, limit as i64], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?
        .collect::<Result<_, _>>()?;
    let Some(last) = old.last() else { return Ok(0) };
    tx.db.execute(
        "INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)",
        params![CURSOR, json!(last).to_string()],
    )?;
    let mut gone = 0;
    for (_, version) in &old {
        gone += fold_one(tx, *version)?;
    }
    Ok(gone)
}

fn fold_one(tx: &Tx<'_>, version: i64) -> Result<u64, LedgerError> {
    let mut statement = tx.db.prepare_cached(&format!(
        "SELECT what, count(*), min(id), min(at), max(at) FROM events WHERE version = ? AND what IN {STEPS} GROUP BY what"
    ))?;
    let mut counts = serde_json::Map::new();
    let (mut first, mut total, mut from, mut to) = (i64::MAX, 0, i64::MAX, i64::MIN);
    let mut rows = statement.query([version])?;
    while let Some(row) = rows.next()? {
        let count: i64 = row.get(1)?;
        counts.insert(row.get::<_, String>(0)?, count.into());
        total += count;
        first = first.min(row.get(2)?);
        from = from.min(row.get(3)?);
        to = to.max(row.get(4)?);
    }
    if total < 2 {
        return Ok(0);
    }
    tx.db
        .prepare_cached(&format!("DELETE FROM events WHERE version = ? AND what IN {STEPS} AND id <> ?"))?
        .execute(params![version, first])?;
    counts.insert("seconds".into(), ((to - from).max(0) / 1000).into());
    tx.db.prepare_cached("UPDATE events SET what = ?, detail = ? WHERE id = ?")?.execute(params![
        FOLDED,
        Value::Object(counts).to_string(),
        first
    ])?;
    Ok(total.unsigned_abs() - 1)
}
