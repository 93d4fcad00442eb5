//! What depots that share the archive tell of loggers that are not here: by their receipts.

use std::time::Duration;

use jiff::SignedDuration;

use super::catch_up::Read;
use super::run::{ForwardError, Forwarder};

/// So many goes are made for a logger that is not here; what is left waits for the next look.
const GOES: usize = 100;
/// Who was not seen here for so long may be elsewhere.
const ABSENT: SignedDuration = SignedDuration::from_hours(2);
/// How often the archive is asked. One question a logger, where nothing is new.
const EVERY: Duration = Duration::from_secs(3600);

impl Forwarder {
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
            match self.read_on(&logger.id, Read::Knowing(GOES)).await {
                Err(ForwardError::Attach(super::AttachError::Archive(e))) if !e.failure.is_outage() => {
                    tracing::warn!(logger = %logger.id, "its receipts cannot be read: {e}");
                }
                other => drop(other?),
            }
        }
        Ok(())
    }
}
