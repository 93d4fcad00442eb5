//! An archive that was exchanged: what its forerunner held is owed again, and what is known of where
//! the bytes still are.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension as _, params};
use serde_json::json;

use super::archives::wanted_archives;
use super::copies::forget_audit;
use super::events::{advance, advance_duty, advance_duty_with, advance_with, event};
use super::findings::{clear, raise};
use super::listings::{digest_of, path_of};
use super::state::{Happening, State, Step};
use super::versions::owe;
use super::{Finding, Ledger, LedgerError, Severity, Tx, VersionId};
use crate::model::{Digest, RemotePath};

/// A copy is stored anew, and not looked for where it was.
const NOWHERE: &str =
    ", k0 = NULL, k1 = NULL, location = NULL, folded = NULL, shared = 0, seq = NULL, verified = NULL,
   tries = 0, after = 0";
const EXCHANGED: &str = "the archive was exchanged";
/// Files that a finding names.
const NAMED: usize = 20;

/// A verified copy of a content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Elsewhere {
    /// In which archive.
    pub archive: String,
    /// Of which version.
    pub id: VersionId,
    /// Where it stands.
    pub location: String,
}

impl Ledger {
    /// Accepts an archive: its first use, or a person's `adopt`. What was read of another archive's
    /// receipts under that name is forgotten; what was verified there is owed again, at once where the
    /// spool still has it, and otherwise by [`Ledger::owe_again`].
    pub async fn accept_archive(&self, name: &str, place: &str, uuid: &str) -> Result<(), LedgerError> {
        let (name, place, uuid) = (name.to_owned(), place.to_owned(), uuid.to_owned());
        self.writer
            .ask(move |tx| {
                let before: Option<String> = tx
                    .db
                    .query_row("SELECT uuid FROM archives WHERE name = ?", [&name], |row| row.get(0))
                    .optional()?;
                tx.db.execute(
                    "INSERT INTO archives (name, place, uuid) VALUES (?1, ?2, ?3)
                     ON CONFLICT (name) DO UPDATE SET place = ?2, uuid = ?3",
                    params![name, place, uuid],
                )?;
                tx.db.execute("UPDATE obligations SET after = 0 WHERE archive = ? AND after > 0", [&name])?;
                let detail = json!({ "archive": name, "place": place, "id": uuid, "before": before });
                event(tx, None, None, "archive-accepted", &detail)?;
                match before {
                    Some(before) if before != uuid => exchanged(tx, &name),
                    _ => Ok(()),
                }
            })
            .await
    }

    /// The next copies of an exchanged archive's forerunner are owed again, `limit` at most. Gives
    /// whether there were any. Goes on after a restart where it was.
    pub async fn owe_again(&self, archive: &str, limit: usize) -> Result<bool, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let key = cursor(&archive);
                let Some(after) = reached(tx, &key)? else { return Ok(false) };
                let mut statement = tx.db.prepare_cached(
                    "SELECT version FROM obligations WHERE version > ? AND archive = ? AND state = 'verified'
                     ORDER BY version LIMIT ?",
                )?;
                let ids: Vec<i64> = statement
                    .query_map(params![after, archive, limit as i64], |row| row.get(0))?
                    .collect::<Result<_, _>>()?;
                again(tx, &archive, &ids, Step::Exchanged, EXCHANGED)?;
                reach(tx, &key, ids.last().copied())?;
                Ok(!ids.is_empty())
            })
            .await
    }

    /// Verified copies of a content in the other archives of the configuration.
    pub async fn copies_elsewhere(
        &self,
        archive: &str,
        sha256: Digest,
    ) -> Result<Vec<Elsewhere>, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let wanted = wanted_archives(tx)?;
                let mut statement = tx.db.prepare_cached(
                    "SELECT o.archive, o.version, o.location FROM versions v JOIN obligations o ON o.version = v.id
                     WHERE v.sha256 = ? AND o.archive <> ? AND o.state = 'verified' AND o.location IS NOT NULL",
                )?;
                let copies = statement.query_map(params![sha256.0, archive], |row| {
                    Ok(Elsewhere { archive: row.get(0)?, id: VersionId(row.get(1)?), location: row.get(2)? })
                })?;
                let mut copies: Vec<Elsewhere> = copies.collect::<Result<_, _>>()?;
                copies.retain(|copy| wanted.iter().any(|(name, _)| *name == copy.archive));
                Ok(copies)
            })
            .await
    }

    /// A verified copy is not what it should be: it is owed again, unless it is already, and a finding
    /// says so.
    pub async fn wrong_elsewhere(&self, copy: &Elsewhere, why: &'static str) -> Result<(), LedgerError> {
        let copy = copy.clone();
        self.writer
            .ask(move |tx| {
                let verified = tx
                    .db
                    .prepare_cached(
                        "SELECT 1 FROM obligations WHERE version = ? AND archive = ? AND state = 'verified'",
                    )?
                    .exists(params![copy.id.0, copy.archive])?;
                if !verified {
                    return Ok(());
                }
                again(tx, &copy.archive, &[copy.id.0], Step::FoundWrong, why)?;
                tell_wrong(tx, &copy, why)
            })
            .await
    }

    /// Neither the spool nor another archive has the bytes of these copies. What the logger has is to be
    /// fetched again, where it is on the list (`listed`); the rest is lost, and a finding says so.
    pub async fn no_source(
        &self,
        archive: &str,
        ids: Vec<VersionId>,
        listed: Vec<String>,
    ) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let mut loggers = BTreeSet::new();
                let listed = json!(listed).to_string();
                for id in ids {
                    loggers.extend(no_source(tx, &archive, id, &listed)?);
                }
                loggers.into_iter().try_for_each(|logger| tell_lost(tx, &archive, logger))
            })
            .await
    }
}

