//! What a ledger that was lost, or went back to an older state, learns from the receipts of the
//! archives. What it learns from the spool's records is in [`Ledger::adopt_file`].

use rusqlite::{OptionalExtension as _, params};
use serde_json::json;

use super::archives::{ReceiptRow, remember, wanted_archives};
use super::events::{advance, advance_with, event};
use super::findings::{Finding, Severity, clear, raise};
use super::listings::{LoggerRow, Seen, logger_row, new_version};
use super::state::{Happening, State};
use super::versions::owe;
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::model::{Blocks, Digest, Edges, Look, Proof, RemotePath};
use crate::spool::Record;

/// Archives whose receipts are still to be read, as JSON.
const BEHIND: &str = "behind";

/// How a ledger came to be behind what has happened.
#[derive(Debug, Clone, PartialEq)]
pub struct WentBack {
    /// A sentence.
    pub why: String,
    /// What the damaged one is called now, and which backup stands in its place.
    pub detail: serde_json::Value,
    /// What a person is told.
    pub finding: Option<Finding>,
}

impl WentBack {
    /// One that a person is told of.
    pub fn told(code: &'static str, why: String, cause: String, detail: serde_json::Value) -> Self {
        let action = "See to the disk of the depot PC, and to what else writes in the state folder. What the spool's records and \
                      the archives' receipts know is in the ledger again; notes, findings and what people decided since the \
                      backup are not.";
        let finding = Finding {
            code,
            subject: "depot".into(),
            severity: Severity::Act,
            vehicle: None,
            logger: None,
            evidence: detail.clone(),
            cause,
            action: action.into(),
        };
        Self { why, detail, finding: Some(finding) }
    }
}

/// A file of this depot, as a receipt tells of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FromReceipt {
    /// The vehicle that it belongs to.
    pub vehicle: String,
    /// The number of its card.
    pub card: i64,
    /// Its path on the logger.
    pub path: RemotePath,
    /// Size and time, as the logger told them.
    pub look: Look,
    /// Its hash.
    pub sha256: Digest,
    /// Digests of its ends.
    pub edges: Edges,
    /// Digests of its blocks.
    pub blocks: Blocks,
    /// How strongly it was checked.
    pub proof: Proof,
    /// When it was whole, in ms.
    pub whole_at: i64,
    /// When it was archived, in ms.
    pub archived_at: i64,
}

