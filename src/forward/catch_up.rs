//! A ledger that was lost, or went back, learns from an archive's receipts what this depot has
//! archived: it is not fetched again.

use tokio_util::sync::CancellationToken;

use super::attach::AttachError;
use super::place::LOGGERS;
use super::receipts::rows_of;
use super::records::{Receipt, ReceiptKind};
use super::run::{ForwardError, Forwarder};
use super::steps::read_receipts;
use crate::ledger::FromReceipt;
use crate::model::{Blocks, Edges, LoggerId, Look};

/// Receipt objects read in one go, and loggers listed in one.
pub(super) const READ: u64 = 100;
const LOGGERS_AT_ONCE: usize = 1000;

/// What receipts are read for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Read<'t> {
    /// To know what others have stored, in so many goes at most.
    Knowing(usize),
    /// To adopt what this depot has archived: while loggers are asked, or before that and no longer than
    /// until this is cancelled.
    Adopting(Option<&'t CancellationToken>),
}

impl Read<'_> {
    fn is_over(self, goes: usize) -> bool {
        match self {
            Read::Knowing(most) => goes >= most,
            Read::Adopting(until) => until.is_some_and(CancellationToken::is_cancelled),
        }
    }
}

impl Forwarder {
    /// Before any logger is asked: reads the receipts that a ledger which went back has not, and adopts
    /// what they tell, until it is told to leave the rest for later. An archive that cannot be used is
    /// told, and no error.
    pub async fn catch_up_at_start(&self, until: &CancellationToken) -> Result<(), ForwardError> {
        let read = match self.attach(false).await {
            Ok(()) => self.catch_up_if_behind(Some(until)).await,
            Err(e) => Err(e.into()),
        };
        match read {
            Err(ForwardError::Attach(AttachError::Ledger(e))) => Err(e.into()),
            Err(ForwardError::Attach(e)) => Ok(self.away(&e)?),
            other => other,
        }
    }

    /// The same, where it is still to be done. Call only while the archive is attached.
    pub(super) async fn catch_up_if_behind(
        &self,
        until: Option<&CancellationToken>,
    ) -> Result<(), ForwardError> {
        let name = self.config.name.as_str();
        if !self.ledger.behind().await?.iter().any(|behind| behind == name) {
            return Ok(());
        }
        let (read, mut adopted) = (Read::Adopting(until), 0);
        for logger in self.all_loggers().await? {
            adopted += self.read_on(&logger, read).await?;
        }
        if !read.is_over(0) {
            self.ledger.caught_up_with(name).await?;
            tracing::info!(archive = name, adopted, "the ledger has caught up with its receipts");
        }
        Ok(())
    }

    /// Reads on in a logger's receipts to their end, and remembers them. Gives how many files were
    /// adopted.
    pub(super) async fn read_on(&self, logger: &LoggerId, read: Read<'_>) -> Result<u64, ForwardError> {
        let name = self.config.name.as_str();
        let (last, _) = self.ledger.receipts(name, logger.as_str(), Vec::new()).await?;
        let (mut from, mut goes, mut adopted) = (last.unsigned_abs() + 1, 0, 0);
        while !read.is_over(goes) {
            let found = read_receipts(&*self.archive, logger, from, READ).await?;
            for (seq, error) in &found.unreadable {
                tracing::warn!(archive = name, %logger, seq, "a receipt is passed over: {error}");
            }
            let (own, theirs): (Vec<_>, Vec<_>) = found.receipts.iter().partition(|r| r.depot == self.depot);
            let theirs: Vec<_> =
                theirs.into_iter().map(|r| (r.depot.clone(), r.fetched.as_millisecond())).collect();
            if !theirs.is_empty() {
                self.ledger.seen_elsewhere(logger.as_str(), theirs).await?;
            }
            let (files, at_start) = match read {
                Read::Knowing(_) => (Vec::new(), false),
                Read::Adopting(until) => (own.into_iter().filter_map(told).collect(), until.is_some()),
            };
            let rows = rows_of(&found);
            let (more, partials) =
                self.ledger.adopt_receipts(name, logger.as_str(), rows, files, at_start).await?;
            self.spool.unlink(partials).await;
            adopted += more;
            if found.ended || found.next < from + READ {
                break;
            }
            (from, goes) = (found.next, goes + 1);
        }
        Ok(adopted)
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
