//! A version from granted to whole: what fetching writes down.

use rusqlite::{Row, params};
use serde_json::{Value, json};

use super::adopted::{Adopted, again};
use super::archives::{archive_if_done, wanted_archives};
use super::dropped;
use super::events::{advance, advance_by, advance_duty, advance_with, event};
use super::exchange::fetched_again;
use super::findings::{ENDED_BY_COMING_HOME, Finding, clear_of_file, open_codes, raise};
use super::gaps::{Gap, gaps_of};
use super::listings::{digest_of, path_of, stamp};
use super::state::{Happening, Illegal, State, Step};
use super::{Ledger, LedgerError, Tx};
use crate::model::{Blocks, Digest, Edges, Look, Proof, RemotePath};

/// The key of a version.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct VersionId(pub i64);

/// A file that is to be fetched.
#[derive(Debug, Clone, PartialEq)]
pub struct Pending {
    /// The version.
    pub id: VersionId,
    /// Its path on the logger.
    pub path: RemotePath,
    /// Where it stands: listed, open or fetching.
    pub state: State,
    /// What the logger said of it.
    pub look: Look,
    /// Old stock.
    pub backlog: bool,
    /// Name of its partial in the spool.
    pub spool: Option<String>,
    /// The last flushed mark.
    pub mark: Mark,
    /// The furthest byte that any transfer reached.
    pub furthest: u64,
    /// Visits that ended stuck at one byte ...
    pub stuck: u32,
    /// ... and at which; 0 where its logger begins each transfer at zero.
    pub stuck_at: Option<u64>,
    /// Whether it may still be written.
    pub open: bool,
    /// Whether it may have been written on, or over, since the first bytes of its partial were read.
    pub ahead: bool,
    /// What its logger cannot read of it, as far as the mark.
    pub gaps: Vec<Gap>,
    /// Size and hash of the whole version of the same name before this one, which it may extend.
    pub before: Option<(VersionId, u64, Digest)>,
}

/// How much of a partial is durable, and the running hash there.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Mark {
    /// Bytes.
    pub offset: u64,
    /// [`crate::model::RunningHash::to_bytes`]; empty at offset 0.
    pub hash: Vec<u8>,
    /// What the logger said of the file when its first bytes came, until the ledger knows it.
    pub look: Option<Look>,
}

/// A transfer that may begin.
#[derive(Debug, Clone)]
pub struct Grant {
    /// Of which version.
    pub id: VersionId,
    /// Name of its partial in the spool.
    pub spool: String,
    /// Bytes reserved in the spool.
    pub reserved: u64,
}

/// What is known of a file that has become whole.
#[derive(Debug, Clone)]
pub struct WholeFacts {
    /// The version.
    pub id: VersionId,
    /// Name of its file in the spool.
    pub spool: String,
    /// What the logger said of it at the end.
    pub look: Look,
    /// Its length in bytes.
    pub size: u64,
    /// Its hash.
    pub sha256: Digest,
    /// Digests of both ends.
    pub edges: Edges,
    /// Digests of its blocks.
    pub blocks: Blocks,
    /// How strongly it was checked.
    pub proof: Proof,
    /// The version that it begins with.
    pub extends: Option<VersionId>,
    /// Archives that it is owed to; none where the proof does not reach what its kind asks for.
    pub owed: Vec<String>,
    /// For the event log: bytes delivered, tries, how the proof was made.
    pub detail: Value,
}

/// What became of each file of a group.
pub type Outcomes = Vec<Result<Adopted, Illegal>>;

/// What is to be fetched from a logger.
pub(super) const PENDING: &str = "SELECT v.id, v.path, v.state, v.size, v.time, v.validator, v.backlog, v.spool, v.mark,
    v.hash, v.furthest, v.stuck, v.stuck_at, v.open, v.ahead, v.gaps, b.id, b.size, b.sha256 FROM versions v
    LEFT JOIN versions b ON b.card = v.card AND b.path = v.path AND b.number = v.number - 1 AND b.sha256 IS NOT NULL
  WHERE v.logger = ?1 AND v.state IN ('listed', 'open', 'fetching') AND v.absent IS NULL
    AND +v.card = (SELECT id FROM cards WHERE logger = ?1 ORDER BY number DESC LIMIT 1)
  ORDER BY v.path";

