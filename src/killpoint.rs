//! Named moments at which a test ends the process, to see that the work goes on after a restart.
//!
//! A point is armed by the environment variable `YARDER_KILL_AT=name` (or `name:n` for its n-th
//! passing) and does nothing else. It costs one load of an atomic when it is not armed.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

/// Every point, in the order in which a file passes them.
pub const POINTS: &[&str] = &[
    "partial-flushed",
    "mark-committed",
    "record-flushed",
    "published",
    "folder-flushed",
    "whole-committed",
    "claim-intended",
    "claim-stored",
    "place-committed",
    "archive-temp-flushed",
    "archive-published",
    "archive-folder-flushed",
    "receipt-stored",
    "archived-committed",
    "spool-let-go",
    "manifest-replaced",
    "removal-intent",
    "after-DELETE",
];

struct Armed {
    name: String,
    left: AtomicU32,
}

static ARMED: OnceLock<Option<Armed>> = OnceLock::new();

fn armed() -> Option<&'static Armed> {
    ARMED
        .get_or_init(|| {
            let wanted = std::env::var("YARDER_KILL_AT").ok()?;
            let (name, nth) = match wanted.split_once(':') {
                Some((name, nth)) => (name.to_owned(), nth.parse().unwrap_or(1)),
                None => (wanted, 1),
            };
            Some(Armed { name, left: AtomicU32::new(nth) })
        })
        .as_ref()
}

/// Passes a point: SIGKILL to this process if it is armed and its turn has come.
pub fn pass(point: &str) {
    debug_assert!(POINTS.contains(&point), "{point} is missing from the list");
    let Some(armed) = armed() else { return };
    if armed.name == point && armed.left.fetch_sub(1, Ordering::SeqCst) == 1 {
        #[cfg(target_os = "linux")]
        {
            let _ = rustix::process::kill_process(rustix::process::getpid(), rustix::process::Signal::KILL);
        }
        std::process::abort();
    }
}
