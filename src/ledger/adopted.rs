//! Whole files of the spool that the ledger does not know to be whole: what it learns from their records.

use rusqlite::{OptionalExtension as _, params};
use serde_json::json;

use super::archives::wanted_archives;
use super::events::{advance, advance_duty, advance_duty_with};
use super::exchange::{state_of, tell_lost};
use super::findings::{ENDED_BY_COMING_HOME, clear_of_file};
use super::listings::{Seen, logger_row, new_version};
use super::state::{Duty, Happening, State, Step};
use super::versions::{owe, whole};
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::spool::Record;

/// What became of a whole file of the spool that the ledger did not know to be whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Adopted {
    /// It is whole in the ledger now, and lies where the ledger was told.
    Whole,
    /// The ledger has the same content of that name, and its bytes elsewhere in the spool, or it waits
    /// for a person: nothing was changed.
    Known,
    /// A person dropped that content, or it is archived and lies there for the sake of others alone:
    /// nothing was changed.
    Done,
}

impl Ledger {
    /// A whole file of the spool that the ledger does not know to be whole: by its own row, or, when
    /// the ledger was lost or restored, by that of its name on the present card or a new one. Where it
    /// would lie there `anyway`, since others lie in the same file, that says nothing against what the
    /// ledger calls archived.
    pub async fn adopt_file(&self, record: &Record, anyway: bool) -> Result<Adopted, LedgerError> {
        let record = record.clone();
        self.writer.ask(move |tx| adopt(tx, &record, anyway)).await
    }
}

fn adopt(tx: &Tx<'_>, record: &Record, anyway: bool) -> Result<Adopted, LedgerError> {
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
        let id = VersionId(id);
        let home = [State::Archived, State::Gone, State::Removing, State::Removed];
        if anyway && home.contains(&state_of(tx, id)?) && !is_owed(tx, id)? {
            return Ok(Adopted::Done);
        }
        return Ok(again(tx, id, &record.name)?.unwrap_or(Adopted::Known));
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
/// not been whole. It is a source of its copies then. Where the ledger calls them verified, a power cut
/// took the removal of the file away, or the ledger is older than what has happened since, and the file
/// may be the last copy: they are read back before it goes.
pub(super) fn again(tx: &Tx<'_>, id: VersionId, spool: &str) -> Result<Option<Adopted>, LedgerError> {
    let lies: Option<String> = tx
        .db
        .prepare_cached("SELECT spool FROM versions WHERE id = ?")?
        .query_row([id.0], |row| row.get(0))?;
    let state = state_of(tx, id)?;
    Ok(match state {
        State::Dropped => Some(Adopted::Done),
        // What it may have there is a partial.
        State::Lost => Some(in_doubt(tx, id, state, spool)?),
        State::Whole | State::Archived | State::Gone | State::Removing | State::Removed => match lies {
            None => Some(in_doubt(tx, id, state, spool)?),
            Some(lies) if lies == spool => Some(Adopted::Whole),
            Some(_) => Some(Adopted::Known),
        },
        _ => None,
    })
}

/// Every archive is to show its copy of a file that turned up in the spool.
fn in_doubt(tx: &Tx<'_>, id: VersionId, state: State, spool: &str) -> Result<Adopted, LedgerError> {
    const WHY: &str = "the spool has the file";
    tx.db.execute(
        "UPDATE versions SET spool = ?, mark = 0, hash = NULL, gaps = NULL WHERE id = ?",
        params![spool, id.0],
    )?;
    let archives = wanted_archives(tx)?;
    let detail = json!({ "why": WHY });
    for (archive, _) in &archives {
        match duty_of(tx, id, archive)? {
            Some(Duty::Verified) => {
                // Its place and its receipt stay, so that manifests name it meanwhile.
                let (detail, set) = (json!({ "archive": archive, "why": WHY }), ", tries = 0, after = 0");
                advance_duty_with(tx, id, archive, Step::InDoubt, &detail, set, &[])?;
            }
            Some(Duty::Missing) => {
                let detail = json!({ "archive": archive, "why": WHY });
                advance_duty(tx, id, archive, Step::Again, &detail)?;
            }
            // One that waits for its proof is owed to none.
            None if state == State::Whole => {}
            _ => owe(tx, id, archive)?,
        }
    }
    match state {
        State::Archived if archives.iter().any(|(_, required)| *required) => {
            advance(tx, id, Happening::OwedAgain, &detail)?;
        }
        State::Lost => {
            advance(tx, id, Happening::ContentTurnedUp, &detail)?;
            clear_of_file(tx, id, None, ENDED_BY_COMING_HOME)?;
        }
        _ => {}
    }
    if state == State::Lost {
        let logger = tx.db.query_row("SELECT logger FROM versions WHERE id = ?", [id.0], |row| row.get(0))?;
        archives.iter().try_for_each(|(archive, _)| tell_lost(tx, archive, logger))?;
    }
    Ok(Adopted::Whole)
}

/// Whether a copy of it needs a source.
fn is_owed(tx: &Tx<'_>, id: VersionId) -> Result<bool, LedgerError> {
    let open = "SELECT 1 FROM obligations WHERE version = ? AND state NOT IN ('verified', 'waived')";
    Ok(tx.db.prepare_cached(open)?.exists([id.0])?)
}

fn duty_of(tx: &Tx<'_>, id: VersionId, archive: &str) -> Result<Option<Duty>, LedgerError> {
    let mut statement =
        tx.db.prepare_cached("SELECT state FROM obligations WHERE version = ? AND archive = ?")?;
    let text: Option<String> = statement.query_row(params![id.0, archive], |row| row.get(0)).optional()?;
    text.map(|text| Duty::parse(&text).ok_or(LedgerError::Damaged(text))).transpose()
}
