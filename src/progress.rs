//! What a person at the terminal may watch while it happens. Nothing depends on it: a listener that
//! is slow misses some of it.

use tokio::sync::broadcast;

/// One thing that happened just now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tick {
    /// A vehicle's logger answered with a listing.
    Visit {
        /// The vehicle.
        vehicle: String,
        /// The logger.
        logger: String,
        /// Files to fetch.
        files: u64,
        /// Bytes to fetch.
        bytes: u64,
    },
    /// A transfer began, or went on at `from`.
    Begun {
        /// The vehicle.
        vehicle: String,
        /// The logger.
        logger: String,
        /// The path on the logger.
        path: String,
        /// The offset of its first byte.
        from: u64,
        /// Bytes in all, where known.
        size: Option<u64>,
    },
    /// Bytes came.
    Bytes {
        /// The logger.
        logger: String,
        /// How many.
        count: u64,
    },
    /// A transfer was cut; what came is kept.
    Cut {
        /// The vehicle.
        vehicle: String,
        /// The logger.
        logger: String,
        /// The path on the logger.
        path: String,
        /// Bytes kept.
        at: u64,
        /// In words.
        why: String,
    },
    /// All that there is of a file that may still be written is in the spool.
    CaughtUp {
        /// The vehicle.
        vehicle: String,
        /// The logger.
        logger: String,
        /// The path on the logger.
        path: String,
        /// Bytes.
        at: u64,
    },
    /// A file is whole in the spool.
    Whole {
        /// The vehicle.
        vehicle: String,
        /// The logger.
        logger: String,
        /// The path on the logger.
        path: String,
        /// Bytes.
        size: u64,
    },
    /// Files stand verified in an archive.
    Archived {
        /// The archive.
        archive: String,
        /// How many.
        files: u64,
        /// Their bytes.
        bytes: u64,
    },
    /// A visit ended.
    Left {
        /// The vehicle.
        vehicle: String,
        /// The logger.
        logger: String,
        /// In words.
        why: String,
    },
    /// Something is wrong.
    Trouble {
        /// The vehicle, where it concerns one.
        vehicle: Option<String>,
        /// In words: cause and action.
        text: String,
    },
}

/// Where ticks go.
#[derive(Debug, Clone)]
pub struct Progress(broadcast::Sender<Tick>);

impl Default for Progress {
    fn default() -> Self {
        Self(broadcast::channel(4096).0)
    }
}

impl Progress {
    /// Tells whoever listens.
    pub fn tell(&self, tick: Tick) {
        // No listener is no trouble.
        let _ = self.0.send(tick);
    }

    /// Listens from now on.
    pub fn listen(&self) -> broadcast::Receiver<Tick> {
        self.0.subscribe()
    }
}
