//! What is in the files: read while they came, kept beside their versions.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::{OptionalExtension as _, params};

use super::listings::stamp;
use super::{Ledger, LedgerError, Query, VersionId};
use crate::inspect::Inspection;
use crate::inspect::facts::{BusLine, ClockLine, DamageLine, Drops, EngineLine, Gap, Summary, VinLine};
use crate::model::RemotePath;

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

/// What is known of a file that a logger offered.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// Its name on the card.
    pub path: RemotePath,
    /// Which card.
    pub card: i64,
    /// Bytes.
    pub size: u64,
    /// When it became whole here, ms; `None` while it is not.
    pub home: Option<i64>,
    /// Its last change, as the logger dates it, ms.
    pub time: Option<i64>,
    /// What is in it; `None` where its form is not known, or it is not home.
    pub facts: Option<Box<Summary>>,
}

/// What lies on a logger's card as far as we know.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct CardUse {
    /// Bytes of all files.
    pub used: u64,
    /// Bytes of those that are not home.
    pub waiting: u64,
    /// Whether the logger was seen to overwrite its oldest files.
    pub overwrites: bool,
}

/// Files of one logger in one question at most; the newest count.
const MOST: usize = 3_000;
/// Files of the time before; of the newest, and of as many spread over the rest, it is read what is in them.
const BEFORE: usize = 400;
const NEAR: usize = 16;
const SPREAD: usize = 24;

/// As much of an inspection as reports look at.
#[derive(serde::Deserialize)]
struct Inside {
    local_time: bool,
    complete: bool,
    damage: Vec<DamageLine>,
    frames: u64,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    gaps: Vec<Gap>,
    buses: Vec<BusLine>,
    vin: Option<VinLine>,
    engine: EngineLine,
    clock: ClockLine,
    drops: Drops,
}

impl From<Inside> for Summary {
    fn from(inside: Inside) -> Self {
        let mut facts = Self {
            complete: inside.complete,
            damage: inside.damage,
            frames: inside.frames,
            first: inside.first,
            last: inside.last,
            gaps: inside.gaps,
            buses: inside.buses,
            vin: inside.vin,
            engine: inside.engine,
            clock: inside.clock,
            drops: inside.drops,
            ..Self::default()
        };
        if inside.local_time {
            // In another zone than the vehicle's universal time.
            (facts.clock.local, facts.clock.zone_s) = (true, None);
        }
        facts.damage.truncate(1);
        facts
    }
}

/// What became whole in a span.
pub(super) const CAME: &str = "SELECT path, card, size, whole_at, id, time FROM versions
    WHERE logger = ?1 AND whole_at >= ?2 AND whole_at < ?3 ORDER BY whole_at DESC LIMIT ?4";
/// What was offered and is not here: not yet, not wanted, lost, or known from elsewhere.
pub(super) const NOT_HERE: &str = "SELECT path, card, size, NULL, id, time FROM versions
    WHERE logger = ?1 AND whole_at IS NULL ORDER BY listed_at DESC LIMIT ?2";
/// What is in a file.
pub(super) const INSIDE: &str = "SELECT format, json FROM facts WHERE version = ?";
/// What lies on a card.
pub(super) const CARD: &str = "SELECT coalesce(sum(min(size, 1 << 44)), 0),
        coalesce(sum(min(size, 1 << 44)) FILTER (WHERE state IN ('listed', 'open', 'fetching')), 0),
        EXISTS (SELECT 1 FROM versions WHERE card = ?1 AND state = 'gone')
    FROM versions WHERE card = ?1 AND absent IS NULL
        AND state IN ('listed', 'open', 'skipped', 'fetching', 'whole', 'archived', 'held', 'removing', 'dropped')";

/// A whole file of the spool of which nothing says what is in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread {
    /// Which.
    pub id: VersionId,
    /// Its name in the spool.
    pub spool: String,
    /// Bytes.
    pub size: u64,
    /// Its logger.
    pub logger: String,
}

impl Ledger {
    /// Whole files of the spool of which nothing says what is in them.
    pub async fn unread(&self) -> Result<Vec<Unread>, LedgerError> {
        self.writer
            .ask(|tx| {
                let mut statement = tx.db.prepare_cached(
                    "SELECT v.id, v.spool, v.size, l.name FROM versions v JOIN loggers l ON l.id = v.logger
                     WHERE v.spool IS NOT NULL AND v.state IN ('whole', 'archived') AND v.size > 0
                       AND NOT EXISTS (SELECT 1 FROM facts f WHERE f.version = v.id)",
                )?;
                let rows = statement.query_map([], |row| {
                    let size = row.get::<_, i64>(2)?.max(0) as u64;
                    Ok(Unread { id: VersionId(row.get(0)?), spool: row.get(1)?, size, logger: row.get(3)? })
                })?;
                Ok(rows.collect::<Result<_, _>>()?)
            })
            .await
    }

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

