//! What could not be read of a file: the map of its gaps.

use rusqlite::params;
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::events::advance;
use super::state::Happening;
use super::versions::set_mark;
use super::{Ledger, LedgerError, Mark, VersionId};

/// Bytes `from..to` of a file that its logger does not give. Its copy holds zeros there, or ends at
/// `from` where nothing behind could be read either.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// The first of them.
    pub from: u64,
    /// The first byte behind them.
    pub to: u64,
}

impl Ledger {
    /// A gap is known, and the partial is durable up to the mark, which lies behind the gap unless
    /// nothing is left there. `gaps` are all of the file.
    pub async fn skipped(&self, id: VersionId, mark: Mark, gaps: Vec<Gap>) -> Result<(), LedgerError> {
        self.writer
            .ask(move |tx| {
                set_mark(tx, id, &mark)?;
                advance(tx, id, Happening::Marked, &json!({ "offset": mark.offset, "gap": gaps.last() }))?;
                tx.db.execute(
                    "UPDATE versions SET gaps = ?, stuck = 0, stuck_at = NULL WHERE id = ?",
                    params![serde_json::to_string(&gaps).unwrap_or_default(), id.0],
                )?;
                Ok(())
            })
            .await
    }
}

/// The map in a row.
pub(super) fn gaps_of(text: Option<String>) -> Result<Vec<Gap>, LedgerError> {
    text.map_or_else(|| Ok(Vec::new()), |text| serde_json::from_str(&text))
        .map_err(|e| LedgerError::Damaged(format!("a map of gaps: {e}")))
}
