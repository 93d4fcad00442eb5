//! Archives, their receipts and their manifests, as far as this depot knows them.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension as _, params};
use serde_json::json;

use super::events::{advance_duty, advance_with};
use super::findings::clear_of_file;
use super::missing::came_in;
use super::partials::lived;
use super::state::{Happening, Step};
use super::versions::owe;
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::model::{Digest, Proof};

/// A line of a receipt that was read from an archive or written there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReceiptRow {
    /// The object's number.
    pub seq: i64,
    /// The line within it, from 0.
    pub line: i64,
    /// The content's key.
    pub key: String,
    /// `stored`, `alias` ...
    pub kind: String,
    /// The path on the logger, as the receipt writes it.
    pub path: String,
    /// Where the data stands.
    pub location: String,
    /// Which depot wrote it.
    pub depot: String,
}

/// A file that a manifest names.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct ManifestLine {
    /// The whole location in the archive.
    pub location: String,
    /// Its hash.
    pub sha256: Digest,
}

impl Ledger {
    /// The id that an archive had when it was accepted.
    pub async fn archive_id(&self, name: &str) -> Result<Option<String>, LedgerError> {
        let name = name.to_owned();
        self.writer
            .ask(move |tx| {
                Ok(tx
                    .db
                    .query_row("SELECT uuid FROM archives WHERE name = ?", [name], |row| row.get(0))
                    .optional()?)
            })
            .await
    }

