//! Loggers, cards and what listings said of them.

use std::collections::BTreeSet;

use jiff::Timestamp;
use rusqlite::{OptionalExtension as _, Row, params};
use serde_json::json;

use super::dropped::refuse;
use super::events::{advance, event};
use super::exchange::{changed_again, state_of};
use super::findings::{ENDED_BY_LOSS, clear_of_file};
use super::missing::is_elsewhere;
use super::partials::lived;
use super::removal::{self, Remains};
use super::state::{Happening, State};
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::model::{Digest, Edges, Look, RemotePath};

/// A file is lost, or gone, when whole listings this far apart lack it.
const ABSENT_FOR_MS: i64 = 10 * 60 * 1000;

/// The columns of [`Known`].
macro_rules! known {
    () => {
        "id, card, path, state, listed, size, time, validator, still, absent, head, tail, gaps, backlog, presumed, open"
    };
}

/// The latest versions on card 2 that lie there as far as we know, unfinished ones alone unless 3, and
/// those that earlier cards of logger 1 had.
pub(super) const LYING: &str = concat!(
    "SELECT ",
    known!(),
    " FROM versions v WHERE v.card = ?2
    AND v.state IN ('listed', 'open', 'fetching', 'settling', 'whole', 'held', 'archived', 'removing')
    AND (?3 OR v.state IN ('listed', 'open', 'fetching'))
    AND v.number = (SELECT max(number) FROM versions w WHERE w.card = v.card AND w.path = v.path)
  UNION ALL
  SELECT ",
    known!(),
    " FROM versions v WHERE v.logger = ?1 AND v.card <> ?2 AND v.state IN ('listed', 'open', 'fetching')"
);

/// A logger's row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LoggerRow {
    /// Its key.
    pub key: i64,
    /// The key of its present card.
    pub card: i64,
    /// That card's number, from 1.
    pub card_number: i64,
    /// Whether a listing of it was ever taken.
    pub met: bool,
}

/// What the ledger knows of one path: its latest version on the present card, or an unfinished one
/// on an earlier card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Known {
    /// The version.
    pub id: VersionId,
    /// Whether it is on the present card.
    pub on_card: bool,
    /// Its path.
    pub path: RemotePath,
    /// Where it stands.
    pub state: State,
    /// The fingerprint in the last listing.
    pub listed: String,
    /// What the logger said of it when it was last looked at.
    pub look: Look,
    /// Unchanged since, by our wall clock, ms.
    pub still: i64,
    /// Absent from whole listings since, ms.
    pub absent: Option<i64>,
    /// Digests of its first and last bytes, once it was whole without gaps.
    pub edges: Option<Edges>,
    /// Whether it lay on the card when the logger was first met.
    pub backlog: bool,
    /// Whether it is known by the bytes at its ends alone.
    pub presumed: bool,
    /// Whether it may still be written.
    pub open: bool,
}

/// A listed file with its exact look.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// Its path.
    pub path: RemotePath,
    /// Its fingerprint in this listing.
    pub listed: String,
    /// What is known of it now.
    pub look: Look,
}

/// One thing that a listing changes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Change {
    /// A content not seen before.
    New {
        /// As listed.
        seen: Seen,
        /// It lay there when the logger was first met.
        backlog: bool,
        /// The bytes at both ends are those of this version: it counts as archived, presumed.
        same_as: Option<VersionId>,
        /// Why it is new, for the event log.
        why: &'static str,
    },
    /// An unfinished version grew or changed on its logger.
    Changed {
        /// Which.
        id: VersionId,
        /// As listed now.
        seen: Seen,
    },
    /// A version whose content is the same under another fingerprint or time; `presumed` where only
    /// the bytes at both ends say so.
    Same {
        /// Which.
        id: VersionId,
        /// As listed now.
        seen: Seen,
        /// Whether it was compared by its ends alone.
        presumed: bool,
    },
    /// It may still be written.
    Open {
        /// Which.
        path: RemotePath,
    },
    /// It is closed.
    Closed {
        /// Which.
        path: RemotePath,
    },
    /// The kind leaves old stock where it is.
    Unwanted {
        /// Which.
        path: RemotePath,
    },
    /// The patterns do not want it any more, on whichever card it was.
    NotWanted {
        /// Which version.
        id: VersionId,
    },
    /// The patterns want it after all.
    Wanted {
        /// Which.
        path: RemotePath,
    },
    /// It was absent and is listed again, on the same card.
    CameBack {
        /// Which.
        id: VersionId,
        /// As listed now.
        seen: Seen,
    },
    /// A whole listing lacks it.
    Absent {
        /// Which.
        id: VersionId,
    },
    /// Its removal began, and it was not removed.
    Remains {
        /// Which.
        id: VersionId,
        /// What shows that.
        why: Remains,
    },
}

