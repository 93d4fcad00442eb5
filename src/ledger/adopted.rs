//! Whole files of the spool that the ledger does not know to be whole: what it learns from their records.

use rusqlite::{OptionalExtension as _, params};

use super::findings::ENDED_BY_COMING_HOME;
use super::listings::{Seen, logger_row, new_version};
use super::state::{Happening, State};
use super::versions::whole;
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::spool::Record;

/// What became of a whole file of the spool that the ledger did not know to be whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Adopted {
    /// It is whole in the ledger now, and lies where the ledger was told.
    Whole,
    /// The ledger has the same content of that name, not archived yet: nothing was changed.
    Known,
    /// The ledger has the same content of that name, archived or dropped: nothing was changed.
    Done,
}

impl Ledger {
    /// A whole file of the spool that the ledger does not know to be whole: by its own row, or, when
    /// the ledger was lost or restored, by that of its name on the present card or a new one.
    pub async fn adopt_file(&self, record: &Record) -> Result<Adopted, LedgerError> {
        let record = record.clone();
        self.writer.ask(move |tx| adopt(tx, &record)).await
    }
}

fn adopt(tx: &Tx<'_>, record: &Record) -> Result<Adopted, LedgerError> {
    let damaged = || LedgerError::Damaged(format!("the record of spool file {}", record.name));
    let path = record.path().ok_or_else(damaged)?;
    let mut facts = record.facts(VersionId(0)).ok_or_else(damaged)?;
    // Another ledger may have given the number to another file.
    let own: Option<i64> = tx
        .db
        .query_row(
            "SELECT v.id FROM versions v JOIN loggers l ON l.id = v.logger
             WHERE v.id = ?1 AND v.path = ?2 AND l.name = ?3 AND v.state IN ('listed', 'open', 'fetching')
               AND (v.spool IS ?4 OR v.size IS ?5)",
            params![record.version, path.as_bytes(), record.logger, record.part, facts.size as i64],
            |row| row.get(0),
        )
        .optional()?;
    if let Some(id) = own {
        facts.id = VersionId(id);
        let of_its_name = "SELECT 1 FROM versions v JOIN versions e ON e.card = v.card AND e.path = v.path
          WHERE v.id = ? AND e.id = ?";
        if let Some(extends) = facts.extends
            && !tx.db.prepare_cached(of_its_name)?.exists([id, extends.0])?
        {
            facts.extends = None;
        }
        return whole(tx, &facts, Happening::BecameWhole, ENDED_BY_COMING_HOME);
    }
    let logger = logger_row(tx, &record.logger, &record.vehicle)?;
    let known: Option<i64> = tx
        .db
        .query_row(
            "SELECT id FROM versions WHERE logger = ? AND path = ? AND sha256 = ?
             ORDER BY state IN ('archived', 'gone', 'removing', 'removed', 'dropped') DESC,
               state = 'whole' AND spool IS NULL DESC LIMIT 1",
            params![logger.key, path.as_bytes(), facts.sha256.0],
            |row| row.get(0),
        )
        .optional()?;
    if let Some(id) = known {
        return Ok(again(tx, VersionId(id), &record.name)?.unwrap_or(Adopted::Known));
    }
    let waiting: Option<i64> = tx
        .db
        .query_row(
            "SELECT id FROM versions WHERE card = ? AND path = ? AND size = ? AND state IN ('listed', 'open', 'fetching')
             ORDER BY number DESC LIMIT 1",
            params![logger.card, path.as_bytes(), facts.size as i64],
            |row| row.get(0),
        )
        .optional()?;
    facts.id = match waiting {
        Some(id) => VersionId(id),
        None => {
            let seen = Seen { path, listed: String::new(), look: facts.look.clone() };
            new_version(tx, &logger, &record.vehicle, &seen, false, None, "adopted from the spool")?
        }
    };
    // What lies on its card besides is no old stock.
    tx.db.execute(
        "UPDATE loggers SET first_met = coalesce(first_met, ?) WHERE id = ?",
        params![tx.now, logger.key],
    )?;
    facts.extends = None;
    whole(tx, &facts, Happening::BecameWhole, ENDED_BY_COMING_HOME)
}

/// A file that has been whole came to lie in the spool once more, under this name; `None` where it has
/// not been whole. One that is owed again after it was let go has a source then.
pub(super) fn again(tx: &Tx<'_>, id: VersionId, spool: &str) -> Result<Option<Adopted>, LedgerError> {
    let (state, lies): (String, Option<String>) = tx
        .db
        .prepare_cached("SELECT state, spool FROM versions WHERE id = ?")?
        .query_row([id.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(match State::parse(&state).ok_or(LedgerError::Damaged(state))? {
        State::Whole if lies.as_deref().is_none_or(|lies| lies == spool) => {
            tx.db.execute("UPDATE versions SET spool = ? WHERE id = ?", params![spool, id.0])?;
            Some(Adopted::Whole)
        }
        State::Whole => Some(Adopted::Known),
        State::Archived | State::Gone | State::Removing | State::Removed | State::Dropped => {
            Some(Adopted::Done)
        }
        _ => None,
    })
}
