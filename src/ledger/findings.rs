//! Findings: what is wrong now, with cause and action.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension as _, Row, params};
use serde_json::Value;

use super::events::event;
use super::listings::path_of;
use super::notes;
use super::{Ledger, LedgerError, Tx, VersionId};

/// How much a finding asks of a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Somebody must do something.
    Act,
    /// Somebody should look.
    Watch,
    /// Good to know.
    Note,
}

impl Severity {
    /// The word in output.
    pub fn as_str(self) -> &'static str {
        match self {
            Severity::Act => "act",
            Severity::Watch => "watch",
            Severity::Note => "note",
        }
    }

    /// The reverse.
    pub fn parse(text: &str) -> Option<Self> {
        [Severity::Act, Severity::Watch, Severity::Note].into_iter().find(|s| s.as_str() == text)
    }
}

/// Something wrong with a file, logger, vehicle or the depot.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What kind: `login-refused`, `file-stuck` ...
    pub code: &'static str,
    /// What it is about, so that one trouble is one finding: a logger, `logger/path`, an archive.
    pub subject: String,
    /// How much it asks.
    pub severity: Severity,
    /// The vehicle, where it concerns one.
    pub vehicle: Option<String>,
    /// The logger, where it concerns one.
    pub logger: Option<String>,
    /// A JSON object of what was seen.
    pub evidence: Value,
    /// Why, in plain words.
    pub cause: String,
    /// What to do, in plain words.
    pub action: String,
}

impl Finding {
    /// Code and subject: one trouble, one finding.
    pub fn id(&self) -> String {
        id(self.code, &self.subject)
    }
}

fn id(code: &str, subject: &str) -> String {
    format!("{code}:{subject}")
}

/// A finding as the ledger keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingRow {
    /// Code and subject.
    pub id: String,
    /// What kind.
    pub code: String,
    /// How much it asks.
    pub severity: Severity,
    /// The vehicle, where it concerns one.
    pub vehicle: Option<String>,
    /// The logger, where it concerns one.
    pub logger: Option<String>,
    /// First seen, ms.
    pub since: i64,
    /// Last seen, ms.
    pub last: i64,
    /// No longer there since, ms.
    pub gone: Option<i64>,
    /// A JSON object.
    pub evidence: Value,
    /// Why.
    pub cause: String,
    /// What to do.
    pub action: String,
}

impl FindingRow {
    pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let severity: String = row.get("severity")?;
        let evidence: String = row.get("evidence")?;
        Ok(Self {
            id: row.get("id")?,
            code: row.get("code")?,
            severity: Severity::parse(&severity).unwrap_or(Severity::Act),
            vehicle: row.get("vehicle")?,
            logger: row.get("logger")?,
            since: row.get("since")?,
            last: row.get("last")?,
            gone: row.get("gone")?,
            evidence: serde_json::from_str(&evidence).unwrap_or(Value::Null),
            cause: row.get("cause")?,
            action: row.get("action")?,
        })
    }
}

impl Ledger {
    /// Says that something is wrong; a finding that is there already keeps its age.
    pub fn raise(&self, finding: Finding) -> Result<(), LedgerError> {
        self.writer.tell(move |tx| raise(tx, &finding))
    }

    /// Says that something is no longer wrong.
    pub fn clear(&self, code: &'static str, subject: &str) -> Result<(), LedgerError> {
        let id = id(code, subject);
        self.writer.tell(move |tx| clear(tx, &id))
    }

    /// Ends the findings of an archive's places that were not said since a moment (ms).
    pub fn clear_before(&self, code: &'static str, archive: &str, before: i64) -> Result<(), LedgerError> {
        let prefix = id(code, &format!("{archive}/"));
        self.writer.tell(move |tx| {
            let mut statement = tx.db.prepare_cached(
                "SELECT id FROM findings WHERE gone IS NULL AND code = ?1 AND last < ?2 AND substr(id, 1, length(?3)) = ?3",
            )?;
            let over = statement.query_map(params![code, before, prefix], |row| row.get(0))?;
            let over: Vec<String> = over.collect::<Result<_, _>>()?;
            over.iter().try_for_each(|id| clear(tx, id))
        })
    }

    /// While the clock showed `from` to `to` (ms) it was wrong: what was found then was found `by`
    /// (ms) later.
    pub fn date_anew(&self, (from, to): (i64, i64), by: i64) -> Result<(), LedgerError> {
        self.writer.tell(move |tx| {
            for column in ["since", "last", "gone"] {
                let shift =
                    format!("UPDATE findings SET {column} = {column} + ?3 WHERE {column} BETWEEN ?1 AND ?2");
                tx.db.execute(&shift, [from, to, by])?;
            }
            Ok(())
        })
    }
}