    /// Obligations follow the configuration: each archive with whether it is required. What whole
    /// files lack is owed from now on, also what becomes whole later, and what required archives have
    /// all of is archived. What an archive that was taken out had still to get stays until
    /// [`Ledger::waive`], since a group may be on its way there. What was put off is due.
    pub async fn follow_archives(&self, archives: Vec<(String, bool)>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                let before = wanted_archives(tx)?;
                let is_new = |(name, _): &(String, bool)| before.iter().all(|(had, _)| had != name);
                if archives.iter().any(is_new) {
                    came_in(tx, &archives)?;
                }
                tx.db.execute(
                    "INSERT INTO meta (key, value) VALUES ('archives', ?1) ON CONFLICT (key) DO UPDATE SET value = ?1",
                    [json!(archives).to_string()],
                )?;
                tx.db.execute("UPDATE obligations SET after = 0 WHERE after > 0", [])?;
                for (name, _) in &archives {
                    // A whole file that has an obligation anywhere has reached its kind's proof.
                    tx.db.execute(
                        "INSERT OR IGNORE INTO obligations (version, archive, state, at)
                         SELECT v.id, ?1, 'owed', ?2 FROM versions v
                         WHERE v.state = 'whole' AND EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id)",
                        params![name, tx.now],
                    )?;
                    let mut waived = tx.db.prepare_cached(
                        "SELECT o.version FROM versions v JOIN obligations o ON o.version = v.id
                         WHERE v.state = 'whole' AND o.archive = ? AND o.state = 'waived'",
                    )?;
                    let again: Vec<i64> = waived.query_map([name], |row| row.get(0))?.collect::<Result<_, _>>()?;
                    for version in again {
                        advance_duty(tx, VersionId(version), name, Step::Again, &json!({ "archive": name }))?;
                    }
                }
                archive_what_has_all(tx, &archives)
            })
            .await
    }

    /// What an archive had still to get is waived, unless it is in the configuration after all.
    /// `None` waives for every archive that is not. Call only while nothing is on its way there.
    pub async fn waive(&self, archive: Option<String>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                let archives = wanted_archives(tx)?;
                let mut statement = tx.db.prepare(
                    "SELECT version, archive FROM obligations WHERE state IN ('owed', 'claimed', 'stored', 'blocked')
                       AND (?1 IS NULL OR archive = ?1)",
                )?;
                let open: Vec<(i64, String)> = statement
                    .query_map([archive], |row| Ok((row.get(0)?, row.get(1)?)))?
                    .collect::<Result<_, _>>()?;
                for (version, archive) in open {
                    if archives.iter().all(|(name, _)| *name != archive) {
                        advance_duty(tx, VersionId(version), &archive, Step::TakenOut, &json!({ "archive": archive }))?;
                    }
                }
                Ok(())
            })
            .await
    }

    /// Whole files that waited for a proof which their logger's kind no longer asks for are owed to
    /// the archives.
    pub async fn follow_proofs(
        &self,
        proofs: Vec<(String, Proof)>,
        archives: Vec<String>,
    ) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT v.id, v.proof FROM versions v JOIN loggers l ON l.id = v.logger
                     WHERE l.name = ? AND v.state = 'whole' AND v.proof IS NOT NULL
                       AND NOT EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id)",
                )?;
                for (logger, least) in proofs {
                    let waiting: Vec<(i64, String)> = statement
                        .query_map([logger], |row| Ok((row.get(0)?, row.get(1)?)))?
                        .collect::<Result<_, _>>()?;
                    for (id, proof) in waiting {
                        if Proof::parse(&proof).is_some_and(|proof| proof >= least) {
                            archives.iter().try_for_each(|archive| owe(tx, VersionId(id), archive))?;
                            clear_of_file(tx, VersionId(id), None, &["proof-unreachable"])?;
                        }
                    }
                }
                Ok(())
            })
            .await
    }

    /// What has been read of an archive's receipts for a logger: the last number, and every receipt
    /// that names one of these keys, in their order.
    pub async fn receipts(
        &self,
        archive: &str,
        logger: &str,
        keys: Vec<String>,
    ) -> Result<(i64, Vec<ReceiptRow>), LedgerError> {
        let (archive, logger) = (archive.to_owned(), logger.to_owned());
        self.writer
            .ask(move |tx| {
                let last: i64 = tx
                    .db
                    .prepare_cached(
                        "SELECT coalesce(max(seq), 0) FROM receipts WHERE archive = ? AND logger = ?",
                    )?
                    .query_row(params![archive, logger], |row| row.get(0))?;
                let mut statement = tx.db.prepare_cached(
                    "SELECT seq, line, key, kind, path, location, depot FROM receipts
                     WHERE archive = ? AND logger = ? AND key = ? ORDER BY seq, line",
                )?;
                let mut found = Vec::new();
                for key in keys {
                    let mut rows = statement.query(params![archive, logger, key])?;
                    while let Some(row) = rows.next()? {
                        found.push(ReceiptRow {
                            seq: row.get(0)?,
                            line: row.get(1)?,
                            key: row.get(2)?,
                            kind: row.get(3)?,
                            path: row.get(4)?,
                            location: row.get(5)?,
                            depot: row.get(6)?,
                        });
                    }
                }
                Ok((last, found))
            })
            .await
    }

    /// Of these versions, those whose bytes another logger has had too, with its name.
    pub async fn same_bytes_elsewhere(
        &self,
        ids: Vec<VersionId>,
    ) -> Result<Vec<(VersionId, String)>, LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT l.name FROM versions v JOIN versions w ON w.sha256 = v.sha256 AND w.logger <> v.logger
                     JOIN loggers l ON l.id = w.logger WHERE v.id = ? AND v.size >= 4096 LIMIT 1",
                )?;
                let mut found = Vec::new();
                for id in ids {
                    let owner = statement.query_row([id.0], |row| row.get(0)).optional()?;
                    found.extend(owner.map(|owner| (id, owner)));
                }
                Ok(found)
            })
            .await
    }

    /// The random id of this state folder, made on first use from `fresh`.
    pub async fn install(&self, fresh: String) -> Result<String, LedgerError> {
        self.writer
            .ask(move |tx| {
                tx.db.execute("INSERT OR IGNORE INTO meta (key, value) VALUES ('install', ?)", [fresh])?;
                Ok(tx.db.query_row("SELECT value FROM meta WHERE key = 'install'", [], |row| row.get(0))?)
            })
            .await
    }

    /// Other depots fetched something from a logger at these moments (ms), as their receipts tell.
    pub async fn seen_elsewhere(&self, logger: &str, seen: Vec<(String, i64)>) -> Result<(), LedgerError> {
        // Days begin with one, whatever the zone.
        const QUARTER: i64 = 900_000;
        // Reports look back for a day; two months leave room for days that were missed.
        const KEPT: i64 = 60 * 24 * 4 * QUARTER;
        let logger = logger.to_owned();
        self.writer
            .ask(move |tx| {
                let mut insert = tx
                    .db
                    .prepare_cached("INSERT OR IGNORE INTO elsewhere (logger, at, depot) VALUES (?, ?, ?)")?;
                for (depot, at) in seen.iter().filter(|(_, at)| (tx.now - KEPT..=tx.now).contains(at)) {
                    insert.execute(params![logger, at - at.rem_euclid(QUARTER), depot])?;
                }
                tx.db.prepare_cached("DELETE FROM elsewhere WHERE at < ?")?.execute([tx.now - KEPT])?;
                Ok(())
            })
            .await
    }

    /// Loggers that gave a listing here since a moment (ms).
    pub async fn seen_since(&self, since: i64) -> Result<BTreeSet<String>, LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached("SELECT name FROM loggers WHERE last_seen >= ?")?;
                Ok(statement.query_map([since], |row| row.get(0))?.collect::<Result<_, _>>()?)
            })
            .await
    }

    /// Day folders whose manifest is behind.
    pub async fn manifests_due(&self, archive: &str) -> Result<Vec<String>, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let mut statement =
                    tx.db.prepare_cached("SELECT folder FROM manifests WHERE archive = ? ORDER BY folder")?;
                let folders = statement.query_map([archive], |row| row.get(0))?.collect::<Result<_, _>>()?;
                Ok(folders)
            })
            .await
    }

    /// What the manifest of a day folder names, in order: what the archive that stands there now has
    /// receipts of, be it in doubt just now. One that was exchanged need not hold what its forerunner held.
    pub async fn manifest(&self, archive: &str, folder: &str) -> Result<Vec<ManifestLine>, LedgerError> {
        let (archive, folder) = (archive.to_owned(), folder.to_owned());
        self.writer
            .ask(move |tx| {
                // Every location below the folder sorts between `folder/` and `folder0`.
                let mut statement = tx.db.prepare_cached(
                    "SELECT DISTINCT o.location, v.sha256 FROM obligations o JOIN versions v ON v.id = o.version
                     JOIN loggers l ON l.id = v.logger
                     WHERE o.archive = ?1 AND o.state IN ('stored', 'verified') AND o.folded >= ?2 || '/' AND o.folded < ?2 || '0'
                       AND EXISTS (SELECT 1 FROM receipts r
                         WHERE r.archive = o.archive AND r.logger = l.name AND r.seq = o.seq
                           AND r.key >= lower(hex(v.sha256)) AND r.key < lower(hex(v.sha256)) || '~')
                     ORDER BY o.location",
                )?;
                let mut rows = statement.query(params![archive, folder.to_lowercase()])?;
                let mut lines = Vec::new();
                while let Some(row) = rows.next()? {
                    let sha: Vec<u8> = row.get(1)?;
                    let sha256 = Digest::from_slice(&sha).ok_or_else(|| LedgerError::Damaged("a hash".into()))?;
                    lines.push(ManifestLine { location: row.get(0)?, sha256 });
                }
                Ok(lines)
            })
            .await
    }

    /// A manifest was replaced.
    pub async fn manifest_done(&self, archive: &str, folder: &str) -> Result<(), LedgerError> {
        let (archive, folder) = (archive.to_owned(), folder.to_owned());
        self.writer
            .ask(move |tx| {
                tx.db.execute(
                    "DELETE FROM manifests WHERE archive = ? AND folder = ?",
                    params![archive, folder],
                )?;
                Ok(())
            })
            .await
    }
}

