//! Who reads a listing now: few at a time, and a slow one holds up nobody.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::Semaphore;

use crate::clock::Clock;
use crate::link::{Link, LinkError, ListCaps, Listing};

/// Listings read at a time: each may hold 200,000 entries in memory.
const QUICK: usize = 4;
/// One that takes longer ...
const PATIENCE: Duration = Duration::from_secs(10);
/// ... goes on beside the others, with so many of its sort; further ones are cut.
const SLOW: usize = 12;

/// The listings of one yard.
#[derive(Debug, Clone)]
pub(super) struct Listings {
    quick: Arc<Semaphore>,
    slow: Arc<Semaphore>,
}

impl Default for Listings {
    fn default() -> Self {
        Self { quick: Arc::new(Semaphore::new(QUICK)), slow: Arc::new(Semaphore::new(SLOW)) }
    }
}

impl Listings {
    /// Waits for its turn and takes a listing.
    pub async fn take(&self, clock: &dyn Clock, link: &mut dyn Link) -> Result<Listing, LinkError> {
        let quick = self.quick.acquire().await;
        let caps = ListCaps::default();
        let mut listing = link.list(&caps);
        tokio::select! {
            biased;
            listing = &mut listing => return listing,
            () = clock.sleep(PATIENCE) => {}
        }
        let Ok(_slow) = self.slow.try_acquire() else {
            return Err(LinkError::cut("its listing takes long, and so do those of many others"));
        };
        drop(quick);
        listing.await
    }
}
