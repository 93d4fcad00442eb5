//! Partials that nobody works on: dropped when they have waited long enough, or when nothing can be
//! finished for want of room.

use std::collections::BTreeSet;
use std::sync::{Arc, PoisonError};

use serde_json::json;
use tokio::sync::{Mutex, OwnedMutexGuard};

use super::visit::Visit;
use super::{Yard, YardError};
use crate::ledger::state::Happening;
use crate::ledger::{Finding, Idle, LedgerError, Pending, Severity, VersionId};
use crate::model::amount::size;
use crate::spool::NoRoom;

impl Yard {
    fn lock_of(&self, logger: &str) -> Arc<Mutex<()>> {
        let mut all = self.locks.lock().unwrap_or_else(PoisonError::into_inner);
        all.entry(logger.to_owned()).or_default().clone()
    }

    /// Nobody else works on a logger's partials as long as this is held: who lists and fetches holds
    /// it, and who drops one.
    pub(super) async fn alone(&self, logger: &str) -> OwnedMutexGuard<()> {
        self.lock_of(logger).lock_owned().await
    }

    /// The same where nobody holds it now.
    fn try_alone(&self, logger: &str) -> Option<OwnedMutexGuard<()>> {
        self.lock_of(logger).try_lock_owned().ok()
    }

    /// Drops the partials that have waited `lost_keep` of lived time, of lost files and of loggers
    /// that were taken off the list. One that is worked on just now waits for the next time.
    pub async fn drop_waited(&self) -> Result<(), YardError> {
        let config = self.config.borrow().clone();
        let listed: Vec<String> = config.loggers.iter().map(|l| l.id.to_string()).collect();
        let keep = config.depot.lost_keep;
        for idle in self.ledger.waited(listed, keep).await? {
            let Some(_alone) = self.try_alone(&idle.logger) else { continue };
            let why = format!("it waited {} h and did not come back", keep.as_secs() / 3600);
            self.drop_partial(&idle, why).await?;
        }
        Ok(())
    }

    /// The partial first, then its row: a crash between them leaves a row that begins again. Gives
    /// whether it was dropped. The caller holds the logger's lock.
    async fn drop_partial(&self, idle: &Idle, why: String) -> Result<bool, LedgerError> {
        // It may have come back, or come home, before the lock was taken.
        if !self.ledger.is_still(idle).await? {
            return Ok(false);
        }
        if let Err(e) = self.spool.unlink_partial(idle.spool.clone()).await {
            tracing::warn!("the partial of {} on {} stays in the spool: {e}", idle.path, idle.logger);
            return Ok(false);
        }
        self.ledger.restart(idle.id, Happening::PartialDropped, why).await?;
        Ok(true)
    }
}

impl Visit<'_> {
    /// Nothing can be finished for want of room: partials make it for one of these files, the first
    /// for which that can be done; it is to be tried again. Gives whether any partial went.
    pub(super) async fn make_room(
        &mut self,
        refused: Vec<(Pending, NoRoom)>,
        tried: &mut BTreeSet<VersionId>,
    ) -> Result<bool, LedgerError> {
        // Where it cannot be done for one, it cannot for a larger one.
        let mut least = u64::MAX;
        for (item, no) in refused {
            if no.wanted < least && self.make_room_for(&item, &no).await? {
                return Ok(tried.remove(&item.id));
            }
            least = least.min(no.wanted);
        }
        Ok(false)
    }

    /// Partials of absent vehicles go until there is room, that of the longest absent first. Gives
    /// whether one went. None goes while a transfer goes on, or where room comes by itself or would not
    /// come of it.
    async fn make_room_for(&mut self, item: &Pending, no: &NoRoom) -> Result<bool, LedgerError> {
        let yard = self.yard;
        let _one = yard.pressure.lock().await;
        let budget = yard.spool.budget();
        let short = no.short;
        let mut idle = yard.ledger.partials().await?;
        idle.retain(|idle| idle.id != item.id);
        let partials: u64 = idle.iter().map(|idle| idle.mark).sum();
        let coming = yard.ledger.leaving().await?;
        if budget.is_reserved() || coming >= short || coming + partials < short {
            return Ok(false);
        }
        let own = self.logger.id.as_str();
        // This one is here, and its lock is held: its own partials come last.
        idle.sort_by_key(|idle| idle.logger == own);
        let mut dropped = false;
        for idle in idle {
            let alone = yard.try_alone(&idle.logger);
            if alone.is_none() && idle.logger != own {
                continue;
            }
            let why = format!("no room for {} of {}", item.path, self.logger.vehicle);
            if !yard.drop_partial(&idle, why).await? {
                continue;
            }
            dropped = true;
            yard.ledger.raise(Finding {
                code: "partial-dropped",
                subject: format!("{}/{}", idle.logger, idle.path),
                severity: Severity::Watch,
                vehicle: Some(idle.vehicle),
                logger: Some(idle.logger),
                evidence: json!({ "file": idle.path.to_string(), "bytes": idle.mark, "for": item.path.to_string() }),
                cause: format!(
                    "the spool was full of unfinished files and nothing could be finished, so that what had come of {} ({}) was dropped",
                    idle.path,
                    size(idle.mark)
                ),
                action: "Nothing for this file: it is fetched from its start when the vehicle comes. If it happens again, give `spool_limit` a higher value.".into(),
            })?;
            if budget.reserve(no.wanted).is_ok() {
                break;
            }
        }
        Ok(dropped)
    }
}