impl Ledger {
    /// What is to be fetched from a logger: versions of its present card that are listed, open or
    /// fetching, in the order of their paths. What an earlier card still had cannot be had any more.
    pub async fn pending(&self, logger: i64) -> Result<Vec<Pending>, LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(PENDING)?;
                let mut rows = statement.query([logger])?;
                let mut all = Vec::new();
                while let Some(row) = rows.next()? {
                    all.push(pending_of(row)?);
                }
                Ok(all)
            })
            .await
    }

    /// A transfer begins, into a new partial or on from the mark of the one it has. Not waited for: a
    /// partial without a row, or a row without a partial, is set right at the next start.
    pub fn grant(&self, grant: Grant) -> Result<(), LedgerError> {
        self.writer.tell(move |tx| {
            let detail = json!({ "reserved": grant.reserved });
            let set = ", mark = iif(spool IS ?3, mark, 0), hash = iif(spool IS ?3, hash, NULL),
              gaps = iif(spool IS ?3, gaps, NULL), spool = ?3";
            advance_with(tx, grant.id, Happening::Granted, &detail, set, &[&grant.spool]).map(drop)
        })
    }

    /// Bytes of a partial are durable. Call only after they are flushed.
    pub async fn mark(&self, id: VersionId, mark: Mark) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                set_mark(tx, id, &mark)?;
                advance(tx, id, Happening::Marked, &json!({ "offset": mark.offset })).map(drop)
            })
            .await
    }

    /// A transfer ended early; what came is flushed up to the mark.
    pub async fn cut(&self, id: VersionId, mark: Mark, why: String) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                set_mark(tx, id, &mark)?;
                advance(tx, id, Happening::Cut, &json!({ "offset": mark.offset, "why": why })).map(drop)
            })
            .await
    }

    /// All that there was of a file that may still be written has come; it is flushed up to the mark.
    /// `look` is what the file was at the end.
    pub async fn caught_up(&self, id: VersionId, mark: Mark, look: Look) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                // What it was when its first bytes came is of no more use.
                let mark = Mark { look: None, ..mark };
                set_mark(tx, id, &mark)?;
                advance(tx, id, Happening::Marked, &json!({ "offset": mark.offset, "open": true }))?;
                tx.db
                    .prepare_cached(
                        "UPDATE versions SET still = iif(size IS ?2, still, ?5), size = ?2, time = coalesce(?3, time),
                           validator = ?4 WHERE id = ?1",
                    )?
                    .execute(params![
                        id.0,
                        look.size.unwrap_or(mark.offset) as i64,
                        look.time.map(|t| t.as_millisecond()),
                        look.validator_text(),
                        tx.now
                    ])?;
                Ok(())
            })
            .await
    }

    /// What was fetched is worthless, and is gone from the spool.
    pub async fn restart(&self, id: VersionId, by: Happening, why: String) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                let open: bool =
                    tx.db.query_row("SELECT open FROM versions WHERE id = ?", [id.0], |row| row.get(0))?;
                advance(tx, id, by, &json!({ "why": why }))?;
                if open {
                    advance(tx, id, Happening::MayBeWritten, &json!({}))?;
                }
                tx.db.execute(
                    "UPDATE versions SET spool = NULL, mark = 0, hash = NULL, gaps = NULL, furthest = 0, waits = NULL
                     WHERE id = ?",
                    [id.0],
                )?;
                Ok(())
            })
            .await
    }

    /// A visit ended with this file stuck at a byte, or no longer stuck.
    pub async fn stuck(&self, id: VersionId, at: Option<u64>) -> Result<u32, LedgerError> {
        self.writer
            .ask(move |tx| {
                let at = at.map(|n| n as i64);
                tx.db.execute(
                    "UPDATE versions SET stuck = iif(?2 IS NULL, 0, iif(stuck_at IS ?2, stuck + 1, 1)), stuck_at = ?2
                     WHERE id = ?1",
                    params![id.0, at],
                )?;
                Ok(tx.db.query_row("SELECT stuck FROM versions WHERE id = ?", [id.0], |row| row.get(0))?)
            })
            .await
    }

    /// Files became whole: they lie in the spool under their final names, flushed, with their
    /// records. Answered when all of them are committed, for each by itself: one that went another way
    /// meanwhile holds up no other. With each comes whether a person keeps it (else a transfer ended).
    /// One whose transfer was not granted yet is granted with it.
    pub async fn whole(&self, group: Vec<(WholeFacts, bool)>) -> Result<Outcomes, LedgerError> {
        let by = |kept| if kept { Happening::Kept } else { Happening::BecameWhole };
        self.writer
            .ask(move |tx| {
                let ended = open_codes(tx, ENDED_BY_COMING_HOME)?;
                let each = |(facts, kept): &(WholeFacts, bool)| match whole(tx, facts, by(*kept), &ended) {
                    Err(LedgerError::Illegal(illegal)) => Ok(Err(illegal)),
                    other => other.map(Ok),
                };
                group.iter().map(each).collect()
            })
            .await
    }

    /// A second reading or a digest raised a whole file's proof.
    pub async fn proven(&self, id: VersionId, proof: Proof, owed: Vec<String>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                tx.db.execute("UPDATE versions SET proof = ? WHERE id = ?", params![proof.as_str(), id.0])?;
                event(tx, Some(id), None, "proven", &json!({ "proof": proof.as_str() }))?;
                owed.iter().try_for_each(|archive| owe(tx, id, archive))
            })
            .await
    }

    /// A file waits for a person from now on, who is told at once; what there is of it lies in the spool.
    pub async fn hold(
        &self,
        id: VersionId,
        spool: Option<String>,
        detail: Value,
        told: Option<Finding>,
    ) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                told.iter().try_for_each(|finding| raise(tx, finding))?;
                advance(tx, id, Happening::WasHeld, &detail)?;
                if let Some(spool) = spool {
                    tx.db.execute("UPDATE versions SET spool = ? WHERE id = ?", params![spool, id.0])?;
                }
                Ok(())
            })
            .await
    }

    /// The version that owns a spool name, with its state and mark.
    pub async fn spool_owners(&self) -> Result<Vec<(String, VersionId, State, Mark, bool)>, LedgerError> {
        self.writer
            .ask(|tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT spool, id, state, mark, hash,
                       EXISTS (SELECT 1 FROM obligations o WHERE o.version = v.id AND o.state IN ('owed','claimed','stored','blocked')) AS duty
                     FROM versions v WHERE spool IS NOT NULL",
                )?;
                let mut rows = statement.query([])?;
                let mut all = Vec::new();
                while let Some(row) = rows.next()? {
                    let state: String = row.get(2)?;
                    let mark = Mark {
                        offset: row.get::<_, i64>(3)?.max(0) as u64,
                        hash: row.get::<_, Option<Vec<u8>>>(4)?.unwrap_or_default(),
                        look: None,
                    };
                    let state = State::parse(&state).ok_or(LedgerError::Damaged(state))?;
                    all.push((row.get(0)?, VersionId(row.get(1)?), state, mark, row.get(5)?));
                }
                Ok(all)
            })
            .await
    }

    /// A spool file is gone, after the ledger said that it may be.
    pub fn unlinked(&self, ids: Vec<VersionId>) -> Result<(), LedgerError> {
        self.writer.tell(move |tx| ids.into_iter().try_for_each(|id| unlinked(tx, id)))
    }
}

