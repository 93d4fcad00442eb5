//! Questions of a day's report that look further back, or at the spool: read-only, by index.

use std::collections::BTreeMap;

use rusqlite::{OptionalExtension as _, params};

use super::{LedgerError, Query};

/// A span in which a logger answered with listings, ms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Visit {
    /// Its first moment.
    pub from: i64,
    /// Its end, or the last listing so far.
    pub to: i64,
}

/// When Yarder ran, and when it could not see although it ran; ms.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Watched {
    /// When it first ran; `None` before that.
    pub first: Option<i64>,
    /// Spans in which it ran, oldest first; each end is up to a minute early.
    pub ups: Vec<(i64, i64)>,
    /// `(why, from, to)`, oldest first: `network` or `clock`.
    pub blind: Vec<(String, i64, i64)>,
}

/// The spool now, and what came lately.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SpoolDay {
    /// Files that became whole in the day, by proof.
    pub proof: BTreeMap<String, u64>,
    /// Whole files that a required archive is still owed.
    pub files_waiting: u64,
    /// Their bytes.
    pub bytes_waiting: u64,
    /// Bytes of whole and partial files in the spool.
    pub used: u64,
    /// Bytes that became whole in the two weeks up to the day's end.
    pub two_weeks: u64,
    /// Bytes of old stock that became whole in the week up to the day's end.
    pub backlog_week: u64,
}

pub(super) const DAY: i64 = 86_400_000;

/// Contents that are new on a logger in a span: listed or grown in it. Old stock is not new, nor is
/// what was known already. A later change hides an earlier one for two days at most.
pub(super) const NEWS: &str = "SELECT logger, count(*) FROM versions
     WHERE still >= ?1 AND still < ?2 + 172800000 AND listed_at < ?2
       AND NOT backlog AND NOT presumed AND same_as IS NULL AND state <> 'skipped' GROUP BY +logger";
/// Files and bytes archived in a span, by logger.
pub(super) const ARCHIVED: &str = "SELECT logger, count(*), coalesce(sum(size), 0) FROM versions
     WHERE archived_at >= ?1 AND archived_at < ?2 AND whole_at IS NOT NULL GROUP BY +logger";
/// Until when a logger's data was home at a moment.
pub(super) const DATA_UNTIL: &str = "SELECT time FROM versions
     WHERE logger = ?1 AND archived_at < ?2 AND time IS NOT NULL ORDER BY time DESC LIMIT 1";
/// Visits of a logger that began in a span.
pub(super) const VISITS: &str = "SELECT began, ended FROM visits
     WHERE logger = ?1 AND began >= ?2 AND began < ?3 AND listings > 0 ORDER BY began";
/// What a logger's transfers brought in a span, and the time that they took, ms; where it is known.
pub(super) const TIMED: &str = "SELECT coalesce(sum(bytes), 0), coalesce(sum(took), 0) FROM visits
     WHERE logger = ?1 AND began >= ?2 AND began < ?3 AND took > 0";
/// The one before it.
pub(super) const BEFORE: &str = "SELECT began, ended FROM visits
     WHERE logger = ?1 AND began < ?2 AND listings > 0 ORDER BY began DESC LIMIT 1";
/// Spans in which the service ran.
pub(super) const UPS: &str = "SELECT began, last FROM uptimes WHERE last >= ?1 AND began < ?2 ORDER BY last";
/// Spans in which it could not see.
pub(super) const BLIND: &str =
    "SELECT why, began, last FROM blind WHERE last >= ?1 AND began < ?2 ORDER BY last";
/// Which depots had which loggers, the latest last.
pub(super) const ELSEWHERE: &str =
    "SELECT logger, depot FROM elsewhere WHERE at >= ?1 AND at < ?2 ORDER BY at";
/// Files that became whole in a span, by proof.
pub(super) const PROOFS: &str = "SELECT proof, count(*), coalesce(sum(size), 0) FROM versions
     WHERE whole_at >= ?1 AND whole_at < ?2 AND (backlog OR NOT ?3) GROUP BY +proof";
/// Whole files that wait.
pub(super) const WAITING: &str =
    "SELECT count(*), coalesce(sum(size), 0) FROM versions WHERE state = 'whole'";
