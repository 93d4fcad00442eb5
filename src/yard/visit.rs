//! A visit: listings of the right logger, and the transfers between them.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use tokio::sync::{OwnedMutexGuard, oneshot};

use super::meter::{Meter, Metered};
use super::queue::{TRIES, queue};
use super::removal::Removal;
use super::server_clock::{ahead, serves_itself};
use super::stuck::Reached;
use super::trouble::{self, ENDED_BY_LISTING};
use super::{Turn, Yard, YardError};
use crate::config::{Config, Logger};
use crate::fetch::{Ended, Halt, Transfer};
use crate::ledger::{Change, Finding, LedgerError, LoggerRow, Pending, Severity, VersionId, VisitCounts};
use crate::link::{Link, LinkError, LinkFailure, Listing};
use crate::model::RemotePath;
use crate::progress::Tick;
use crate::spool::{FinishError, SpoolError};

/// Why a visit cannot go on.
pub(super) enum End {
    /// The logger went away, or answers badly.
    Link(LinkError),
    /// Its files are those of another logger.
    WrongLogger { owner: String, path: String },
    /// It says that it is another one, or does not say who it is.
    SaysOther { said: String, number: String },
    /// Our own side failed.
    Ours(YardError),
}

impl End {
    /// What a person is told; our own failure is told by ending the process.
    pub fn why(&self) -> Option<String> {
        match self {
            End::Link(e) => Some(e.to_string()),
            End::WrongLogger { owner, .. } => Some(format!("its files are those of {owner}")),
            End::SaysOther { said, number } => Some(format!("it says {said}, not {number}")),
            End::Ours(_) => None,
        }
    }
}

impl From<YardError> for End {
    fn from(e: YardError) -> Self {
        End::Ours(e)
    }
}

impl From<LedgerError> for End {
    fn from(e: LedgerError) -> Self {
        End::Ours(e.into())
    }
}

/// What a listing left to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Left {
    /// Files to fetch now.
    pub closed: usize,
    /// Files that may still be written.
    pub open: usize,
}

/// A file that stuck in this visit is tried again after so long.
const PARKED: Duration = Duration::from_secs(15 * 60);
/// Transfers in a row that brought no new byte, of whichever files, after which it is the logger that
/// cannot serve now, and no longer its files.
const VAIN: u32 = 60;
/// Failures of the depot's own disk after which it is left alone for a while.
const DISK_FAILURES: u32 = 3;
/// After transfers of this long the ledger is told what came, while others wait for their turn.
const TELL: Duration = Duration::from_secs(1);

type Answer = oneshot::Receiver<Result<(), FinishError>>;

/// One visit of one logger.
pub(super) struct Visit<'y> {
    pub yard: &'y Yard,
    pub logger: Arc<Logger>,
    pub row: LoggerRow,
    pub link: Box<dyn Link>,
    pub counts: VisitCounts,
    /// The time of transfers that the ledger knows of.
    told: Duration,
    /// Whether this visit has made sure that it is the right logger.
    pub identified: bool,
    /// Files compared by their ends in this visit, with what the listing showed of them
    /// then, and how often.
    pub compared: BTreeMap<RemotePath, (String, u32)>,
    /// Held while it lists and fetches, and to its end where that is a failure.
    pub alone: Option<OwnedMutexGuard<()>>,
    pub(super) config: Arc<Config>,
    key: Option<i64>,
    /// Open files that are not fetched ahead any more in this visit.
    pub not_ahead: BTreeSet<VersionId>,
    open: BTreeSet<RemotePath>,
    pub(super) credible: bool,
    last: Option<u64>,
    pub(super) unchanged: bool,
    /// What was tried of removal, and how.
    pub(super) removal: Removal,
    pub(super) fruitless: BTreeMap<VersionId, u32>,
    /// Files that stuck, and when.
    pub(super) parked: BTreeMap<VersionId, Duration>,
    /// Files that were counted as stuck at a byte in this visit.
    pub(super) stuck: BTreeMap<VersionId, u64>,
    /// How far this visit came with files that begin at zero each time.
    pub(super) reached: BTreeMap<VersionId, Reached>,
    strikes: BTreeMap<VersionId, u32>,
    /// Files that were counted in this visit as too large for it.
    pub(super) unfit: BTreeSet<VersionId>,
    /// Whether the access point's volume ended the last round of work.
    pub(super) used_up: bool,
    meter: Option<Meter>,
    metered: Metered,
    /// Whether the depot's own disk failed in this round of work.
    disk_failed: bool,
    finishing: Vec<(Answer, Pending)>,
}

