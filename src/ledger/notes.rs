//! Notes: what people know, so that nobody is told of it until a day.

use jiff::civil::Date;
use rusqlite::{OptionalExtension as _, Row, params};
use serde_json::{Value, json};

use super::events::event;
use super::findings::{Severity, graver};
use super::reports::{Told, before, told};
use super::{Ledger, LedgerError, Query, Tx};

/// What a note is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// A vehicle that is not expected.
    Vehicle,
    /// A logger that is not expected.
    Logger,
    /// A finding that is snoozed.
    Finding,
}

impl About {
    /// The word in output.
    pub fn as_str(self) -> &'static str {
        match self {
            About::Vehicle => "vehicle",
            About::Logger => "logger",
            About::Finding => "finding",
        }
    }

    fn parse(text: &str) -> Result<Self, LedgerError> {
        let all = [About::Vehicle, About::Logger, About::Finding];
        let known = all.into_iter().find(|kind| kind.as_str() == text);
        known.ok_or_else(|| LedgerError::Damaged(format!("a note about a `{text}`")))
    }
}

/// A note to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// Id of the vehicle, logger or finding.
    pub about: String,
    /// Which of them it is.
    pub kind: About,
    /// The first day for which it holds.
    pub since: Date,
    /// The last one; `None` for an open end.
    pub until: Option<Date>,
    /// Why.
    pub reason: String,
    /// Who wrote it.
    pub by: String,
}

/// A note as the ledger keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteRow {
    /// What was written.
    pub note: Note,
    /// When, ms.
    pub began: i64,
    /// When a person or something worse ended it, ms.
    pub ended: Option<i64>,
    /// How the finding stood that it snoozes.
    pub was: Option<Told>,
}

impl Ledger {
    /// Writes a note; an earlier one about the same ends. `false` where it would snooze a finding
    /// that is not there.
    pub async fn note(&self, note: Note) -> Result<bool, LedgerError> {
        self.writer
            .ask(move |tx| {
                let finding = match note.kind {
                    About::Finding => Some(stands(tx, &note.about)?),
                    About::Vehicle | About::Logger => None,
                };
                if let Some(None) = finding {
                    return Ok(false);
                }
                let (severity, evidence) = finding.flatten().unzip();
                end(tx, &note.about, "replaced", &note.by)?;
                let until = note.until.map(|date| date.to_string());
                tx.db
                    .prepare_cached(
                        "INSERT INTO notes (about, kind, since, until, reason, by, began, severity, evidence)
                         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    )?
                    .execute(params![
                        note.about,
                        note.kind.as_str(),
                        note.since.to_string(),
                        until,
                        note.reason,
                        note.by,
                        tx.now,
                        severity,
                        evidence
                    ])?;
                let detail =
                    json!({ "id": note.about, "until": until, "reason": note.reason, "by": note.by });
                event(tx, None, None, "note", &detail)?;
                Ok(true)
            })
            .await
    }

    /// Ends the note about that id; `false` where there is none.
    pub async fn end_note(&self, about: String, by: String) -> Result<bool, LedgerError> {
        self.writer.ask(move |tx| end(tx, &about, "ended", &by)).await
    }
}

/// Severity and evidence of a finding that is there: one of the ledger's own, or one that a report
/// made of what it saw.
fn stands(tx: &Tx<'_>, finding: &str) -> Result<Option<(String, String)>, LedgerError> {
    let own = tx
        .db
        .prepare_cached("SELECT gone IS NULL, severity, evidence FROM findings WHERE id = ?")?
        .query_row([finding], |row| Ok((row.get::<_, bool>(0)?, row.get(1)?, row.get(2)?)))
        .optional()?;
    if let Some((there, severity, evidence)) = own {
        return Ok(there.then_some((severity, evidence)));
    }
    let told = before(tx, finding)?;
    Ok(told.map(|told| (told.severity.as_str().to_owned(), told.evidence.to_string())))
}

fn end(tx: &Tx<'_>, about: &str, why: &str, by: &str) -> Result<bool, LedgerError> {
    let ended = tx
        .db
        .prepare_cached("UPDATE notes SET ended = ?2, why = ?3 WHERE about = ?1 AND ended IS NULL")?
        .execute(params![about, tx.now, why])?;
    if ended > 0 {
        event(tx, None, None, "note-ended", &json!({ "id": about, "why": why, "by": by }))?;
    }
    Ok(ended > 0)
}

/// A finding was raised: what snoozes it ends where it is graver than it was then.
pub(super) fn worse(
    tx: &Tx<'_>,
    finding: &str,
    severity: Severity,
    evidence: &Value,
) -> Result<(), LedgerError> {
    let was: Option<(String, String)> = tx
        .db
        .prepare_cached(
            "SELECT severity, evidence FROM notes WHERE about = ? AND ended IS NULL AND kind = 'finding'",
        )?
        .query_row([finding], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let Some((was, then)) = was else { return Ok(()) };
    let was = told(&was, &then)?;
    if graver((was.severity, &was.evidence), (severity, evidence)) {
        end(tx, finding, "worse", "Yarder")?;
    }
    Ok(())
}

impl Query {
    /// Notes that nobody has ended, and those ended since a moment (ms); the oldest first.
    pub fn notes(&self, ended_since: i64) -> Result<Vec<NoteRow>, LedgerError> {
        let mut statement = self.db.prepare_cached(
            "SELECT * FROM notes WHERE ended IS NULL UNION ALL SELECT * FROM notes WHERE ended >= ? ORDER BY id",
        )?;
        let mut rows = statement.query([ended_since])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            all.push(read(row)?);
        }
        Ok(all)
    }
}

fn read(row: &Row<'_>) -> Result<NoteRow, LedgerError> {
    let (kind, since, until): (String, String, Option<String>) =
        (row.get("kind")?, row.get("since")?, row.get("until")?);
    let was: (Option<String>, Option<String>) = (row.get("severity")?, row.get("evidence")?);
    Ok(NoteRow {
        note: Note {
            about: row.get("about")?,
            kind: About::parse(&kind)?,
            since: date(&since)?,
            until: until.as_deref().map(date).transpose()?,
            reason: row.get("reason")?,
            by: row.get("by")?,
        },
        began: row.get("began")?,
        ended: row.get("ended")?,
        was: was.0.zip(was.1).map(|(severity, evidence)| told(&severity, &evidence)).transpose()?,
    })
}

pub(super) fn date(text: &str) -> Result<Date, LedgerError> {
    text.parse().map_err(|_| LedgerError::Damaged(format!("the date `{text}`")))
}