fn cursor(archive: &str) -> String {
    format!("exchanged:{archive}")
}

/// Behind which version a walk over all of them goes on; `None` where it is over.
pub(super) fn reached(tx: &Tx<'_>, key: &str) -> Result<Option<i64>, LedgerError> {
    let text: Option<String> = tx
        .db
        .prepare_cached("SELECT value FROM meta WHERE key = ?")?
        .query_row([key], |row| row.get(0))
        .optional()?;
    text.map(|text| text.parse().map_err(|_| LedgerError::Damaged(format!("{key} {text}")))).transpose()
}

/// A walk has come so far, or is over.
pub(super) fn reach(tx: &Tx<'_>, key: &str, to: Option<i64>) -> Result<(), LedgerError> {
    match to {
        Some(to) => tx.db.execute(
            "INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)",
            params![key, to.to_string()],
        )?,
        None => tx.db.execute("DELETE FROM meta WHERE key = ?", [key])?,
    };
    Ok(())
}

fn exchanged(tx: &Tx<'_>, archive: &str) -> Result<(), LedgerError> {
    tx.db.execute("DELETE FROM receipts WHERE archive = ?", [archive])?;
    tx.db.execute("DELETE FROM manifests WHERE archive = ?", [archive])?;
    // Claims were made in the old one; and what the spool has may leave it no more.
    let mut statement = tx.db.prepare(
        "SELECT o.version FROM obligations o JOIN versions v ON v.id = o.version WHERE o.archive = ?
           AND (o.state IN ('claimed', 'stored', 'blocked', 'missing') OR (o.state = 'verified' AND v.spool IS NOT NULL))",
    )?;
    let ids: Vec<i64> = statement.query_map([archive], |row| row.get(0))?.collect::<Result<_, _>>()?;
    again(tx, archive, &ids, Step::Exchanged, EXCHANGED)?;
    reach(tx, &cursor(archive), Some(0))?;
    // What was reached of an audit was reached in the old one.
    forget_audit(tx, archive)
}

fn again(tx: &Tx<'_>, archive: &str, ids: &[i64], by: Step, why: &str) -> Result<(), LedgerError> {
    let required = wanted_archives(tx)?.iter().any(|(name, required)| name == archive && *required);
    for id in ids {
        let id = VersionId(*id);
        owed_anew(tx, id, archive, by, why)?;
        if required && state_of(tx, id)? == State::Archived {
            advance(tx, id, Happening::OwedAgain, &json!({ "archive": archive }))?;
            owe_all(tx, id)?;
        }
    }
    Ok(())
}

/// A file that is whole once more is owed to every archive of the configuration: one may have come in
/// since it was archived.
pub(super) fn owe_all(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    wanted_archives(tx)?.iter().try_for_each(|(archive, _)| owe(tx, id, archive))
}

/// A copy that was there is to be stored anew.
pub(super) fn owed_anew(
    tx: &Tx<'_>,
    id: VersionId,
    archive: &str,
    by: Step,
    why: &str,
) -> Result<(), LedgerError> {
    let detail = json!({ "archive": archive, "why": why });
    advance_duty_with(tx, id, archive, by, &detail, NOWHERE, &[]).map(drop)
}

pub(super) fn state_of(tx: &Tx<'_>, id: VersionId) -> Result<State, LedgerError> {
    let text: String = tx
        .db
        .prepare_cached("SELECT state FROM versions WHERE id = ?")?
        .query_row([id.0], |row| row.get(0))?;
    State::parse(&text).ok_or(LedgerError::Damaged(text))
}