impl<'y> Visit<'y> {
    /// A visit that has not listed yet.
    pub async fn begin(
        yard: &'y Yard,
        config: Arc<Config>,
        logger: Arc<Logger>,
        link: Box<dyn Link>,
    ) -> Result<Self, YardError> {
        let row = yard.ledger.logger(logger.id.as_str(), logger.vehicle.as_str()).await?;
        Ok(Self {
            yard,
            logger,
            row,
            link,
            counts: VisitCounts::default(),
            told: Duration::ZERO,
            identified: false,
            compared: BTreeMap::new(),
            alone: None,
            config,
            key: None,
            not_ahead: BTreeSet::new(),
            open: BTreeSet::new(),
            credible: true,
            last: None,
            unchanged: false,
            removal: Removal::default(),
            fruitless: BTreeMap::new(),
            parked: BTreeMap::new(),
            stuck: BTreeMap::new(),
            reached: BTreeMap::new(),
            strikes: BTreeMap::new(),
            unfit: BTreeSet::new(),
            used_up: false,
            meter: None,
            metered: Metered::default(),
            disk_failed: false,
            finishing: Vec::new(),
        })
    }

    /// Takes a listing and writes down what it changed.
    pub async fn list(&mut self) -> Result<Left, End> {
        let asked = self.yard.edges.clock.now();
        let listing = tokio::select! {
            biased;
            () = self.yard.stop.cancelled() => Err(LinkError::cut("the service is stopping")),
            listing = self.yard.listings.take(&*self.yard.edges.clock, &mut *self.link) => listing,
        }
        .map_err(End::Link)?;
        self.counts.listings += 1;
        self.removal.listed_at(self.yard.edges.clock.boot());
        if self.key.is_none() {
            self.key = Some(self.yard.ledger.begin_visit(self.row.key).await?);
        }
        let print = print(&listing);
        if self.unchanged && self.last == Some(print) {
            self.yard.ledger.seen(&self.row, listing.is_whole())?;
            // An archive that was exchanged may want files again that had come home.
            return Ok(Left { closed: self.pending().await?.len(), open: 0 });
        }
        let first = self.last.replace(print).is_none();
        let now = self.yard.edges.clock.now();
        let sighted = self.sight(&listing, now).await?;
        if let Some(time) = listing.server_time.filter(|_| first && serves_itself(&self.logger, &self.config))
        {
            self.yard.ledger.clock_told(&self.row, ahead(time, asked, now))?;
        }
        self.open = sighted.open;
        self.credible = sighted.credible;
        self.removal.listed(sighted.earlier, listing.is_whole());
        self.still_there(&sighted.changes)?;
        let vehicle = self.logger.vehicle.to_string();
        let vanishing = sighted.changes.iter().any(|c| matches!(c, Change::Absent { .. }));
        let waits = sighted.waits;
        let applied =
            self.yard.ledger.apply(&self.row, &vehicle, listing.is_whole(), sighted.changes).await?;
        self.row.met = true;
        if !applied.freed.is_empty() {
            self.yard.spool.unlink(applied.freed).await;
        }
        self.findings(&listing, applied.lost, first)?;
        let pending = self.pending().await?;
        let left = Left { closed: pending.len(), open: self.open.len() };
        // The same listing again says nothing new, but of what it lacks.
        self.unchanged = left.closed == 0 && left.open == 0 && listing.is_whole() && !vanishing && !waits;
        self.yard.progress.tell(Tick::Visit {
            vehicle,
            logger: self.logger.id.to_string(),
            files: pending.len() as u64,
            bytes: pending.iter().map(|p| p.look.size.unwrap_or(0).saturating_sub(p.mark.offset)).sum(),
        });
        Ok(left)
    }

