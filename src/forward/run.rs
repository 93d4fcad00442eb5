//! One archive's task: what is owed to it becomes archived, once, in groups.
//!
//! Each step is an attempt at the archive followed by a commit, in the order intent, claim, place,
//! data, read-back, receipt, archived. A crash anywhere leaves a step that is taken again and finds
//! what it left: conditional creation answers "exists", and what is there is compared.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use futures_util::StreamExt as _;
use futures_util::stream::FuturesUnordered;
use jiff::civil::Date;
use serde_json::json;
use tokio::sync::broadcast::{self, error::RecvError};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::attach::AttachError;
use super::group::Group;
use super::manifest;
use crate::archive::{Archive, Archives, fold};
use crate::config::{ArchiveConfig, Config, Depot};
use crate::edges::Edges;
use crate::killpoint;
use crate::ledger::{Finding, Ledger, LedgerError, Severity, VersionId};
use crate::progress::{Progress, Tick};
use crate::spool::Spool;

/// Files that share flushes and commits.
const GROUP: usize = 256;
/// Groups on their way at a time: one is committed while another is written or read back.
const HANDS: usize = 4;
/// First and longest wait after an archive failed.
const BACK_OFF: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(300));
/// Files that became whole wait this long for others to share their flushes.
const COMPANY: Duration = Duration::from_millis(50);
/// Archived files leave the spool after so long without a new one. File systems make new names
/// slowly where many have just been removed, so that the two are kept apart in time.
const REST: Duration = Duration::from_secs(5);
/// As many archived files stay in the spool until then at most.
const STAY: u64 = 8192;
/// Manifests are brought up to date at the end of a round, and in a long one this often.
const MANIFESTS: Duration = Duration::from_secs(10);
/// As many files may wait within a round, and so many of an exchanged archive are owed again at a time.
const STUCK: usize = 2048;
/// An idle archive is looked after this often, should a wake-up be missed.
const LOOK: Duration = Duration::from_secs(60);

/// Findings of an archive that cannot be used; one at a time is true.
pub(super) const OUTAGES: [&str; 3] = ["archive-away", "archive-other", "archive-full"];

/// What forwarding to one archive works with.
pub struct Forwarder {
    /// The edges.
    pub edges: Edges,
    /// The truth.
    pub ledger: Ledger,
    /// Where whole files lie.
    pub spool: Spool,
    /// The archive.
    pub archive: Arc<dyn Archive>,
    /// All archives in use.
    pub archives: Archives,
    /// Its settings.
    pub config: Arc<ArchiveConfig>,
    /// The depot's name.
    pub depot: String,
    /// The last good configuration: the depot's day.
    pub settings: watch::Receiver<Arc<Config>>,
    /// Who watches.
    pub progress: Progress,
}

/// Why a step could not be taken.
#[derive(Debug, thiserror::Error)]
pub enum ForwardError {
    /// The archive.
    #[error(transparent)]
    Attach(#[from] AttachError),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl From<crate::archive::ArchiveError> for ForwardError {
    fn from(e: crate::archive::ArchiveError) -> Self {
        ForwardError::Attach(AttachError::Archive(e))
    }
}

impl Forwarder {
    /// Forwards until it is stopped. Only trouble on our own side ends it early.
    pub async fn run(
        self,
        mut whole: broadcast::Receiver<()>,
        stop: CancellationToken,
    ) -> Result<(), ForwardError> {
        let mut wait = BACK_OFF.0;
        let mut attached = false;
        let mut rested = false;
        let mut stay = 0;
        let mut looked = None;
        while !stop.is_cancelled() {
            whole = whole.resubscribe();
            let outcome =
                if attached { Ok(()) } else { self.attach(false).await.map_err(ForwardError::from) };
            let outcome = match outcome {
                Ok(()) => {
                    let caught_up = match attached {
                        true => Ok(()),
                        false => {
                            self.back()?;
                            self.catch_up_if_behind(None).await
                        }
                    };
                    match caught_up {
                        Ok(()) => {
                            attached = true;
                            match self.round(&stop, &mut stay).await {
                                Ok(()) => self.look_around(&mut looked).await,
                                failed => failed,
                            }
                        }
                        failed => failed,
                    }
                }
                Err(e) => Err(e),
            };
            match outcome {
                Ok(()) => {
                    wait = BACK_OFF.0;
                    tokio::select! {
                        biased;
                        () = stop.cancelled() => {}
                        changed = whole.recv() => match changed {
                            Ok(()) | Err(RecvError::Lagged(_)) => {
                                rested = false;
                                self.company().await;
                            }
                            Err(RecvError::Closed) => break,
                        },
                        // Also what an outage, or a copy that was put off, has left meanwhile: nothing new comes
                        // to be whole in a spool that is full.
                        () = self.edges.clock.sleep(if rested { LOOK } else { REST }) => {
                            (rested, stay) = (true, 0);
                            self.tidy().await?;
                        }
                    }
                }
                Err(ForwardError::Attach(AttachError::Ledger(e)) | ForwardError::Ledger(e)) => {
                    return Err(e.into());
                }
                Err(ForwardError::Attach(e)) => {
                    attached = false;
                    self.away(&e)?;
                    // An outage is rest enough, and what comes meanwhile needs the room.
                    self.tidy().await?;
                    stay = 0;
                    tokio::select! {
                        biased;
                        () = stop.cancelled() => {}
                        () = self.edges.clock.sleep(self.edges.random.jitter(wait)) => {}
                    }
                    wait = (wait * 2).min(BACK_OFF.1);
                }
            }
        }
        self.tidy().await
    }

