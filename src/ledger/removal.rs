//! Removal from the loggers: what may be asked about, and its steps.
//!
//! # Crash
//! The intent is committed before a logger is asked to delete. A version that is `removing` after a
//! restart is judged by the next whole listing: absent, it is removed; listed, it is archived still. One
//! that lost its only copy meanwhile is fetched again where its logger has it, and lost where it has not.

use std::time::Duration;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use serde_json::{Value, json};

use super::archives::{has_all, wanted_archives};
use super::events::{advance, event};
use super::exchange::{Elsewhere, fetch_again, lost, state_of, tell_lost};
use super::listings::{digest_of, path_of, stamp};
use super::partials::lived;
use super::state::{Duty, Happening, State};
use super::{Ledger, LedgerError, LoggerRow, Query, Tx, VersionId};
use crate::model::{Digest, Edges, Look, Proof, RemotePath};

/// An archived file that its logger still lists, as far as the ledger knows.
#[derive(Debug, Clone, PartialEq)]
pub struct Removable {
    /// The version, the latest under its path.
    pub id: VersionId,
    /// Its path on the logger.
    pub path: RemotePath,
    /// Bytes.
    pub size: u64,
    /// What the logger said of it last.
    pub look: Look,
    /// Its hash.
    pub sha256: Digest,
    /// Digests of its ends.
    pub edges: Edges,
    /// How strongly the copy was checked.
    pub proof: Proof,
    /// Known by the bytes at its ends alone.
    pub presumed: bool,
    /// The copy lacks what the logger could not read.
    pub gapped: bool,
    /// Lived time since it was archived.
    pub waited: Duration,
    /// Its verified copies.
    pub copies: Vec<Elsewhere>,
}

/// That the intent to remove a version is committed. Nothing but that commit makes one.
#[derive(Debug)]
pub struct Intent {
    id: VersionId,
}

impl Intent {
    /// Of which version.
    pub fn id(&self) -> VersionId {
        self.id
    }
}

/// Why a file whose removal began is archived still.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Remains {
    /// Its logger has it.
    Listed,
    /// Other bytes have its name.
    Replaced,
    /// The card on which it lay is another one now.
    OtherCard,
}

impl Remains {
    fn as_str(self) -> &'static str {
        match self {
            Remains::Listed => "it is there still",
            Remains::Replaced => "other bytes have its name now",
            Remains::OtherCard => "its card is another one now",
        }
    }
}

/// Archived files of card 1 behind version 2 that were in its last whole listing and are archived since
/// lived time 4 or earlier.
pub(super) const REMOVABLE: &str =
    "SELECT v.id, v.path, v.size, v.time, v.validator, v.sha256, v.head, v.tail, v.proof, v.presumed,
    v.gaps IS NOT NULL AS gapped, v.safe, v.same_as FROM versions v
  WHERE v.card = ?1 AND v.state = 'archived' AND v.id > ?2 AND v.absent IS NULL
    AND v.sha256 IS NOT NULL AND v.head IS NOT NULL AND v.tail IS NOT NULL AND v.size IS NOT NULL
    AND v.safe <= ?4 AND v.number = (SELECT max(number) FROM versions w WHERE w.card = v.card AND w.path = v.path)
  ORDER BY v.id LIMIT ?3";

impl Ledger {
    /// Files that a logger's present card still has and that were archived `waited` of lived time ago, in
    /// the order in which they were listed: at most `limit` behind a version.
    pub async fn removable(
        &self,
        logger: &LoggerRow,
        waited: Duration,
        after: VersionId,
        limit: usize,
    ) -> Result<Vec<Removable>, LedgerError> {
        let card = logger.card;
        self.writer.ask(move |tx| removable(tx.db, card, waited, after, limit)).await
    }