    /// What a logger offered: files that came home in a span in ms, and those that are not here; in the order of their
    /// cards and names. Of a name that had several contents, the last. What is in them is read of those that came at
    /// `fresh` (ms) or later, and of some before. A few thousand at most, the newest.
    pub fn recorded(
        &self,
        logger: &str,
        (from, to): (i64, i64),
        fresh: i64,
    ) -> Result<Vec<Recorded>, LedgerError> {
        let Some(key) = self.key(logger)? else { return Ok(Vec::new()) };
        let read = |row: &rusqlite::Row<'_>| -> rusqlite::Result<Option<(i64, Recorded)>> {
            let path: Vec<u8> = row.get(0)?;
            let Ok(path) = RemotePath::new(&path) else { return Ok(None) };
            let size = row.get::<_, Option<i64>>(2)?.unwrap_or(0).max(0) as u64;
            let (card, home, time) = (row.get(1)?, row.get(3)?, row.get(5)?);
            Ok(Some((row.get(4)?, Recorded { path, card, size, home, time, facts: None })))
        };
        let mut came = self.db.prepare_cached(CAME)?;
        let mut rows: Vec<Option<(i64, Recorded)>> = Vec::new();
        for (from, to, most) in [(fresh, to, MOST), (from, fresh, BEFORE)] {
            for row in came.query_map(params![key, from, to, most as i64], read)? {
                rows.push(row?);
            }
        }
        let before = rows.iter().flatten().filter(|(_, row)| row.home < Some(fresh)).count();
        let step = before.saturating_sub(NEAR).div_ceil(SPREAD).max(1);
        for (nth, row) in rows.iter_mut().rev().enumerate() {
            let near = nth + NEAR >= before;
            if let Some((id, row)) = row
                && (near || nth % step == 0)
            {
                row.facts = self.inside(*id, row.size)?;
            }
        }
        let mut not_here = self.db.prepare_cached(NOT_HERE)?;
        for row in not_here.query_map(params![key, MOST as i64], read)? {
            rows.push(row?);
        }
        let mut all: BTreeMap<(i64, RemotePath), Recorded> = Default::default();
        for (_, row) in rows.into_iter().flatten() {
            all.entry((row.card, row.path.clone())).or_insert(row);
        }
        let mut cards: BTreeMap<i64, Vec<RemotePath>> = Default::default();
        for (card, path) in all.keys() {
            cards.entry(*card).or_default().push(path.clone());
        }
        let ordered = cards.into_iter().flat_map(|(card, paths)| {
            crate::listing::in_order(paths).into_iter().map(move |path| (card, path))
        });
        Ok(ordered.filter_map(|key| all.remove(&key)).collect())
    }

    /// As much of what is in a file as reports look at; `None` where its form is not known.
    fn inside(&self, id: i64, size: u64) -> Result<Option<Box<Summary>>, LedgerError> {
        let read = |row: &rusqlite::Row<'_>| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?));
        let found = self.db.prepare_cached(INSIDE)?.query_row([id], read).optional()?;
        let known = found.filter(|(format, _)| size == 0 || format != "unknown");
        // A form of an earlier program is no damage: it is not told then.
        let inside = known.and_then(|(_, json)| serde_json::from_str::<Inside>(&json).ok());
        Ok(inside.map(|inside| Box::new(inside.into())))
    }

    /// By how much a logger's own clock was ahead of ours when a reply last told it, in a span in ms; ms, and when.
    pub fn clock_ahead(
        &self,
        logger: &str,
        (from, to): (i64, i64),
    ) -> Result<Option<(i64, i64)>, LedgerError> {
        let mut of = self.db.prepare_cached(
            "SELECT ahead, ahead_at FROM loggers WHERE name = ? AND ahead IS NOT NULL AND ahead_at >= ? AND ahead_at < ?",
        )?;
        Ok(of.query_row(params![logger, from, to], |row| Ok((row.get(0)?, row.get(1)?))).optional()?)
    }

    /// What lies on a logger's present card.
    pub fn card_use(&self, logger: &str) -> Result<CardUse, LedgerError> {
        let card: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT id FROM cards WHERE logger = (SELECT id FROM loggers WHERE name = ?) ORDER BY number DESC LIMIT 1",
            )?
            .query_row([logger], |row| row.get(0))
            .optional()?;
        let Some(card) = card else { return Ok(CardUse::default()) };
        let bytes = |bytes: i64| bytes.max(0) as u64;
        Ok(self.db.prepare_cached(CARD)?.query_row([card], |row| {
            Ok(CardUse { used: bytes(row.get(0)?), waiting: bytes(row.get(1)?), overwrites: row.get(2)? })
        })?)
    }

    pub(super) fn key(&self, logger: &str) -> Result<Option<i64>, LedgerError> {
        let mut of = self.db.prepare_cached("SELECT id FROM loggers WHERE name = ?")?;
        Ok(of.query_row([logger], |row| row.get(0)).optional()?)
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
