//! Copies as an audit asks of them: where they stand, where their bytes are besides, and what was
//! reached.

use rusqlite::{Row, params};

use super::listings::{digest_of, path_of};
use super::{Ledger, LedgerError, Query, Tx, VersionId};
use crate::model::{Digest, RemotePath};

/// A copy that an archive should hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredCopy {
    /// Its key.
    pub location: String,
    /// The same without case.
    pub folded: String,
    /// Bytes.
    pub size: u64,
    /// Its hash.
    pub sha256: Digest,
}

/// A file whose verified copy stands at some place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CopyOf {
    /// The version.
    pub id: VersionId,
    /// Its logger.
    pub logger: String,
    /// The vehicle that carried it.
    pub vehicle: String,
    /// Its path on the logger.
    pub path: RemotePath,
}

/// A copy that an archive has not, or not verified.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenCopy {
    /// The version.
    pub id: VersionId,
    /// Its key, once it has one.
    pub location: Option<String>,
    /// Its hash.
    pub sha256: Option<Digest>,
    /// How far it is.
    pub duty: String,
}

/// Begins the key of what was reached of an archive's audit.
const AUDIT: &str = "audit/";

fn stored(row: &Row<'_>) -> Result<Option<StoredCopy>, LedgerError> {
    let (location, folded) = (row.get(0)?, row.get(1)?);
    let size = row.get::<_, i64>(2)?.max(0) as u64;
    Ok(digest_of(row.get(3)?).map(|sha256| StoredCopy { location, folded, size, sha256 }))
}

/// The verified copies of an archive, by place.
pub(super) const COPIES: &str = "SELECT DISTINCT o.location, o.folded, v.size, v.sha256
  FROM obligations o JOIN versions v ON v.id = o.version
  WHERE o.archive = ?1 AND o.state = 'verified' AND o.folded > ?2 AND o.location IS NOT NULL
  ORDER BY o.folded LIMIT ?3";

impl Ledger {
    /// What was written down of an archive's audits.
    pub async fn audit(&self, archive: &str) -> Result<Option<String>, LedgerError> {
        let key = format!("{AUDIT}{archive}");
        self.writer
            .ask(move |tx| {
                let mut statement = tx.db.prepare_cached("SELECT value FROM meta WHERE key = ?")?;
                let mut rows = statement.query([key])?;
                Ok(rows.next()?.map(|row| row.get(0)).transpose()?)
            })
            .await
    }

    /// Writes down what was reached of an archive's audit, and everything that was said before.
    pub async fn note_audit(&self, archive: &str, text: String) -> Result<(), LedgerError> {
        let key = format!("{AUDIT}{archive}");
        self.writer
            .ask(move |tx| {
                tx.db
                    .prepare_cached("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)")?
                    .execute([key, text])?;
                Ok(())
            })
            .await
    }
}

/// What was reached of an archive's audits is of no more use.
pub(super) fn forget_audit(tx: &Tx<'_>, archive: &str) -> Result<(), LedgerError> {
    tx.db.execute("DELETE FROM meta WHERE key = ?", [format!("{AUDIT}{archive}")])?;
    Ok(())
}