/// What lies in the spool.
pub(super) const USED: &str =
    "SELECT coalesce(sum(iif(whole_at IS NULL, mark, size)), 0) FROM versions WHERE spool IS NOT NULL";

impl Query {
    /// Visits of a logger in `from..to` (ms), oldest first, with the last one that began before.
    pub fn visits(&self, logger: &str, from: i64, to: i64) -> Result<Vec<Visit>, LedgerError> {
        let found: Option<(i64, Option<i64>)> = self
            .db
            .prepare_cached("SELECT id, last_seen FROM loggers WHERE name = ?")?
            .query_row([logger], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        let Some((key, last_seen)) = found else { return Ok(Vec::new()) };
        let read = |row: &rusqlite::Row<'_>| Ok((row.get::<_, i64>(0)?, row.get::<_, Option<i64>>(1)?));
        let mut rows: Vec<(i64, Option<i64>)> = Vec::new();
        rows.extend(self.db.prepare_cached(BEFORE)?.query_row(params![key, from], read).optional()?);
        let mut within = self.db.prepare_cached(VISITS)?;
        for row in within.query_map(params![key, from, to], read)? {
            rows.push(row?);
        }
        let newest = self
            .db
            .prepare_cached("SELECT max(began) FROM visits WHERE logger = ?")?
            .query_row([key], |row| row.get::<_, Option<i64>>(0))?;
        let end = |(began, ended): (i64, Option<i64>)| match ended {
            Some(ended) => ended,
            // It goes on; or a crash hid its end, which then is not known.
            None if newest == Some(began) => last_seen.unwrap_or(began),
            None => began,
        };
        Ok(rows
            .into_iter()
            .map(|row| Visit { from: row.0, to: end(row).clamp(row.0, to.max(row.0)) })
            .collect())
    }

    /// Loggers that other depots had in `from..to` (ms), each with the depot that had it last.
    pub fn elsewhere(&self, from: i64, to: i64) -> Result<BTreeMap<String, String>, LedgerError> {
        let mut statement = self.db.prepare_cached(ELSEWHERE)?;
        let rows = statement.query_map([from, to], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// When Yarder ran and could not see, in `from..to` (ms).
    pub fn watched(&self, from: i64, to: i64) -> Result<Watched, LedgerError> {
        let mut watched = Watched { first: self.first_up()?, ..Watched::default() };
        let mut ups = self.db.prepare(UPS)?;
        for row in ups.query_map([from, to], |row| Ok((row.get(0)?, row.get(1)?)))? {
            watched.ups.push(row?);
        }
        let mut blind = self.db.prepare(BLIND)?;
        for row in blind.query_map([from, to], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))? {
            watched.blind.push(row?);
        }
        Ok(watched)
    }

    /// The spool now, and what came in `from..to` (ms) and in the weeks before `to`.
    pub fn spool_day(&self, from: i64, to: i64) -> Result<SpoolDay, LedgerError> {
        let mut day = SpoolDay::default();
        let sums = |from: i64, old: bool| -> Result<Vec<(Option<String>, u64, u64)>, LedgerError> {
            let mut statement = self.db.prepare_cached(PROOFS)?;
            let rows = statement.query_map(params![from, to, old], |row| {
                Ok((row.get(0)?, row.get::<_, i64>(1)?.max(0) as u64, row.get::<_, i64>(2)?.max(0) as u64))
            })?;
            Ok(rows.collect::<Result<_, _>>()?)
        };
        for (proof, files, _) in sums(from, false)? {
            day.proof.insert(proof.unwrap_or_else(|| "none".to_owned()), files);
        }
        day.two_weeks = sums(to - 14 * DAY, false)?.iter().map(|s| s.2).sum();
        day.backlog_week = sums(to - 7 * DAY, true)?.iter().map(|s| s.2).sum();
        let two = |row: &rusqlite::Row<'_>| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?));
        let (files, bytes) = self.db.query_row(WAITING, [], two)?;
        (day.files_waiting, day.bytes_waiting) = (files.max(0) as u64, bytes.max(0) as u64);
        day.used = self.db.query_row(USED, [], |row| row.get::<_, i64>(0))?.max(0) as u64;
        Ok(day)
    }
}
