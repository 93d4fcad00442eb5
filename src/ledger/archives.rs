//! Obligations, receipts and manifests: what forwarding writes down.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension as _, Row, params};
use serde_json::json;

use super::events::{advance, advance_duty, event};
use super::findings::clear_of_file;
use super::listings::{path_of, stamp};
use super::state::{Duty, Happening, State, Step};
use super::versions::owe;
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::model::{Blocks, Digest, Edges, Proof, RemotePath};

/// A copy that is owed to an archive.
#[derive(Debug, Clone, PartialEq)]
pub struct Due {
    /// The version.
    pub id: VersionId,
    /// How far its copy is: owed, claimed or stored.
    pub duty: Duty,
    /// Places of the claim, once it is intended.
    pub places: Option<(String, String)>,
    /// Where the data stands, once it is stored.
    pub location: Option<String>,
    /// Whether that is a link or reflink of the spool's file.
    pub shared: bool,
    /// The logger's row and id.
    pub logger_key: i64,
    /// The logger's id.
    pub logger: String,
    /// The vehicle that carried it.
    pub vehicle: String,
    /// The card's number.
    pub card: i64,
    /// Path on the logger.
    pub path: RemotePath,
    /// Bytes.
    pub size: u64,
    /// Its hash.
    pub sha256: Digest,
    /// Digests of both ends.
    pub edges: Edges,
    /// Digests of its blocks.
    pub blocks: Blocks,
    /// How strongly it was checked.
    pub proof: Proof,
    /// Last change as the logger's clock says it.
    pub time: Option<jiff::Timestamp>,
    /// When it became whole.
    pub whole_at: Option<jiff::Timestamp>,
    /// Name of its file in the spool.
    pub spool: Option<String>,
    /// Receipt number, in this archive, of the version that it begins with.
    pub extends: Option<i64>,
}

/// A copy that is verified and has its receipt.
#[derive(Debug, Clone)]
pub struct Kept {
    /// The version.
    pub id: VersionId,
    /// Where the data stands, as the receipt says.
    pub location: String,
    /// The receipt's number.
    pub seq: i64,
    /// `disk-read` and so on.
    pub verified: &'static str,
    /// The day folder whose manifest must name it.
    pub folder: Option<String>,
    /// For the event log.
    pub note: &'static str,
}

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