    fn findings(&self, listing: &Listing, lost: Vec<String>, first: bool) -> Result<(), LedgerError> {
        let id = self.logger.id.as_str();
        if first {
            for code in ENDED_BY_LISTING {
                self.yard.ledger.clear(code, id)?;
            }
            self.clear_unbounded()?;
        }
        if !listing.is_whole() {
            let missing: Vec<_> = listing
                .missing
                .iter()
                .take(5)
                .map(|m| json!({ "folder": String::from_utf8_lossy(&m.folder), "why": m.why }))
                .collect();
            let why = listing.missing.first().map_or_else(String::new, |m| {
                let folder = String::from_utf8_lossy(&m.folder);
                format!("folder \"/{}\": {}", folder.escape_debug(), m.why)
            });
            trouble::raise(
                self.yard,
                &self.logger,
                "listing-not-whole",
                Severity::Watch,
                json!({ "missing": missing }),
                format!("part of its listing could not be read ({why}); files there are not seen"),
                "Open that folder on the logger in a browser. Until it can be read the vehicle is not complete.",
            )?;
        } else if !first {
            self.yard.ledger.clear("listing-not-whole", id)?;
        }
        if listing.files.is_empty() && listing.skipped.files > 0 {
            trouble::nothing_matches(self.yard, &self.logger, listing)?;
        }
        for path in lost {
            self.yard.ledger.raise(Finding {
                code: "file-lost",
                subject: format!("{id}/{path}"),
                severity: Severity::Act,
                vehicle: Some(self.logger.vehicle.to_string()),
                logger: Some(id.to_owned()),
                evidence: json!({ "file": path }),
                cause: format!("{path} vanished from the card before it had come home"),
                action: "See whether the card overwrites files too soon, or was changed; if you have the card, put its files into the logger again.".into(),
            })?;
        }
        Ok(())
    }

    async fn pending(&mut self) -> Result<Vec<Pending>, LedgerError> {
        let pending = self.yard.ledger.pending(self.row.key).await?;
        Ok(queue(&self.logger.kind, pending, &self.fruitless, self.credible, self.is_metered()))
    }

    /// Fetches what is closed, until nothing is left that can be had in this visit; then, ahead, what
    /// is open.
    pub async fn work(&mut self) -> Result<(), End> {
        let mut turn: Option<Turn> = None;
        let mut tried: BTreeSet<VersionId> = BTreeSet::new();
        let mut stale = true;
        let mut failures = 0;
        let mut vain = 0;
        let mut came = false;
        let mut no_room = Vec::new();
        self.disk_failed = false;
        self.used_up = false;
        let mut queue = std::collections::VecDeque::new();
        loop {
            if stale {
                let pending = self.pending().await?;
                let now = self.yard.edges.clock.mono();
                self.parked.retain(|_, since| now.saturating_sub(*since) < PARKED);
                let waits = |p: &Pending| tried.contains(&p.id) || self.parked.contains_key(&p.id);
                queue = pending.into_iter().filter(|p| !waits(p)).collect();
                stale = false;
            }
            let Some(item) = queue.pop_front() else {
                // Nothing came of all this but that there is no room.
                if came || !self.make_room(std::mem::take(&mut no_room), &mut tried).await? {
                    break;
                }
                stale = true;
                continue;
            };
            if self.yard.stop.is_cancelled() {
                break;
            }
            self.meter = self.meter().await?;
            if let Some(meter) = self.meter.as_ref().filter(|meter| meter.volume.is_used_up()) {
                self.used_up = true;
                self.tell_used_up(meter)?;
                break;
            }
            let held = match turn.take() {
                Some(held) => held,
                None => match self.turn().await {
                    Some(held) => held,
                    None => break,
                },
            };
            self.removal.fetched();
            let ended = self.fetch(&item, &held).await?;
            // Whoever gives way waits behind those who wait already.
            turn = Some(held).filter(|_| !matches!(ended, Ended::GaveWay));
            match ended {
                Ended::Finishing(answer) => {
                    vain = 0;
                    came = true;
                    tried.insert(item.id);
                    self.finishing.push((answer, item));
                    if self.finishing.len() >= 512 {
                        self.settle().await?;
                    }
                }
                Ended::Cut { at, further, error } => {
                    if self.yard.stop.is_cancelled() {
                        return Err(End::Link(error));
                    }
                    if error.failure == LinkFailure::Absent {
                        return Err(End::Link(error));
                    }
                    let tries = self.fruitless.entry(item.id).or_default();
                    *tries = if further { 0 } else { *tries + 1 };
                    vain = if further { 0 } else { vain + 1 };
                    if *tries > TRIES || (*tries == TRIES && queue.is_empty()) {
                        self.park(item.id, at).await?;
                    }
                    if vain == VAIN {
                        return Err(End::Link(error));
                    }
                    stale = true;
                }
                Ended::Refused(error) => {
                    tried.insert(item.id);
                    self.refused(&item, &error)?;
                }
                Ended::Changed(_) | Ended::CaughtUp | Ended::Skipped | Ended::Held => {
                    tried.insert(item.id);
                }
                Ended::GaveWay => stale = true,
                // A smaller file may have room yet.
                Ended::NoRoom(no) => {
                    tried.insert(item.id);
                    self.disk_trouble(&no.clone().into())?;
                    no_room.push((item, no));
                }
                Ended::Disk(e) => {
                    tried.insert(item.id);
                    self.disk_trouble(&e)?;
                    failures += 1;
                    // Not the file, then: the next listing tries again.
                    if failures == DISK_FAILURES {
                        break;
                    }
                }
            }
        }
        drop(turn);
        self.settle().await?;
        if let Some(meter) = self.meter.as_ref().filter(|_| !self.used_up && failures == 0) {
            self.clear_used_up(meter)?;
        }
        if failures == 0 { self.fetch_ahead().await } else { Ok(()) }
    }

