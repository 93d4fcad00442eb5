//! What depots that share the archive tell of loggers that are not here: by their receipts.

use std::time::Duration;

use jiff::SignedDuration;

use super::receipts::rows_of;
use super::run::{ForwardError, Forwarder};
use super::steps::read_receipts;
use crate::model::LoggerId;

/// Receipt objects read in one go.
const READ: u64 = 1000;
/// So many goes are made for a logger that is not here; what is left waits for the next look.
const GOES: usize = 10;
/// Who was not seen here for so long may be elsewhere.
const ABSENT: SignedDuration = SignedDuration::from_hours(2);
/// How often the archive is asked. One question a logger, where nothing is new.
const EVERY: Duration = Duration::from_secs(3600);

impl Forwarder {
    /// Reads on in a logger's receipts to their end, in so many goes at most, and remembers them.
    pub(super) async fn read_on(&self, logger: &LoggerId, goes: usize) -> Result<(), ForwardError> {
        let name = self.config.name.as_str();
        let (mut last, _) = self.ledger.receipts(name, logger.as_str(), Vec::new()).await?;
        for _ in 0..goes {
            let from = last.unsigned_abs() + 1;
            let found = read_receipts(&*self.archive, logger, from, READ).await?;
            let theirs = found.receipts.iter().filter(|r| r.depot != self.depot);
            let theirs: Vec<_> = theirs.map(|r| (r.depot.clone(), r.fetched.as_millisecond())).collect();
            if !theirs.is_empty() {
                self.ledger.seen_elsewhere(logger.as_str(), theirs).await?;
            }
            self.ledger.remember_receipts(name, logger.as_str(), rows_of(&found)).await?;
            last = i64::try_from(found.next).unwrap_or(i64::MAX) - 1;
            if found.ended || found.next < from + READ {
                break;
            }
        }
        Ok(())
    }

    /// Looks when it is time to; `looked` is when that was done last.
    pub(super) async fn look_around(&self, looked: &mut Option<Duration>) -> Result<(), ForwardError> {
        let now = self.edges.clock.mono();
        if looked.is_none_or(|at| now.saturating_sub(at) >= EVERY) {
            self.look_elsewhere().await?;
            *looked = Some(now);
        }
        Ok(())
    }

    /// Asks the archive who has loggers that are not here. A logger whose receipts cannot be read
    /// holds up no other.
    pub async fn look_elsewhere(&self) -> Result<(), ForwardError> {
        let since = self.edges.clock.now().saturating_sub(ABSENT).unwrap_or_default();
        let here = self.ledger.seen_since(since.as_millisecond()).await?;
        let config = self.settings.borrow().clone();
        for logger in config.loggers.iter().filter(|l| !here.contains(l.id.as_str())) {
            match self.read_on(&logger.id, GOES).await {
                Err(ForwardError::Attach(super::AttachError::Archive(e))) if !e.failure.is_outage() => {
                    tracing::warn!(logger = %logger.id, "its receipts cannot be read: {e}");
                }
                other => other?,
            }
        }
        Ok(())
    }
}
