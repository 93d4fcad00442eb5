//! Contents that a person dropped: told by their hash, and refused whenever they turn up.

use rusqlite::{OptionalExtension as _, params};
use serde_json::json;

use super::events::advance;
use super::exchange::state_of;
use super::listings::stamp;
use super::state::{Happening, State};
use super::{Ledger, LedgerError, Tx, VersionId};
use crate::model::{Digest, Edges};

impl Ledger {
    /// A person drops a held file. Its content, where any of it is in the spool, is remembered by its
    /// hash and its ends. The spool's file may go then. `false`, and nothing done, where it does not wait
    /// for a person any more.
    pub async fn drop_held(
        &self,
        id: VersionId,
        content: Option<(Digest, Edges)>,
        reason: String,
    ) -> Result<bool, LedgerError> {
        self.writer
            .ask(move |tx| {
                if state_of(tx, id)? != State::Held {
                    return Ok(false);
                }
                let sha256 = content.map(|(sha256, _)| sha256.hex());
                advance(tx, id, Happening::WasDropped, &json!({ "reason": reason, "sha256": sha256 }))?;
                let Some((sha256, ends)) = content else { return Ok(true) };
                tx.db.execute(
                    "UPDATE versions SET sha256 = ?2, head = ?3, tail = ?4 WHERE id = ?1",
                    params![id.0, sha256.0, ends.head.0, ends.tail.0],
                )?;
                tx.db.execute(
                    "INSERT OR IGNORE INTO dropped (sha256, at, reason) VALUES (?, ?, ?)",
                    params![sha256.0, tx.now, reason],
                )?;
                Ok(true)
            })
            .await
    }
}

/// A person keeps a content: it is no longer refused.
pub(super) fn allow(tx: &Tx<'_>, sha256: &Digest) -> Result<(), LedgerError> {
    tx.db.execute("DELETE FROM dropped WHERE sha256 = ?", [sha256.0])?;
    Ok(())
}

/// Where a content is one that a person dropped, its version is dropped too; gives whether it is.
pub(super) fn refuse(
    tx: &Tx<'_>,
    id: VersionId,
    sha256: &Digest,
    same_as: Option<VersionId>,
) -> Result<bool, LedgerError> {
    let found: Option<(i64, String)> = tx
        .db
        .prepare_cached("SELECT at, reason FROM dropped WHERE sha256 = ?")?
        .query_row([sha256.0], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let Some((at, reason)) = found else { return Ok(false) };
    let detail = json!({
        "sha256": sha256.hex(), "reason": reason, "since": stamp(Some(at)).map(|at| at.to_string()),
        "same_as": same_as.map(|same| same.0),
    });
    advance(tx, id, Happening::DroppedBefore, &detail)?;
    Ok(true)
}
