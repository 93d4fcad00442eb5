//! Copies as an audit asks of them: where they stand, and where their bytes are besides.

use rusqlite::params;

use super::listings::digest_of;
use super::{LedgerError, Query, VersionId};
use crate::model::Digest;

/// A copy that is owed again although the archive has a receipt of it.
pub type Owed = (String, u64, Digest);

impl Query {
    /// Copies that were found wrong or missing and are owed again: location, size and hash, in the order
    /// of the locations.
    pub fn owed_again(&self, archive: &str) -> Result<Vec<Owed>, LedgerError> {
        let mut statement = self.db.prepare(
            "SELECT DISTINCT r.location, v.size, v.sha256 FROM obligations o JOIN versions v ON v.id = o.version
             JOIN loggers l ON l.id = v.logger
             JOIN receipts r ON r.archive = o.archive AND r.logger = l.name AND r.kind = 'stored'
               AND r.key >= lower(hex(v.sha256)) AND r.key < lower(hex(v.sha256)) || '~'
             WHERE o.archive = ? AND o.state = 'owed' AND v.sha256 IS NOT NULL ORDER BY r.location",
        )?;
        let mut rows = statement.query([archive])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            if let Some(sha) = digest_of(row.get(2)?) {
                all.push((row.get(0)?, row.get::<_, i64>(1)?.max(0) as u64, sha));
            }
        }
        Ok(all)
    }

    /// Names of whole files in the spool with these bytes.
    pub fn in_spool(&self, sha256: Digest) -> Result<Vec<String>, LedgerError> {
        let mut statement = self.db.prepare_cached(
            "SELECT spool FROM versions WHERE sha256 = ? AND spool IS NOT NULL
               AND state NOT IN ('listed', 'open', 'skipped', 'fetching', 'held', 'lost')",
        )?;
        Ok(statement.query_map([sha256.0], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Verified copies of these bytes in other archives: archive and location.
    pub fn in_archives(&self, sha256: Digest, but: &str) -> Result<Vec<(String, String)>, LedgerError> {
        let mut statement = self.db.prepare_cached(
            "SELECT DISTINCT o.archive, o.location FROM versions v JOIN obligations o ON o.version = v.id
             WHERE v.sha256 = ? AND o.archive <> ? AND o.state = 'verified' AND o.location IS NOT NULL",
        )?;
        let rows = statement.query_map(params![sha256.0, but], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Versions with these bytes.
    pub fn with_bytes(&self, sha256: Digest) -> Result<Vec<VersionId>, LedgerError> {
        let mut statement = self.db.prepare_cached("SELECT id FROM versions WHERE sha256 = ?")?;
        Ok(statement.query_map([sha256.0], |row| row.get(0).map(VersionId))?.collect::<Result<_, _>>()?)
    }
}
