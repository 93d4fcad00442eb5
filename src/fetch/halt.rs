//! What ends a transfer before its end, and how much has come meanwhile.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};

use tokio_util::sync::CancellationToken;

use crate::link::LinkError;

/// Ends one transfer early, in order: what came is kept. The service's stop ends it too.
#[derive(Debug)]
pub struct Halt {
    token: CancellationToken,
    why: OnceLock<&'static str>,
    came: AtomicU64,
}

impl Halt {
    /// For one transfer, below the service's stop.
    pub fn below(stop: &CancellationToken) -> Self {
        Self { token: stop.child_token(), why: OnceLock::new(), came: AtomicU64::new(0) }
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
    }

    /// Waits until the transfer must end; gives the cut that ends it.
    pub(super) async fn called(&self) -> LinkError {
        self.token.cancelled().await;
        LinkError::cut(self.why.get().copied().unwrap_or("the service is stopping"))
    }
}
