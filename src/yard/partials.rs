//! Partials that nobody works on: dropped when they have waited long enough.

use std::sync::{Arc, PoisonError};

use tokio::sync::{Mutex, OwnedMutexGuard};

use super::{Yard, YardError};
use crate::ledger::state::Happening;
use crate::ledger::{Idle, LedgerError};
use crate::spool::SpoolError;

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
        let mut due = self.ledger.waited(listed.clone(), keep).await?;
        while let Some(logger) = due.first().map(|idle| idle.logger.clone()) {
            due.retain(|idle| idle.logger != logger);
            let Some(_alone) = self.try_alone(&logger) else { continue };
            // It may have come back before it was held.
            let still = self.ledger.waited(listed.clone(), keep).await?;
            for idle in still.into_iter().filter(|idle| idle.logger == logger) {
                let why = format!("it waited {} h and did not come back", keep.as_secs() / 3600);
                if let Err(e) = self.drop_partial(&idle, why).await? {
                    tracing::warn!("the partial of {} stays in the spool: {e}", idle.path);
                }
            }
        }
        Ok(())
    }

    /// The partial first, then its row: a crash between them leaves a row that begins again.
    async fn drop_partial(&self, idle: &Idle, why: String) -> Result<Result<(), SpoolError>, LedgerError> {
        if let Err(e) = self.spool.unlink_partial(idle.spool.clone()).await {
            return Ok(Err(e));
        }
        self.ledger.restart(idle.id, Happening::PartialDropped, why).await.map(Ok)
    }
}
