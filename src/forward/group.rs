//! A group of files on its way into one archive.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use serde_json::json;

use super::attach::AttachError;
use super::place::{PlaceFacts, content_key, day_folder, logger_object, places};
use super::records::{Claim, LoggerRecord, Receipt, ReceiptKind, path_text};
use super::run::{ForwardError, Forwarder, Key};
use super::source::Source;
use super::steps::{
    Found, Put, PutWanted, Received, Unclaimed, Verdict, VerifyWanted, put, read_receipts, receive, stake,
    verify,
};
use crate::archive::{ArchiveError, ArchiveFailure, ReadBack, fit_part, fold};
use crate::killpoint;
use crate::ledger::state::Duty;
use crate::ledger::{Due, Kept, ReceiptRow, Severity, VersionId};
use crate::model::{LoggerId, VehicleId};

/// Receipt objects read in one go.
const READ: u64 = 1000;

/// One file of the group.
struct File {
    due: Due,
    key: String,
    logger: LoggerId,
    vehicle: VehicleId,
    /// The receipt that its content has already, in this archive.
    known: Option<ReceiptRow>,
    /// Whether that receipt, or an alias of it, is for this very path.
    named: Option<ReceiptRow>,
    /// Where its bytes are, and whether that is the spool's own file.
    source: Option<(PathBuf, bool)>,
    claim: Option<Claim>,
    location: Option<String>,
    shared: bool,
    back: Option<ReadBack>,
    /// The archive failed, maybe at this file alone.
    trouble: Option<ArchiveError>,
}

pub(super) struct Group<'f> {
    forwarder: &'f Forwarder,
    files: Vec<File>,
    /// Files at which the archive failed, or whose bytes cannot be had now, while others may go on.
    alone: Vec<File>,
    /// The first trouble with the archive as a whole; what could be done before it stays done.
    trouble: Option<ArchiveError>,
}

impl<'f> Group<'f> {
    /// Looks up what the archive has of these files already, and writes down where the others are to
    /// go. A content that is among `keys`, or comes a second time, waits for a later group.
    pub async fn begin(
        forwarder: &'f Forwarder,
        due: Vec<Due>,
        mut keys: BTreeSet<Key>,
    ) -> Result<Self, ForwardError> {
        let files = due
            .into_iter()
            .filter_map(|due| {
                let key = content_key(&due.sha256, due.size, &due.path);
                let logger = LoggerId::new(&due.logger).ok()?;
                let vehicle = VehicleId::new(&due.vehicle).ok()?;
                keys.insert((due.logger.clone(), key.clone())).then_some(File {
                    location: due.location.clone(),
                    shared: due.shared,
                    due,
                    key,
                    logger,
                    vehicle,
                    known: None,
                    named: None,
                    source: None,
                    claim: None,
                    back: None,
                    trouble: None,
                })
            })
            .collect();
        let mut group = Self { forwarder, files, alone: Vec::new(), trouble: None };
        let name = forwarder.config.name.to_string();
        group.receipts(&name).await?;
        group.part();
        group.sources(&name).await?;
        group.intend(&name).await?;
        Ok(group)
    }

    /// Its files, with what tells their contents.
    pub fn keys(&self) -> impl Iterator<Item = (VersionId, Key)> {
        let files = self.files.iter().chain(&self.alone);
        files.map(|f| (f.due.id, (f.due.logger.clone(), f.key.clone())))
    }

    /// Takes every file as far as it goes; gives its files, and which of them are not archived.
    pub async fn run(mut self) -> (Vec<VersionId>, Result<Vec<VersionId>, ForwardError>) {
        let outcome = self.steps().await;
        let ids: Vec<_> = self.keys().map(|(id, _)| id).collect();
        let left = outcome.map(|moved| ids.iter().filter(|id| !moved.contains(id)).copied().collect());
        (ids, left)
    }

    async fn steps(&mut self) -> Result<BTreeSet<VersionId>, ForwardError> {
        let name = self.forwarder.config.name.to_string();
        self.stake(&name).await?;
        self.part();
        self.put(&name).await?;
        self.part();
        self.verify(&name).await?;
        self.part();
        let moved = self.receive(&name).await?;
        self.part();
        self.put_off().await?;
        Ok(moved)
    }

