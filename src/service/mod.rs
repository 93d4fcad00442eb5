//! The service: the parts put together, supervised, and taken down in order.
//!
//! `config → build (lock, open, recover) → supervised tasks → drain with a deadline`. Nothing here
//! decides about a file.

mod audits;
mod backups;
mod belief;
mod lived;
mod mending;
mod person;
mod reports;
mod round;
mod run;
mod systemd;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use tokio::sync::{broadcast, watch};
use tokio_util::sync::CancellationToken;

pub use mending::{Rebuilt, rebuild};
pub use person::{Cleared, adopt, held_drop, held_keep, note_alone, remove, repaired_alone};
pub use round::{Round, once};
pub use run::{RunOptions, run};

use crate::archive::{Archive, FileArchive, Pool};
use crate::config::{ArchiveConfig, ArchiveTarget, Config};
use crate::edges::Edges;
use crate::forward::{ForwardError, Forwarder};
use crate::ledger::lock::{self, Lock, LockError};
use crate::ledger::{self, Finding, Found, Ledger, LedgerError, Severity};
use crate::link::Dialer;
use crate::model::Proof;
use crate::progress::Progress;
use crate::spool::{Finisher, RecoverError, Spool, SpoolError};
use crate::yard::{Yard, YardError};

/// Threads of one file archive.
const ARCHIVE_THREADS: usize = 4;
/// How long a file archive may show no progress before it counts as away.
const ARCHIVE_DEADLINE: Duration = Duration::from_secs(60);

/// An archive that is still busy this long after the service was told to end is not waited for any
/// more. The ledger knows what is under way there, as after a kill; the rest of the drain's time is
/// for what must be flushed.
const LAST_CALLS: Duration = Duration::from_secs(20);