/// What came of applying a listing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Applied {
    /// Files that became lost with this listing, as text.
    pub lost: Vec<String>,
    /// Partials in the spool that are of no more use.
    pub freed: Vec<String>,
}

pub(super) fn stamp(ms: Option<i64>) -> Option<Timestamp> {
    ms.and_then(|ms| Timestamp::from_millisecond(ms).ok())
}

pub(super) fn digest_of(bytes: Option<Vec<u8>>) -> Option<Digest> {
    bytes.as_deref().and_then(Digest::from_slice)
}

pub(super) fn path_of(bytes: &[u8]) -> Result<RemotePath, LedgerError> {
    RemotePath::new(bytes).map_err(|e| LedgerError::Damaged(e.to_string()))
}

fn known_of(row: &Row<'_>, card: i64) -> Result<Known, LedgerError> {
    let state = row.get_ref(3)?.as_str().unwrap_or_default();
    // The ends of a copy with gaps need not be those on the card, nor can those be read for certain.
    let gapped = row.get::<_, Option<String>>(12)?.is_some();
    let edges = match (digest_of(row.get(10)?), digest_of(row.get(11)?)) {
        (Some(head), Some(tail)) if !gapped => Some(Edges { head, tail }),
        _ => None,
    };
    Ok(Known {
        id: VersionId(row.get(0)?),
        on_card: row.get::<_, i64>(1)? == card,
        path: path_of(row.get_ref(2)?.as_blob().unwrap_or_default())?,
        state: State::parse(state).ok_or_else(|| LedgerError::Damaged(state.to_owned()))?,
        listed: row.get(4)?,
        look: Look {
            size: row.get::<_, Option<i64>>(5)?.and_then(|n| u64::try_from(n).ok()),
            time: stamp(row.get(6)?),
            ..Look::default()
        }
        .with_validator_text(row.get(7)?),
        still: row.get(8)?,
        absent: row.get(9)?,
        edges,
        backlog: row.get(13)?,
        presumed: row.get(14)?,
        open: row.get(15)?,
    })
}

impl Ledger {
    /// The logger's row, made on first use; its vehicle is brought up to date.
    pub async fn logger(&self, name: &str, vehicle: &str) -> Result<LoggerRow, LedgerError> {
        let (name, vehicle) = (name.to_owned(), vehicle.to_owned());
        self.writer.ask(move |tx| logger_row(tx, &name, &vehicle)).await
    }

    /// What is known of the paths that a listing shows; where it is whole, of all that it should show:
    /// what lies on the present card as far as we know; and of unfinished files, those of earlier cards
    /// too. In the order of their paths. What went from the card long ago is not asked for, so that a
    /// card's years cost no memory.
    pub async fn known(
        &self,
        logger: &LoggerRow,
        listed: Vec<RemotePath>,
        whole: bool,
    ) -> Result<Vec<Known>, LedgerError> {
        let (key, card) = (logger.key, logger.card);
        self.writer
            .ask(move |tx| {
                let mut all = Vec::new();
                let mut statement = tx.db.prepare_cached(LYING)?;
                let mut rows = statement.query(params![key, card, whole])?;
                while let Some(row) = rows.next()? {
                    all.push(known_of(row, card)?);
                }
                let lying: BTreeSet<VersionId> = all.iter().map(|known| known.id).collect();
                let mut latest = tx.db.prepare_cached(concat!(
                    "SELECT ",
                    known!(),
                    " FROM versions WHERE card = ? AND path = ? ORDER BY number DESC LIMIT 1"
                ))?;
                for path in listed {
                    let mut rows = latest.query(params![card, path.as_bytes()])?;
                    if let Some(row) = rows.next()? {
                        let known = known_of(row, card)?;
                        if !lying.contains(&known.id) {
                            all.push(known);
                        }
                    }
                }
                all.sort_by(|a, b| a.path.cmp(&b.path));
                Ok(all)
            })
            .await
    }