impl Ledger {
    /// Of these whole files, by their spool names, those whose content the ledger has never known
    /// under that path.
    pub async fn unknown(&self, records: Vec<Record>) -> Result<Vec<String>, LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut known = tx.db.prepare_cached(
                    "SELECT 1 FROM versions v JOIN loggers l ON l.id = v.logger
                     WHERE l.name = ? AND v.path = ? AND v.sha256 = ?",
                )?;
                let mut unknown = Vec::new();
                for record in records {
                    let (Some(path), Some(sha256)) = (record.path(), record.sha256()) else { continue };
                    if !known.exists(params![record.logger, path.as_bytes(), sha256.0])? {
                        unknown.push(record.name);
                    }
                }
                Ok(unknown)
            })
            .await
    }

    /// The ledger is behind what has happened: the receipts of every archive of the configuration are
    /// to be read, and what they tell of is not fetched again.
    pub async fn went_back(&self, how: WentBack) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                let names: Vec<String> = wanted_archives(tx)?.into_iter().map(|(name, _)| name).collect();
                set_behind(tx, &names)?;
                event(tx, None, None, "ledger-went-back", &json!({ "why": how.why, "how": how.detail }))?;
                how.finding.iter().try_for_each(|finding| raise(tx, finding))
            })
            .await
    }

    /// Archives whose receipts are still to be read.
    pub async fn behind(&self) -> Result<Vec<String>, LedgerError> {
        self.writer.ask(behind).await
    }

    /// All receipts of an archive were read.
    pub async fn caught_up_with(&self, archive: &str) -> Result<(), LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let left: Vec<String> = behind(tx)?.into_iter().filter(|name| *name != archive).collect();
                set_behind(tx, &left)
            })
            .await
    }

    /// How many files the ledger knows by receipts alone.
    pub async fn rebuilt(&self) -> Result<u64, LedgerError> {
        self.writer
            .ask(|tx| {
                let count: i64 = tx.db.query_row(
                    "SELECT count(*) FROM versions v WHERE state = 'whole' AND spool IS NULL AND EXISTS
                       (SELECT 1 FROM events e WHERE e.version = v.id AND e.what = 'known-content')",
                    [],
                    |row| row.get(0),
                )?;
                Ok(count.unsigned_abs())
            })
            .await
    }

    /// Loggers that the ledger knows, by name.
    pub async fn logger_names(&self) -> Result<Vec<String>, LedgerError> {
        self.writer
            .ask(|tx| {
                let mut statement = tx.db.prepare_cached("SELECT name FROM loggers ORDER BY name")?;
                Ok(statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?)
            })
            .await
    }

    /// Receipts that an archive has of a logger, and the files of this depot among them. A file that
    /// the ledger did not know to be whole is so now, without bytes in the spool: its copies are
    /// looked at and their receipts found in the ordinary way. What is being fetched is so at the start
    /// alone (`at_start`): later its transfer ends by itself, and finds the receipt. Gives how many such
    /// there were, and the names of partials that are of no more use.
    pub async fn adopt_receipts(
        &self,
        archive: &str,
        logger: &str,
        rows: Vec<ReceiptRow>,
        files: Vec<FromReceipt>,
        at_start: bool,
    ) -> Result<(u64, Vec<String>), LedgerError> {
        let (archive, logger) = (archive.to_owned(), logger.to_owned());
        self.writer
            .ask(move |tx| {
                rows.iter().try_for_each(|row| remember(tx, &archive, &logger, row))?;
                let archives = wanted_archives(tx)?;
                let (mut adopted, mut partials) = (0, Vec::new());
                for file in &files {
                    if let Some(partial) = adopt(tx, &logger, file, &archives, at_start)? {
                        adopted += 1;
                        partials.extend(partial);
                    }
                }
                Ok((adopted, partials))
            })
            .await
    }

    /// Whether another archive has a receipt of this file, and its copy there is still to be looked at.
    pub async fn told_elsewhere(&self, archive: &str, id: VersionId) -> Result<bool, LedgerError> {
        let archive = archive.to_owned();
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT 1 FROM versions v JOIN loggers l ON l.id = v.logger
                     JOIN obligations o ON o.version = v.id AND o.archive <> ?2
                     JOIN receipts r ON r.archive = o.archive AND r.logger = l.name
                       AND (r.key = lower(hex(v.sha256)) OR r.key LIKE lower(hex(v.sha256)) || '-%')
                     WHERE v.id = ?1 AND o.state IN ('owed', 'claimed', 'stored') AND NOT EXISTS
                       (SELECT 1 FROM events e WHERE e.version = v.id AND e.what = 'found-wrong'
                         AND e.detail ->> 'archive' = o.archive)",
                )?;
                Ok(statement.exists(params![id.0, archive])?)
            })
            .await
    }

    /// Ends a finding that has been there for so many milliseconds.
    pub fn clear_after(&self, code: &'static str, subject: &str, ms: i64) -> Result<(), LedgerError> {
        let id = format!("{code}:{subject}");
        self.writer.tell(move |tx| {
            let old = tx
                .db
                .prepare_cached("SELECT 1 FROM findings WHERE id = ? AND gone IS NULL AND since <= ?")?
                .exists(params![id, tx.now - ms])?;
            if old { clear(tx, &id) } else { Ok(()) }
        })
    }
}

fn behind(tx: &Tx<'_>) -> Result<Vec<String>, LedgerError> {
    let text: Option<String> = tx
        .db
        .prepare_cached("SELECT value FROM meta WHERE key = ?")?
        .query_row([BEHIND], |row| row.get(0))
        .optional()?;
    match text {
        Some(text) => serde_json::from_str(&text).map_err(|_| LedgerError::Damaged(text)),
        None => Ok(Vec::new()),
    }
}

fn set_behind(tx: &Tx<'_>, names: &[String]) -> Result<(), LedgerError> {
    if names.is_empty() {
        tx.db.execute("DELETE FROM meta WHERE key = ?", [BEHIND])?;
    } else {
        let text = json!(names).to_string();
        tx.db.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", params![BEHIND, text])?;
    }
    Ok(())
}