impl Query {
    /// What was written down of audits: archive and text.
    pub fn audits(&self) -> Result<Vec<(String, String)>, LedgerError> {
        let mut statement = self
            .db
            .prepare("SELECT substr(key, 7), value FROM meta WHERE key LIKE 'audit/%' ORDER BY key")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Verified copies of an archive behind a place without case, in the order of such places; at most
    /// `limit`. All that share a place are among them, or none.
    pub fn copies(&self, archive: &str, after: &str, limit: usize) -> Result<Vec<StoredCopy>, LedgerError> {
        let mut statement = self.db.prepare_cached(COPIES)?;
        let mut rows = statement.query(params![archive, after, limit as i64])?;
        let mut all = Vec::new();
        let mut count = 0;
        while let Some(row) = rows.next()? {
            count += 1;
            all.extend(stored(row)?);
        }
        if count == limit {
            let last = all.last().map(|copy: &StoredCopy| copy.folded.clone()).unwrap_or_default();
            if all.first().is_some_and(|first| first.folded != last) {
                all.retain(|copy| copy.folded != last);
            }
        }
        Ok(all)
    }

    /// Whether what stands at a place was stored by this depot, is about to be, or has a receipt.
    pub fn is_known(&self, archive: &str, location: &str) -> Result<bool, LedgerError> {
        let own = "SELECT 1 FROM obligations WHERE archive = ? AND folded = ? AND coalesce(location, k0) = ?";
        if self.db.prepare_cached(own)?.exists(params![archive, location.to_lowercase(), location])? {
            return Ok(true);
        }
        for sql in [
            "SELECT 1 FROM receipts WHERE archive = ? AND location = ?",
            "SELECT 1 FROM obligations WHERE archive = ? AND state IN ('owed', 'claimed', 'stored', 'blocked') AND k1 = ?",
        ] {
            if self.db.prepare_cached(sql)?.exists(params![archive, location])? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// The files whose verified copy stands at a place.
    pub fn copies_at(&self, archive: &str, location: &str) -> Result<Vec<CopyOf>, LedgerError> {
        let mut statement = self.db.prepare_cached(
            "SELECT v.id, l.name, v.vehicle, v.path FROM obligations o JOIN versions v ON v.id = o.version
             JOIN loggers l ON l.id = v.logger
             WHERE o.archive = ?1 AND o.folded = ?2 AND o.location = ?3 AND o.state = 'verified' ORDER BY v.id",
        )?;
        let mut rows = statement.query(params![archive, location.to_lowercase(), location])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let path = path_of(row.get_ref(3)?.as_blob().unwrap_or_default())?;
            all.push(CopyOf { id: VersionId(row.get(0)?), logger: row.get(1)?, vehicle: row.get(2)?, path });
        }
        Ok(all)
    }

    /// Copies of versions behind that number that are not verified, nor waived; at most `limit`.
    pub fn open_copies(&self, archive: &str, after: i64, limit: usize) -> Result<Vec<OpenCopy>, LedgerError> {
        let mut statement = self.db.prepare_cached(
            "SELECT v.id, o.location, v.sha256, o.state FROM obligations o JOIN versions v ON v.id = o.version
             WHERE o.version > ?2 AND o.archive = ?1 AND o.state NOT IN ('verified', 'waived')
             ORDER BY o.version LIMIT ?3",
        )?;
        let rows = statement.query_map(params![archive, after, limit as i64], |row| {
            let (id, sha256) = (VersionId(row.get(0)?), digest_of(row.get(2)?));
            Ok(OpenCopy { id, location: row.get(1)?, sha256, duty: row.get(3)? })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Contents of 4 KiB and more that stand in an archive twice for one logger: first place and
    /// another, in the order of the first.
    pub fn doubled(&self, archive: &str) -> Result<Vec<(String, String)>, LedgerError> {
        let mut statement = self.db.prepare(
            "SELECT min(o.location), max(o.location) FROM obligations o JOIN versions v ON v.id = o.version
             WHERE o.archive = ? AND o.state = 'verified' AND v.size >= 4096 AND v.sha256 IS NOT NULL
             GROUP BY v.logger, v.sha256 HAVING count(DISTINCT o.location) > 1 ORDER BY 1",
        )?;
        let rows = statement.query_map([archive], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Copies that were found wrong or missing and are owed again, in the order of the places that receipts
    /// tell of them; each with its logger and the receipt's key.
    pub fn owed_again(&self, archive: &str) -> Result<Vec<(StoredCopy, String, String)>, LedgerError> {
        let mut statement = self.db.prepare(
            // From the few that are owed to their receipts, and never the other way round.
            "SELECT DISTINCT r.location, lower(r.location), v.size, v.sha256, l.name, r.key
             FROM obligations o CROSS JOIN versions v ON v.id = o.version CROSS JOIN loggers l ON l.id = v.logger
             CROSS JOIN receipts r ON r.archive = o.archive AND r.logger = l.name AND r.kind = 'stored'
               AND r.key >= lower(hex(v.sha256)) AND r.key < lower(hex(v.sha256)) || '~'
             WHERE o.archive = ? AND o.state IN ('owed', 'claimed', 'stored', 'blocked') AND o.state = 'owed'
               AND v.sha256 IS NOT NULL ORDER BY +r.location",
        )?;
        let mut rows = statement.query([archive])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let (logger, key) = (row.get(4)?, row.get(5)?);
            all.extend(stored(row)?.map(|copy| (copy, logger, key)));
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