pub(super) fn unlinked(tx: &Tx<'_>, id: VersionId) -> Result<(), LedgerError> {
    tx.db.prepare_cached("UPDATE versions SET spool = NULL WHERE id = ?")?.execute([id.0])?;
    Ok(())
}

fn pending_of(row: &Row<'_>) -> Result<Pending, LedgerError> {
    let state = row.get_ref(2)?.as_str().unwrap_or_default();
    let before = match (row.get::<_, Option<i64>>(16)?, row.get::<_, Option<i64>>(17)?, row.get(18)?) {
        (Some(id), Some(size), sha256) => {
            digest_of(sha256).map(|sha256| (VersionId(id), size.max(0) as u64, sha256))
        }
        _ => None,
    };
    Ok(Pending {
        id: VersionId(row.get(0)?),
        path: path_of(row.get_ref(1)?.as_blob().unwrap_or_default())?,
        state: State::parse(state).ok_or_else(|| LedgerError::Damaged(state.to_owned()))?,
        look: Look {
            size: row.get::<_, Option<i64>>(3)?.and_then(|n| u64::try_from(n).ok()),
            time: stamp(row.get(4)?),
            ..Look::default()
        }
        .with_validator_text(row.get(5)?),
        backlog: row.get(6)?,
        spool: row.get(7)?,
        mark: Mark {
            offset: row.get::<_, i64>(8)?.max(0) as u64,
            hash: row.get::<_, Option<Vec<u8>>>(9)?.unwrap_or_default(),
            look: None,
        },
        furthest: row.get::<_, i64>(10)?.max(0) as u64,
        stuck: row.get(11)?,
        stuck_at: row.get::<_, Option<i64>>(12)?.map(|at| at.max(0) as u64),
        open: row.get(13)?,
        ahead: row.get(14)?,
        gaps: gaps_of(row.get(15)?)?,
        before,
    })
}

