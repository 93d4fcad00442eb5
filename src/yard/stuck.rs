//! Files that get no further: they wait, go behind others, and are told after three visits.

use std::collections::BTreeMap;
use std::time::Duration;

use serde_json::json;

use super::YardError;
use super::queue::STUCK_VISITS;
use super::visit::{End, Visit};
use crate::fetch::Ended;
use crate::ledger::{Finding, LedgerError, Pending, Severity, VersionId};
use crate::link::LinkFailure;
use crate::model::amount;

/// What one transfer brought of a file that begins at zero each time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Reached {
    /// Bytes.
    pub bytes: u64,
    /// The time that they took.
    pub took: Duration,
}

impl Reached {
    /// Whole minutes that so many bytes would take at that pace.
    fn minutes_for(&self, size: u64) -> u64 {
        let share = size as f64 / self.bytes.max(1) as f64;
        (self.took.as_secs_f64() * share / 60.0).ceil().max(1.0) as u64
    }
}

impl Visit<'_> {
    /// A transfer was cut. Where it cannot be resumed, how far it came is all that there is to tell.
    pub(super) fn cut_short(&mut self, item: &Pending, now: Reached) {
        if self.link.caps().resumes == Some(false) {
            let best = self.reached.entry(item.id).or_insert(now);
            *best = if now.bytes > best.bytes { now } else { *best };
        }
    }

    /// A file that gets no further waits. Three visits long at one byte, it is the card: the file is
    /// read around that place, and at once around any further one.
    pub(super) async fn park(&mut self, id: VersionId, at: u64) -> Result<(), End> {
        self.parked.insert(id, self.yard.edges.clock.mono());
        self.fruitless.remove(&id);
        let pending = self.yard.ledger.pending(self.row.key).await?;
        let Some(item) = pending.into_iter().find(|item| item.id == id) else { return Ok(()) };
        let reached = self.reached.remove(&id);
        // Where each transfer begins at zero, one that ends at another byte than before was merely cut.
        if self.link.caps().resumes == Some(false) && at != item.furthest {
            return Ok(self.did_not_fit(id, reached).await?);
        }
        // Another try within one visit is no further visit.
        let counted = self.stuck.insert(id, at) == Some(at);
        let three = !counted && self.yard.ledger.stuck(id, Some(at)).await? >= STUCK_VISITS;
        if !three && item.gaps.is_empty() {
            return Ok(());
        }
        match self.skip(&item).await? {
            Ended::Skipped => {
                self.parked.remove(&id);
            }
            Ended::Cut { error, .. }
                if error.failure == LinkFailure::Absent || self.yard.stop.is_cancelled() =>
            {
                return Err(End::Link(error));
            }
            Ended::NoRoom(no) => self.disk_trouble(&no.into())?,
            Ended::Disk(e) => self.disk_trouble(&e)?,
            // Not a byte can be read, or not now.
            Ended::Cut { .. } => self.tell(
                "file-stuck",
                &item,
                json!({ "at_byte": at }),
                format!("{} has stopped {STUCK_VISITS} times behind {}: the card is probably damaged there", item.path, amount::length(at)),
                "Check that logger's card, and change it if reading fails there too; the other files are not held up.",
            )?,
            _ => {}
        }
        Ok(())
    }

    /// The vehicle is gone: what begins at zero each time, and did not come whole, did not fit into its
    /// stay.
    /// So does what did not come whole before and had no turn, behind files that took the whole stay.
    pub(super) async fn drove_off(&mut self) -> Result<(), YardError> {
        let mut all: BTreeMap<VersionId, Option<Reached>> =
            std::mem::take(&mut self.reached).into_iter().map(|(id, reached)| (id, Some(reached))).collect();
        let pace = Reached { bytes: self.counts.bytes, took: self.counts.took };
        let pace = (pace.bytes > 0).then_some(pace);
        let resumes = self.link.caps().resumes == Some(true);
        for item in self.yard.ledger.pending(self.row.key).await? {
            // Counted at its beginning, although it has come further.
            let began_again = item.stuck > 0 && item.stuck_at == Some(0) && item.furthest > 0;
            if !item.open && began_again && !resumes {
                all.entry(item.id).or_insert(pace);
            }
        }
        for (id, reached) in all {
            self.did_not_fit(id, reached).await?;
        }
        Ok(())
    }

    async fn did_not_fit(&mut self, id: VersionId, reached: Option<Reached>) -> Result<(), YardError> {
        // Another try within one visit is no further visit.
        if !self.unfit.insert(id) {
            return Ok(());
        }
        // Each transfer ends elsewhere, and the file is stuck all the same.
        let visits = self.yard.ledger.stuck(id, Some(0)).await?;
        let pending = self.yard.ledger.pending(self.row.key).await?;
        let Some(item) = pending.iter().find(|item| item.id == id && visits >= STUCK_VISITS) else {
            return Ok(());
        };
        let size = item.look.size.unwrap_or(0);
        let minutes = reached.map(|reached| reached.minutes_for(size));
        let needs = minutes.map_or_else(String::new, |m| {
            format!(" for the {} that it needs", amount::span(m as f64 * 60.0))
        });
        let config = self.yard.config.borrow().clone();
        let vehicle = config.vehicles.iter().find(|v| v.id == self.logger.vehicle);
        let before = vehicle.and_then(|v| v.leaves);
        let before =
            before.map_or_else(String::new, |at| format!(" before it leaves at {}", at.strftime("%H:%M")));
        self.tell(
            "never-fits",
            item,
            json!({ "minutes": minutes, "reached": reached.map(|reached| reached.bytes) }),
            format!(
                "{} ({}) has not come whole in {visits} visits: this logger cannot go on where a transfer was cut, and the vehicle does not stay{}",
                item.path,
                amount::size(size),
                if needs.is_empty() { " long enough" } else { &needs },
            ),
            &format!(
                "Keep its logger powered in range for that long once{before}, or take the file from the card by hand. Smaller log files on that logger end this for good.",
            ),
        )?;
        Ok(())
    }

    fn tell(
        &self,
        code: &'static str,
        item: &Pending,
        mut evidence: serde_json::Value,
        cause: String,
        action: &str,
    ) -> Result<(), LedgerError> {
        if let Some(object) = evidence.as_object_mut() {
            object.insert("file".into(), item.path.to_string().into());
            object.insert("size".into(), item.look.size.into());
        }
        self.yard.ledger.raise(Finding {
            code,
            subject: format!("{}/{}", self.logger.id, item.path),
            severity: Severity::Act,
            vehicle: Some(self.logger.vehicle.to_string()),
            logger: Some(self.logger.id.to_string()),
            evidence,
            cause,
            action: action.into(),
        })
    }
}
