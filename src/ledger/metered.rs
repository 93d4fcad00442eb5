//! What went over access points of which a person bounds the volume.

use jiff::civil::Date;
use rusqlite::{OptionalExtension as _, params};

use super::{Ledger, LedgerError};

impl Ledger {
    /// So many more bytes came over an access point in a day.
    pub fn metered(&self, point: &str, day: Date, bytes: u64) -> Result<(), LedgerError> {
        let (point, bytes) = (point.to_owned(), i64::try_from(bytes).unwrap_or(i64::MAX));
        self.writer.tell(move |tx| {
            tx.db
                .prepare_cached(
                    "INSERT INTO metered (access_point, day, bytes) VALUES (?, ?, ?)
                     ON CONFLICT DO UPDATE SET bytes = min(bytes, 1 << 60) + min(excluded.bytes, 1 << 60)",
                )?
                .execute(params![point, day.to_string(), bytes])?;
            Ok(())
        })
    }

    /// Bytes that came over an access point in a day.
    pub async fn metered_bytes(&self, point: &str, day: Date) -> Result<u64, LedgerError> {
        let point = point.to_owned();
        self.writer
            .ask(move |tx| {
                let bytes: Option<i64> = tx
                    .db
                    .prepare_cached("SELECT bytes FROM metered WHERE access_point = ? AND day = ?")?
                    .query_row(params![point, day.to_string()], |row| row.get(0))
                    .optional()?;
                Ok(bytes.map_or(0, i64::unsigned_abs))
            })
            .await
    }
}
