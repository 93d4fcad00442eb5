//! Obligations: how far each copy that an archive is owed has come.

use std::collections::BTreeSet;

use rusqlite::{Row, params};
use serde_json::json;

use super::archives::{ReceiptRow, archived, has_all, remember, wanted_archives};
use super::events::{advance_duty, advance_duty_with, event};
use super::exchange::{owed_anew, state_of};
use super::findings::{clear_of_file, open_codes};
use super::listings::{path_of, stamp};
use super::missing::turned_up;
use super::state::{Duty, State, Step};
use super::versions::unlinked;
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
    /// Name of its file in the spool; none where that has left, or is a partial.
    pub spool: Option<String>,
    /// Earliest and latest time in it, by the logger's clock, where it was read.
    pub recorded: Option<(jiff::Timestamp, jiff::Timestamp)>,
    /// Receipt number, in this archive, of the version that it begins with.
    pub extends: Option<i64>,
}

/// A copy that is verified and has its receipt.
#[derive(Debug, Clone)]
pub struct Kept {
    /// The version.
    pub id: VersionId,
    /// Where it was read back.
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

/// The first and the longest wait of a copy at which an archive failed alone, in ms.
const PUT_OFF: (i64, i64) = (60_000, 3_600_000);

/// Findings about a copy that end when it is verified.
const ENDED_BY_A_COPY: &[&str] = &["not-archived", "spool-failed", "archive-copy-wrong", "place-taken"];

/// What an archive may be given now. The states are those of the index, word for word.
pub(super) const DUE: &str = "SELECT v.id, o.state, o.k0, o.k1, o.location, o.shared, v.logger, l.name, v.vehicle,
    c.number, v.path, v.size, v.sha256, v.head, v.tail, v.blocks, v.proof, v.time, v.whole_at,
    iif(v.state IN ('listed', 'open', 'skipped', 'fetching', 'lost'), NULL, v.spool),
    (SELECT e.seq FROM obligations e WHERE e.version = v.extends AND e.archive = o.archive), f.first, f.last,
    v.state = 'dropped'
  FROM obligations o JOIN versions v ON v.id = o.version JOIN loggers l ON l.id = v.logger JOIN cards c ON c.id = v.card
    LEFT JOIN facts f ON f.version = v.id
  WHERE o.archive = ?1 AND o.state IN ('owed', 'claimed', 'stored', 'blocked') AND o.state <> 'blocked'
    AND v.state <> 'held' AND (v.sha256 IS NOT NULL OR v.state = 'dropped') AND (o.after <= ?2 OR o.after > ?2 + ?3) AND o.version NOT IN (SELECT value FROM json_each(?4))
  ORDER BY o.version LIMIT ?5";

impl Ledger {
    /// Copies that are owed to an archive, in the order in which their files were listed, `limit` at
    /// most; without those that were put off, that wait for a person, and without `but`, which are on their
    /// way. What a person dropped is owed no more.
    pub async fn due(
        &self,
        archive: &str,
        but: impl Iterator<Item = VersionId>,
        limit: usize,
    ) -> Result<Vec<Due>, LedgerError> {
        let archive = archive.to_owned();
        let but = json!(but.map(|id| id.0).collect::<Vec<_>>()).to_string();
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(DUE)?;
                // A wait longer than the longest: the clock was set back meanwhile.
                let mut rows = statement.query(params![archive, tx.now, PUT_OFF.1, but, limit as i64])?;
                let (mut all, mut dropped) = (Vec::new(), Vec::new());
                while let Some(row) = rows.next()? {
                    match row.get(23)? {
                        true => dropped.push(VersionId(row.get(0)?)),
                        false => all.push(due_of(row)?),
                    }
                }
                for id in dropped {
                    let detail = json!({ "archive": archive, "why": "its content was dropped" });
                    advance_duty(tx, id, &archive, Step::TakenOut, &detail)?;
                }
                Ok(all)
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
                    let detail = json!({ "archive": archive, "k0": k0 });
                    let set = ", k0 = ?5, k1 = ?6, folded = ?7";
                    advance_duty_with(tx, id, &archive, Step::Intended, &detail, set, &[&k0, &k1, &folded])?;
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
                for (id, k0, k1, folded) in claims {
                    tx.db
                        .prepare_cached(
                            "UPDATE obligations SET k0 = ?3, k1 = ?4, folded = ?5 WHERE version = ?1 AND archive = ?2",
                        )?
                        .execute(params![id.0, archive, k0, k1, folded])?;
                }
                Ok(())
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
                    let set = ", location = ?5, folded = ?6, shared = ?7";
                    let values = params![location, folded, shared];
                    advance_duty_with(tx, id, &archive, Step::Put, &detail, set, values)?;
                }
                Ok(())
            })
            .await
    }

    /// A copy turned out wrong or missing: owed again.
    pub async fn found_wrong(&self, archive: &str, id: VersionId, why: String) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer.ask(move |tx| owed_anew(tx, id, &archive, Step::FoundWrong, &why)).await
    }

    /// An archive failed at a copy while others went on: it is due again after a while, which
    /// doubles each time. [`Ledger::follow_archives`] and an accepted archive end all such waits.
    pub async fn put_off(&self, archive: &str, id: VersionId, why: String) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let tries: u32 = tx.db.query_row(
                    "UPDATE obligations SET tries = tries + 1 WHERE version = ? AND archive = ? RETURNING tries",
                    params![id.0, archive],
                    |row| row.get(0),
                )?;
                let wait = (PUT_OFF.0 << tries.saturating_sub(1).min(16)).min(PUT_OFF.1);
                tx.db.execute(
                    "UPDATE obligations SET after = ? WHERE version = ? AND archive = ?",
                    params![tx.now + wait, id.0, archive],
                )?;
                event(tx, Some(id), None, "put-off", &json!({ "archive": archive, "why": why, "tries": tries }))
            })
            .await
    }

    /// A copy that was put off is due now.
    pub fn due_now(&self, archive: &str, id: VersionId) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer.tell(move |tx| {
            let sql = "UPDATE obligations SET tries = 0, after = 0 WHERE version = ? AND archive = ?";
            tx.db.prepare_cached(sql)?.execute(params![id.0, archive])?;
            Ok(())
        })
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

    /// Copies are verified and have their receipts. Gives the names of partials that are of no more use.
    pub async fn verified(
        &self,
        archive: &str,
        kept: Vec<Kept>,
        receipts: Vec<(String, ReceiptRow)>,
    ) -> Result<Vec<String>, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                for (logger, receipt) in &receipts {
                    remember(tx, &archive, logger, receipt)?;
                }
                let archives = wanted_archives(tx)?;
                let mut freed = Vec::new();
                kept.iter().try_for_each(|copy| verified(tx, &archive, copy, &archives, &mut freed))?;
                let ended = open_codes(tx, ENDED_BY_A_COPY)?;
                kept.iter().try_for_each(|copy| clear_of_file(tx, copy.id, Some(&archive), &ended))?;
                Ok(freed)
            })
            .await
    }

    /// Lets go of the spool files that may go: archived or dropped, and no obligation open. From now on
    /// they are no source for a copy that is owed again. Gives their names.
    pub async fn let_go(&self) -> Result<Vec<String>, LedgerError> {
        self.writer
            .ask(|tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT id, spool FROM versions v WHERE spool IS NOT NULL AND state IN ('archived', 'removing', 'removed', 'gone', 'dropped')
                       AND NOT EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id
                         AND o.state IN ('owed', 'claimed', 'stored', 'blocked'))",
                )?;
                let free: Vec<(i64, String)> = statement
                    .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
                    .collect::<Result<_, _>>()?;
                free.into_iter()
                    .map(|(id, name)| {
                        unlinked(tx, VersionId(id))?;
                        Ok(name)
                    })
                    .collect()
            })
            .await
    }
}