    /// Removes from the spool what is archived.
    pub async fn tidy(&self) -> Result<(), ForwardError> {
        self.spool.sweep(&self.ledger).await?;
        Ok(())
    }

    /// Forwards what is owed now, and ends.
    pub async fn once(&self, stop: &CancellationToken) -> Result<(), ForwardError> {
        let outcome = match self.attach(false).await {
            Ok(()) => {
                self.back()?;
                match self.catch_up_if_behind(None).await {
                    Ok(()) => self.round(stop, &mut 0).await,
                    failed => failed,
                }
            }
            Err(e) => Err(e.into()),
        };
        match outcome {
            Err(ForwardError::Attach(e)) => {
                self.away(&e)?;
                Err(e.into())
            }
            other => other,
        }
    }

    /// Waits a moment, so that files which become whole one after the other share their flushes.
    pub async fn company(&self) {
        self.edges.clock.sleep(COMPANY).await;
    }

    /// The archive can be used: what was said against it is over.
    fn back(&self) -> Result<(), LedgerError> {
        OUTAGES.iter().try_for_each(|code| self.ledger.clear(code, self.config.name.as_str()))
    }

    /// Forwards what is owed now. `stay` is how many files may have been archived since the spool was
    /// swept.
    async fn round(&self, stop: &CancellationToken, stay: &mut u64) -> Result<(), ForwardError> {
        // Those that could not be archived now wait for the next round, and hold up nobody.
        let (mut stuck, mut under_way) = (BTreeSet::new(), UnderWay::new());
        let mut named = self.edges.clock.mono();
        let mut groups = FuturesUnordered::new();
        let mut trouble = None;
        loop {
            while groups.len() < HANDS && trouble.is_none() && !stop.is_cancelled() {
                match self.next_group(&stuck, &mut under_way).await {
                    Ok(Some(group)) => {
                        *stay += group.keys().count() as u64;
                        groups.push(group.run());
                    }
                    Ok(None) => break,
                    Err(e) => trouble = Some(e),
                }
            }
            let Some((ids, outcome)) = groups.next().await else { break };
            under_way.retain(|id, _| !ids.contains(id));
            match outcome {
                Ok(left) => stuck.extend(left),
                Err(e) => trouble = trouble.or(Some(e)),
            }
            let now = self.edges.clock.mono();
            if trouble.is_none() && now.saturating_sub(named) >= MANIFESTS {
                self.manifests().await?;
                named = now;
            }
            if *stay >= STAY || !self.spool.budget().has_air() {
                *stay = 0;
                self.tidy().await?;
            }
        }
        match trouble {
            Some(trouble) => Err(trouble),
            None => self.manifests().await,
        }
    }