    /// The removal of a version begins, unless it is no longer archived with a verified copy in every
    /// required archive, or known by its ends alone. `whole` says that all of it was compared: then it is
    /// no longer presumed.
    pub async fn intend_removal(
        &self,
        id: VersionId,
        whole: bool,
        detail: Value,
    ) -> Result<Option<Intent>, LedgerError> {
        let intended = self
            .writer
            .ask(move |tx| {
                let presumed: bool =
                    tx.db
                        .query_row("SELECT presumed FROM versions WHERE id = ?", [id.0], |row| row.get(0))?;
                if presumed && whole {
                    tx.db.execute("UPDATE versions SET presumed = 0 WHERE id = ?", [id.0])?;
                    event(tx, Some(id), None, "read-in-whole", &json!({}))?;
                }
                if (presumed && !whole) || state_of(tx, id)? != State::Archived || !safe(tx, id)? {
                    return Ok(false);
                }
                advance(tx, id, Happening::RemovalIntended, &detail)?;
                Ok(true)
            })
            .await?;
        Ok(intended.then_some(Intent { id }))
    }

    /// The logger said that it deleted the file, or something that leaves it open; a listing must show it.
    pub async fn removal_answered(&self, id: VersionId, unclear: Option<String>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| match unclear {
                None => event(tx, Some(id), None, "delete-answered", &json!({})),
                Some(why) => event(tx, Some(id), None, "delete-unclear", &json!({ "why": why })),
            })
            .await
    }

    /// The logger did not delete the file.
    pub async fn removal_failed(&self, id: VersionId, why: String) -> Result<(), LedgerError> {
        self.writer.ask(move |tx| not_removed(tx, id, &why)).await
    }
}

impl Query {
    /// Archived files that a logger's present card still has, without limit.
    pub fn removable(&self, logger: &str) -> Result<Vec<Removable>, LedgerError> {
        let Some(card) = self.card(logger)? else { return Ok(Vec::new()) };
        removable(&self.db, card, Duration::ZERO, VersionId(0), usize::MAX)
    }

    /// What lies on a logger's present card as far as the ledger knows, with its times.
    pub fn on_card(&self, logger: &str) -> Result<Vec<(RemotePath, Option<jiff::Timestamp>)>, LedgerError> {
        let Some(card) = self.card(logger)? else { return Ok(Vec::new()) };
        let mut statement = self.db.prepare(
            "SELECT v.path, v.time FROM versions v WHERE v.card = ?1 AND v.absent IS NULL
               AND v.state NOT IN ('removed', 'gone', 'lost')
               AND v.number = (SELECT max(number) FROM versions w WHERE w.card = v.card AND w.path = v.path)",
        )?;
        let mut rows = statement.query([card])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            all.push((path_of(&row.get::<_, Vec<u8>>(0)?)?, stamp(row.get(1)?)));
        }
        Ok(all)
    }

    fn card(&self, logger: &str) -> Result<Option<i64>, LedgerError> {
        let newest = "SELECT c.id FROM cards c JOIN loggers l ON l.id = c.logger WHERE l.name = ?
                      ORDER BY c.number DESC LIMIT 1";
        Ok(self.db.query_row(newest, [logger], |row| row.get(0)).optional()?)
    }
}

