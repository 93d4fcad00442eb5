//! Reports as they were made, the days that they belong to, and what they said.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::civil::Date;
use rusqlite::{OptionalExtension as _, Row, params};
use serde_json::{Value, json};

use super::findings::{Severity, graver};
use super::notes::date;
use super::partials::lived;
use super::{Ledger, LedgerError, Query, Tx};

/// A day whose last report is not made yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenDay {
    /// Its date.
    pub date: Date,
    /// What lies before is not made up for, ms.
    pub opened: i64,
    /// When its newest report was made, ms.
    pub reported: Option<i64>,
}

/// A report as it was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stored {
    /// Its number; later ones are larger.
    pub id: i64,
    /// The date of its day.
    pub date: Date,
    /// When it was made, ms.
    pub as_of: i64,
    /// Whether it is the last one of its day.
    pub is_final: bool,
    /// Its JSON form.
    pub json: String,
}

/// A report to be stored.
#[derive(Debug, Clone, PartialEq)]
pub struct ToStore {
    /// The date of its day.
    pub date: Date,
    /// When it was made, ms.
    pub as_of: i64,
    /// Whether it is the last one of its day.
    pub is_final: bool,
    /// Its JSON form.
    pub json: String,
    /// What it says of the findings that are there.
    pub findings: Vec<(String, Told)>,
}

/// What the last stored report said of a finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// How much it asked then.
    pub severity: Severity,
    /// What was seen when it was told as new or worse.
    pub evidence: Value,
}

/// What has become of files that a day knew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undone {
    /// The vehicle.
    pub vehicle: String,
    /// When the file was home, ms.
    pub archived_at: i64,
}

impl Ledger {
    /// The service lives in that day; `from` is the first moment of it that counts (ms).
    pub async fn live_day(&self, day: Date, from: i64) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                tx.db
                    .prepare_cached(
                        "INSERT INTO days (date, opened, last) VALUES (?1, ?2, ?3)
                         ON CONFLICT (date) DO UPDATE SET last = max(last, ?3)",
                    )?
                    .execute(params![day.to_string(), from, tx.now])?;
                Ok(())
            })
            .await
    }

    /// Days that the service missed: each with its first moment (ms).
    pub async fn missed_days(&self, days: Vec<(Date, i64)>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                let mut insert = tx
                    .db
                    .prepare_cached("INSERT OR IGNORE INTO days (date, opened, last) VALUES (?1, ?2, ?2)")?;
                for (day, from) in days {
                    insert.execute(params![day.to_string(), from])?;
                }
                Ok(())
            })
            .await
    }

    /// The last moment up to now at which the service lived in a day, ms.
    pub async fn last_lived(&self) -> Result<Option<i64>, LedgerError> {
        self.writer
            .ask(|tx| {
                Ok(tx.db.query_row("SELECT max(last) FROM days WHERE last <= ?", [tx.now], |r| r.get(0))?)
            })
            .await
    }

    /// The last moment that the ledger knows, be it before or after now; ms.
    pub async fn last_moment(&self) -> Result<Option<i64>, LedgerError> {
        self.writer.ask(|tx| Ok(tx.db.query_row("SELECT max(last) FROM days", [], |row| row.get(0))?)).await
    }

    /// Days whose last report is not made yet, the oldest first.
    pub async fn open_days(&self) -> Result<Vec<OpenDay>, LedgerError> {
        self.writer
            .ask(|tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT date, opened, (SELECT max(as_of) FROM reports r WHERE r.date = d.date) FROM days d
                     WHERE closed = 0 ORDER BY date",
                )?;
                let mut rows = statement.query([])?;
                let mut all = Vec::new();
                while let Some(row) = rows.next()? {
                    let day: String = row.get(0)?;
                    all.push(OpenDay { date: date(&day)?, opened: row.get(1)?, reported: row.get(2)? });
                }
                Ok(all)
            })
            .await
    }

    /// Stores a report, remembers what it says of findings, closes its day where it is the last one,
    /// and forgets reports that were kept for `keep` of lived time. `false` where its day was closed
    /// before.
    pub async fn store_report(&self, report: ToStore, keep: Duration) -> Result<bool, LedgerError> {
        let keep = i64::try_from(keep.as_millis()).unwrap_or(i64::MAX);
        self.writer
            .ask(move |tx| {
                let day = report.date.to_string();
                let closed: Option<bool> = tx
                    .db
                    .prepare_cached("SELECT closed FROM days WHERE date = ?")?
                    .query_row([&day], |row| row.get(0))
                    .optional()?;
                if closed == Some(true) {
                    return Ok(false);
                }
                let lived = lived(tx.db)?;
                tx.db
                    .prepare_cached(
                        "INSERT INTO reports (date, as_of, final, lived, json) VALUES (?, ?, ?, ?, ?)",
                    )?
                    .execute(params![day, report.as_of, report.is_final, lived, report.json])?;
                tx.db.execute("DELETE FROM reports WHERE lived < ?", [lived.saturating_sub(keep)])?;
                if report.is_final {
                    tx.db.execute(
                        "INSERT INTO days (date, opened, last, closed) VALUES (?1, ?2, ?2, 1)
                         ON CONFLICT (date) DO UPDATE SET closed = 1",
                        params![day, report.as_of],
                    )?;
                }
                let there: Vec<&str> = report.findings.iter().map(|(finding, _)| finding.as_str()).collect();
                tx.db.execute(
                    "DELETE FROM told WHERE finding NOT IN (SELECT value FROM json_each(?))",
                    [json!(there).to_string()],
                )?;
                report.findings.iter().try_for_each(|(finding, now)| tell(tx, finding, now))?;
                Ok(true)
            })
            .await
    }
}