pub(super) fn set_mark(tx: &Tx<'_>, id: VersionId, mark: &Mark) -> Result<(), LedgerError> {
    let look = mark.look.clone().unwrap_or_default();
    tx.db
        .prepare_cached(
            "UPDATE versions SET mark = ?2, hash = ?3, furthest = max(furthest, ?2), size = coalesce(?4, size),
               time = coalesce(?5, time), validator = coalesce(?6, validator), gaps = iif(?2 = 0, NULL, gaps) WHERE id = ?1",
        )?
        .execute(params![
            id.0,
            mark.offset as i64,
            mark.hash,
            look.size.map(|n| n as i64),
            look.time.map(|t| t.as_millisecond()),
            look.validator_text()
        ])?;
    Ok(())
}

pub(super) fn whole(
    tx: &Tx<'_>,
    facts: &WholeFacts,
    by: Happening,
    ended: &[&str],
) -> Result<Adopted, LedgerError> {
    let mut detail = facts.detail.clone();
    if let Some(object) = detail.as_object_mut() {
        object.insert("sha256".into(), facts.sha256.hex().into());
        object.insert("size".into(), facts.size.into());
        object.insert("proof".into(), facts.proof.as_str().into());
    }
    let (granted, before): (bool, Option<Vec<u8>>) = tx
        .db
        .prepare_cached("SELECT state NOT IN ('listed', 'open'), sha256 FROM versions WHERE id = ?")?
        .query_row([facts.id.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let before = digest_of(before);
    if before == Some(facts.sha256)
        && let Some(known) = again(tx, facts.id, &facts.spool)?
    {
        return Ok(known);
    }
    let reserved = json!({ "reserved": facts.size });
    let all = [(Happening::Granted, &reserved), (by, &detail)];
    advance_by(
        tx,
        facts.id,
        if granted { &all[1..] } else { &all },
        ", spool = ?3, size = ?4, time = coalesce(?5, time), validator = coalesce(?6, validator),
           sha256 = ?7, head = ?8, tail = ?9, blocks = ?10, proof = ?11, whole_at = ?12,
           mark = 0, hash = NULL, stuck = 0, stuck_at = NULL",
        params![
            facts.spool,
            facts.size as i64,
            facts.look.time.map(|t| t.as_millisecond()),
            facts.look.validator_text(),
            facts.sha256.0,
            facts.edges.head.0,
            facts.edges.tail.0,
            facts.blocks.to_bytes(),
            facts.proof.as_str(),
            tx.now
        ],
    )?;
    // By itself, since SQLite keeps a journal of each statement that sets a reference.
    if let Some(extends) = facts.extends {
        tx.db
            .prepare_cached("UPDATE versions SET extends = ? WHERE id = ?")?
            .execute([extends.0, facts.id.0])?;
    }
    clear_of_file(tx, facts.id, None, ended)?;
    if let Some(before) = before {
        fetched_again(tx, facts.id, &before, &facts.sha256)?;
    }
    if by == Happening::Kept {
        dropped::allow(tx, &facts.sha256)?;
    } else if dropped::refuse(tx, facts.id, &facts.sha256, None)? {
        return Ok(Adopted::Whole);
    }
    // The configuration may have changed since the transfer began, or since the record was written.
    let wanted: Vec<_> = wanted_archives(tx)?.into_iter().map(|(archive, _)| archive).collect();
    let owed = match facts.owed.is_empty() || wanted.is_empty() {
        true => &facts.owed,
        false => &wanted,
    };
    owed.iter().try_for_each(|archive| owe(tx, facts.id, archive))?;
    // Fetched again for an archive that is not asked any more: the others have it still.
    if before.is_some() {
        archive_if_done(tx, facts.id)?;
    }
    Ok(Adopted::Whole)
}

pub(super) fn owe(tx: &Tx<'_>, id: VersionId, archive: &str) -> Result<(), LedgerError> {
    let new = tx
        .db
        .prepare_cached(
            "INSERT OR IGNORE INTO obligations (version, archive, state, at) VALUES (?, ?, 'owed', ?)",
        )?
        .execute(params![id.0, archive, tx.now])?;
    // The archive was out, and is in again.
    let waived = "SELECT 1 FROM obligations WHERE version = ? AND archive = ? AND state = 'waived'";
    if new == 0 && tx.db.prepare_cached(waived)?.exists(params![id.0, archive])? {
        advance_duty(tx, id, archive, Step::Again, &json!({ "archive": archive }))?;
    }
    Ok(())
}
