//! A group of files on its way into one archive.

use std::collections::BTreeSet;

use serde_json::json;

use super::place::{PlaceFacts, content_key, logger_object, places};
use super::records::{Claim, LoggerRecord};
use super::run::{ForwardError, Forwarder, Key};
use super::source::Source;
use super::steps::{Put, PutWanted, Unclaimed, put, stake};
use crate::archive::{ArchiveError, ArchiveFailure, ReadBack, fold};
use crate::killpoint;
use crate::ledger::state::Duty;
use crate::ledger::{Due, ReceiptRow, Severity, VersionId};
use crate::model::{LoggerId, VehicleId};
use crate::spool::Lies;

/// One file of the group.
pub(super) struct File {
    pub due: Due,
    pub key: String,
    pub logger: LoggerId,
    pub vehicle: VehicleId,
    /// The receipt that its content has already, in this archive.
    pub known: Option<ReceiptRow>,
    /// Whether that receipt, or an alias of it, is for this very path.
    pub named: Option<ReceiptRow>,
    /// Where its bytes are.
    pub source: Option<Lies>,
    pub claim: Option<Claim>,
    /// The claim stood already.
    pub again: bool,
    pub location: Option<String>,
    pub shared: bool,
    pub back: Option<ReadBack>,
    /// The archive failed, maybe at this file alone.
    pub trouble: Option<ArchiveError>,
}

pub(super) struct Group<'f> {
    pub forwarder: &'f Forwarder,
    pub files: Vec<File>,
    /// Files at which the archive failed, or whose bytes cannot be had now, while others may go on.
    pub alone: Vec<File>,
    /// The first trouble with the archive as a whole; what could be done before it stays done.
    pub trouble: Option<ArchiveError>,
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
                    again: false,
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

    /// Where the bytes are of what does not stand in the archive already. What has no source now leaves
    /// the group before it is claimed.
    async fn sources(&mut self, name: &str) -> Result<(), ForwardError> {
        let mut nowhere = Vec::new();
        for file in self.files.iter_mut().filter(|f| f.location.is_none()) {
            match self.forwarder.source(&file.due).await? {
                Source::File(lies) => file.source = Some(lies),
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
    pub(super) async fn register(&self, logger: &LoggerId) -> Result<(), ForwardError> {
        let record = LoggerRecord {
            serial: None,
            first_depot: self.forwarder.depot.clone(),
            since: self.forwarder.edges.clock.now(),
        };
        self.forwarder.archive.create(vec![(logger_object(logger), record.to_bytes())]).await?;
        Ok(())
    }

    pub(super) fn loggers(&self) -> Vec<LoggerId> {
        let mut all: Vec<LoggerId> = self.files.iter().map(|f| f.logger.clone()).collect();
        all.sort();
        all.dedup();
        all
    }

    pub(super) fn of(&self, logger: &LoggerId) -> impl Iterator<Item = &File> {
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
                    (file.claim, file.again) = (Some(staked.claim), !staked.new);
                }
                Err(Unclaimed::Archive(trouble)) => self.troubled(at, trouble),
                Err(Unclaimed::Bad(bad)) => {
                    let why = format!("its claim in the archive: {bad}");
                    // First, so that no crash leaves a file that waits without a word.
                    forwarder.raise(
                        "place-taken",
                        Severity::Act,
                        &file.due,
                        json!({ "claim": bad.to_string() }),
                        format!("{} cannot be archived: {why}", file.due.path),
                        "Look at the claim in the archive's .yarder folder; it was damaged or written by a newer Yarder.",
                    )?;
                    forwarder.ledger.blocked(name, file.due.id, why).await?;
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
            let (Some(claim), Some(lies)) = (&file.claim, &file.source) else { continue };
            let again = file.again;
            at.push(place);
            let Lies { path, at, own } = lies.clone();
            wanted.push(PutWanted { source: path, at, own, claim: claim.clone(), again });
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
                // All that is known of it comes with the receipt.
                Ok(Put::Found { location, back, shared }) => {
                    (file.location, file.back, file.shared) = (Some(location), Some(back), shared);
                }
                Ok(Put::Blocked) => {
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
                    let why = "both places hold other content".to_owned();
                    forwarder.ledger.blocked(name, file.due.id, why).await?;
                }
                Err(trouble) => self.troubled(at, trouble),
            }
        }
        if !stored.is_empty() {
            forwarder.ledger.stored(name, stored).await?;
        }
        Ok(())
    }

    /// The archive failed in a file's step: an outage, or something that may be the file's own.
    pub(super) fn troubled(&mut self, at: usize, trouble: ArchiveError) {
        if trouble.failure.is_outage() {
            self.trouble = self.trouble.take().or(Some(trouble));
        } else if let Some(file) = self.files.get_mut(at) {
            file.trouble = Some(trouble);
        }
    }

    /// The same bytes from another logger: a card was swapped, or two loggers record one bus.
    pub(super) async fn elsewhere(&self, ids: Vec<VersionId>) -> Result<(), ForwardError> {
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