/// Whether every required one of the archives has a verified copy.
pub(super) fn has_all(tx: &Tx<'_>, id: VersionId, archives: &[(String, bool)]) -> Result<bool, LedgerError> {
    let mut have = tx.db.prepare_cached(
        "SELECT 1 FROM obligations WHERE version = ? AND archive = ? AND state = 'verified'",
    )?;
    for (name, _) in archives.iter().filter(|(_, required)| *required) {
        if !have.exists(params![id.0, name])? {
            return Ok(false);
        }
    }
    Ok(true)
}

pub(super) fn archived(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    let set = ", archived_at = coalesce(archived_at, ?3), safe = ?4";
    advance_with(tx, id, Happening::BecameArchived, &json!({}), set, &[&tx.now, &lived(tx.db)?]).map(drop)
}

/// A whole file of which every required archive has a copy, and one at least, is archived.
pub(super) fn archive_if_done(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    let any = tx
        .db
        .prepare_cached(
            "SELECT 1 FROM versions v JOIN obligations o ON o.version = v.id
             WHERE v.id = ? AND v.state = 'whole' AND o.state = 'verified'",
        )?
        .exists([id.0])?;
    if any && has_all(tx, id, &wanted_archives(tx)?)? { archived(tx, id) } else { Ok(()) }
}

/// Whole files that wait for no required archive any more, and have one copy at least.
fn archive_what_has_all(tx: &Tx<'_>, archives: &[(String, bool)]) -> Result<(), LedgerError> {
    let mut statement = tx.db.prepare(
        "SELECT id FROM versions v WHERE state = 'whole'
           AND EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id AND o.state = 'verified')",
    )?;
    let stored: Vec<i64> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    for id in stored {
        if has_all(tx, VersionId(id), archives)? {
            archived(tx, VersionId(id))?;
        }
    }
    Ok(())
}

/// The archives of the configuration, as [`Ledger::follow_archives`] was told last.
pub(super) fn wanted_archives(tx: &Tx<'_>) -> Result<Vec<(String, bool)>, LedgerError> {
    let text: Option<String> = tx
        .db
        .prepare_cached("SELECT value FROM meta WHERE key = 'archives'")?
        .query_row([], |row| row.get(0))
        .optional()?;
    match text {
        Some(text) => serde_json::from_str(&text).map_err(|_| LedgerError::Damaged(text)),
        None => Ok(Vec::new()),
    }
}

pub(super) fn remember(
    tx: &Tx<'_>,
    archive: &str,
    logger: &str,
    row: &ReceiptRow,
) -> Result<(), LedgerError> {
    tx.db
        .prepare_cached(
            "INSERT OR IGNORE INTO receipts (archive, logger, seq, line, key, kind, path, location, depot)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            archive,
            logger,
            row.seq,
            row.line,
            row.key,
            row.kind,
            row.path,
            row.location,
            row.depot
        ])?;
    Ok(())
}