fn due_of(row: &Row<'_>) -> Result<Due, LedgerError> {
    let damaged = |what: &str| LedgerError::Damaged(format!("a whole file without {what}"));
    let digest = |column: usize| -> Result<Digest, LedgerError> {
        let bytes = row.get_ref(column)?.as_blob_or_null().ok().flatten();
        bytes.and_then(Digest::from_slice).ok_or_else(|| damaged("its digests"))
    };
    let word = |column: usize| Ok::<_, LedgerError>(row.get_ref(column)?.as_str().unwrap_or_default());
    let (duty, proof) = (word(1)?, word(16)?);
    let blob = |column: usize| Ok::<_, LedgerError>(row.get_ref(column)?.as_blob().unwrap_or_default());
    Ok(Due {
        id: VersionId(row.get(0)?),
        duty: Duty::parse(duty).ok_or_else(|| LedgerError::Damaged(duty.to_owned()))?,
        places: row.get::<_, Option<String>>(2)?.zip(row.get(3)?),
        location: row.get(4)?,
        shared: row.get(5)?,
        logger_key: row.get(6)?,
        logger: row.get(7)?,
        vehicle: row.get(8)?,
        card: row.get(9)?,
        path: path_of(blob(10)?)?,
        size: row.get::<_, i64>(11)?.max(0) as u64,
        sha256: digest(12)?,
        edges: Edges { head: digest(13)?, tail: digest(14)? },
        blocks: Blocks::from_bytes(blob(15)?).ok_or_else(|| damaged("block digests"))?,
        proof: Proof::parse(proof).ok_or_else(|| LedgerError::Damaged(proof.to_owned()))?,
        time: stamp(row.get(17)?),
        whole_at: stamp(row.get(18)?),
        spool: row.get(19)?,
        extends: row.get(20)?,
        recorded: stamp(row.get(21)?).zip(stamp(row.get(22)?)),
    })
}

fn verified(
    tx: &Tx<'_>,
    archive: &str,
    copy: &Kept,
    archives: &[(String, bool)],
    freed: &mut Vec<String>,
) -> Result<(), LedgerError> {
    let detail = json!({ "archive": archive, "location": copy.location, "receipt": copy.seq, "verified": copy.verified, "note": copy.note });
    let set = ", location = ?5, folded = ?6, seq = ?7, verified = ?8";
    let values = params![copy.location, copy.location.to_lowercase(), copy.seq, copy.verified];
    advance_duty_with(tx, copy.id, archive, Step::Proven, &detail, set, values)?;
    if let Some(folder) = &copy.folder {
        tx.db
            .prepare_cached("INSERT OR IGNORE INTO manifests (archive, folder) VALUES (?, ?)")?
            .execute(params![archive, folder])?;
    }
    turned_up(tx, copy.id, freed)?;
    if state_of(tx, copy.id)? == State::Whole && has_all(tx, copy.id, archives)? {
        archived(tx, copy.id)?;
    }
    Ok(())
}
