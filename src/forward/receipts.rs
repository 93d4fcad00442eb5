//! The receipts of a group: what the archive has of its contents already, and the new ones.

use std::collections::{BTreeMap, BTreeSet};

use super::attach::AttachError;
use super::catch_up::Read;
use super::group::{File, Group};
use super::place::day_folder;
use super::records::{Receipt, ReceiptKind, Recorded, path_text};
use super::run::ForwardError;
use super::steps::{Found, Received, receive};
use crate::archive::{ReadBack, fit_part};
use crate::killpoint;
use crate::ledger::{Kept, ReceiptRow, VersionId};
use crate::model::LoggerId;

impl Group<'_> {
    /// Step 0: what the archive's receipts say of these contents.
    pub(super) async fn receipts(&mut self, name: &str) -> Result<(), ForwardError> {
        for logger in self.loggers() {
            match self.receipts_of(name, &logger).await {
                Err(ForwardError::Attach(AttachError::Archive(e))) if !e.failure.is_outage() => {
                    let own = self.files.iter_mut().filter(|f| f.logger == logger);
                    own.for_each(|f| f.trouble = Some(e.clone()));
                }
                other => other?,
            }
        }
        Ok(())
    }

    async fn receipts_of(&mut self, name: &str, logger: &LoggerId) -> Result<(), ForwardError> {
        let keys: Vec<String> = self.of(logger).map(|f| f.key.clone()).collect();
        let (last, _) = self.forwarder.ledger.receipts(name, logger.as_str(), Vec::new()).await?;
        if last == 0 {
            self.register(logger).await?;
        }
        self.forwarder.read_on(logger, Read::Knowing(usize::MAX)).await?;
        let (_, known) = self.forwarder.ledger.receipts(name, logger.as_str(), keys).await?;
        for file in self.files.iter_mut().filter(|f| f.logger == *logger) {
            let path = path_text(&file.due.path);
            let mine = |row: &&ReceiptRow| row.key == file.key;
            file.known = known.iter().filter(mine).find(|r| r.kind == "stored").cloned();
            let named = |r: &&ReceiptRow| r.path == path && matches!(r.kind.as_str(), "stored" | "alias");
            file.named = known.iter().filter(mine).find(named).cloned();
            if let Some(known) = &file.known {
                file.location = Some(known.location.clone());
            }
        }
        Ok(())
    }
    /// Steps 6 and 7: receipts, and archived.
    pub(super) async fn receive(&mut self, name: &str) -> Result<BTreeSet<VersionId>, ForwardError> {
        let forwarder = self.forwarder;
        let mut moved = BTreeSet::new();
        let mut failed = BTreeMap::new();
        for logger in self.loggers() {
            let mut kept: Vec<Kept> = Vec::new();
            let mut receipts: Vec<Receipt> = Vec::new();
            let mut waiting: BTreeMap<(String, String), &File> = BTreeMap::new();
            for file in self.files.iter().filter(|f| f.logger == logger) {
                let Some(back) = &file.back else { continue };
                match &file.named {
                    Some(row) => {
                        kept.push(self.kept(file, row.seq, back, note_of(row, &forwarder.depot)));
                    }
                    None => {
                        waiting.insert((file.key.clone(), path_text(&file.due.path)), file);
                        receipts.push(self.receipt(file, back));
                    }
                }
            }
            let mut rows: Vec<(String, ReceiptRow)> = Vec::new();
            if !receipts.is_empty() {
                let (last, _) = forwarder.ledger.receipts(name, logger.as_str(), Vec::new()).await?;
                let next = last.unsigned_abs() + 1;
                let received = match receive(&*forwarder.archive, &logger, next, &[], &receipts).await {
                    Ok(received) => received,
                    // Copies that have their receipts already go on.
                    Err(e) if !e.failure.is_outage() => {
                        failed.insert(logger.clone(), e);
                        Received::default()
                    }
                    Err(e) => return Err(e.into()),
                };
                killpoint::pass("receipt-stored");
                let written = Found { receipts: received.written, ..Found::default() };
                for (found, note) in [(&received.theirs, "already there"), (&written, "stored")] {
                    for (receipt, row) in found.receipts.iter().zip(rows_of(found)) {
                        let told = matches!(receipt.kind, ReceiptKind::Stored | ReceiptKind::Alias);
                        let file =
                            waiting.remove(&(receipt.key.clone(), path_text(&receipt.path))).filter(|_| told);
                        if let Some((file, back)) = file.and_then(|f| Some((f, f.back.as_ref()?))) {
                            kept.push(self.kept(file, row.seq, back, note));
                        }
                        rows.push((logger.to_string(), row));
                    }
                }
            }
            if kept.is_empty() && rows.is_empty() {
                continue;
            }
            let ids: Vec<_> = kept.iter().map(|k| k.id).collect();
            moved.extend(&ids);
            let bytes = self.files.iter().filter(|f| ids.contains(&f.due.id)).map(|f| f.due.size).sum();
            let freed = forwarder.ledger.verified(name, kept, rows).await?;
            killpoint::pass("archived-committed");
            if !freed.is_empty() {
                forwarder.spool.unlink(freed).await;
            }
            forwarder.archived(ids.len() as u64, bytes);
            self.elsewhere(ids).await?;
        }
        for file in self.files.iter_mut().filter(|f| !moved.contains(&f.due.id) && f.back.is_some()) {
            file.trouble = failed.get(&file.logger).cloned();
        }
        Ok(moved)
    }

    /// It stands where it was read back, whatever a receipt says.
    fn kept(&self, file: &File, seq: i64, back: &ReadBack, note: &'static str) -> Kept {
        let location = file.location.clone().unwrap_or_default();
        Kept {
            id: file.due.id,
            seq,
            verified: back.how.as_str(),
            // The manifest of another depot's folder is that depot's.
            folder: day_folder(&self.forwarder.config.layout, &location)
                .filter(|folder| folder.ends_with(&format!("/{}", fit_part(self.forwarder.depot.as_bytes()))))
                .map(str::to_owned),
            location,
            note,
        }
    }

    fn receipt(&self, file: &File, back: &ReadBack) -> Receipt {
        let due = &file.due;
        let of = file.known.as_ref().map(|row| row.seq.unsigned_abs());
        Receipt {
            seq: 0,
            kind: if of.is_some() { ReceiptKind::Alias } else { ReceiptKind::Stored },
            of,
            key: file.key.clone(),
            sha256: due.sha256,
            size: due.size,
            location: file.location.clone().unwrap_or_default(),
            vehicle: file.vehicle.clone(),
            logger: file.logger.clone(),
            card: due.card.to_string(),
            path: due.path.clone(),
            mtime: due.time,
            recorded: due.recorded.map(|(from, to)| Recorded { from, to }),
            fetched: due.whole_at.unwrap_or_else(|| self.forwarder.edges.clock.now()),
            archived: self.forwarder.edges.clock.now(),
            depot: self.forwarder.depot.clone(),
            proof: due.proof,
            verified: back.how,
            shared: file.shared,
            head: due.edges.head,
            tail: due.edges.tail,
            blocks: due.blocks.0.clone(),
            extends: due.extends.map(i64::unsigned_abs),
        }
    }
}

pub(super) fn rows_of(found: &Found) -> Vec<ReceiptRow> {
    let mut line = 0;
    let mut seq = 0;
    found
        .receipts
        .iter()
        .map(|receipt| {
            line = if receipt.seq == seq { line + 1 } else { 0 };
            seq = receipt.seq;
            ReceiptRow {
                seq: i64::try_from(receipt.seq).unwrap_or(i64::MAX),
                line,
                key: receipt.key.clone(),
                kind: receipt.kind.as_str().to_owned(),
                path: path_text(&receipt.path),
                location: receipt.location.clone(),
                depot: receipt.depot.clone(),
            }
        })
        .collect()
}

fn note_of(row: &ReceiptRow, depot: &str) -> &'static str {
    if row.depot == depot { "already there" } else { "already stored by another depot" }
}
