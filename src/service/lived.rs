//! The time that the service lives, and what ends by it.

use std::time::Duration;

use super::ServiceError;
use crate::yard::Yard;

/// The service notes that it lives this often.
pub(super) const ALIVE: Duration = Duration::from_secs(60);

/// Lived time from one moment on.
pub(super) struct Life<'y> {
    yard: &'y Yard,
    told: Duration,
}

impl<'y> Life<'y> {
    pub fn begin(yard: &'y Yard) -> Self {
        Self { yard, told: yard.edges.clock.mono() }
    }

    /// Tells the ledger how long it has been, and drops what has waited long enough.
    pub async fn goes_on(&mut self) -> Result<(), ServiceError> {
        let now = self.yard.edges.clock.mono();
        self.yard.ledger.lived(now.saturating_sub(self.told))?;
        self.told = now;
        Ok(self.yard.drop_waited().await?)
    }
}

/// Notes each minute that the service runs, until it stops.
pub(super) async fn live(yard: Yard) -> Result<(), ServiceError> {
    let mut life = Life::begin(&yard);
    let mut key = None;
    loop {
        key = Some(yard.ledger.alive(key).await?);
        life.goes_on().await?;
        tokio::select! {
            biased;
            () = yard.stop.cancelled() => {
                yard.ledger.alive(key).await?;
                return life.goes_on().await;
            }
            () = yard.edges.clock.sleep(ALIVE) => {}
        }
    }
}
