//! Partials that nobody works on: how long they have waited, by lived time, and in which order they
//! make room.
//!
//! Lived time is what the service has run, by its monotonic clock. A wall clock that jumps ends no
//! wait, and neither does time in which nothing could have come back.

use std::time::Duration;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use serde_json::json;

use super::listings::path_of;
use super::state::State;
use super::{Ledger, LedgerError, VersionId};
use crate::model::RemotePath;

/// A partial that nobody works on now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Idle {
    /// The version.
    pub id: VersionId,
    /// Its name in the spool.
    pub spool: String,
    /// Where the version stands.
    pub state: State,
    /// Its durable bytes.
    pub mark: u64,
    /// The logger.
    pub logger: String,
    /// The vehicle that carried it.
    pub vehicle: String,
    /// The path on the logger.
    pub path: RemotePath,
}

/// Which versions have a partial rather than a whole file in the spool.
const PARTIAL: &str = "v.spool IS NOT NULL AND v.state IN ('listed', 'open', 'skipped', 'fetching', 'lost')";
const IDLE: &str = "SELECT v.id, v.spool, v.mark, l.name, v.vehicle, v.path, v.state FROM versions v JOIN loggers l ON l.id = v.logger";

impl Ledger {
    /// The service has lived so long since it said so last. Not waited for.
    pub fn lived(&self, span: Duration) -> Result<(), LedgerError> {
        let span = i64::try_from(span.as_millis()).unwrap_or(i64::MAX);
        self.writer.tell(move |tx| {
            let lived = lived(tx.db)?.saturating_add(span);
            tx.db.execute(
                "INSERT INTO meta (key, value) VALUES ('lived', ?1) ON CONFLICT (key) DO UPDATE SET value = ?1",
                [lived.to_string()],
            )?;
            Ok(())
        })
    }

    /// Partials of lost files, and of loggers that are not on the list, begin to wait; those of others
    /// no longer do. Gives those that have waited `keep` of lived time.
    pub async fn waited(&self, listed: Vec<String>, keep: Duration) -> Result<Vec<Idle>, LedgerError> {
        let keep = i64::try_from(keep.as_millis()).unwrap_or(i64::MAX);
        self.writer
            .ask(move |tx| {
                let lived = lived(tx.db)?;
                let listed = json!(listed).to_string();
                let waits = format!(
                    "({PARTIAL} AND (v.state = 'lost' OR v.logger NOT IN
                       (SELECT id FROM loggers WHERE name IN (SELECT value FROM json_each(?1)))))"
                );
                tx.db.execute(
                    &format!("UPDATE versions AS v SET waits = ?2 WHERE v.waits IS NULL AND {waits}"),
                    params![listed, lived],
                )?;
                tx.db.execute(
                    &format!("UPDATE versions AS v SET waits = NULL WHERE v.spool IS NOT NULL AND v.waits IS NOT NULL AND NOT {waits}"),
                    [listed],
                )?;
                let mut statement = tx.db.prepare_cached(&format!(
                    "{IDLE} WHERE {PARTIAL} AND v.waits <= ?1 ORDER BY l.name, v.id"
                ))?;
                idle(&mut statement.query([lived.saturating_sub(keep)])?)
            })
            .await
    }

    /// All partials, those of the vehicle first that has been away for longest, and of each vehicle
    /// those last that its card overwrites first.
    pub async fn partials(&self) -> Result<Vec<Idle>, LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(&format!(
                    "{IDLE} WHERE {PARTIAL} ORDER BY
                       (SELECT max(m.last_seen) FROM loggers m WHERE m.vehicle = l.vehicle), l.vehicle, v.id DESC"
                ))?;
                idle(&mut statement.query([])?)
            })
            .await
    }

    /// Whether a partial still stands as it did.
    pub async fn is_still(&self, idle: &Idle) -> Result<bool, LedgerError> {
        let idle = idle.clone();
        self.writer
            .ask(move |tx| {
                let mut same = tx
                    .db
                    .prepare_cached("SELECT 1 FROM versions WHERE id = ? AND spool = ? AND state = ?")?;
                Ok(same.exists(params![idle.id.0, idle.spool, idle.state.as_str()])?)
            })
            .await
    }

    /// Bytes of whole files that leave the spool by themselves: once an archive has them, or already.
    pub async fn leaving(&self) -> Result<u64, LedgerError> {
        self.writer
            .ask(move |tx| {
                let bytes: i64 = tx.db.query_row(
                    "SELECT coalesce(sum(v.size), 0) FROM versions v WHERE v.spool IS NOT NULL
                       AND (v.state IN ('archived', 'removing', 'removed', 'gone', 'dropped') OR (v.state = 'whole' AND EXISTS
                         (SELECT 1 FROM obligations o WHERE o.version = v.id AND o.state IN ('owed', 'claimed', 'stored'))))",
                    [],
                    |row| row.get(0),
                )?;
                Ok(bytes.max(0).unsigned_abs())
            })
            .await
    }
}

/// Lived time, ms.
pub(super) fn lived(db: &Connection) -> Result<i64, LedgerError> {
    let text: Option<String> = db
        .prepare_cached("SELECT value FROM meta WHERE key = 'lived'")?
        .query_row([], |row| row.get(0))
        .optional()?;
    match text {
        Some(text) => text.parse().map_err(|_| LedgerError::Damaged(format!("lived time `{text}`"))),
        None => Ok(0),
    }
}

fn idle(rows: &mut rusqlite::Rows<'_>) -> Result<Vec<Idle>, LedgerError> {
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        all.push(one(row)?);
    }
    Ok(all)
}

fn one(row: &Row<'_>) -> Result<Idle, LedgerError> {
    let (path, state): (Vec<u8>, String) = (row.get(5)?, row.get(6)?);
    Ok(Idle {
        state: State::parse(&state).ok_or(LedgerError::Damaged(state))?,
        id: VersionId(row.get(0)?),
        spool: row.get(1)?,
        mark: row.get::<_, i64>(2)?.max(0) as u64,
        logger: row.get(3)?,
        vehicle: row.get(4)?,
        path: path_of(&path)?,
    })
}