    /// Ends the present card and begins the next.
    pub async fn new_card(&self, logger: &LoggerRow, why: &'static str) -> Result<LoggerRow, LedgerError> {
        let logger = logger.clone();
        self.writer
            .ask(move |tx| {
                tx.db.execute("UPDATE cards SET ended = ? WHERE id = ?", params![tx.now, logger.card])?;
                let number = logger.card_number + 1;
                tx.db.execute(
                    "INSERT INTO cards (logger, number, began, why) VALUES (?, ?, ?, ?)",
                    params![logger.key, number, tx.now, why],
                )?;
                let card = tx.db.last_insert_rowid();
                event(tx, None, Some(logger.key), "card-changed", &json!({ "card": number, "why": why }))?;
                Ok(LoggerRow { card, card_number: number, ..logger })
            })
            .await
    }

    /// Writes down what a listing of the right logger changed, in one transaction.
    pub async fn apply(
        &self,
        logger: &LoggerRow,
        vehicle: &str,
        whole: bool,
        changes: Vec<Change>,
    ) -> Result<Applied, LedgerError> {
        let (logger, vehicle) = (logger.clone(), vehicle.to_owned());
        self.writer
            .ask(move |tx| {
                let mut applied = Applied::default();
                // A clock that went back begins the wait for stillness again.
                tx.db
                    .prepare_cached("UPDATE versions SET still = ?1 WHERE card = ?2 AND still > ?1")?
                    .execute(params![tx.now, logger.card])?;
                for change in changes {
                    apply(tx, &logger, &vehicle, change, &mut applied)?;
                }
                tx.db
                    .prepare_cached(
                        "UPDATE loggers SET first_met = coalesce(first_met, ?1), last_seen = ?1,
                           last_whole = iif(?2, ?1, last_whole),
                           pending = (SELECT count(*) FROM versions WHERE logger = ?3 AND NOT open
                             AND state IN ('listed','fetching','whole','held')),
                           open = (SELECT count(*) FROM versions WHERE logger = ?3 AND open AND state IN ('open','fetching'))
                         WHERE id = ?3",
                    )?
                    .execute(params![tx.now, whole, logger.key])?;
                Ok(applied)
            })
            .await
    }

    /// A reply told a logger's own clock: it was ahead of ours by so much, ms.
    pub fn clock_told(&self, logger: &LoggerRow, ahead: i64) -> Result<(), LedgerError> {
        let key = logger.key;
        self.writer.tell(move |tx| {
            tx.db
                .prepare_cached("UPDATE loggers SET ahead = ?, ahead_at = ? WHERE id = ?")?
                .execute(params![ahead, tx.now, key])?;
            Ok(())
        })
    }

    /// A listing that changed nothing: the logger was seen.
    pub fn seen(&self, logger: &LoggerRow, whole: bool) -> Result<(), LedgerError> {
        let key = logger.key;
        self.writer.tell(move |tx| {
            tx.db
                .prepare_cached(
                    "UPDATE loggers SET last_seen = ?1, last_whole = iif(?2, ?1, last_whole) WHERE id = ?3",
                )?
                .execute(params![tx.now, whole, key])?;
            Ok(())
        })
    }
}

pub(super) fn logger_row(tx: &Tx<'_>, name: &str, vehicle: &str) -> Result<LoggerRow, LedgerError> {
    let found = tx
        .db
        .prepare_cached(
            "SELECT l.id, l.vehicle, l.first_met, c.id, c.number FROM loggers l JOIN cards c ON c.logger = l.id
             WHERE l.name = ? ORDER BY c.number DESC LIMIT 1",
        )?
        .query_row([name], |row| {
            let met: Option<i64> = row.get(2)?;
            let had: String = row.get(1)?;
            let row = LoggerRow { key: row.get(0)?, card: row.get(3)?, card_number: row.get(4)?, met: met.is_some() };
            Ok((row, had))
        })
        .optional()?;
    if let Some((row, had)) = found {
        if had != vehicle {
            tx.db.execute("UPDATE loggers SET vehicle = ? WHERE id = ?", params![vehicle, row.key])?;
            event(tx, None, Some(row.key), "moved-to-vehicle", &json!({ "from": had, "to": vehicle }))?;
        }
        return Ok(row);
    }
    tx.db.execute("INSERT INTO loggers (name, vehicle) VALUES (?, ?)", params![name, vehicle])?;
    let key = tx.db.last_insert_rowid();
    tx.db.execute(
        "INSERT INTO cards (logger, number, began, why) VALUES (?, 1, ?, 'first met')",
        params![key, tx.now],
    )?;
    Ok(LoggerRow { key, card: tx.db.last_insert_rowid(), card_number: 1, met: false })
}

