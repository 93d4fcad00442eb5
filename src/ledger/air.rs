//! When bytes came over the air: per logger and quarter of an hour, so that any depot's hours add up of them.

use std::collections::BTreeMap;

use rusqlite::{OptionalExtension as _, params};

use super::visits::VisitCounts;
use super::{LedgerError, Query, Tx};

/// ms.
const QUARTER: i64 = 900_000;
/// Quarters over which one transfer is spread at most: a day.
const MOST: i64 = 96;

/// What a visit brought since it was last counted came in the time that its transfers took, which ends now.
pub(super) fn came(tx: &Tx<'_>, visit: i64, counts: &VisitCounts) -> Result<(), LedgerError> {
    let before = tx
        .db
        .prepare_cached("SELECT logger, bytes, took FROM visits WHERE id = ?")?
        .query_row([visit], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?)))
        .optional()?;
    let Some((logger, bytes, took)) = before else { return Ok(()) };
    let more = |now: u128, then: i64| i64::try_from(now).unwrap_or(i64::MAX).saturating_sub(then);
    let (bytes, took) = (more(counts.bytes.into(), bytes), more(counts.took.as_millis(), took));
    if bytes <= 0 {
        return Ok(());
    }
    let mut add = tx.db.prepare_cached(
        "INSERT INTO air (quarter, logger, bytes) VALUES (?, ?, ?)
         ON CONFLICT DO UPDATE SET bytes = min(bytes, 1 << 60) + min(excluded.bytes, 1 << 60)",
    )?;
    for (quarter, bytes) in spread(bytes, tx.now.saturating_sub(took.max(0)), tx.now) {
        add.execute(params![quarter, logger, bytes])?;
    }
    Ok(())
}

/// Bytes that came evenly in `from..to`, ms, by the quarters of it; they add up.
fn spread(bytes: i64, from: i64, to: i64) -> Vec<(i64, i64)> {
    let last = to.div_euclid(QUARTER);
    let from = from.clamp((last - MOST + 1).saturating_mul(QUARTER), to);
    let share = |at: i64| match to - from {
        0 => i128::from(bytes),
        whole => i128::from(bytes) * i128::from(at.min(to) - from) / i128::from(whole),
    };
    let mut told = 0;
    let mut all = Vec::new();
    for quarter in from.div_euclid(QUARTER)..=last {
        let until = share((quarter + 1).saturating_mul(QUARTER));
        if until > told {
            // At most all of them.
            all.push((quarter, (until - told) as i64));
        }
        told = until;
    }
    all
}

/// What came in a span of quarters.
pub(super) const AIR: &str = "SELECT l.name, a.quarter, a.bytes FROM air a JOIN loggers l ON l.id = a.logger
     WHERE a.quarter >= ?1 AND a.quarter < ?2";

impl Query {
    /// Bytes delivered in each hour of `from..to` (ms), by logger; a quarter belongs to the hour in which it begins.
    pub fn air(&self, from: i64, to: i64) -> Result<BTreeMap<String, Vec<u64>>, LedgerError> {
        const HOUR: i64 = 4 * QUARTER;
        let ceil = |ms: i64| ms.div_euclid(QUARTER) + i64::from(ms.rem_euclid(QUARTER) > 0);
        let hours = usize::try_from((to - from + HOUR - 1) / HOUR).unwrap_or(0);
        let mut all: BTreeMap<String, Vec<u64>> = BTreeMap::new();
        let mut statement = self.db.prepare_cached(AIR)?;
        let mut rows = statement.query([ceil(from), ceil(to)])?;
        while let Some(row) = rows.next()? {
            let (quarter, bytes): (i64, i64) = (row.get(1)?, row.get(2)?);
            let each = all.entry(row.get(0)?).or_insert_with(|| vec![0; hours]);
            if let Some(hour) = each.get_mut(((quarter * QUARTER - from) / HOUR) as usize) {
                *hour = hour.saturating_add(bytes.unsigned_abs());
            }
        }
        Ok(all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_are_spread_over_the_time_in_which_they_came_and_add_up() {
        let at = |quarter: i64, ms: i64| quarter * QUARTER + ms;
        assert_eq!(spread(10, at(7, 1), at(7, 1)), [(7, 10)], "at once");
        assert_eq!(spread(10, at(7, 0), at(7, 800_000)), [(7, 10)]);
        assert_eq!(spread(300, at(7, 450_000), at(9, 0)), [(7, 100), (8, 200)]);
        assert_eq!(spread(100, at(-1, 450_000), at(0, 450_000)), [(-1, 50), (0, 50)]);
        assert_eq!(spread(1, at(0, 0), at(40, 0)), [(39, 1)], "no quarter without a byte");
        let long = spread(i64::MAX, i64::MIN, at(1_000, 5));
        assert_eq!(long.len() as i64, MOST, "of a day at most");
        assert_eq!(long.iter().map(|(_, bytes)| *bytes).sum::<i64>(), i64::MAX);
    }
}