pub(super) fn raise(tx: &Tx<'_>, f: &Finding) -> Result<(), LedgerError> {
    let id = f.id();
    let before: Option<String> = tx
        .db
        .prepare_cached("SELECT severity FROM findings WHERE id = ? AND gone IS NULL")?
        .query_row([&id], |row| row.get(0))
        .optional()?;
    tx.db
        .prepare_cached(
            "INSERT INTO findings (id, code, severity, vehicle, logger, since, last, gone, evidence, cause, action)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?6, NULL, ?7, ?8, ?9)
             ON CONFLICT (id) DO UPDATE SET severity = ?3, vehicle = ?4, logger = ?5,
               since = iif(gone IS NULL, since, ?6), last = ?6, gone = NULL, evidence = ?7, cause = ?8, action = ?9",
        )?
        .execute(params![
            id,
            f.code,
            f.severity.as_str(),
            f.vehicle,
            f.logger,
            tx.now,
            f.evidence.to_string(),
            f.cause,
            f.action
        ])?;
    let now = f.severity.as_str();
    match before {
        None => {
            let detail = serde_json::json!({ "id": id, "severity": now, "cause": f.cause });
            event(tx, None, None, "finding", &detail)?;
        }
        Some(was) if was != now => {
            let detail = serde_json::json!({ "id": id, "was": was, "severity": now, "cause": f.cause });
            event(tx, None, None, "finding-changed", &detail)?;
        }
        Some(_) => {}
    }
    notes::worse(tx, &id, f.severity, &f.evidence)
}

/// Whether a finding is graver than it was: it asks for more, or one of the numbers by which its
/// evidence tells its extent has at least doubled.
pub fn graver(was: (Severity, &Value), is: (Severity, &Value)) -> bool {
    // `Act` comes first.
    is.0 < was.0
        || EXTENT.iter().any(|key| match (was.1[*key].as_u64(), is.1[*key].as_u64()) {
            (Some(was), Some(is)) => was > 0 && is / 2 >= was,
            _ => false,
        })
}

/// Numbers in an evidence that tell how far a trouble goes.
const EXTENT: &[&str] = &["count", "files", "bytes", "vehicles"];

/// Findings about a file that end when it comes home.
pub(super) const ENDED_BY_COMING_HOME: &[&str] = &[
    "overlap-differs",
    "changed-under-hands",
    "digest-differs",
    "reread-differs",
    "remove-differs",
    "file-stuck",
    "never-fits",
    "file-lost",
    "file-refused",
    "partial-dropped",
];

/// Findings about a file that say nothing any more once it is lost.
pub(super) const ENDED_BY_LOSS: &[&str] = &["file-stuck", "never-fits", "file-refused"];

/// Of these codes, those that any finding bears now. Most groups of files have none: one look for all.
pub(super) fn open_codes<'c>(tx: &Tx<'_>, among: &[&'c str]) -> Result<Vec<&'c str>, LedgerError> {
    let mut open = tx.db.prepare_cached("SELECT DISTINCT code FROM findings WHERE gone IS NULL")?;
    let open: BTreeSet<String> = open.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    Ok(among.iter().copied().filter(|code| open.contains(*code)).collect())
}

/// Ends findings about one file, or about its copy in an archive.
pub(super) fn clear_of_file(
    tx: &Tx<'_>,
    version: VersionId,
    archive: Option<&str>,
    codes: &[&str],
) -> Result<(), LedgerError> {
    if codes.is_empty() {
        return Ok(());
    }
    let (logger, path): (String, Vec<u8>) = tx
        .db
        .prepare_cached(
            "SELECT l.name, v.path FROM versions v JOIN loggers l ON l.id = v.logger WHERE v.id = ?",
        )?
        .query_row([version.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let mut subject = format!("{logger}/{}", path_of(&path)?);
    if let Some(archive) = archive {
        subject = format!("{archive}/{subject}");
    }
    // Another content under the same path may still wait for what this one has.
    let (blocked, put_off): (bool, bool) = tx
        .db
        .prepare_cached(
            "SELECT coalesce(max(o.state = 'blocked'), 0), coalesce(max(o.state <> 'blocked' AND o.tries > 0), 0)
             FROM versions me JOIN versions v ON v.logger = me.logger AND v.path = me.path
               JOIN obligations o ON o.version = v.id AND o.archive = ?2 AND o.state IN ('owed', 'claimed', 'stored', 'blocked')
             WHERE me.id = ?1 AND v.id <> ?1",
        )?
        .query_row(params![version.0, archive.unwrap_or_default()], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let waits = |code: &str| if code == "place-taken" { blocked } else { put_off };
    let mut ended = codes.iter().filter(|code| !waits(code));
    ended.try_for_each(|code| clear(tx, &id(code, &subject)))
}

pub(super) fn clear(tx: &Tx<'_>, id: &str) -> Result<(), LedgerError> {
    let cleared = tx
        .db
        .prepare_cached("UPDATE findings SET gone = ? WHERE id = ? AND gone IS NULL")?
        .execute(params![tx.now, id])?;
    if cleared > 0 {
        event(tx, None, None, "finding-gone", &serde_json::json!({ "id": id }))?;
    }
    Ok(())
}
