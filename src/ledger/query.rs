//! Read-only questions: for commands and reports, beside the running service.

use std::collections::BTreeMap;
use std::path::PathBuf;

use rusqlite::{Connection, OptionalExtension as _, Row, Transaction, params};
use serde_json::Value;

use super::days::{ARCHIVED, DATA_UNTIL, DAY, NEWS, TIMED};
use super::events::EventRow;
use super::facts::Contents;
use super::findings::FindingRow;
use super::gaps::{Gap, gaps_of};
use super::listings::{digest_of, path_of, stamp};
use super::state::{Duty, State};
use super::{LedgerError, READ_ONLY, READING, VersionId, settle};
use crate::model::{Digest, Proof, RemotePath};

/// A read-only look at a ledger.
#[derive(Debug)]
pub struct Query {
    pub(super) db: Connection,
    /// Where it lies, if on a file system that SQLite opens itself.
    pub(super) path: Option<PathBuf>,
}

/// A copy of a file in an archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copy {
    /// The archive.
    pub archive: String,
    /// How far the copy is.
    pub duty: Duty,
    /// Where it stands.
    pub location: Option<String>,
    /// When the last step was, ms.
    pub at: i64,
    /// `disk-read` and so on, once it is verified.
    pub verified: Option<String>,
    /// Whether it was a link or reflink of the spool's file.
    pub shared: bool,
}

/// A version with its copies.
#[derive(Debug, Clone, PartialEq)]
pub struct FileRow {
    /// Its key.
    pub id: VersionId,
    /// The vehicle.
    pub vehicle: String,
    /// The logger.
    pub logger: String,
    /// The card's number.
    pub card: i64,
    /// The path on the logger.
    pub path: RemotePath,
    /// 1 for the first content under that path on that card.
    pub number: i64,
    /// Bytes, where known.
    pub size: Option<u64>,
    /// Last change as the logger's clock says it.
    pub time: Option<jiff::Timestamp>,
    /// Where it stands.
    pub state: State,
    /// How strongly it was checked.
    pub proof: Option<Proof>,
    /// Its hash, once whole.
    pub sha256: Option<Digest>,
    /// Known by the bytes at its ends alone.
    pub presumed: bool,
    /// Old stock.
    pub backlog: bool,
    /// Name of its file in the spool.
    pub spool: Option<String>,
    /// Durable bytes of its partial.
    pub mark: u64,
    /// What its logger could not read of it.
    pub gaps: Vec<Gap>,
    /// Its copies.
    pub copies: Vec<Copy>,
    /// What is in it, where it was read.
    pub contents: Option<Contents>,
}

/// One logger, over a span of time and now.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LoggerDay {
    /// Its id.
    pub logger: String,
    /// Its vehicle.
    pub vehicle: String,
    /// Last listing, ms.
    pub last_seen: Option<i64>,
    /// Last whole listing, ms.
    pub last_whole: Option<i64>,
    /// In the span: last listing, ms.
    pub seen: Option<i64>,
    /// Closed and not begun.
    pub listed: u64,
    /// Perhaps still written.
    pub open: u64,
    /// Begun.
    pub fetching: u64,
    /// In the spool, waiting for an archive.
    pub whole: u64,
    /// Waiting for a person.
    pub held: u64,
    /// Bytes of listed and fetching files that are not here yet.
    pub bytes_to_fetch: u64,
    /// Of listed and fetching: old stock.
    pub backlog: u64,
    /// Of `bytes_to_fetch`: old stock.
    pub bytes_backlog: u64,
    /// Latest change, by the logger's clock, of a file that was archived before the span's end; ms.
    pub data_until: Option<i64>,
    /// In the span: contents that were new on it, old stock aside.
    pub new: u64,
    /// In the span: files archived.
    pub archived_files: u64,
    /// In the span: bytes archived.
    pub archived_bytes: u64,
    /// In the span: files that became lost.
    pub lost: u64,
    /// In the span: bytes delivered.
    pub bytes: u64,
    /// In the span: bytes delivered twice.
    pub twice: u64,
    /// In the span: transfers cut.
    pub cuts: u64,
    /// Bytes that an hour of transfers brought in the two weeks up to the span's end; `None` where none was timed.
    pub hourly: Option<u64>,
}

