//! The event log: one row for everything that happens to a file, in the transaction in which it
//! happens.

use rusqlite::{ToSql, params};
use serde_json::Value;

use super::state::{Duty, Happening, State, Step, Written, next, next_duty, next_written};
use super::{Ledger, LedgerError, Tx, VersionId};

/// Something that happened to a logger, an archive or the depot, beside the happenings of files.
#[derive(Debug, Clone)]
pub struct Logged {
    /// The logger's row, where it concerns one.
    pub logger: Option<i64>,
    /// The version, where it concerns one.
    pub version: Option<VersionId>,
    /// A word or two with dashes.
    pub what: &'static str,
    /// A JSON object.
    pub detail: Value,
}

/// One row of the log.
#[derive(Debug, Clone, PartialEq)]
pub struct EventRow {
    /// Its number; later ones are larger.
    pub id: i64,
    /// When, in milliseconds.
    pub at: i64,
    /// What.
    pub what: String,
    /// A JSON object.
    pub detail: Value,
}

impl Ledger {
    /// Adds a row; its commit is not waited for.
    pub fn log(&self, logged: Logged) -> Result<(), LedgerError> {
        self.writer.tell(move |tx| event(tx, logged.version, logged.logger, logged.what, &logged.detail))
    }
}

pub(super) fn event(
    tx: &Tx<'_>,
    version: Option<VersionId>,
    logger: Option<i64>,
    what: &str,
    detail: &Value,
) -> Result<(), LedgerError> {
    tx.db
        .prepare_cached("INSERT INTO events (at, version, logger, what, detail) VALUES (?, ?, ?, ?, ?)")?
        .execute(params![tx.now, version.map(|v| v.0), logger, what, detail.to_string()])?;
    Ok(())
}

/// Changes a version's state: the only place that does. Gives the new state.
pub(super) fn advance(
    tx: &Tx<'_>,
    id: VersionId,
    by: Happening,
    detail: &Value,
) -> Result<State, LedgerError> {
    advance_with(tx, id, by, detail, "", &[])
}

/// The same, and sets further columns in one go: `set` begins with a comma and numbers its values
/// from 3.
pub(super) fn advance_with(
    tx: &Tx<'_>,
    id: VersionId,
    by: Happening,
    detail: &Value,
    set: &str,
    values: &[&dyn ToSql],
) -> Result<State, LedgerError> {
    advance_by(tx, id, &[(by, detail)], set, values)
}

/// The same for what happens in one go.
pub(super) fn advance_by(
    tx: &Tx<'_>,
    id: VersionId,
    all: &[(Happening, &Value)],
    set: &str,
    values: &[&dyn ToSql],
) -> Result<State, LedgerError> {
    let (text, logger, written): (String, i64, Written) = tx
        .db
        .prepare_cached("SELECT state, logger, open, ahead FROM versions WHERE id = ?")?
        .query_row([id.0], |row| {
            Ok((row.get(0)?, row.get(1)?, Written { open: row.get(2)?, ahead: row.get(3)? }))
        })?;
    let from = State::parse(&text).ok_or_else(|| LedgerError::Damaged(format!("state `{text}`")))?;
    let (mut to, mut after) = (from, written);
    for (by, _) in all {
        to = next(to, *by)?;
        after = next_written(after, to, *by);
    }
    let open = match after == written {
        true => String::new(),
        false => format!(", open = {}, ahead = {}", u8::from(after.open), u8::from(after.ahead)),
    };
    if to != from || after != written || !set.is_empty() {
        let state = to.as_str();
        let values = [&[&id.0 as &dyn ToSql, &state], values].concat();
        tx.db
            .prepare_cached(&format!("UPDATE versions SET state = ?2{open}{set} WHERE id = ?1"))?
            .execute(&*values)?;
    }
    for (by, detail) in all {
        event(tx, Some(id), Some(logger), by.as_str(), detail)?;
    }
    Ok(to)
}

/// Changes an obligation's state: the only place that does.
pub(super) fn advance_duty(
    tx: &Tx<'_>,
    id: VersionId,
    archive: &str,
    by: Step,
    detail: &Value,
) -> Result<Duty, LedgerError> {
    advance_duty_with(tx, id, archive, by, detail, "", &[])
}

/// The same, and sets further columns in one go: `set` begins with a comma and numbers its values
/// from 5.
pub(super) fn advance_duty_with(
    tx: &Tx<'_>,
    id: VersionId,
    archive: &str,
    by: Step,
    detail: &Value,
    set: &str,
    values: &[&dyn ToSql],
) -> Result<Duty, LedgerError> {
    let (text, logger): (String, i64) = tx
        .db
        .prepare_cached(
            "SELECT o.state, v.logger FROM obligations o JOIN versions v ON v.id = o.version
             WHERE o.version = ? AND o.archive = ?",
        )?
        .query_row(params![id.0, archive], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let from = Duty::parse(&text).ok_or_else(|| LedgerError::Damaged(format!("obligation `{text}`")))?;
    let to = next_duty(from, by)?;
    let state = to.as_str();
    let all = [&[&id.0 as &dyn ToSql, &archive, &state, &tx.now], values].concat();
    tx.db
        .prepare_cached(&format!(
            "UPDATE obligations SET state = ?3, at = ?4{set} WHERE version = ?1 AND archive = ?2"
        ))?
        .execute(&*all)?;
    event(tx, Some(id), Some(logger), by.as_str(), detail)?;
    Ok(to)
}
