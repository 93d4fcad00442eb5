//! What ends a transfer before its end, and how much has come meanwhile.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use tokio_util::sync::CancellationToken;

use crate::link::LinkError;

/// Ends one transfer early, in order: what came is kept. The service's stop ends it too.
#[derive(Debug)]
pub struct Halt {
    token: CancellationToken,
    why: OnceLock<&'static str>,
    came: AtomicU64,
    volume: Option<Arc<Volume>>,
}

/// What an access point may carry in a day; all of its transfers take from it.
#[derive(Debug)]
pub struct Volume {
    most: AtomicU64,
    used: AtomicU64,
}

impl Volume {
    /// So many bytes at most, of which some are used.
    pub fn of(most: u64, used: u64) -> Self {
        Self { most: most.into(), used: used.into() }
    }

    /// A person changed the bound.
    pub fn set_most(&self, most: u64) {
        self.most.store(most, Ordering::Relaxed);
    }

    /// Bytes came.
    pub fn take(&self, bytes: u64) {
        self.used.fetch_add(bytes, Ordering::Relaxed);
    }

    /// The bound, and what is used.
    pub fn state(&self) -> (u64, u64) {
        (self.most.load(Ordering::Relaxed), self.used.load(Ordering::Relaxed))
    }

    /// Whether nothing is left.
    pub fn is_used_up(&self) -> bool {
        let (most, used) = self.state();
        used >= most
    }
}

impl Halt {
    /// For one transfer, below the service's stop.
    pub fn below(stop: &CancellationToken) -> Self {
        Self { token: stop.child_token(), why: OnceLock::new(), came: AtomicU64::new(0), volume: None }
    }

    /// Ends the transfer, too, when that volume is used up.
    pub fn within(self, volume: Option<Arc<Volume>>) -> Self {
        Self { volume, ..self }
    }

    /// Ends the transfer so that others have its turn; `why` goes into the file's story.
    pub fn give_way(&self, why: &'static str) {
        let _ = self.why.set(why);
        self.token.cancel();
    }

    /// Whether it was told to give way.
    pub fn gave_way(&self) -> bool {
        self.why.get().is_some()
    }

    /// Bytes delivered up to now.
    pub fn came(&self) -> u64 {
        self.came.load(Ordering::Relaxed)
    }

    /// Bytes were delivered.
    pub fn count(&self, bytes: u64) {
        self.came.fetch_add(bytes, Ordering::Relaxed);
        if let Some(volume) = &self.volume {
            volume.take(bytes);
            if volume.is_used_up() {
                self.give_way("the access point's `max_per_day` is used up");
            }
        }
    }

    /// Waits until the transfer must end; gives the cut that ends it.
    pub(super) async fn called(&self) -> LinkError {
        self.token.cancelled().await;
        LinkError::cut(self.why.get().copied().unwrap_or("the service is stopping"))
    }
}