    /// The next files that are owed, with their places intended. One group at a time gets them, so
    /// that names which differ in case alone are seen. A content that is under way to this archive
    /// waits, so that its receipt is known by then.
    async fn next_group(
        &self,
        stuck: &BTreeSet<VersionId>,
        under_way: &mut UnderWay,
    ) -> Result<Option<Group<'_>>, ForwardError> {
        let name = self.config.name.as_str();
        let due = loop {
            let but = stuck.iter().chain(under_way.keys()).copied();
            let due = self.ledger.due(name, but, GROUP).await?;
            if !due.is_empty() {
                break due;
            }
            let (looks, freed) = self.ledger.look_again(name).await?;
            if !freed.is_empty() {
                self.spool.unlink(freed).await;
            }
            // Of an exchanged archive, no more than can be done something about.
            if !looks && (stuck.len() >= STUCK || !self.ledger.owe_again(name, STUCK).await?) {
                return Ok(None);
            }
        };
        let group = Group::begin(self, due, under_way.values().cloned().collect()).await?;
        let before = under_way.len();
        under_way.extend(group.keys());
        Ok((under_way.len() > before).then_some(group))
    }

    /// Brings every manifest that is behind up to date.
    async fn manifests(&self) -> Result<(), ForwardError> {
        let name = self.config.name.as_str();
        for folder in self.ledger.manifests_due(name).await? {
            let lines = self.ledger.manifest(name, &folder).await?;
            let files: BTreeMap<String, _> = lines
                .into_iter()
                .filter_map(|line| {
                    let below = line.location.strip_prefix(&folder)?.strip_prefix('/')?;
                    Some((below.to_owned(), line.sha256))
                })
                .collect();
            let text = manifest::text(&files).into_bytes();
            match self.archive.replace(format!("{folder}/{}", manifest::NAME), text).await {
                Ok(()) => {
                    killpoint::pass("manifest-replaced");
                    self.ledger.manifest_done(name, &folder).await?;
                    self.ledger.clear("not-archived", &format!("{name}/{folder}"))?;
                }
                // The other folders' manifests, and all files, go on.
                Err(e) if !e.failure.is_outage() => {
                    self.attach(false).await?;
                    self.ledger.raise(Finding {
                        code: "not-archived",
                        subject: format!("{name}/{folder}"),
                        severity: Severity::Act,
                        vehicle: None,
                        logger: None,
                        evidence: json!({ "archive": name, "folder": folder, "error": e.detail }),
                        cause: format!("the manifest of {folder} cannot be written: archive \"{name}\" {e}"),
                        action: format!("{} Files go on, and the manifest is tried again.", e.help()),
                    })?;
                }
                Err(e) => return Err(e.into()),
            }
        }
        Ok(())
    }

    /// The depot's day now.
    pub(super) fn today(&self) -> Date {
        day_of(&self.settings.borrow().depot, self.edges.clock.now())
    }

    pub(super) fn archived(&self, files: u64, bytes: u64) {
        if files > 0 {
            self.progress.tell(Tick::Archived { archive: self.config.name.to_string(), files, bytes });
        }
    }

    /// Keeps names apart that differ in case alone: where another file has the folded name, the
    /// place with a part of the hash is the first choice.
    pub(super) async fn apart(&self, places: &mut [(String, String)]) -> Result<(), LedgerError> {
        let asked = places.iter().map(|(k0, _)| (k0.clone(), fold(k0))).collect();
        let mut taken = self.ledger.taken(self.config.name.as_str(), asked).await?;
        let mut folded = BTreeMap::<String, String>::new();
        for (k0, k1) in places {
            let first = folded.entry(fold(k0)).or_insert_with(|| k0.clone());
            if taken.remove(k0) || first != k0 {
                k0.clone_from(k1);
            }
        }
        Ok(())
    }

    pub(super) fn raise(
        &self,
        code: &'static str,
        severity: Severity,
        of: &crate::ledger::Due,
        evidence: serde_json::Value,
        cause: String,
        action: &str,
    ) -> Result<(), LedgerError> {
        self.ledger.raise(Finding {
            code,
            subject: format!("{}/{}/{}", self.config.name, of.logger, of.path),
            severity,
            vehicle: Some(of.vehicle.clone()),
            logger: Some(of.logger.clone()),
            evidence: json!({ "archive": self.config.name.to_string(), "file": of.path.to_string(), "seen": evidence }),
            cause,
            action: action.to_owned(),
        })
    }
}

/// The depot's day at a moment: it bears the date on which it begins.
pub fn day_of(depot: &Depot, at: jiff::Timestamp) -> Date {
    let local = at.to_zoned_datetime(depot.time_zone.clone());
    let before = local.time() < depot.day_starts;
    if before { local.date().yesterday().unwrap_or(local.date()) } else { local.date() }
}

/// A content's logger and key.
pub(super) type Key = (String, String);

/// The files of the groups that are on their way.
type UnderWay = BTreeMap<VersionId, Key>;