const DUE: &str = "SELECT o.state AS duty, o.k0, o.k1, o.location, o.shared, v.*, l.name AS logger_name, c.number AS card_number,
    (SELECT e.seq FROM obligations e WHERE e.version = v.extends AND e.archive = o.archive) AS extends_seq
  FROM obligations o JOIN versions v ON v.id = o.version JOIN loggers l ON l.id = v.logger JOIN cards c ON c.id = v.card";

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

    /// Accepts an archive: its first use, or a person's `adopt`. What was read of another archive's
    /// receipts under that name is forgotten, and its copies are owed again when `exchanged`.
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
                if before.as_ref().is_some_and(|before| *before != uuid) {
                    tx.db.execute("DELETE FROM receipts WHERE archive = ?", [&name])?;
                    tx.db.execute("DELETE FROM manifests WHERE archive = ?", [&name])?;
                    // Claims were made in the old one; unfinished copies begin again.
                    tx.db.execute(
                        "UPDATE obligations SET state = 'owed', k0 = NULL, k1 = NULL, location = NULL, folded = NULL
                         WHERE archive = ? AND state IN ('claimed', 'stored', 'blocked')",
                        [&name],
                    )?;
                }
                let detail = json!({ "archive": name, "place": place, "id": uuid, "before": before });
                event(tx, None, None, "archive-accepted", &detail)
            })
            .await
    }

    /// Obligations follow the configuration: each archive with whether it is required. What whole
    /// files lack is owed from now on, also what becomes whole later, and what required archives have
    /// all of is archived. What an archive that was taken out had still to get stays until
    /// [`Ledger::waive`], since a group may be on its way there.
    pub async fn follow_archives(&self, archives: Vec<(String, bool)>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                tx.db.execute(
                    "INSERT INTO meta (key, value) VALUES ('archives', ?1) ON CONFLICT (key) DO UPDATE SET value = ?1",
                    [json!(archives).to_string()],
                )?;
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
                            clear_of_file(tx, VersionId(id), &["proof-unreachable"])?;
                        }
                    }
                }
                Ok(())
            })
            .await
    }

    /// Copies that are owed to an archive, those furthest along first, then oldest first.
    pub async fn due(&self, archive: &str, limit: usize) -> Result<Vec<Due>, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(&format!(
                    "{DUE} WHERE o.archive = ? AND o.state IN ('owed', 'claimed', 'stored')
                     ORDER BY o.state = 'owed', v.whole_at, v.id LIMIT ?"
                ))?;
                let mut rows = statement.query(params![archive, limit as i64])?;
                let mut all = Vec::new();
                while let Some(row) = rows.next()? {
                    all.push(due_of(row)?);
                }
                Ok(all)
            })
            .await
    }

    /// How many copies an archive is still owed, and their bytes.
    pub async fn owed(&self, archive: &str) -> Result<(u64, u64), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                Ok(tx.db.query_row(
                    "SELECT count(*), coalesce(sum(v.size), 0) FROM obligations o JOIN versions v ON v.id = o.version
                     WHERE o.archive = ? AND o.state IN ('owed', 'claimed', 'stored')",
                    [archive],
                    |row| Ok((row.get::<_, i64>(0)? as u64, row.get::<_, i64>(1)? as u64)),
                )?)
            })
            .await
    }

    /// Which of these locations, told without case, another file of the archive has already under
    /// another spelling.
    pub async fn taken(
        &self,
        archive: &str,
        folded: Vec<(String, String)>,
    ) -> Result<BTreeSet<String>, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT 1 FROM obligations WHERE archive = ?1 AND folded = ?2 AND coalesce(location, k0) <> ?3",
                )?;
                let mut taken = BTreeSet::new();
                for (location, folded) in folded {
                    if statement.exists(params![archive, folded, location])? {
                        taken.insert(location);
                    }
                }
                Ok(taken)
            })
            .await
    }

    /// Claims are intended at these places: `(version, k0, k1, k0 without case)`.
    pub async fn intend(
        &self,
        archive: &str,
        claims: Vec<(VersionId, String, String, String)>,
    ) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                for (id, k0, k1, folded) in claims {
                    advance_duty(tx, id, &archive, Step::Intended, &json!({ "archive": archive, "k0": k0 }))?;
                    set_places(tx, id, &archive, &k0, &k1, &folded)?;
                }
                Ok(())
            })
            .await
    }

    /// The claims stand, at their own or at another depot's places.
    pub async fn adopt(
        &self,
        archive: &str,
        claims: Vec<(VersionId, String, String, String)>,
    ) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                claims
                    .iter()
                    .try_for_each(|(id, k0, k1, folded)| set_places(tx, *id, &archive, k0, k1, folded))
            })
            .await
    }

    /// Data stands: `(version, location, its form without case, shared)`.
    pub async fn stored(
        &self,
        archive: &str,
        stored: Vec<(VersionId, String, String, bool)>,
    ) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                for (id, location, folded, shared) in stored {
                    let detail = json!({ "archive": archive, "location": location, "shared": shared });
                    advance_duty(tx, id, &archive, Step::Put, &detail)?;
                    tx.db
                        .prepare_cached(
                            "UPDATE obligations SET location = ?3, folded = ?4, shared = ?5 WHERE version = ?1 AND archive = ?2",
                        )?
                        .execute(params![id.0, archive, location, folded, shared])?;
                }
                Ok(())
            })
            .await
    }

    /// A copy turned out wrong or missing: owed again.
    pub async fn found_wrong(&self, archive: &str, id: VersionId, why: String) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let detail = json!({ "archive": archive, "why": why });
                advance_duty(tx, id, &archive, Step::FoundWrong, &detail)?;
                // It is stored anew, not looked for where it was.
                tx.db.execute(
                    "UPDATE obligations SET k0 = NULL, k1 = NULL, location = NULL, folded = NULL, shared = 0
                     WHERE version = ? AND archive = ?",
                    params![id.0, archive],
                )?;
                Ok(())
            })
            .await
    }

    /// Both places hold other content.
    pub async fn blocked(&self, archive: &str, id: VersionId, why: String) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                advance_duty(tx, id, &archive, Step::Taken, &json!({ "archive": archive, "why": why }))
                    .map(drop)
            })
            .await
    }

    /// Copies are verified and have their receipts. Gives the spool names that may go now, with
    /// their versions: every required archive has them, and no obligation is open.
    pub async fn verified(
        &self,
        archive: &str,
        kept: Vec<Kept>,
        receipts: Vec<(String, ReceiptRow)>,
    ) -> Result<Vec<(VersionId, String)>, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                for (logger, receipt) in &receipts {
                    remember(tx, &archive, logger, receipt)?;
                }
                let archives = wanted_archives(tx)?;
                let mut free = Vec::new();
                for copy in &kept {
                    verified(tx, &archive, copy, &archives)?;
                    if let Some(spool) = free_spool(tx, copy.id)? {
                        free.push((copy.id, spool));
                    }
                }
                Ok(free)
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

    /// Writes down receipts that were read from an archive.
    pub async fn remember_receipts(
        &self,
        archive: &str,
        logger: &str,
        rows: Vec<ReceiptRow>,
    ) -> Result<(), LedgerError> {
        let (archive, logger) = (archive.to_owned(), logger.to_owned());
        self.writer.ask(move |tx| rows.iter().try_for_each(|row| remember(tx, &archive, &logger, row))).await
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

    /// What the manifest of a day folder names, in order.
    pub async fn manifest(&self, archive: &str, folder: &str) -> Result<Vec<ManifestLine>, LedgerError> {
        let (archive, folder) = (archive.to_owned(), folder.to_owned());
        self.writer
            .ask(move |tx| {
                // Every location below the folder sorts between `folder/` and `folder0`.
                let mut statement = tx.db.prepare_cached(
                    "SELECT DISTINCT o.location, v.sha256 FROM obligations o JOIN versions v ON v.id = o.version
                     WHERE o.archive = ?1 AND o.state = 'verified' AND o.folded >= ?2 || '/' AND o.folded < ?2 || '0'
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

    /// Spool files that may go: archived, and no obligation open. Found again after a crash between
    /// the commit and the unlinking.
    pub async fn free_spool(&self) -> Result<Vec<(VersionId, String)>, LedgerError> {
        self.writer
            .ask(|tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT id, spool FROM versions v WHERE spool IS NOT NULL AND state IN ('archived', 'gone')
                       AND NOT EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id
                         AND o.state IN ('owed', 'claimed', 'stored', 'blocked'))",
                )?;
                let rows = statement
                    .query_map([], |row| Ok((VersionId(row.get(0)?), row.get(1)?)))?
                    .collect::<Result<_, _>>()?;
                Ok(rows)
            })
            .await
    }
}

fn due_of(row: &Row<'_>) -> Result<Due, LedgerError> {
    let damaged = |what: &str| LedgerError::Damaged(format!("a whole file without {what}"));
    let digest = |column: &str| -> Result<Digest, LedgerError> {
        let bytes: Option<Vec<u8>> = row.get(column)?;
        bytes.as_deref().and_then(Digest::from_slice).ok_or_else(|| damaged(column))
    };
    let duty: String = row.get("duty")?;
    let proof: String = row.get("proof")?;
    let path: Vec<u8> = row.get("path")?;
    let blocks: Vec<u8> = row.get("blocks")?;
    let places = row.get::<_, Option<String>>("k0")?.zip(row.get::<_, Option<String>>("k1")?);
    Ok(Due {
        id: VersionId(row.get("id")?),
        duty: Duty::parse(&duty).ok_or(LedgerError::Damaged(duty))?,
        places,
        location: row.get("location")?,
        shared: row.get("shared")?,
        logger_key: row.get("logger")?,
        logger: row.get("logger_name")?,
        vehicle: row.get("vehicle")?,
        card: row.get("card_number")?,
        path: path_of(&path)?,
        size: row.get::<_, i64>("size")?.max(0) as u64,
        sha256: digest("sha256")?,
        edges: Edges { head: digest("head")?, tail: digest("tail")? },
        blocks: Blocks::from_bytes(&blocks).ok_or_else(|| damaged("block digests"))?,
        proof: Proof::parse(&proof).ok_or(LedgerError::Damaged(proof))?,
        time: stamp(row.get("time")?),
        whole_at: stamp(row.get("whole_at")?),
        spool: row.get("spool")?,
        extends: row.get("extends_seq")?,
    })
}

fn set_places(
    tx: &Tx<'_>,
    id: VersionId,
    archive: &str,
    k0: &str,
    k1: &str,
    folded: &str,
) -> Result<(), LedgerError> {
    tx.db
        .prepare_cached(
            "UPDATE obligations SET k0 = ?3, k1 = ?4, folded = ?5 WHERE version = ?1 AND archive = ?2",
        )?
        .execute(params![id.0, archive, k0, k1, folded])?;
    Ok(())
}

fn remember(tx: &Tx<'_>, archive: &str, logger: &str, row: &ReceiptRow) -> Result<(), LedgerError> {
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

fn verified(tx: &Tx<'_>, archive: &str, copy: &Kept, archives: &[(String, bool)]) -> Result<(), LedgerError> {
    let detail = json!({ "archive": archive, "location": copy.location, "receipt": copy.seq, "verified": copy.verified, "note": copy.note });
    advance_duty(tx, copy.id, archive, Step::Proven, &detail)?;
    tx.db
        .prepare_cached(
            "UPDATE obligations SET location = ?3, folded = ?4, seq = ?5, verified = ?6 WHERE version = ?1 AND archive = ?2",
        )?
        .execute(params![copy.id.0, archive, copy.location, copy.location.to_lowercase(), copy.seq, copy.verified])?;
    if let Some(folder) = &copy.folder {
        tx.db
            .prepare_cached("INSERT OR IGNORE INTO manifests (archive, folder) VALUES (?, ?)")?
            .execute(params![archive, folder])?;
    }
    let state: String = tx
        .db
        .prepare_cached("SELECT state FROM versions WHERE id = ?")?
        .query_row([copy.id.0], |row| row.get(0))?;
    if state == State::Whole.as_str() && has_all(tx, copy.id, archives)? {
        archived(tx, copy.id)?;
    }
    Ok(())
}

/// Whether every required one of the archives has a verified copy.
fn has_all(tx: &Tx<'_>, id: VersionId, archives: &[(String, bool)]) -> Result<bool, LedgerError> {
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

fn archived(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    advance(tx, id, Happening::BecameArchived, &json!({}))?;
    tx.db
        .prepare_cached("UPDATE versions SET archived_at = coalesce(archived_at, ?) WHERE id = ?")?
        .execute(params![tx.now, id.0])?;
    Ok(())
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

fn free_spool(tx: &Tx<'_>, id: VersionId) -> Result<Option<String>, LedgerError> {
    Ok(tx
        .db
        .prepare_cached(
            "SELECT spool FROM versions v WHERE id = ? AND spool IS NOT NULL AND state IN ('archived', 'gone')
               AND NOT EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id
                 AND o.state IN ('owed', 'claimed', 'stored', 'blocked'))",
        )?
        .query_row([id.0], |row| row.get(0))
        .optional()?)
}