/// Whether the file is whole by this receipt, and the name of a partial that it had.
fn adopt(
    tx: &Tx<'_>,
    logger: &str,
    file: &FromReceipt,
    archives: &[(String, bool)],
    at_start: bool,
) -> Result<Option<Option<String>>, LedgerError> {
    let row = card_row(tx, logger, file)?;
    tx.db
        .prepare_cached("UPDATE loggers SET first_met = min(coalesce(first_met, ?1), ?1) WHERE id = ?2")?
        .execute(params![file.whole_at, row.key])?;
    let known = tx
        .db
        .prepare_cached("SELECT 1 FROM versions WHERE logger = ? AND path = ? AND sha256 = ?")?
        .exists(params![row.key, file.path.as_bytes(), file.sha256.0])?;
    if known {
        return Ok(None);
    }
    let waiting: Option<(i64, String, Option<String>)> = tx
        .db
        .prepare_cached(
            "SELECT id, state, spool FROM versions WHERE card = ?1 AND path = ?2 AND size = ?3 AND sha256 IS NULL
               AND coalesce(time / 1000 = ?4 / 1000, 1) AND state IN ('listed', 'open', 'fetching', 'lost')
             ORDER BY number DESC LIMIT 1",
        )?
        .query_row(
            params![
                row.card,
                file.path.as_bytes(),
                file.look.size.map(|n| n as i64),
                file.look.time.map(|t| t.as_millisecond())
            ],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?;
    let (id, partial) = match waiting {
        // Its transfer may be under way.
        Some((_, state, spool))
            if !at_start && state != "lost" && (spool.is_some() || state == "fetching") =>
        {
            return Ok(None);
        }
        Some((id, state, spool)) => {
            let detail = json!({ "why": "a receipt tells that it is archived" });
            match State::parse(&state) {
                Some(State::Fetching) => {
                    advance(tx, VersionId(id), Happening::Restarted, &detail).map(drop)?
                }
                Some(State::Lost) => advance(tx, VersionId(id), Happening::CameBack, &detail).map(drop)?,
                _ => {}
            }
            (VersionId(id), spool)
        }
        None => {
            let seen = Seen { path: file.path.clone(), listed: String::new(), look: file.look.clone() };
            let id = new_version(tx, &row, &file.vehicle, &seen, false, None, "told by a receipt")?;
            (id, None)
        }
    };
    advance_with(
        tx,
        id,
        Happening::KnownContent,
        &json!({ "by": "receipt" }),
        ", spool = NULL, mark = 0, hash = NULL, gaps = NULL, sha256 = ?3, head = ?4, tail = ?5, blocks = ?6,
           proof = ?7, whole_at = ?8, archived_at = ?9",
        params![
            file.sha256.0,
            file.edges.head.0,
            file.edges.tail.0,
            file.blocks.to_bytes(),
            file.proof.as_str(),
            file.whole_at,
            file.archived_at
        ],
    )?;
    // Promise 8: what the ledger does not remember to have verified is verified anew.
    archives.iter().try_for_each(|(archive, _)| owe(tx, id, archive))?;
    advance(tx, id, Happening::OwedAgain, &json!({ "why": "the ledger was behind" }))?;
    Ok(Some(partial))
}

/// The logger with the card that the receipt names; both are made where they are not known.
fn card_row(tx: &Tx<'_>, logger: &str, file: &FromReceipt) -> Result<LoggerRow, LedgerError> {
    let key: Option<i64> = tx
        .db
        .prepare_cached("SELECT id FROM loggers WHERE name = ?")?
        .query_row([logger], |row| row.get(0))
        .optional()?;
    let key = match key {
        Some(key) => key,
        None => logger_row(tx, logger, &file.vehicle)?.key,
    };
    tx.db
        .prepare_cached(
            "INSERT OR IGNORE INTO cards (logger, number, began, why) VALUES (?, ?, ?, 'told by a receipt')",
        )?
        .execute(params![key, file.card, file.whole_at])?;
    let card: i64 = tx
        .db
        .prepare_cached("SELECT id FROM cards WHERE logger = ? AND number = ?")?
        .query_row(params![key, file.card], |row| row.get(0))?;
    Ok(LoggerRow { key, card, card_number: file.card, met: true })
}
