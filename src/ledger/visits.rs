//! Visits and the service's own up-time.

use std::time::Duration;

use rusqlite::{OptionalExtension as _, params};

use super::{Ledger, LedgerError, air};

/// What happened within a visit so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct VisitCounts {
    /// Listings taken.
    pub listings: u64,
    /// Files that became whole.
    pub files: u64,
    /// Bytes delivered, overlaps and restarts included.
    pub bytes: u64,
    /// Of which delivered before.
    pub twice: u64,
    /// Transfers cut.
    pub cuts: u64,
    /// The time that transfers took.
    pub took: Duration,
}

impl Ledger {
    /// A visit begins, with its first listing; gives its key.
    pub async fn begin_visit(&self, logger: i64) -> Result<i64, LedgerError> {
        self.writer
            .ask(move |tx| {
                tx.db
                    .prepare_cached("INSERT INTO visits (logger, began, listings) VALUES (?, ?, 1)")?
                    .execute(params![logger, tx.now])?;
                Ok(tx.db.last_insert_rowid())
            })
            .await
    }

    /// What a visit has come to; `ended` says how it ended, once it did.
    pub fn visit(&self, visit: i64, counts: VisitCounts, ended: Option<String>) -> Result<(), LedgerError> {
        self.writer
            .tell(move |tx| {
                air::came(tx, visit, &counts)?;
                tx.db
                    .prepare_cached(
                        "UPDATE visits SET listings = ?2, files = ?3, bytes = ?4, twice = ?5, cuts = ?6, why = ?7,
                           ended = iif(?7 IS NULL, NULL, ?8), took = ?9 WHERE id = ?1",
                    )?
                    .execute(params![
                        visit,
                        counts.listings as i64,
                        counts.files as i64,
                        counts.bytes as i64,
                        counts.twice as i64,
                        counts.cuts as i64,
                        ended,
                        tx.now,
                        i64::try_from(counts.took.as_millis()).unwrap_or(i64::MAX),
                    ])?;
                Ok(())
            })
    }

    /// Yarder runs and cannot see, for the reason given: `network` or `clock`. Gives the key of the
    /// span, which is handed in again for as long as that lasts. `from` is its first moment, ms, where
    /// that is not now.
    pub async fn blind(
        &self,
        why: &'static str,
        key: Option<i64>,
        from: Option<i64>,
    ) -> Result<i64, LedgerError> {
        self.writer
            .ask(move |tx| match key {
                Some(key) => {
                    tx.db.execute("UPDATE blind SET last = ? WHERE id = ?", params![tx.now, key])?;
                    Ok(key)
                }
                None => {
                    let from = from.unwrap_or(tx.now).min(tx.now);
                    let row = params![why, from, tx.now];
                    tx.db.execute("INSERT INTO blind (why, began, last) VALUES (?, ?, ?)", row)?;
                    Ok(tx.db.last_insert_rowid())
                }
            })
            .await
    }

    /// The last moment, ms, at which Yarder is known to have run.
    pub async fn last_alive(&self) -> Result<Option<i64>, LedgerError> {
        let newest = "SELECT last FROM uptimes ORDER BY id DESC LIMIT 1";
        self.writer.ask(move |tx| Ok(tx.db.query_row(newest, [], |row| row.get(0)).optional()?)).await
    }

    /// The service runs; called at start (gives the key) and then every minute.
    pub async fn alive(&self, key: Option<i64>) -> Result<i64, LedgerError> {
        self.writer
            .ask(move |tx| match key {
                Some(key) => {
                    tx.db.execute("UPDATE uptimes SET last = ? WHERE id = ?", params![tx.now, key])?;
                    Ok(key)
                }
                None => {
                    tx.db.execute("INSERT INTO uptimes (began, last) VALUES (?1, ?1)", [tx.now])?;
                    Ok(tx.db.last_insert_rowid())
                }
            })
            .await
    }
}
