//! What is in the files: read while they came, kept beside their versions.

use jiff::Timestamp;
use rusqlite::{OptionalExtension as _, params};

use super::listings::stamp;
use super::{Ledger, LedgerError, Query, VersionId};
use crate::inspect::Inspection;

/// What is in a file, in short.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contents {
    /// `candump`, `pcap`, `pcapng`, `mdf4`, `csv` or `unknown`.
    pub format: String,
    /// Readable frames.
    pub frames: u64,
    /// Earliest and latest time, by the logger's clock.
    pub span: Option<(Timestamp, Timestamp)>,
}

impl Ledger {
    /// What is in a version's content. It is told before the version becomes whole, and holds for what became
    /// whole last.
    pub fn inspected(&self, id: VersionId, inspection: &Inspection) -> Result<(), LedgerError> {
        let json = serde_json::to_string(inspection).map_err(|e| LedgerError::Damaged(e.to_string()))?;
        let format = inspection.format.clone();
        let frames = i64::try_from(inspection.facts.frames).unwrap_or(i64::MAX);
        let ms = |at: Option<Timestamp>| at.map(|at| at.as_millisecond());
        let (first, last) = (ms(inspection.facts.first), ms(inspection.facts.last));
        self.writer.tell(move |tx| {
            tx.db
                .prepare_cached(
                    "INSERT OR REPLACE INTO facts (version, format, frames, first, last, json) VALUES (?, ?, ?, ?, ?, ?)",
                )?
                .execute(params![id.0, format, frames, first, last, json])?;
            Ok(())
        })
    }
}

impl Query {
    /// All that is known of what is in a version's content.
    pub fn inspection(&self, id: VersionId) -> Result<Option<Inspection>, LedgerError> {
        let json: Option<String> = self
            .db
            .prepare_cached("SELECT json FROM facts WHERE version = ?")?
            .query_row([id.0], |row| row.get(0))
            .optional()?;
        // A form of an earlier program is no damage: it is not told then.
        Ok(json.and_then(|json| serde_json::from_str(&json).ok()))
    }

    pub(super) fn contents(&self, id: VersionId) -> Result<Option<Contents>, LedgerError> {
        Ok(self
            .db
            .prepare_cached("SELECT format, frames, first, last FROM facts WHERE version = ?")?
            .query_row([id.0], |row| {
                Ok(Contents {
                    format: row.get(0)?,
                    frames: row.get::<_, i64>(1)?.max(0) as u64,
                    span: stamp(row.get(2)?).zip(stamp(row.get(3)?)),
                })
            })
            .optional()?)
    }
}