    /// Waits for a turn; none when the service stops meanwhile.
    pub(super) async fn turn(&mut self) -> Option<Turn> {
        tokio::select! {
            biased;
            () = self.yard.stop.cancelled() => None,
            turn = self.yard.turns.wait(self.logger.access_point.as_deref()) => Some(turn),
        }
    }

    /// A file that is listed and not served.
    fn refused(&self, item: &Pending, error: &LinkError) -> Result<(), LedgerError> {
        self.yard.ledger.raise(Finding {
            code: "file-refused",
            subject: format!("{}/{}", self.logger.id, item.path),
            severity: Severity::Watch,
            vehicle: Some(self.logger.vehicle.to_string()),
            logger: Some(self.logger.id.to_string()),
            evidence: json!({ "file": item.path.to_string(), "answer": error.to_string() }),
            cause: format!("{} is listed, and the logger does not give it: it {error}", item.path),
            action: error.help().into(),
        })
    }

    /// A transfer's parts.
    fn transfer<'a>(
        &'a mut self,
        halt: &'a Halt,
        archives: &'a [String],
    ) -> (Transfer<'a>, &'a mut (dyn Link + 'static)) {
        let yard = self.yard;
        let transfer = Transfer {
            edges: &yard.edges,
            spool: &yard.spool,
            ledger: &yard.ledger,
            finisher: &yard.finisher,
            progress: &yard.progress,
            readers: &yard.readers,
            halt,
            logger: &self.logger,
            archives,
            counts: &mut self.counts,
            strikes: &mut self.strikes,
        };
        (transfer, &mut *self.link)
    }

    /// Reads around what stops a file, in the turn that is held.
    pub(super) async fn skip(&mut self, item: &Pending) -> Result<Ended, End> {
        let halt = self.halt();
        let (mut transfer, link) = self.transfer(&halt, &[]);
        Ok(transfer.skip(link, item).await?)
    }

    /// One transfer of one file, in a turn.
    pub(super) async fn fetch(&mut self, item: &Pending, turn: &Turn) -> Result<Ended, End> {
        let (yard, halt, before) = (self.yard, self.halt(), self.counts.bytes);
        let (meter, mut metered) = (self.meter.clone(), std::mem::take(&mut self.metered));
        let archives: Vec<String> = self.config.archives.iter().map(|a| a.name.to_string()).collect();
        let clock = &self.yard.edges.clock;
        let began = clock.mono();
        let ended = {
            let (mut transfer, link) = self.transfer(&halt, &archives);
            let run = transfer.run(link, item);
            tokio::pin!(run);
            tokio::select! {
                biased;
                ended = &mut run => ended?,
                why = turn.must_give_way(&**clock, &halt, item.open) => {
                    halt.give_way(why);
                    run.await?
                }
                e = metered.keep_telling(yard, meter.as_ref(), before, || halt.came()) => return Err(e.into()),
            }
        };
        metered.came(halt.came());
        self.metered = metered;
        self.counts.took += clock.mono().saturating_sub(began);
        // The next one may wait for its turn till tomorrow.
        if self.counts.took >= self.told + TELL {
            self.counted(None)?;
        }
        if matches!(ended, Ended::Cut { .. }) {
            self.cut_short(item, Reached { bytes: halt.came(), took: clock.mono().saturating_sub(began) });
        }
        Ok(ended)
    }

    /// Waits for the files that are being made whole.
    pub async fn settle(&mut self) -> Result<(), End> {
        let before = self.counts.files;
        for (answer, item) in std::mem::take(&mut self.finishing) {
            match answer.await {
                Ok(Ok(())) => {
                    self.counts.files += 1;
                    self.yard.progress.tell(Tick::Whole {
                        vehicle: self.logger.vehicle.to_string(),
                        logger: self.logger.id.to_string(),
                        path: item.path.to_string(),
                        size: item.look.size.unwrap_or(0),
                    });
                }
                Ok(Err(FinishError::Ledger(e))) => return Err(e.into()),
                Ok(Err(FinishError::Spool(e))) => self.disk_trouble(&e)?,
                Ok(Err(FinishError::Elsewhere(e))) => {
                    tracing::warn!(path = %item.path, "not made whole: {e}")
                }
                Err(_) => return Err(LedgerError::Commit("nobody makes files whole any more".into()).into()),
            }
        }
        if self.counts.files > before && !self.disk_failed {
            self.yard.ledger.clear("spool-failed", "spool")?;
            if self.yard.spool.budget().has_air() {
                self.yard.ledger.clear("spool-full", "spool")?;
            }
        }
        self.counted(None)?;
        Ok(())
    }

    /// What ends a transfer early.
    fn halt(&self) -> Halt {
        Halt::below(&self.yard.stop).within(self.meter.as_ref().map(|meter| meter.volume.clone()))
    }

    fn counted(&mut self, ended: Option<String>) -> Result<(), LedgerError> {
        self.told = self.counts.took;
        if let Some(meter) = &self.meter {
            self.metered.settle(&self.yard.ledger, meter, self.counts.bytes)?;
        }
        match self.key {
            Some(key) => self.yard.ledger.visit(key, self.counts, ended),
            None => Ok(()),
        }
    }

    /// The depot's own disk is full, or fails: told, and tried again with the next listing.
    pub(super) fn disk_trouble(&mut self, error: &SpoolError) -> Result<(), LedgerError> {
        self.disk_failed = true;
        let (code, action) = if error.is_full() {
            (
                "spool-full",
                "See whether an archive is away: files wait in the spool until it is back. Otherwise give the depot PC more disk, or `spool_limit` a higher value.",
            )
        } else {
            ("spool-failed", "Check the disk of the depot PC; what it cannot write is fetched again.")
        };
        self.yard.ledger.raise(Finding {
            code,
            subject: "spool".into(),
            severity: Severity::Act,
            vehicle: None,
            logger: None,
            evidence: json!({ "error": error.to_string() }),
            cause: error.to_string(),
            action: action.into(),
        })
    }

    /// Ends the visit: what stuck is counted, and the ledger learns how it ended.
    pub async fn end(mut self, why: String) -> Result<(), YardError> {
        if let Err(End::Ours(e)) = self.settle().await {
            return Err(e);
        }
        if self.key.is_some() {
            self.yard.progress.tell(Tick::Left {
                vehicle: self.logger.vehicle.to_string(),
                logger: self.logger.id.to_string(),
                why: why.clone(),
            });
        }
        self.counted(Some(why))?;
        Ok(())
    }

    /// Files that may still be written, as the last listing showed them.
    pub fn open_files(&self) -> Vec<String> {
        self.open.iter().map(ToString::to_string).collect()
    }
}

fn print(listing: &Listing) -> u64 {
    let mut hash = DefaultHasher::new();
    listing.is_whole().hash(&mut hash);
    for file in &listing.files {
        file.path.as_bytes().hash(&mut hash);
        file.fingerprint().hash(&mut hash);
    }
    hash.finish()
}