/// Why the service could not start, or had to end.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// The state folder cannot be made.
    #[error("cannot make the state folder {dir}: {error}")]
    StateDir {
        /// The folder.
        dir: String,
        /// Why.
        error: std::io::Error,
    },
    /// Another process has it.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The spool.
    #[error(transparent)]
    Spool(#[from] SpoolError),
    /// The socket for commands.
    #[error(transparent)]
    Control(#[from] crate::control::ControlError),
    /// An archive that a command asked for.
    #[error("archive \"{archive}\" cannot be used: {error}")]
    Archive {
        /// Its name.
        archive: String,
        /// Why.
        error: String,
    },
    /// Something that a command named is not there.
    #[error("{0}")]
    Unknown(String),
    /// A thread could not be started.
    #[error("a thread could not be started: {0}")]
    Thread(std::io::Error),
    /// A task panicked: a defect, and the process ends rather than going on without it.
    #[error("task `{0}` panicked: this is a defect of Yarder; the service ends and can be started again")]
    Panic(String),
    /// The tasks did not end in time.
    #[error("not everything could be brought to an end within {} s", .0.as_secs())]
    Drain(Duration),
    /// Told to stop now.
    #[error("stopped at once, as a second signal asked")]
    Now,
}

impl ServiceError {
    /// Whether the depot's own disk is full or fails.
    fn is_of_the_disk(&self) -> bool {
        match self {
            ServiceError::StateDir { error, .. }
            | ServiceError::Lock(LockError::Io { source: error, .. }) => {
                error.kind() != std::io::ErrorKind::PermissionDenied
            }
            ServiceError::Ledger(e) => matches!(e, LedgerError::Disk(_) | LedgerError::Commit(_)),
            ServiceError::Spool(_) => true,
            _ => false,
        }
    }
}

impl From<YardError> for ServiceError {
    fn from(e: YardError) -> Self {
        match e {
            YardError::Ledger(e) => e.into(),
        }
    }
}

impl From<RecoverError> for ServiceError {
    fn from(e: RecoverError) -> Self {
        match e {
            RecoverError::Ledger(e) => e.into(),
            RecoverError::Spool(e) => e.into(),
        }
    }
}

impl From<ForwardError> for ServiceError {
    fn from(e: ForwardError) -> Self {
        match e {
            ForwardError::Ledger(e) => e.into(),
            ForwardError::Attach(e) => {
                ServiceError::Archive { archive: "of the service".into(), error: e.to_string() }
            }
        }
    }
}

/// The parts of a service whose state folder this process owns.
struct Parts {
    yard: Yard,
    config: watch::Sender<Arc<Config>>,
    whole: broadcast::Receiver<()>,
    finishing: tokio::task::JoinHandle<()>,
    /// Random id of the state folder: whose temporary files are whose.
    install: String,
    /// Whole files of the spool that the ledger learned of at the start.
    adopted: u64,
    _lock: Lock,
}

impl Parts {
    /// Locks, opens and recovers. `command` is what another process will be told.
    async fn build(
        edges: Edges,
        dialer: Arc<dyn Dialer>,
        progress: Progress,
        config: Config,
        command: &str,
        stop: CancellationToken,
    ) -> Result<Self, ServiceError> {
        many_files();
        let lock = own(&edges, &config.depot.state_dir, command).await?;
        let dir = config.depot.state_dir.clone();
        let found = edges.blocking(move |disk| ledger::mend(disk, &dir)).await?;
        Self::build_on(edges, dialer, progress, config, stop, lock, found).await
    }

    /// Opens the ledger that was found, or begins it, and brings everything together.
    async fn build_on(
        edges: Edges,
        dialer: Arc<dyn Dialer>,
        progress: Progress,
        config: Config,
        stop: CancellationToken,
        lock: Lock,
        found_ledger: Found,
    ) -> Result<Self, ServiceError> {
        let depot = &config.depot;
        let ledger = Ledger::open(&edges, &depot.state_dir)?;
        let spool =
            Spool::open(edges.clone(), &depot.state_dir, depot.spool_limit, depot.spool_reserve).await?;
        ledger.follow_archives(archives_of(&config)).await?;
        ledger.waive(None).await?;
        mending::went_back(&edges, &ledger, &found_ledger, &depot.state_dir).await?;
        // Until it has caught up, however often the service starts meanwhile.
        let behind = !ledger.behind().await?.is_empty();
        let found = spool.recover(&ledger, behind).await?;
        tracing::info!(?found, "the spool and the ledger agree");
        if !behind && !found.behind {
            tell_missing(&ledger, &found.missing)?;
        }
        tell_unexplained(&ledger, &found.unexplained)?;
        ledger.follow_proofs(proofs_of(&config), names_of(&config)).await?;
        let install = mending::install(&edges, &depot.state_dir, &ledger).await?;
        // Those who wait are told in the order in which they wait, so that a run replays.
        let (whole_tx, whole) = broadcast::channel(1);
        let (finisher, finish) = Finisher::new(spool.clone(), ledger.clone(), whole_tx);
        let finishing = tokio::spawn(finish);
        let (config, settings) = watch::channel(Arc::new(config));
        let yard = Yard::new(edges, ledger, spool, finisher, dialer, progress, settings, stop);
        let adopted = found.adopted;
        let parts = Self { yard, config, whole, finishing, install, adopted, _lock: lock };
        mending::catch_up(&parts).await?;
        Ok(parts)
    }

    fn forwarder(&self, archive: &Arc<ArchiveConfig>) -> Result<Forwarder, ServiceError> {
        let yard = &self.yard;
        let adapter = open_archive(&yard.edges, archive, &self.install)?;
        yard.archives.put(archive.name.as_str(), adapter.clone());
        Ok(Forwarder {
            edges: yard.edges.clone(),
            ledger: yard.ledger.clone(),
            spool: yard.spool.clone(),
            archive: adapter,
            archives: yard.archives.clone(),
            config: archive.clone(),
            depot: self.config.borrow().depot.name.clone(),
            settings: yard.config.clone(),
            progress: yard.progress.clone(),
        })
    }
}

/// As many open files as the machine allows this user: hundreds of loggers, and groups of 256 files
/// with their records, pass the 1024 that most systems begin with.
fn many_files() {
    #[cfg(unix)]
    {
        use rustix::process::{Resource, getrlimit, setrlimit};
        let mut limit = getrlimit(Resource::Nofile);
        limit.current = limit.maximum;
        if let Err(e) = setrlimit(Resource::Nofile, limit) {
            tracing::warn!("the number of open files stays as it is: {e}");
        }
    }
}

/// The archives of a configuration, each with whether it is required.
fn archives_of(config: &Config) -> Vec<(String, bool)> {
    config.archives.iter().map(|a| (a.name.to_string(), a.required)).collect()
}

fn names_of(config: &Config) -> Vec<String> {
    config.archives.iter().map(|a| a.name.to_string()).collect()
}

/// The least proof that each logger's kind asks for.
fn proofs_of(config: &Config) -> Vec<(String, Proof)> {
    config.loggers.iter().map(|l| (l.id.to_string(), l.kind.proof)).collect()
}

/// Makes the state folder where it is missing, and takes it for this process.
async fn own(edges: &Edges, state_dir: &Path, command: &str) -> Result<Lock, ServiceError> {
    let dir = state_dir.to_owned();
    edges
        .blocking(move |disk| crate::durable::create_dirs(disk, &dir, 0o750))
        .await
        .map_err(|error| ServiceError::StateDir { dir: state_dir.display().to_string(), error })?;
    Ok(lock::take(&*edges.disk, state_dir, command)?)
}

/// The adapter of an archive, on threads of its own (unless all work runs on the caller's).
pub fn open_archive(
    edges: &Edges,
    config: &ArchiveConfig,
    owner: &str,
) -> Result<Arc<dyn Archive>, ServiceError> {
    let ArchiveTarget::File(root) = &config.target;
    let mut edges = edges.clone();
    if !edges.work.is_inline() {
        let pool = Pool::new(&format!("archive {}", config.name), ARCHIVE_THREADS);
        edges.work = Arc::new(pool.map_err(ServiceError::Thread)?);
    }
    Ok(Arc::new(FileArchive::new(edges, root.clone(), config.file_mode, ARCHIVE_DEADLINE).owned_by(owner)))
}

/// Ends when archives are not waited for any more.
async fn late(edges: Edges, stop: CancellationToken) {
    stop.cancelled().await;
    edges.clock.sleep(LAST_CALLS).await;
}

/// Whole files that the ledger has and the spool has not.
fn tell_missing(ledger: &Ledger, missing: &[String]) -> Result<(), LedgerError> {
    let action = "See who removed files from the spool's folder, or whether its disk is failing; `yarder files --state whole` names them.";
    tell_spool(ledger, "missing", missing, "whole files are missing from the spool's folder", action)
}

/// Whole files whose records cannot be read.
fn tell_unexplained(ledger: &Ledger, names: &[String]) -> Result<(), LedgerError> {
    let what =
        "files in the spool's folder have no record that can be read, so that nobody knows whose they are";
    let action = "See whether its disk is failing. What is still on its logger is fetched again; move the files \
                  elsewhere and look into them with `yarder inspect`.";
    tell_spool(ledger, "unexplained", names, what, action)
}

fn tell_spool(
    ledger: &Ledger,
    subject: &str,
    names: &[String],
    what: &str,
    action: &str,
) -> Result<(), LedgerError> {
    if names.is_empty() {
        return ledger.clear("spool-failed", subject);
    }
    ledger.raise(Finding {
        code: "spool-failed",
        subject: subject.into(),
        severity: Severity::Act,
        vehicle: None,
        logger: None,
        evidence: json!({ "files": names.iter().take(20).collect::<Vec<_>>(), "count": names.len() }),
        cause: format!("{} {what}", names.len()),
        action: action.into(),
    })
}

#[cfg(test)]
mod tests;