fn apply(
    tx: &Tx<'_>,
    logger: &LoggerRow,
    vehicle: &str,
    change: Change,
    applied: &mut Applied,
) -> Result<(), LedgerError> {
    match change {
        Change::New { seen, backlog, same_as, why } => {
            new_version(tx, logger, vehicle, &seen, backlog, same_as, why).map(drop)
        }
        Change::Changed { id, seen } => {
            advance(tx, id, Happening::Changed, &json!({ "size": seen.look.size, "listed": seen.listed }))?;
            changed_again(tx, id, seen.look.size)?;
            keep_mark(tx, id, &seen)?;
            set_seen(tx, id, &seen, true)
        }
        Change::Same { id, seen, presumed } => {
            set_seen(tx, id, &seen, false)?;
            if presumed {
                tx.db.execute("UPDATE versions SET presumed = 1 WHERE id = ?", [id.0])?;
                event(tx, Some(id), Some(logger.key), "presumed", &json!({ "listed": seen.listed }))?;
            }
            Ok(())
        }
        Change::Open { path } => step(tx, logger, &path, Happening::MayBeWritten),
        Change::Closed { path } => step(tx, logger, &path, Happening::Closed),
        Change::Unwanted { path } => step(tx, logger, &path, Happening::Unwanted),
        Change::NotWanted { id } => advance(tx, id, Happening::Unwanted, &json!({})).map(drop),
        Change::Wanted { path } => step(tx, logger, &path, Happening::Wanted),
        Change::CameBack { id, seen } => {
            let state = state_of(tx, id)?;
            if state == State::Lost {
                advance(tx, id, Happening::CameBack, &json!({}))?;
                clear_of_file(tx, id, None, &["file-lost"])?;
            } else {
                event(tx, Some(id), Some(logger.key), Happening::CameBack.as_str(), &json!({}))?;
            }
            keep_mark(tx, id, &seen)?;
            set_seen(tx, id, &seen, true)
        }
        Change::Absent { id } => absent(tx, id, applied),
        Change::Remains { id, why } => removal::remains(tx, id, why),
    }
}