/// A file that a logger has and that is not here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotHome {
    /// The logger.
    pub logger: String,
    /// The path on it.
    pub path: RemotePath,
    /// Whether it may still be written.
    pub open: bool,
}

/// Sums over a span of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Totals {
    /// Files that were found to be known content already.
    pub duplicates_avoided: u64,
}

/// What is not home of a logger.
pub(super) const NOT_HOME: &str = "SELECT v.path FROM versions v
  WHERE v.logger = ?1 AND v.state IN (?2, 'fetching') AND v.open = ?3 AND v.backlog = 0 ORDER BY +v.id LIMIT ?4";

impl Query {
    /// A second look at the same ledger, for another thread; `None` where there can be none.
    pub fn beside(&self) -> Option<Self> {
        let db = Connection::open_with_flags(self.path.as_ref()?, READ_ONLY).ok()?;
        settle(&db, READING).ok()?;
        Some(Self { db, path: self.path.clone() })
    }

    /// Until it is dropped, all questions are answered as of the first one's moment. It holds up no writer, but the
    /// ledger's log grows meanwhile.
    pub fn moment(&self) -> Result<Transaction<'_>, LedgerError> {
        Ok(self.db.unchecked_transaction()?)
    }

    /// Every version that fits, oldest first by key, one after the other; `each` says whether to go on.
    pub fn files(
        &self,
        vehicle: Option<&str>,
        state: Option<State>,
        mut each: impl FnMut(FileRow) -> bool,
    ) -> Result<(), LedgerError> {
        let mut statement = self.db.prepare(&format!(
            "{FILES} WHERE (?1 IS NULL OR v.vehicle = ?1) AND (?2 IS NULL OR v.state = ?2) ORDER BY v.id"
        ))?;
        let mut rows = statement.query(params![vehicle, state.map(State::as_str)])?;
        while let Some(row) = rows.next()? {
            if !each(self.file(row)?) {
                break;
            }
        }
        Ok(())
    }

    /// Versions by path on the logger, by hash (64 digits, or 8 and more of them), or by location
    /// in an archive; newest first, at most 100.
    pub fn find(&self, what: &str) -> Result<Vec<FileRow>, LedgerError> {
        let mut all = Vec::new();
        let hex = what.len() >= 8 && what.len() <= 64 && what.bytes().all(|b| b.is_ascii_hexdigit());
        let mut statement = self.db.prepare(&format!(
            "{FILES} WHERE v.path = CAST(?1 AS BLOB) OR (?2 AND lower(hex(v.sha256)) LIKE lower(?1) || '%')
               OR v.id IN (SELECT version FROM obligations WHERE location = ?1) ORDER BY v.id DESC LIMIT 100"
        ))?;
        let mut rows = statement.query(params![what, hex])?;
        while let Some(row) = rows.next()? {
            all.push(self.file(row)?);
        }
        Ok(all)
    }

    /// Versions whose path fits; newest first, at most 100.
    pub fn find_path(&self, fits: impl Fn(&RemotePath) -> bool) -> Result<Vec<FileRow>, LedgerError> {
        let mut paths = self.db.prepare("SELECT id, path FROM versions ORDER BY id DESC")?;
        let mut one = self.db.prepare(&format!("{FILES} WHERE v.id = ?"))?;
        let mut all = Vec::new();
        let mut rows = paths.query([])?;
        while let Some(row) = rows.next()? {
            let path: Vec<u8> = row.get(1)?;
            if fits(&path_of(&path)?) {
                let mut found = one.query([row.get::<_, i64>(0)?])?;
                if let Some(row) = found.next()? {
                    all.push(self.file(row)?);
                }
            }
            if all.len() == 100 {
                break;
            }
        }
        Ok(all)
    }

    /// A version's story, oldest first.
    pub fn story(&self, id: VersionId) -> Result<Vec<EventRow>, LedgerError> {
        let mut statement = self
            .db
            .prepare_cached("SELECT id, at, what, detail FROM events WHERE version = ? ORDER BY id")?;
        let rows = statement.query_map([id.0], |row| {
            let detail: String = row.get(3)?;
            Ok(EventRow {
                id: row.get(0)?,
                at: row.get(1)?,
                what: row.get(2)?,
                detail: serde_json::from_str(&detail).unwrap_or(Value::Null),
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Findings that are there, and those gone since a moment (ms), those that ask most first.
    pub fn findings(&self, gone_since: i64) -> Result<Vec<FindingRow>, LedgerError> {
        let mut statement = self.db.prepare(FINDINGS)?;
        let rows = statement.query_map([gone_since], FindingRow::read)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Every logger that the ledger knows, over `from..to` (ms), by name.
    pub fn loggers(&self, from: i64, to: i64) -> Result<Vec<LoggerDay>, LedgerError> {
        let mut statement =
            self.db.prepare("SELECT id, name, vehicle, last_seen, last_whole FROM loggers ORDER BY name")?;
        let archived = self.by_logger(ARCHIVED, from, to)?;
        let news = self.by_logger(NEWS, from, to)?;
        let mut rows = statement.query([])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let key: i64 = row.get(0)?;
            let (archived_files, archived_bytes) = archived.get(&key).copied().unwrap_or_default();
            let mut day = LoggerDay {
                logger: row.get(1)?,
                vehicle: row.get(2)?,
                last_seen: row.get(3)?,
                last_whole: row.get(4)?,
                new: news.get(&key).map_or(0, |n| n.0),
                archived_files,
                archived_bytes,
                ..LoggerDay::default()
            };
            self.unfinished(key, &mut day)?;
            self.span(key, from, to, &mut day)?;
            all.push(day);
        }
        Ok(all)
    }

    /// A count and a sum, where there is one, by a logger's key.
    fn by_logger(&self, sql: &str, from: i64, to: i64) -> Result<BTreeMap<i64, (u64, u64)>, LedgerError> {
        let mut statement = self.db.prepare(sql)?;
        let sum = statement.column_count() > 2;
        let rows = statement.query_map([from, to], |row| {
            let bytes: i64 = if sum { row.get(2)? } else { 0 };
            Ok((row.get(0)?, (row.get::<_, i64>(1)?.max(0) as u64, bytes.max(0) as u64)))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn unfinished(&self, key: i64, day: &mut LoggerDay) -> Result<(), LedgerError> {
        let mut statement = self.db.prepare_cached(UNFINISHED)?;
        let mut rows = statement.query([key])?;
        while let Some(row) = rows.next()? {
            let (state, count, bytes, backlog, old): (String, i64, i64, i64, i64) =
                (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?);
            let count = count as u64;
            match State::parse(&state) {
                Some(State::Listed) => day.listed = count,
                Some(State::Fetching) => day.fetching = count,
                Some(State::Open) => day.open = count,
                Some(State::Whole) => day.whole = count,
                Some(State::Held) => day.held = count,
                _ => {}
            }
            if matches!(State::parse(&state), Some(State::Listed | State::Fetching)) {
                day.bytes_to_fetch += bytes.max(0) as u64;
                day.backlog += backlog as u64;
                day.bytes_backlog += old.max(0) as u64;
            }
        }
        Ok(())
    }

    fn span(&self, key: i64, from: i64, to: i64, day: &mut LoggerDay) -> Result<(), LedgerError> {
        let sums = |sql: &str| -> Result<(i64, i64, i64), LedgerError> {
            Ok(self
                .db
                .prepare_cached(sql)?
                .query_row(params![key, from, to], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?)
        };
        let (bytes, twice, cuts) = sums(
            "SELECT coalesce(sum(bytes), 0), coalesce(sum(twice), 0), coalesce(sum(cuts), 0) FROM visits
             WHERE logger = ? AND began >= ? AND began < ?",
        )?;
        (day.bytes, day.twice, day.cuts) = (bytes as u64, twice as u64, cuts as u64);
        if day.bytes_to_fetch > day.bytes_backlog {
            let timed = self.db.prepare_cached(TIMED)?.query_row(params![key, to - 14 * DAY, to], |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))
            })?;
            let hourly = timed.0.max(0) as f64 * 3_600_000.0 / timed.1 as f64;
            day.hourly = (timed.0 > 0 && timed.1 > 0).then_some(hourly as u64);
        }
        let (lost, _, _) = sums(LOST)?;
        day.lost = lost as u64;
        day.data_until =
            self.db.prepare_cached(DATA_UNTIL)?.query_row([key, to], |row| row.get(0)).optional()?;
        day.seen = match day.last_seen {
            Some(at) if from <= at && at < to => Some(at),
            // A later listing hides an earlier one; its visit does not.
            _ => {
                let visits = self.visits(&day.logger, from, to)?;
                visits.iter().filter(|v| v.to >= from).map(|v| v.to.min(to - 1)).max()
            }
        };
        Ok(())
    }

    /// Sums over `from..to` (ms).
    pub fn totals(&self, from: i64, to: i64) -> Result<Totals, LedgerError> {
        let duplicates: i64 = self.db.query_row(DUPLICATES, params![from, to], |row| row.get(0))?;
        Ok(Totals { duplicates_avoided: duplicates as u64 })
    }

    /// Closed files that are not here, then files that may still be written, at most `limit` of each;
    /// without old stock.
    pub fn not_home(&self, limit: usize) -> Result<Vec<NotHome>, LedgerError> {
        let mut loggers = self.db.prepare_cached("SELECT id, name FROM loggers ORDER BY name")?;
        let loggers: Vec<(i64, String)> =
            loggers.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?;
        let mut statement = self.db.prepare_cached(NOT_HOME)?;
        let mut all = Vec::new();
        for (open, first) in [(false, "listed"), (true, "open")] {
            let mut left = limit;
            for (key, name) in &loggers {
                if left == 0 {
                    break;
                }
                let mut rows = statement.query(params![key, first, open, left as i64])?;
                while let Some(row) = rows.next()? {
                    let path: Vec<u8> = row.get(0)?;
                    all.push(NotHome { logger: name.clone(), path: path_of(&path)?, open });
                    left -= 1;
                }
            }
        }
        Ok(all)
    }

    /// When the service or a round first ran, ms; `None` before that.
    pub fn first_up(&self) -> Result<Option<i64>, LedgerError> {
        Ok(self.db.query_row(FIRST_UP, [], |row| row.get(0))?)
    }

    /// Files that wait for a person.
    pub fn held(&self) -> Result<Vec<FileRow>, LedgerError> {
        let mut all = Vec::new();
        self.files(None, Some(State::Held), |row| {
            all.push(row);
            all.len() < 10_000
        })?;
        Ok(all)
    }

    /// The id that an archive had when it was accepted.
    pub fn archive_id(&self, name: &str) -> Result<Option<String>, LedgerError> {
        Ok(self
            .db
            .query_row("SELECT uuid FROM archives WHERE name = ?", [name], |row| row.get(0))
            .optional()?)
    }

    /// Copies that archives are still owed: `(archive, files, bytes)`.
    pub fn owed(&self) -> Result<Vec<(String, u64, u64)>, LedgerError> {
        let mut statement = self.db.prepare(OWED)?;
        let rows = statement.query_map([], |row| {
            Ok((row.get(0)?, row.get::<_, i64>(1)? as u64, row.get::<_, i64>(2)? as u64))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn file(&self, row: &Row<'_>) -> Result<FileRow, LedgerError> {
        let id = VersionId(row.get("id")?);
        let state: String = row.get("state")?;
        let proof: Option<String> = row.get("proof")?;
        let path: Vec<u8> = row.get("path")?;
        let mut statement = self.db.prepare_cached(
            "SELECT archive, state, coalesce(location, k0), at, verified, shared FROM obligations WHERE version = ? ORDER BY archive",
        )?;
        let copies = statement
            .query_map([id.0], |row| {
                let duty: String = row.get(1)?;
                Ok(Copy {
                    archive: row.get(0)?,
                    duty: Duty::parse(&duty).unwrap_or(Duty::Owed),
                    location: row.get(2)?,
                    at: row.get(3)?,
                    verified: row.get(4)?,
                    shared: row.get(5)?,
                })
            })?
            .collect::<Result<_, _>>()?;
        Ok(FileRow {
            id,
            vehicle: row.get("vehicle")?,
            logger: row.get("logger_name")?,
            card: row.get("card_number")?,
            path: path_of(&path)?,
            number: row.get("number")?,
            size: row.get::<_, Option<i64>>("size")?.and_then(|n| u64::try_from(n).ok()),
            time: stamp(row.get("time")?),
            state: State::parse(&state).ok_or(LedgerError::Damaged(state))?,
            proof: proof.as_deref().and_then(Proof::parse),
            sha256: digest_of(row.get("sha256")?),
            presumed: row.get("presumed")?,
            backlog: row.get("backlog")?,
            spool: row.get("spool")?,
            mark: row.get::<_, i64>("mark")?.max(0) as u64,
            gaps: gaps_of(row.get("gaps")?)?,
            copies,
            contents: self.contents(id)?,
        })
    }
}

const FILES: &str = "SELECT v.*, l.name AS logger_name, c.number AS card_number FROM versions v
  JOIN loggers l ON l.id = v.logger JOIN cards c ON c.id = v.card";

/// Files that turned out to be known content in a span.
pub(super) const DUPLICATES: &str =
    "SELECT count(*) FROM events WHERE what IN ('known-content', 'alias') AND at >= ? AND at < ?";

/// Findings that are there, or went since.
pub(super) const FINDINGS: &str = "SELECT * FROM findings WHERE gone IS NULL OR gone >= ?
     ORDER BY gone IS NOT NULL, CASE severity WHEN 'act' THEN 0 WHEN 'watch' THEN 1 ELSE 2 END, since, id";

/// When it first ran.
pub(super) const FIRST_UP: &str = "SELECT min(began) FROM uptimes";

/// What of a logger is not home, by state. A size is what it claims: no file counts for more than
/// 2^44 bytes, so that the sum of half a million of them is still a number of SQLite's.
pub(super) const UNFINISHED: &str = "SELECT iif(state = 'fetching' AND open, 'open', state), count(*),
       sum(min(max(coalesce(size, 0) - mark, 0), 1 << 44)), sum(backlog),
       sum(backlog * min(max(coalesce(size, 0) - mark, 0), 1 << 44)) FROM versions
     WHERE logger = ? AND state IN ('listed', 'open', 'fetching', 'whole', 'held') GROUP BY 1";

/// Files of a logger that became lost in a span.
pub(super) const LOST: &str = "SELECT count(*), 0, 0 FROM versions v WHERE logger = ? AND state = 'lost' AND EXISTS
       (SELECT 1 FROM events e WHERE e.version = v.id AND e.what IN ('vanished', 'no-source') AND e.at >= ? AND e.at < ?)";

/// What archives are owed; not of what waits for a person.
pub(super) const OWED: &str = "SELECT o.archive, count(*), coalesce(sum(v.size), 0) FROM obligations o JOIN versions v ON v.id = o.version
     WHERE o.state IN ('owed', 'claimed', 'stored', 'blocked') AND v.state <> 'held' GROUP BY o.archive ORDER BY o.archive";
