//! Reading around a part of a file that its logger cannot read: most likely a damaged card.
//!
//! The gap becomes zeros in the partial, and a row tells where they are before any later byte is
//! fetched; the transfer then goes on behind it as any other. A file with gaps is never whole by
//! itself: at its end it is held.

use bytes::Bytes;
use serde_json::json;

use super::transfer::{Ended, FetchError, Transfer};
use crate::durable::Disk;
use crate::killpoint;
use crate::ledger::{Finding, Gap, LedgerError, Pending, Severity};
use crate::link::{Link, LinkError, LinkFailure};
use crate::model::amount::length;
use crate::spool::{Partial, Spool};

/// Probes read so much, and stand at whole multiples of it behind the gap's beginning: at most so
/// much that could be read is given up with each gap.
const GRAIN: u64 = 64 * 1024;
/// Gaps of one file; from the next on the rest of it counts as one.
const MOST: usize = 64;

impl Transfer<'_> {
    /// The file stops at its mark in each transfer: finds where it can be read again, and goes there.
    /// Where that is nowhere, what came is held. Only the ledger's failure is an error.
    pub async fn skip(&mut self, link: &mut dyn Link, item: &Pending) -> Result<Ended, LedgerError> {
        match self.read_around(link, item).await {
            Ok(ended) => Ok(ended),
            Err(FetchError::Ledger(e)) => Err(e),
            Err(FetchError::Spool(e)) => Ok(Ended::Disk(e)),
        }
    }

    async fn read_around(&mut self, link: &mut dyn Link, item: &Pending) -> Result<Ended, FetchError> {
        let at = item.mark.offset;
        let size = item.look.size.unwrap_or(at);
        let cut = |error| Ended::Cut { at, further: false, error };
        let mut end = None;
        if link.caps().resumes != Some(false) && item.gaps.len() < MOST {
            end = match self.end_of_gap(link, item, at, size).await {
                Ok(end) => end,
                Err(error) => return Ok(cut(error)),
            };
        }
        // A logger that has gone away reads nothing either.
        match link.look(&item.path).await {
            Ok(now) if !item.look.agrees(&now) => return Ok(Ended::Changed("it changed".into())),
            Ok(_) => {}
            Err(error) if error.is_answer() => return Ok(Ended::Refused(error)),
            Err(error) => return Ok(cut(error)),
        }
        if end.is_none() && at == 0 {
            return Ok(cut(LinkError::cut("not a byte of it can be read")));
        }
        let gap = Gap { from: at, to: end.unwrap_or(size) };
        let gaps: Vec<Gap> = item.gaps.iter().copied().chain([gap]).collect();
        let zeros = end.map_or(0, |end| end - at);
        let mut room = match self.spool.budget().reserve(zeros) {
            Ok(room) => room,
            Err(no) => return Ok(Ended::NoRoom(no)),
        };
        let partial = self.partial(item, zeros).await?;
        let spool = self.spool.clone();
        let (partial, filled) = self.edges.blocking(move |disk| fill(disk, &spool, partial, zeros)).await;
        if let Err(e) = filled {
            return Err(self.back(partial, "write a partial", e).await);
        }
        room.wrote(zeros);
        let name = partial.name.clone();
        let mark = self.flush(partial).await?;
        self.ledger.skipped(item.id, mark, gaps.clone()).await?;
        killpoint::pass("mark-committed");
        if end.is_none() {
            return self.hold_gapped(item, name, &gaps).await;
        }
        self.ledger.raise(self.of_gaps(item, &gaps, "the rest of it is fetched"))?;
        Ok(Ended::Skipped)
    }

    /// Where the file can be read again: probes in growing steps until one answers, then between that
    /// and the last that did not. `None` where nothing up to the end can be read.
    async fn end_of_gap(
        &mut self,
        link: &mut dyn Link,
        item: &Pending,
        at: u64,
        size: u64,
    ) -> Result<Option<u64>, LinkError> {
        // In grains behind `at`; the last one may be short.
        let grains = size.saturating_sub(at).div_ceil(GRAIN);
        let (mut bad, mut step) = (0, 1);
        let mut good = loop {
            if bad + 1 >= grains {
                return Ok(None);
            }
            let probe = (bad + step).min(grains - 1);
            if self.readable(link, item, at + probe * GRAIN, size).await? {
                break probe;
            }
            bad = probe;
            step *= 2;
        };
        while good - bad > 1 {
            let middle = bad + (good - bad) / 2;
            if self.readable(link, item, at + middle * GRAIN, size).await? {
                good = middle;
            } else {
                bad = middle;
            }
        }
        Ok(Some(at + good * GRAIN))
    }

    async fn readable(
        &mut self,
        link: &mut dyn Link,
        item: &Pending,
        from: u64,
        size: u64,
    ) -> Result<bool, LinkError> {
        let len = GRAIN.min(size - from);
        let came = tokio::select! {
            biased;
            error = self.halt.called() => return Err(error),
            came = link.read_range(&item.path, from, len) => came,
        };
        match came {
            Ok(bytes) => {
                self.counts.bytes += bytes.len() as u64;
                Ok(bytes.len() as u64 == len)
            }
            Err(error) if error.is_answer() => Err(error),
            Err(error) if matches!(error.failure, LinkFailure::Absent | LinkFailure::Login) => Err(error),
            Err(_) => Ok(false),
        }
    }

    /// A file that came to its end, but for its gaps, waits for a person.
    pub(super) async fn hold_gapped(
        &mut self,
        item: &Pending,
        name: String,
        gaps: &[Gap],
    ) -> Result<Ended, FetchError> {
        let why = format!("{} cannot be read from the card", missing(gaps));
        let told = self.of_gaps(item, gaps, "what can be read is held");
        self.ledger.hold(item.id, Some(name), json!({ "why": why, "gaps": gaps }), Some(told)).await?;
        Ok(Ended::Held)
    }

    fn of_gaps(&self, item: &Pending, gaps: &[Gap], rest: &str) -> Finding {
        self.finding(
            item,
            "file-stuck",
            Severity::Act,
            json!({ "at_byte": gaps.first().map(|gap| gap.from), "gaps": gaps, "size": item.look.size }),
            &format!("{} cannot be read, the card is probably damaged there; {rest}", missing(gaps)),
            "Copy the file from the card with a card reader, and exchange the card. `yarder held` shows what there is, to keep or to drop.",
        )
    }
}

/// The gaps in words, the first few of many.
fn missing(gaps: &[Gap]) -> String {
    let bytes: u64 = gaps.iter().map(|gap| gap.to - gap.from).sum();
    let places: Vec<String> = gaps.iter().take(3).map(|gap| length(gap.from)).collect();
    let more = if gaps.len() > 3 { format!(" and {} more places", gaps.len() - 3) } else { String::new() };
    format!("{} of it (behind {}{more})", length(bytes), places.join(", "))
}

/// Writes so many zeros. Blocking.
fn fill(
    disk: &dyn Disk,
    spool: &Spool,
    mut partial: Partial,
    mut zeros: u64,
) -> (Partial, std::io::Result<()>) {
    let block = Bytes::from_static(&[0; GRAIN as usize]);
    while zeros > 0 {
        let len = zeros.min(GRAIN);
        // At most a grain, so it fits.
        if let Err(e) = partial.append(disk, spool, &[block.slice(..len as usize)]) {
            return (partial, Err(e));
        }
        zeros -= len;
    }
    (partial, Ok(()))
}