/// Whether a version, or the one whose content it has, stands verified in every required archive, and in
/// one at least whatever the configuration says.
fn safe(tx: &Tx<'_>, id: VersionId) -> Result<bool, LedgerError> {
    let same: Option<i64> =
        tx.db.query_row("SELECT same_as FROM versions WHERE id = ?", [id.0], |row| row.get(0))?;
    let archives = wanted_archives(tx)?;
    for id in [Some(id), same.map(VersionId)].into_iter().flatten() {
        let one = tx
            .db
            .prepare_cached("SELECT 1 FROM obligations WHERE version = ? AND state = 'verified'")?
            .exists([id.0])?;
        if one && has_all(tx, id, &archives)? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// The file is not removed: it is archived still, where a copy is.
fn not_removed(tx: &Tx<'_>, id: VersionId, why: &str) -> Result<(), LedgerError> {
    if state_of(tx, id)? != State::Removing {
        return Ok(());
    }
    advance(tx, id, Happening::RemovalFailed, &json!({ "why": why }))?;
    if safe(tx, id)? {
        return Ok(());
    }
    // What happened to its copies meanwhile was told to them alone.
    let archives = wanted_archives(tx)?;
    let mut duties = duties(tx, id)?;
    duties.retain(|(_, archive, _)| archives.iter().any(|(name, required)| name == archive && *required));
    if let Some((of, archive, _)) = duties.iter().find(|(.., duty)| *duty == Duty::Missing) {
        return fetch_again(tx, id, archive, *of);
    }
    // Where the version whose content it has is owed, that one finds this one if it has no other source.
    match duties.iter().find(|(of, _, duty)| *of == id && *duty != Duty::Verified) {
        Some((_, archive, _)) => {
            advance(tx, id, Happening::OwedAgain, &json!({ "archive": archive })).map(drop)
        }
        None => Ok(()),
    }
}

/// A listing shows why the file is archived still.
pub(super) fn remains(tx: &Tx<'_>, id: VersionId, why: Remains) -> Result<(), LedgerError> {
    not_removed(tx, id, why.as_str())
}

/// The file is gone from its logger: lost, where its last copy went meanwhile.
pub(super) fn removed(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    advance(tx, id, Happening::RemovalProven, &json!({}))?;
    tx.db.execute("UPDATE versions SET absent = ? WHERE id = ?", params![tx.now, id.0])?;
    for (of, archive, duty) in duties(tx, id)? {
        if of == id
            && duty == Duty::Missing
            && let Some(logger) = lost(tx, id, &archive, None)?
        {
            tell_lost(tx, &archive, logger)?;
        }
    }
    Ok(())
}

/// The copies of a version and of the one whose content it has, and how far they are.
fn duties(tx: &Tx<'_>, id: VersionId) -> Result<Vec<(VersionId, String, Duty)>, LedgerError> {
    let mut statement = tx.db.prepare_cached(
        "SELECT o.version, o.archive, o.state FROM obligations o JOIN versions v ON o.version IN (v.id, v.same_as)
         WHERE v.id = ? AND o.state <> 'waived' ORDER BY o.version, o.archive",
    )?;
    let mut rows = statement.query([id.0])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let word: String = row.get(2)?;
        let duty = Duty::parse(&word).ok_or(LedgerError::Damaged(word))?;
        all.push((VersionId(row.get(0)?), row.get(1)?, duty));
    }
    Ok(all)
}

fn removable(
    db: &Connection,
    card: i64,
    waited: Duration,
    after: VersionId,
    limit: usize,
) -> Result<Vec<Removable>, LedgerError> {
    let lived = lived(db)?;
    let since = lived.saturating_sub(i64::try_from(waited.as_millis()).unwrap_or(i64::MAX));
    let mut statement = db.prepare_cached(REMOVABLE)?;
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let mut rows = statement.query(params![card, after.0, limit, since])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        all.push(one(db, row, lived)?);
    }
    Ok(all)
}

fn one(db: &Connection, row: &Row<'_>, lived: i64) -> Result<Removable, LedgerError> {
    let damaged = |what: &str| LedgerError::Damaged(format!("an archived file without {what}"));
    let digest = |column: &str| -> Result<Digest, LedgerError> {
        digest_of(row.get(column)?).ok_or_else(|| damaged(column))
    };
    let id: i64 = row.get("id")?;
    let proof: Option<String> = row.get("proof")?;
    let size: Option<i64> = row.get("size")?;
    let size = size.and_then(|n| u64::try_from(n).ok()).ok_or_else(|| damaged("size"))?;
    let waited = lived.saturating_sub(row.get("safe")?);
    let mut statement = db.prepare_cached(
        "SELECT archive, version, location FROM obligations
         WHERE version IN (?1, ?2) AND state = 'verified' AND location IS NOT NULL",
    )?;
    let copies = statement
        .query_map(params![id, row.get::<_, Option<i64>>("same_as")?], |row| {
            Ok(Elsewhere { archive: row.get(0)?, id: VersionId(row.get(1)?), location: row.get(2)? })
        })?
        .collect::<Result<_, _>>()?;
    Ok(Removable {
        id: VersionId(id),
        path: path_of(&row.get::<_, Vec<u8>>("path")?)?,
        size,
        look: Look { size: Some(size), time: stamp(row.get("time")?), ..Look::default() }
            .with_validator_text(row.get("validator")?),
        sha256: digest("sha256")?,
        edges: Edges { head: digest("head")?, tail: digest("tail")? },
        proof: proof.as_deref().and_then(Proof::parse).unwrap_or(Proof::None),
        presumed: row.get("presumed")?,
        gapped: row.get("gapped")?,
        waited: Duration::from_millis(u64::try_from(waited).unwrap_or(0)),
        copies,
    })
}
