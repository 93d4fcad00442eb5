//! The open last file, fetched ahead: with airtime that no closed file wants.

use super::queue::ahead;
use super::visit::{End, Visit};
use crate::fetch::Ended;
use crate::link::{LinkError, LinkFailure};

impl Visit<'_> {
    /// Fetches what open last files have grown by, where a turn is free and nobody waits for it. Each
    /// once for a listing; one that a transfer could not go on with, not again in this visit.
    pub(super) async fn fetch_ahead(&mut self) -> Result<(), End> {
        // A logger that begins at zero each time would send all of it for every growth.
        // What is written again would cost its volume again.
        let costs = self.is_metered() || self.used_up;
        if costs || self.link.caps().resumes == Some(false) || !self.yard.spool.budget().has_air() {
            return Ok(());
        }
        for item in ahead(self.yard.ledger.pending(self.row.key).await?) {
            if self.yard.stop.is_cancelled() {
                return Ok(());
            }
            if self.not_ahead.contains(&item.id) {
                continue;
            }
            let Some(turn) = self.yard.turns.spare(self.logger.access_point.as_deref()) else {
                return Ok(());
            };
            match self.fetch(&item, &turn).await? {
                Ended::Cut { error: error @ LinkError { failure: LinkFailure::Absent, .. }, .. } => {
                    return Err(End::Link(error));
                }
                Ended::Cut { further: true, .. } | Ended::CaughtUp => {}
                Ended::GaveWay => return Ok(()),
                Ended::Disk(e) => return Ok(self.disk_trouble(&e)?),
                _ => {
                    self.not_ahead.insert(item.id);
                }
            }
        }
        Ok(())
    }
}