    /// Files with trouble leave the group, and the others go on.
    fn part(&mut self) {
        let (alone, files) = std::mem::take(&mut self.files).into_iter().partition(|f| f.trouble.is_some());
        self.files = files;
        self.alone.extend::<Vec<_>>(alone);
    }

    /// Files at which the archive failed wait, each for itself, where the archive as a whole can be
    /// read and written.
    async fn put_off(&mut self) -> Result<(), ForwardError> {
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble.into());
        }
        let mut troubles = self.alone.iter().filter_map(|f| f.trouble.as_ref());
        if troubles.any(|t| t.failure != ArchiveFailure::Source) {
            self.forwarder.attach(false).await?;
        }
        for file in &self.alone {
            if let Some(trouble) = &file.trouble {
                self.forwarder.put_off(&file.due, trouble).await?;
            }
        }
        Ok(())
    }

    /// Step 0: what the archive's receipts say of these contents.
    async fn receipts(&mut self, name: &str) -> Result<(), ForwardError> {
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
        let (mut last, _) = self.forwarder.ledger.receipts(name, logger.as_str(), Vec::new()).await?;
        if last == 0 {
            self.register(logger).await?;
        }
        loop {
            let from = last.unsigned_abs() + 1;
            let found = read_receipts(&*self.forwarder.archive, logger, from, READ).await?;
            let next = found.next;
            let rows = rows_of(&found);
            self.forwarder.ledger.remember_receipts(name, logger.as_str(), rows).await?;
            last = i64::try_from(next).unwrap_or(i64::MAX) - 1;
            if next < from + READ {
                break;
            }
        }
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

    /// Where the bytes are of what does not stand in the archive already. What has no source now leaves
    /// the group before it is claimed.
    async fn sources(&mut self, name: &str) -> Result<(), ForwardError> {
        let mut nowhere = Vec::new();
        for file in self.files.iter_mut().filter(|f| f.location.is_none()) {
            match self.forwarder.source(&file.due).await? {
                Source::File { path, own } => file.source = Some((path, own)),
                Source::Later => {}
                Source::Nowhere => nowhere.push(file.due.id),
            }
        }
        let has = |f: &File| f.location.is_some() || f.source.is_some();
        let (files, without): (Vec<_>, Vec<_>) = std::mem::take(&mut self.files).into_iter().partition(has);
        self.files = files;
        self.alone.extend(without);
        if !nowhere.is_empty() {
            let loggers = self.forwarder.settings.borrow().loggers.clone();
            let listed = loggers.iter().map(|l| l.id.to_string()).collect();
            self.forwarder.ledger.no_source(name, nowhere, listed).await?;
        }
        Ok(())
    }

    /// Each logger registers once, and is no trouble when it is there.
    async fn register(&self, logger: &LoggerId) -> Result<(), ForwardError> {
        let record = LoggerRecord {
            serial: None,
            first_depot: self.forwarder.depot.clone(),
            since: self.forwarder.edges.clock.now(),
        };
        self.forwarder.archive.create(vec![(logger_object(logger), record.to_bytes())]).await?;
        Ok(())
    }

    fn loggers(&self) -> Vec<LoggerId> {
        let mut all: Vec<LoggerId> = self.files.iter().map(|f| f.logger.clone()).collect();
        all.sort();
        all.dedup();
        all
    }

    fn of(&self, logger: &LoggerId) -> impl Iterator<Item = &File> {
        self.files.iter().filter(move |f| f.logger == *logger)
    }

    /// Step 1: where each file is to go.
    async fn intend(&mut self, name: &str) -> Result<(), ForwardError> {
        let forwarder = self.forwarder;
        let date = forwarder.today();
        let owed: Vec<usize> = (0..self.files.len())
            .filter(|at| self.files[*at].known.is_none() && self.files[*at].due.duty == Duty::Owed)
            .collect();
        let mut wanted = Vec::new();
        for at in &owed {
            let file = &self.files[*at];
            let facts = PlaceFacts {
                vehicle: &file.vehicle,
                logger: &file.logger,
                depot: &forwarder.depot,
                date,
                path: &file.due.path,
                sha256: file.due.sha256,
            };
            let places = places(&forwarder.config.layout, &facts);
            wanted.push((places.k0, places.k1));
        }
        forwarder.apart(&mut wanted).await?;
        let mut claims = Vec::new();
        for (at, (k0, k1)) in owed.into_iter().zip(wanted) {
            self.files[at].due.places = Some((k0.clone(), k1.clone()));
            let folded = fold(&k0);
            claims.push((self.files[at].due.id, k0, k1, folded));
        }
        if !claims.is_empty() {
            forwarder.ledger.intend(name, claims).await?;
            killpoint::pass("claim-intended");
        }
        Ok(())
    }

    /// Steps 2 and 3: the claims, and the places they fix.
    async fn stake(&mut self, name: &str) -> Result<(), ForwardError> {
        let forwarder = self.forwarder;
        let mut at = Vec::new();
        let mut wanted = Vec::new();
        for (place, file) in self.files.iter().enumerate() {
            if file.location.is_some() {
                continue;
            }
            let Some((k0, k1)) = file.due.places.clone() else { continue };
            at.push(place);
            wanted.push(Claim {
                key: file.key.clone(),
                sha256: file.due.sha256,
                size: file.due.size,
                k0,
                k1,
                big: false,
                vehicle: file.vehicle.clone(),
                logger: file.logger.clone(),
                path: file.due.path.clone(),
                depot: forwarder.depot.clone(),
            });
        }
        if wanted.is_empty() {
            return Ok(());
        }
        let staked = stake(&*forwarder.archive, &wanted).await;
        killpoint::pass("claim-stored");
        let mut adopted = Vec::new();
        for (at, staked) in at.into_iter().zip(staked) {
            let file = &mut self.files[at];
            match staked {
                Ok(staked) => {
                    let claim = &staked.claim;
                    let ours =
                        file.due.places.as_ref().is_some_and(|(k0, k1)| *k0 == claim.k0 && *k1 == claim.k1);
                    if !ours {
                        adopted.push((file.due.id, claim.k0.clone(), claim.k1.clone(), fold(&claim.k0)));
                    }
                    file.claim = Some(staked.claim);
                }
                Err(Unclaimed::Archive(trouble)) => self.troubled(at, trouble),
                Err(Unclaimed::Bad(bad)) => {
                    let why = format!("its claim in the archive: {bad}");
                    forwarder.ledger.blocked(name, file.due.id, why.clone()).await?;
                    forwarder.raise(
                        "place-taken",
                        Severity::Act,
                        &file.due,
                        json!({ "claim": bad.to_string() }),
                        format!("{} cannot be archived: {why}", file.due.path),
                        "Look at the claim in the archive's .yarder folder; it was damaged or written by a newer Yarder.",
                    )?;
                }
            }
        }
        if !adopted.is_empty() {
            forwarder.ledger.adopt(name, adopted).await?;
        }
        killpoint::pass("place-committed");
        Ok(())
    }

    /// Step 4: the data.
    async fn put(&mut self, name: &str) -> Result<(), ForwardError> {
        let forwarder = self.forwarder;
        let mut at = Vec::new();
        let mut wanted = Vec::new();
        for (place, file) in self.files.iter().enumerate() {
            let (Some(claim), Some((source, own))) = (&file.claim, &file.source) else { continue };
            at.push(place);
            wanted.push(PutWanted { source: source.clone(), own: *own, claim: claim.clone() });
        }
        if wanted.is_empty() {
            return Ok(());
        }
        let mut stored = Vec::new();
        for (at, outcome) in at.into_iter().zip(put(&*forwarder.archive, &wanted).await) {
            let file = &mut self.files[at];
            match outcome {
                Ok(Put::Stored { location, shared }) => {
                    stored.push((file.due.id, location.clone(), fold(&location), shared));
                    (file.location, file.shared) = (Some(location), shared);
                }
                Ok(Put::Found { location, back }) => {
                    stored.push((file.due.id, location.clone(), fold(&location), false));
                    (file.location, file.back) = (Some(location), Some(back));
                }
                Ok(Put::Blocked) => {
                    forwarder
                        .ledger
                        .blocked(name, file.due.id, "both places hold other content".into())
                        .await?;
                    forwarder.raise(
                        "place-taken",
                        Severity::Act,
                        &file.due,
                        json!({ "places": file.due.places }),
                        format!(
                            "{} cannot be archived: other files stand at both of its places",
                            file.due.path
                        ),
                        "Move the foreign files in the archive out of the way; the file waits in the spool.",
                    )?;
                }
                Err(trouble) => self.troubled(at, trouble),
            }
        }
        forwarder.ledger.stored(name, stored).await?;
        Ok(())
    }

    /// The archive failed in a file's step: an outage, or something that may be the file's own.
    fn troubled(&mut self, at: usize, trouble: ArchiveError) {
        if trouble.failure.is_outage() {
            self.trouble = self.trouble.take().or(Some(trouble));
        } else if let Some(file) = self.files.get_mut(at) {
            file.trouble = Some(trouble);
        }
    }

    /// Step 5: every copy is read back.
    async fn verify(&mut self, name: &str) -> Result<(), ForwardError> {
        let forwarder = self.forwarder;
        let open: Vec<usize> = (0..self.files.len())
            .filter(|at| self.files[*at].location.is_some() && self.files[*at].back.is_none())
            .collect();
        let wanted: Vec<VerifyWanted> = open
            .iter()
            .map(|at| {
                let file = &self.files[*at];
                VerifyWanted {
                    location: file.location.clone().unwrap_or_default(),
                    size: file.due.size,
                    sha256: file.due.sha256,
                }
            })
            .collect();
        if wanted.is_empty() {
            return Ok(());
        }
        for (at, verdict) in open.into_iter().zip(verify(&*forwarder.archive, &wanted).await) {
            let wrong = match verdict {
                Ok(Verdict::Good(back)) => {
                    self.files[at].back = Some(back);
                    continue;
                }
                Err(trouble) => {
                    self.troubled(at, trouble);
                    continue;
                }
                Ok(Verdict::Corrupt(_)) => "holds other bytes than were stored",
                Ok(Verdict::Missing) => "is not there",
            };
            let file = &self.files[at];
            let location = file.location.clone().unwrap_or_default();
            if file.known.is_none() {
                forwarder.ledger.found_wrong(name, file.due.id, format!("{location} {wrong}")).await?;
            }
            forwarder.raise(
                "archive-copy-wrong",
                Severity::Act,
                &file.due,
                json!({ "location": location }),
                format!("{location} in archive \"{name}\" {wrong}"),
                "Look at the archive's disk, then run `yarder audit`.",
            )?;
        }
        Ok(())
    }

    /// Steps 6 and 7: receipts, and archived.
    async fn receive(&mut self, name: &str) -> Result<BTreeSet<VersionId>, ForwardError> {
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
                    Some(row) => kept.push(self.kept(
                        file,
                        &row.location,
                        row.seq,
                        back,
                        note_of(row, &forwarder.depot),
                    )),
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
                            kept.push(self.kept(file, &receipt.location, row.seq, back, note));
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
            forwarder.ledger.verified(name, kept, rows).await?;
            killpoint::pass("archived-committed");
            forwarder.archived(ids.len() as u64, bytes);
            self.elsewhere(ids).await?;
        }
        for file in self.files.iter_mut().filter(|f| !moved.contains(&f.due.id) && f.back.is_some()) {
            file.trouble = failed.get(&file.logger).cloned();
        }
        Ok(moved)
    }

    fn kept(&self, file: &File, location: &str, seq: i64, back: &ReadBack, note: &'static str) -> Kept {
        Kept {
            id: file.due.id,
            location: location.to_owned(),
            seq,
            verified: back.how.as_str(),
            // The manifest of another depot's folder is that depot's.
            folder: day_folder(&self.forwarder.config.layout, location)
                .filter(|folder| folder.ends_with(&format!("/{}", fit_part(self.forwarder.depot.as_bytes()))))
                .map(str::to_owned),
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
            recorded: None,
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

    /// The same bytes from another logger: a card was swapped, or two loggers record one bus.
    async fn elsewhere(&self, ids: Vec<VersionId>) -> Result<(), ForwardError> {
        for (id, owner) in self.forwarder.ledger.same_bytes_elsewhere(ids).await? {
            let Some(file) = self.files.iter().find(|f| f.due.id == id) else { continue };
            self.forwarder.raise(
                "same-bytes-elsewhere",
                Severity::Watch,
                &file.due,
                json!({ "other": owner }),
                format!("{} holds the same bytes as a file of logger {owner}", file.due.path),
                "See whether a card was moved from one logger to the other; both copies are kept.",
            )?;
        }
        Ok(())
    }
}

fn rows_of(found: &Found) -> Vec<ReceiptRow> {
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
