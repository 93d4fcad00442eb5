//! Contents that loggers had under a name, told by their ends.

use rusqlite::params;
use serde_json::json;

use super::archives::wanted_archives;
use super::listings::digest_of;
use super::{Ledger, LedgerError, VersionId};
use crate::model::{Edges, RemotePath};

/// A content that a logger is known to have had.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Content {
    /// Its version.
    pub id: VersionId,
    /// Digests of its first and last bytes.
    pub edges: Edges,
    /// The logger's name.
    pub owner: String,
    /// It lies in the spool, or a required archive does not have it now: it may come to be nowhere.
    pub waits: bool,
}

impl Ledger {
    /// Contents that this logger (or, with `others`, any other logger) had under that path with
    /// that size, newest first. At most 20. Of this logger's, those that need
    /// not be fetched again.
    pub async fn contents_at(
        &self,
        logger: i64,
        path: &RemotePath,
        size: u64,
        others: bool,
    ) -> Result<Vec<Content>, LedgerError> {
        let path = path.clone();
        self.writer
            .ask(move |tx| {
                // What a required archive does not have at this moment may turn out to be nowhere.
                let required = wanted_archives(tx)?.into_iter().filter(|(_, required)| *required);
                let required = json!(required.map(|(name, _)| name).collect::<Vec<_>>()).to_string();
                let mut statement = tx.db.prepare_cached(
                    "SELECT v.id, v.head, v.tail, l.name, v.state = 'whole' OR v.state <> 'dropped' AND EXISTS (
                       SELECT 1 FROM obligations o WHERE o.version = coalesce(v.same_as, v.id)
                         AND o.state IN ('owed', 'claimed', 'stored', 'blocked', 'missing')
                         AND o.archive IN (SELECT value FROM json_each(?5)))
                     FROM versions v JOIN loggers l ON l.id = v.logger
                     WHERE v.path = ?1 AND v.size = ?2 AND v.head IS NOT NULL AND v.tail IS NOT NULL AND v.gaps IS NULL
                       AND (v.logger = ?3) <> ?4
                       AND (?4 OR v.state IN ('whole', 'archived', 'removing', 'removed', 'gone', 'dropped'))
                     ORDER BY v.id DESC LIMIT 20",
                )?;
                let mut rows = statement.query(params![path.as_bytes(), size as i64, logger, others, required])?;
                let mut all = Vec::new();
                while let Some(row) = rows.next()? {
                    if let (Some(head), Some(tail)) = (digest_of(row.get(1)?), digest_of(row.get(2)?)) {
                        let (id, owner, waits) = (VersionId(row.get(0)?), row.get(3)?, row.get(4)?);
                        all.push(Content { id, edges: Edges { head, tail }, owner, waits });
                    }
                }
                Ok(all)
            })
            .await
    }
}
