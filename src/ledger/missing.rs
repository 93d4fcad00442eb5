//! Copies that an archive misses, and whose content turns up after all.

use rusqlite::{OptionalExtension as _, params};
use serde_json::json;

use super::archives::wanted_archives;
use super::events::{advance, advance_duty};
use super::exchange::{owe_all, reach, reached, state_of, tell_lost};
use super::findings::{ENDED_BY_COMING_HOME, clear_of_file};
use super::state::{Happening, State, Step};
use super::{Ledger, LedgerError, Tx, VersionId};

/// Versions that are looked at in a piece.
const PIECE: i64 = 50_000;

fn looks_again(archive: &str) -> String {
    format!("looks-again:{archive}")
}

/// An archive came into the configuration: what the others miss may stand there.
pub(super) fn came_in(tx: &Tx<'_>, archives: &[(String, bool)]) -> Result<(), LedgerError> {
    archives.iter().try_for_each(|(name, _)| reach(tx, &looks_again(name), Some(0)))
}

impl Ledger {
    /// What an archive misses is looked for once more since another archive came back, a piece at a time.
    /// Gives whether there is more to look at, and the names of partials that are of no more use. Goes on
    /// after a restart where it was.
    pub async fn look_again(&self, archive: &str) -> Result<(bool, Vec<String>), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let key = looks_again(&archive);
                let Some(after) = reached(tx, &key)? else { return Ok((false, Vec::new())) };
                let to = after.saturating_add(PIECE);
                let wanted = json!(wanted_archives(tx)?.into_iter().map(|(name, _)| name).collect::<Vec<_>>());
                let mut statement = tx.db.prepare_cached(
                    "SELECT o.version, v.logger, (SELECT c.version FROM versions w JOIN obligations c ON c.version = w.id
                         WHERE w.sha256 = v.sha256 AND c.state = 'verified'
                           AND c.archive IN (SELECT value FROM json_each(?4)) LIMIT 1) AS there
                     FROM obligations o JOIN versions v ON v.id = o.version
                     WHERE o.version > ?1 AND o.version <= ?2 AND o.archive = ?3 AND o.state = 'missing'
                       AND v.state NOT IN ('listed', 'open', 'fetching') AND there IS NOT NULL",
                )?;
                let missing: Vec<(i64, i64, i64)> = statement
                    .query_map(params![after, to, archive, wanted.to_string()], |row| {
                        Ok((row.get(0)?, row.get(1)?, row.get(2)?))
                    })?
                    .collect::<Result<_, _>>()?;
                let mut freed = Vec::new();
                for (version, logger, there) in missing {
                    found_again(tx, VersionId(version), &archive, logger, VersionId(there), &mut freed)?;
                }
                let more = tx.db.prepare_cached("SELECT 1 FROM versions WHERE id > ?")?.exists([to])?;
                reach(tx, &key, more.then_some(to))?;
                Ok((true, freed))
            })
            .await
    }
}

/// A copy of a content is verified: what is missing of the same content can be had now. Not of a file
/// that is being fetched: it may turn out to be another by now. What had come of a lost one is of no more
/// use; the names of such partials are added to `freed`.
pub(super) fn turned_up(tx: &Tx<'_>, id: VersionId, freed: &mut Vec<String>) -> Result<(), LedgerError> {
    let mut statement = tx.db.prepare_cached(
        "SELECT o.version, o.archive, v.logger FROM versions w JOIN versions v ON v.sha256 = w.sha256
         JOIN obligations o ON o.version = v.id
         WHERE w.id = ? AND o.state = 'missing' AND v.state NOT IN ('listed', 'open', 'fetching')",
    )?;
    let missing: Vec<(i64, String, i64)> = statement
        .query_map([id.0], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect::<Result<_, _>>()?;
    missing.into_iter().try_for_each(|(version, archive, logger)| {
        found_again(tx, VersionId(version), &archive, logger, id, freed)
    })
}

/// A copy that was missing is owed again, since another version has that content.
fn found_again(
    tx: &Tx<'_>,
    version: VersionId,
    archive: &str,
    logger: i64,
    there: VersionId,
    freed: &mut Vec<String>,
) -> Result<(), LedgerError> {
    advance_duty(tx, version, archive, Step::Again, &json!({ "archive": archive, "as": there.0 }))?;
    if state_of(tx, version)? == State::Lost {
        advance(tx, version, Happening::ContentTurnedUp, &json!({ "as": there.0 }))?;
        clear_of_file(tx, version, None, ENDED_BY_COMING_HOME)?;
        owe_all(tx, version)?;
        freed.extend(without_partial(tx, version)?);
    }
    tell_lost(tx, archive, logger)
}

/// A version has no partial any more; gives the name of the one that it had.
fn without_partial(tx: &Tx<'_>, id: VersionId) -> Result<Option<String>, LedgerError> {
    let name = tx
        .db
        .prepare_cached("SELECT spool FROM versions WHERE id = ?")?
        .query_row([id.0], |row| row.get(0))?;
    tx.db.execute(
        "UPDATE versions SET spool = NULL, mark = 0, hash = NULL, gaps = NULL WHERE id = ?",
        [id.0],
    )?;
    Ok(name)
}

/// Whether the content of a file that is lost now stands in an archive all the same, under another name
/// or from another card: then it is not lost.
pub(super) fn is_elsewhere(tx: &Tx<'_>, id: VersionId, freed: &mut Vec<String>) -> Result<bool, LedgerError> {
    let there: Option<i64> = tx
        .db
        .prepare_cached(
            "SELECT w.id FROM versions v JOIN versions w ON w.sha256 = v.sha256 JOIN obligations o ON o.version = w.id
             WHERE v.id = ? AND o.state = 'verified' LIMIT 1",
        )?
        .query_row([id.0], |row| row.get(0))
        .optional()?;
    let Some(there) = there else { return Ok(false) };
    turned_up(tx, VersionId(there), freed)?;
    Ok(state_of(tx, id)? != State::Lost)
}
