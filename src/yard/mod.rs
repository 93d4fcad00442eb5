//! The yard: which loggers are here, what they offer, and who transfers.
//!
//! One task a logger: it knocks at its pace, and while the logger answers with listings of the
//! right logger (a visit) it fetches what is closed. An absent vehicle is normal; a present one that
//! answers badly is news.

mod ahead;
mod listings;
mod logger;
mod meter;
mod partials;
mod queue;
mod removal;
mod server_clock;
mod sight;
mod stuck;
mod trouble;
mod turns;
mod visit;

use std::collections::BTreeMap;
use std::sync::Arc;

use tokio::sync::{Mutex, watch};
use tokio_util::sync::CancellationToken;

pub use logger::{OnceOutcome, once, remove_now, watch_logger};
pub use turns::{Turn, Turns};

use listings::Listings;

use crate::archive::Archives;
use crate::config::Config;
use crate::edges::Edges;
use crate::fetch::Readers;
use crate::inspect::Known;
use crate::ledger::{Ledger, LedgerError};
use crate::link::Dialer;
use crate::progress::Progress;
use crate::spool::{Finisher, Spool};

/// What every logger's task works with.
#[derive(Clone)]
pub struct Yard {
    /// The edges.
    pub edges: Edges,
    /// The truth.
    pub ledger: Ledger,
    /// The depot's own disk.
    pub spool: Spool,
    /// Makes files whole.
    pub finisher: Finisher,
    /// Read along.
    pub readers: Readers,
    /// Makes links.
    pub dialer: Arc<dyn Dialer>,
    /// Who transfers.
    pub turns: Turns,
    /// Who watches.
    pub progress: Progress,
    /// The archives in use.
    pub archives: Archives,
    /// The last good configuration.
    pub config: watch::Receiver<Arc<Config>>,
    /// Ends everything.
    pub stop: CancellationToken,
    listings: Listings,
    /// Held by who works on the partials of a logger.
    locks: Arc<std::sync::Mutex<BTreeMap<String, Arc<Mutex<()>>>>>,
    /// What bounded access points carried this day.
    volumes: meter::Volumes,
    /// Held by who makes room in the spool: one at a time, so that no more goes than must.
    pressure: Arc<Mutex<()>>,
}

impl Yard {
    /// What is known of the files of a logger; nothing of one that is not listed any more.
    pub fn known(&self, logger: &str) -> Known {
        let config = self.config.borrow();
        let listed = config.loggers.iter().find(|listed| listed.id.as_str() == logger);
        listed.map(|listed| listed.kind.content.clone()).unwrap_or_default()
    }

    /// Puts the parts together.
    #[expect(clippy::too_many_arguments, reason = "it is the list of the parts")]
    pub fn new(
        edges: Edges,
        ledger: Ledger,
        spool: Spool,
        finisher: Finisher,
        dialer: Arc<dyn Dialer>,
        progress: Progress,
        config: watch::Receiver<Arc<Config>>,
        stop: CancellationToken,
    ) -> Self {
        let turns = Turns::default();
        turns.set_limits(&config.borrow());
        let listings = Listings::default();
        let (locks, volumes, pressure, archives) = Default::default();
        Self {
            edges,
            ledger,
            spool,
            finisher,
            readers: Readers::default(),
            dialer,
            turns,
            progress,
            archives,
            config,
            stop,
            listings,
            locks,
            volumes,
            pressure,
        }
    }
}

/// Trouble on our own side, which ends the service: it starts again from what the disk holds.
#[derive(Debug, thiserror::Error)]
pub enum YardError {
    /// The ledger failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}
