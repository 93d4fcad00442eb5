//! A ledger that was lost, or went back, learns from an archive's receipts what this depot has
//! archived: it is not fetched again.

use super::attach::AttachError;
use super::place::LOGGERS;
use super::receipts::rows_of;
use super::records::{Receipt, ReceiptKind};
use super::run::{ForwardError, Forwarder};
use super::steps::read_receipts;
use crate::ledger::FromReceipt;
use crate::model::{Blocks, Edges, LoggerId, Look};

/// Receipt objects read in one go, and loggers listed in one.
const READ: u64 = 100;
const LOGGERS_AT_ONCE: usize = 1000;

impl Forwarder {
    /// Reads all receipts that the ledger has not, and adopts what they tell. Gives how many files the
    /// ledger did not know. Call only while the archive is attached.
    pub async fn catch_up(&self) -> Result<u64, ForwardError> {
        let name = self.config.name.to_string();
        let mut adopted = 0;
        for logger in self.all_loggers().await? {
            adopted += self.catch_up_logger(&name, &logger).await?;
        }
        self.ledger.caught_up_with(&name).await?;
        Ok(adopted)
    }

    /// The same before any logger is asked. An archive that cannot be used is told, and no error.
    pub async fn catch_up_at_start(&self) -> Result<(), ForwardError> {
        let read = match self.attach(false).await {
            Ok(()) => self.catch_up_if_behind().await,
            Err(e) => Err(e.into()),
        };
        match read {
            Err(ForwardError::Attach(AttachError::Ledger(e))) => Err(e.into()),
            Err(ForwardError::Attach(e)) => Ok(self.away(&e)?),
            other => other,
        }
    }

    /// The same, where it is still to be done.
    pub(super) async fn catch_up_if_behind(&self) -> Result<(), ForwardError> {
        if self.ledger.behind().await?.iter().any(|name| *name == self.config.name.as_str()) {
            let adopted = self.catch_up().await?;
            tracing::info!(archive = %self.config.name, adopted, "the ledger has caught up with its receipts");
        }
        Ok(())
    }

    /// Those that the archive knows, and those that the ledger knows.
    async fn all_loggers(&self) -> Result<Vec<LoggerId>, ForwardError> {
        let mut all = self.ledger.logger_names().await?;
        let mut after = String::new();
        loop {
            let listed = self.archive.list(LOGGERS.to_owned(), after, LOGGERS_AT_ONCE).await?;
            all.extend(listed.iter().filter_map(|(key, _)| Some(key.strip_prefix(LOGGERS)?.to_owned())));
            match listed.last() {
                Some((last, _)) if listed.len() == LOGGERS_AT_ONCE => after = last.clone(),
                _ => break,
            }
        }
        all.sort();
        all.dedup();
        Ok(all.iter().filter_map(|name| LoggerId::new(name).ok()).collect())
    }

    async fn catch_up_logger(&self, name: &str, logger: &LoggerId) -> Result<u64, ForwardError> {
        let mut adopted = 0;
        let (last, _) = self.ledger.receipts(name, logger.as_str(), Vec::new()).await?;
        let mut from = last.unsigned_abs() + 1;
        loop {
            let found = read_receipts(&*self.archive, logger, from, READ).await?;
            for (seq, error) in &found.unreadable {
                tracing::warn!(archive = name, %logger, seq, "a receipt is passed over: {error}");
            }
            let files = found.receipts.iter().filter(|r| r.depot == self.depot).filter_map(told).collect();
            let rows = rows_of(&found);
            let (more, partials) = self.ledger.adopt_receipts(name, logger.as_str(), rows, files).await?;
            adopted += more;
            self.spool.unlink(partials).await;
            if found.ended || found.next < from + READ {
                return Ok(adopted);
            }
            from = found.next;
        }
    }
}

/// The file of a receipt, where it tells of one.
fn told(receipt: &Receipt) -> Option<FromReceipt> {
    matches!(receipt.kind, ReceiptKind::Stored | ReceiptKind::Alias).then_some(())?;
    Some(FromReceipt {
        vehicle: receipt.vehicle.to_string(),
        card: receipt.card.parse().ok().filter(|card| (1..1_000_000).contains(card))?,
        path: receipt.path.clone(),
        look: Look { size: Some(receipt.size), time: receipt.mtime, ..Look::default() },
        sha256: receipt.sha256,
        edges: Edges { head: receipt.head, tail: receipt.tail },
        blocks: Blocks(receipt.blocks.clone()),
        proof: receipt.proof,
        whole_at: receipt.fetched.as_millisecond(),
        archived_at: receipt.archived.as_millisecond(),
    })
}