/// A report says of a finding that it is there. From where it was new or worse it grows.
fn tell(tx: &Tx<'_>, finding: &str, now: &Told) -> Result<(), LedgerError> {
    let grown = before(tx, finding)?
        .is_none_or(|before| graver((before.severity, &before.evidence), (now.severity, &now.evidence)));
    let set = if grown { ", evidence = ?3" } else { "" };
    tx.db
        .prepare_cached(&format!(
            "INSERT INTO told (finding, severity, evidence) VALUES (?1, ?2, ?3)
             ON CONFLICT (finding) DO UPDATE SET severity = ?2{set}"
        ))?
        .execute(params![finding, now.severity.as_str(), now.evidence.to_string()])?;
    Ok(())
}

/// What the last stored report said of a finding.
pub(super) fn before(tx: &Tx<'_>, finding: &str) -> Result<Option<Told>, LedgerError> {
    let row: Option<(String, String)> = tx
        .db
        .prepare_cached("SELECT severity, evidence FROM told WHERE finding = ?")?
        .query_row([finding], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    row.map(|(severity, evidence)| told(&severity, &evidence)).transpose()
}

pub(super) fn told(severity: &str, evidence: &str) -> Result<Told, LedgerError> {
    Ok(Told {
        severity: Severity::parse(severity).ok_or_else(|| LedgerError::Damaged(severity.to_owned()))?,
        evidence: serde_json::from_str(evidence).unwrap_or(Value::Null),
    })
}

impl Query {
    /// The last stored report of a day.
    pub fn stored(&self, day: Date) -> Result<Option<Stored>, LedgerError> {
        let mut statement =
            self.db.prepare_cached("SELECT * FROM reports WHERE date = ? ORDER BY id DESC LIMIT 1")?;
        let mut rows = statement.query([day.to_string()])?;
        rows.next()?.map(stored).transpose()
    }

    /// The stored reports of the days `from..to`, as they were made one after the other.
    pub fn stored_of(&self, from: Date, to: Date, mut each: impl FnMut(Stored)) -> Result<(), LedgerError> {
        let mut statement =
            self.db.prepare_cached("SELECT * FROM reports WHERE date >= ? AND date < ? ORDER BY id")?;
        let mut rows = statement.query([from.to_string(), to.to_string()])?;
        while let Some(row) = rows.next()? {
            each(stored(row)?);
        }
        Ok(())
    }

    /// The report that was stored last, of whatever day.
    pub fn last_report(&self) -> Result<Option<Stored>, LedgerError> {
        let mut statement = self.db.prepare_cached("SELECT * FROM reports ORDER BY id DESC LIMIT 1")?;
        let mut rows = statement.query([])?;
        rows.next()?.map(stored).transpose()
    }

    /// What the last stored report said of the findings that were there.
    pub fn told(&self) -> Result<BTreeMap<String, Told>, LedgerError> {
        let mut statement = self.db.prepare_cached("SELECT finding, severity, evidence FROM told")?;
        let mut rows = statement.query([])?;
        let mut all = BTreeMap::new();
        while let Some(row) = rows.next()? {
            let (severity, evidence): (String, String) = (row.get(1)?, row.get(2)?);
            all.insert(row.get(0)?, told(&severity, &evidence)?);
        }
        Ok(all)
    }

    /// Whether all of a logger's files that were listed before the end of a day `from..to` (ms) are home, old stock aside:
    /// none is on its way, none was lost in that day or later, and a whole listing was taken at `listed` or later.
    pub fn is_home(&self, logger: &str, (from, to): (i64, i64), listed: i64) -> Result<bool, LedgerError> {
        let whole: Option<i64> = self
            .db
            .prepare_cached("SELECT last_whole FROM loggers WHERE name = ?")?
            .query_row([logger], |row| row.get(0))
            .optional()?
            .flatten();
        if whole.is_none_or(|at| at < listed) {
            return Ok(false);
        }
        Ok(!self.db.prepare_cached(LEFT)?.exists(params![logger, from, to])?)
    }

    /// Of a logger's files that came home at `since` or later (ms), old stock aside, when each was listed and when it was
    /// archived (ms). Those that became whole, or were known from elsewhere, before `from` (ms) are not looked at.
    pub fn came_home(&self, logger: &str, from: i64, since: i64) -> Result<Vec<(i64, i64)>, LedgerError> {
        let Some(key) = self.key(logger)? else { return Ok(Vec::new()) };
        let mut all = Vec::new();
        for sql in [CAME, CAME_ELSEWHERE] {
            let mut statement = self.db.prepare_cached(sql)?;
            let rows =
                statement.query_map(params![key, from, since], |row| Ok((row.get(0)?, row.get(1)?)))?;
            for row in rows {
                all.push(row?);
            }
        }
        Ok(all)
    }

    /// Files that were home since a moment (ms) and are so no longer; at most 10,000.
    pub fn undone(&self, since: i64) -> Result<Vec<Undone>, LedgerError> {
        let mut loggers = self.db.prepare_cached("SELECT id FROM loggers ORDER BY id")?;
        let mut statement = self.db.prepare_cached(UNDONE)?;
        let mut all = Vec::new();
        for key in loggers.query_map([], |row| row.get::<_, i64>(0))? {
            let rows = statement.query_map([key?, since], |row| {
                Ok(Undone { vehicle: row.get(0)?, archived_at: row.get(1)? })
            })?;
            for row in rows.take(10_000 - all.len()) {
                all.push(row?);
            }
        }
        Ok(all)
    }
}

/// A logger's files of a day that are not home: logger, begin and end of the day.
pub(super) const LEFT: &str = "SELECT 1 FROM loggers l JOIN versions v ON v.logger = l.id
  WHERE l.name = ?1 AND v.state IN ('listed', 'open', 'fetching', 'settling', 'whole', 'held', 'lost')
  AND v.backlog = 0 AND v.listed_at < ?3 AND (v.state != 'lost' OR EXISTS
  (SELECT 1 FROM events e WHERE e.version = v.id AND e.what IN ('vanished', 'no-source') AND e.at >= ?2))";
/// Those that came home: logger, whole since, archived since.
pub(super) const CAME: &str = "SELECT listed_at, archived_at FROM versions INDEXED BY versions_came
  WHERE logger = ?1 AND whole_at >= ?2 AND archived_at >= ?3 AND backlog = 0";
/// The same of content that never came here, since it was known.
pub(super) const CAME_ELSEWHERE: &str =
    "SELECT listed_at, archived_at FROM versions INDEXED BY versions_not_here
  WHERE logger = ?1 AND whole_at IS NULL AND listed_at >= ?2 AND archived_at >= ?3 AND backlog = 0";
/// Files that were home since a moment and are so no longer.
pub(super) const UNDONE: &str = "SELECT vehicle, archived_at FROM versions INDEXED BY versions_state
  WHERE logger = ?1 AND state IN ('listed', 'open', 'fetching', 'settling', 'whole', 'held', 'lost') AND archived_at >= ?2";

fn stored(row: &Row<'_>) -> Result<Stored, LedgerError> {
    let day: String = row.get("date")?;
    Ok(Stored {
        id: row.get("id")?,
        date: date(&day)?,
        as_of: row.get("as_of")?,
        is_final: row.get("final")?,
        json: row.get("json")?,
    })
}