fn absent(tx: &Tx<'_>, id: VersionId, applied: &mut Applied) -> Result<(), LedgerError> {
    let (since, path): (Option<i64>, Vec<u8>) = tx
        .db
        .prepare_cached("SELECT absent, path FROM versions WHERE id = ?")?
        .query_row([id.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
    if state_of(tx, id)? == State::Removing {
        return removal::removed(tx, id);
    }
    match since {
        // A clock that went back begins the wait again.
        Some(since) if since <= tx.now => {
            if tx.now - since >= ABSENT_FOR_MS
                && matches!(
                    state_of(tx, id)?,
                    State::Listed | State::Open | State::Fetching | State::Archived
                )
            {
                let state = advance(tx, id, Happening::Vanished, &json!({ "absent_since_ms": since }))?;
                if state == State::Lost {
                    clear_of_file(tx, id, None, ENDED_BY_LOSS)?;
                }
                if state == State::Lost && !is_elsewhere(tx, id, &mut applied.freed)? {
                    applied.lost.push(path_of(&path)?.to_string());
                }
            }
        }
        _ => {
            tx.db.execute("UPDATE versions SET absent = ? WHERE id = ?", params![tx.now, id.0])?;
            event(tx, Some(id), None, "absent", &json!({}))?;
        }
    }
    Ok(())
}

/// The latest version of a path on the present card takes a happening, if it may.
fn step(tx: &Tx<'_>, logger: &LoggerRow, path: &RemotePath, by: Happening) -> Result<(), LedgerError> {
    let id: i64 = tx
        .db
        .prepare_cached("SELECT id FROM versions WHERE card = ? AND path = ? ORDER BY number DESC LIMIT 1")?
        .query_row(params![logger.card, path.as_bytes()], |row| row.get(0))?;
    advance(tx, VersionId(id), by, &json!({}))?;
    Ok(())
}

/// What came of a file stays only where the file has grown since, or is what it was: one that was
/// written over in place may hold the same bytes where the next transfer compares them, and others
/// before.
fn keep_mark(tx: &Tx<'_>, id: VersionId, seen: &Seen) -> Result<(), LedgerError> {
    let look = &seen.look;
    tx.db
        .prepare_cached(
            "UPDATE versions SET mark = 0, hash = NULL, gaps = NULL WHERE id = ?1 AND mark > 0
               AND NOT (coalesce(?2 > size, 0) OR (coalesce(?2 = size, 0)
                 AND coalesce(?3 / 1000 = time / 1000, 1) AND coalesce(?4 = validator, 1)))",
        )?
        .execute(params![
            id.0,
            look.size.map(|n| n as i64),
            look.time.map(|t| t.as_millisecond()),
            look.validator_text()
        ])?;
    Ok(())
}

fn set_seen(tx: &Tx<'_>, id: VersionId, seen: &Seen, moved: bool) -> Result<(), LedgerError> {
    let look = &seen.look;
    tx.db
        .prepare_cached(
            "UPDATE versions SET listed = ?2, size = coalesce(?3, size), time = coalesce(?4, time),
               validator = iif(?6, ?5, coalesce(?5, validator)), absent = NULL, still = iif(?6, ?7, still) WHERE id = ?1",
        )?
        .execute(params![
            id.0,
            seen.listed,
            look.size.map(|n| n as i64),
            look.time.map(|t| t.as_millisecond()),
            look.validator_text(),
            moved,
            tx.now
        ])?;
    Ok(())
}

pub(super) fn new_version(
    tx: &Tx<'_>,
    logger: &LoggerRow,
    vehicle: &str,
    seen: &Seen,
    backlog: bool,
    same_as: Option<VersionId>,
    why: &'static str,
) -> Result<VersionId, LedgerError> {
    let number: i64 = tx
        .db
        .prepare_cached("SELECT coalesce(max(number), 0) + 1 FROM versions WHERE card = ? AND path = ?")?
        .query_row(params![logger.card, seen.path.as_bytes()], |row| row.get(0))?;
    tx.db
        .prepare_cached(
            "INSERT INTO versions (logger, card, path, number, vehicle, state, backlog, listed, size, time, validator, listed_at, still)
             VALUES (?1, ?2, ?3, ?4, ?5, 'listed', ?6, ?7, ?8, ?9, ?10, ?11, ?11)",
        )?
        .execute(params![
            logger.key,
            logger.card,
            seen.path.as_bytes(),
            number,
            vehicle,
            backlog,
            seen.listed,
            seen.look.size.map(|n| n as i64),
            seen.look.time.map(|t| t.as_millisecond()),
            seen.look.validator_text(),
            tx.now
        ])?;
    let id = VersionId(tx.db.last_insert_rowid());
    event(
        tx,
        Some(id),
        Some(logger.key),
        "listed",
        &json!({ "why": why, "listed": seen.listed, "version": number }),
    )?;
    if let Some(same) = same_as {
        tx.db.execute(
            // The copies are those of a version that has some of its own.
            "UPDATE versions SET presumed = 1, (same_as, sha256, head, tail, blocks, proof) =
               (SELECT iif(EXISTS (SELECT 1 FROM obligations WHERE version = s.id), s.id, coalesce(s.same_as, s.id)),
                  sha256, head, tail, blocks, proof FROM versions s WHERE s.id = ?2)
             WHERE id = ?1",
            params![id.0, same.0],
        )?;
        let sha256: Option<Vec<u8>> =
            tx.db.query_row("SELECT sha256 FROM versions WHERE id = ?", [id.0], |row| row.get(0))?;
        let sha256 = digest_of(sha256).ok_or_else(|| LedgerError::Damaged("ends without a hash".into()))?;
        if !refuse(tx, id, &sha256, Some(same))? {
            advance(tx, id, Happening::KnownContent, &json!({ "same_as": same.0 }))?;
            let set = "UPDATE versions SET archived_at = ?, safe = ? WHERE id = ?";
            tx.db.execute(set, params![tx.now, lived(tx.db)?, id.0])?;
        }
    }
    Ok(id)
}