/// Gives the logger, where the file is lost.
fn no_source(tx: &Tx<'_>, archive: &str, id: VersionId, listed: &str) -> Result<Option<i64>, LedgerError> {
    advance_duty(tx, id, archive, Step::NoSource, &json!({ "archive": archive }))?;
    // The same content, on the logger's card now or on its way from there.
    let there: Option<(i64, String)> = tx
        .db
        .prepare_cached(
            "SELECT c.id, c.state FROM versions v JOIN versions c ON c.sha256 = v.sha256 AND c.logger = v.logger
             WHERE v.id = ?1 AND c.absent IS NULL
               AND v.logger IN (SELECT id FROM loggers WHERE name IN (SELECT value FROM json_each(?2)))
               AND (c.state IN ('listed', 'open', 'fetching') OR c.state IN ('archived', 'whole') AND c.spool IS NULL)
               AND c.card = (SELECT id FROM cards WHERE logger = v.logger ORDER BY number DESC LIMIT 1)
             ORDER BY c.id = ?1 DESC, c.id DESC LIMIT 1",
        )?
        .query_row(params![id.0, listed], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    if let Some((there, state)) = &there {
        if matches!(State::parse(state), Some(State::Archived | State::Whole)) {
            fetch_again(tx, VersionId(*there), archive, id)?;
        }
        if *there == id.0 {
            return Ok(None);
        }
    }
    lost(tx, id, archive, there.map(|(there, _)| there))
}

/// A file that its logger has is to be fetched again, for the sake of a version that has no source.
pub(super) fn fetch_again(
    tx: &Tx<'_>,
    there: VersionId,
    archive: &str,
    of: VersionId,
) -> Result<(), LedgerError> {
    let detail = json!({ "archive": archive, "for": of.0 });
    let set = ", presumed = 0, mark = 0, hash = NULL, furthest = 0";
    advance_with(tx, there, Happening::FetchAgain, &detail, set, &[]).map(drop)
}

/// A version that an archive misses and that nobody else has is lost; gives its logger then. Whether one
/// whose removal has begun is still on its logger tells the next listing.
pub(super) fn lost(
    tx: &Tx<'_>,
    id: VersionId,
    archive: &str,
    perhaps_as: Option<i64>,
) -> Result<Option<i64>, LedgerError> {
    // An archive that was taken out of the configuration has it still.
    let out = tx
        .db
        .prepare_cached(
            "SELECT 1 FROM obligations WHERE version = ? AND archive <> ? AND state = 'verified'",
        )?
        .exists(params![id.0, archive])?;
    let state = state_of(tx, id)?;
    if out || !matches!(state, State::Whole | State::Archived | State::Gone | State::Removed) {
        return Ok(None);
    }
    let detail = json!({ "archive": archive, "perhaps_as": perhaps_as });
    advance(tx, id, Happening::NoSource, &detail)?;
    // What was taken for the same content on a later card is lost with it.
    let mut same = tx.db.prepare_cached(
        "SELECT c.id FROM versions v JOIN versions c ON c.sha256 = v.sha256 AND c.same_as = v.id
         WHERE v.id = ? AND c.state IN ('archived', 'gone', 'removed')",
    )?;
    let same: Vec<i64> = same.query_map([id.0], |row| row.get(0))?.collect::<Result<_, _>>()?;
    same.into_iter()
        .try_for_each(|same| advance(tx, VersionId(same), Happening::NoSource, &detail).map(drop))?;
    Ok(Some(tx.db.query_row("SELECT logger FROM versions WHERE id = ?", [id.0], |row| row.get(0))?))
}

/// What was in one archive alone of a logger's files, and is there no longer, as a finding.
pub(super) fn tell_lost(tx: &Tx<'_>, archive: &str, logger: i64) -> Result<(), LedgerError> {
    let mut statement = tx.db.prepare_cached(
        "SELECT v.path FROM versions v JOIN obligations o ON o.version = v.id
         WHERE v.logger = ? AND v.state = 'lost' AND o.archive = ? AND o.state = 'missing' ORDER BY v.path",
    )?;
    let paths: Vec<Vec<u8>> =
        statement.query_map(params![logger, archive], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let (name, vehicle): (String, String) =
        tx.db.query_row("SELECT name, vehicle FROM loggers WHERE id = ?", [logger], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    let named: Vec<String> = paths
        .iter()
        .take(NAMED)
        .map(|path| path_of(path).map(|path| path.to_string()))
        .collect::<Result<_, _>>()?;
    let finding = Finding {
        code: "only-copy-gone",
        subject: format!("{archive}/{name}"),
        severity: Severity::Act,
        action: format!(
            "If archive \"{archive}\" was exchanged, bring the former one back, or copy these files from it into the logger's card; otherwise look at its disk and its backups. `yarder files --vehicle {vehicle} --state lost` names all of them."
        ),
        vehicle: Some(vehicle),
        logger: Some(name),
        evidence: json!({ "archive": archive, "files": named, "count": paths.len() }),
        cause: format!(
            "{} of its files lay in archive \"{archive}\" and nowhere else, and are not there any more: {}{}",
            paths.len(),
            named.join(", "),
            if paths.len() > named.len() { " ..." } else { "" }
        ),
    };
    if paths.is_empty() { clear(tx, &finding.id()) } else { raise(tx, &finding) }
}

/// Path, vehicle and logger of a version.
fn whose(tx: &Tx<'_>, id: VersionId) -> Result<(RemotePath, String, String), LedgerError> {
    let (path, vehicle, logger): (Vec<u8>, String, String) = tx.db.query_row(
        "SELECT v.path, v.vehicle, l.name FROM versions v JOIN loggers l ON l.id = v.logger WHERE v.id = ?",
        [id.0],
        |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
    )?;
    Ok((path_of(&path)?, vehicle, logger))
}

fn tell_wrong(tx: &Tx<'_>, copy: &Elsewhere, why: &str) -> Result<(), LedgerError> {
    let Elsewhere { archive, id, location } = copy;
    let (path, vehicle, logger) = whose(tx, *id)?;
    raise(
        tx,
        &Finding {
            code: "archive-copy-wrong",
            subject: format!("{archive}/{logger}/{path}"),
            severity: Severity::Act,
            vehicle: Some(vehicle),
            logger: Some(logger),
            evidence: json!({ "archive": archive, "file": path.to_string(), "location": location }),
            cause: format!("{location} in archive \"{archive}\" {why}"),
            action: "Look at the archive's disk, then run `yarder audit`.".into(),
        },
    )
}

/// A file that was to be fetched again holds something else now.
fn tell_other(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    let (path, vehicle, logger) = whose(tx, id)?;
    raise(
        tx,
        &Finding {
            code: "only-copy-gone",
            subject: format!("{logger}/{path}"),
            severity: Severity::Act,
            vehicle: Some(vehicle),
            logger: Some(logger),
            evidence: json!({ "file": path.to_string() }),
            cause: format!(
                "{path} was fetched again for an archive that was exchanged, and is not what the former one held"
            ),
            action:
                "Bring the former archive back if you need what it held. What the logger has now is archived."
                    .into(),
        },
    )
}

/// A file that had been archived was fetched again: what it is missing from has a source now. One that
/// turned out to be another says so.
pub(super) fn fetched_again(
    tx: &Tx<'_>,
    id: VersionId,
    before: &Digest,
    now: &Digest,
) -> Result<(), LedgerError> {
    if before != now {
        other_content(tx, id, before, Some(now))?;
    }
    missing_again(tx, id)
}

/// A file that is to be fetched again is of another length by now: what was known of its content is not of
/// this one.
pub(super) fn changed_again(tx: &Tx<'_>, id: VersionId, size: Option<u64>) -> Result<(), LedgerError> {
    let before: Option<Vec<u8>> = tx
        .db
        .prepare_cached("SELECT sha256 FROM versions WHERE id = ? AND sha256 IS NOT NULL AND size <> ?")?
        .query_row(params![id.0, size.map(|size| size as i64)], |row| row.get(0))
        .optional()?;
    let Some(before) = digest_of(before) else { return Ok(()) };
    other_content(tx, id, &before, None)?;
    let set =
        "sha256 = NULL, head = NULL, tail = NULL, blocks = NULL, proof = NULL, same_as = NULL, presumed = 0";
    tx.db.execute(&format!("UPDATE versions SET {set} WHERE id = ?"), [id.0])?;
    missing_again(tx, id)
}

fn other_content(
    tx: &Tx<'_>,
    id: VersionId,
    before: &Digest,
    now: Option<&Digest>,
) -> Result<(), LedgerError> {
    let detail = json!({ "before": before.hex(), "now": now.map(Digest::hex) });
    event(tx, Some(id), None, "other-content", &detail)?;
    tell_other(tx, id)?;
    // What other archives have is the former content; their receipts tell of it.
    each_in(tx, id, "verified", |tx, archive| {
        owed_anew(tx, id, archive, Step::FoundWrong, "its content is another one now")
    })
}

/// What archives miss of a version is owed to them again.
fn missing_again(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    each_in(tx, id, "missing", |tx, archive| {
        advance_duty(tx, id, archive, Step::Again, &json!({ "archive": archive })).map(drop)
    })
}

/// Does something to each obligation of a version that is in that state.
fn each_in(
    tx: &Tx<'_>,
    id: VersionId,
    state: &str,
    each: impl Fn(&Tx<'_>, &str) -> Result<(), LedgerError>,
) -> Result<(), LedgerError> {
    let mut statement =
        tx.db.prepare_cached("SELECT archive FROM obligations WHERE version = ? AND state = ?")?;
    let archives: Vec<String> =
        statement.query_map(params![id.0, state], |row| row.get(0))?.collect::<Result<_, _>>()?;
    archives.iter().try_for_each(|archive| each(tx, archive))
}
