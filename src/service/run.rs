//! The service itself: tasks, signals, reload, drain.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use serde_json::json;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{Mutex, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::lived::{self, ALIVE};
use super::{Parts, ServiceError, audits, backups, person, reports, systemd, unread};
use crate::config::{
    ArchiveConfig, Config, Loaded, Pair, Problems, RealEnv, Watch, check, drops_too_many, keep_good,
};
use crate::control::{self, Answer, Handler, Request};
use crate::edges::Edges;
use crate::ledger::{Finding, Ledger, LedgerError, Severity};
use crate::link::Dialer;
use crate::model::amount::size;
use crate::model::{ArchiveName, LoggerId};
use crate::progress::{Progress, Tick};
use crate::yard::watch_logger;

/// What must be done by then when the service is told to end.
const DRAIN: Duration = Duration::from_secs(30);
/// Bytes that must be free for a start: about twice what SQLite's log grows to.
const ROOM: u64 = 8 * 1024 * 1024;
/// First and longest wait before a start that failed at the depot's own disk is tried again.
const AGAIN: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(300));

/// What the service is started with.
pub struct RunOptions {
    /// The edges.
    pub edges: Edges,
    /// Makes links.
    pub dialer: Arc<dyn Dialer>,
    /// The depot's file.
    pub path: PathBuf,
    /// The pair that runs first.
    pub loaded: Loaded,
    /// What is wrong with the files at `path`, where the last good pair runs in their place.
    pub broken: Option<Problems>,
    /// Where the last good pair is kept, if it is.
    pub last_good: Option<PathBuf>,
    /// Who watches.
    pub progress: Progress,
    /// Ends the service as SIGTERM does.
    pub until: CancellationToken,
    /// Where commands ask; `None` for the socket in the state folder.
    pub socket: Option<PathBuf>,
}

type Ended = (String, Result<(), ServiceError>);

struct Asked {
    request: Request,
    answer: oneshot::Sender<Answer>,
}

struct Door {
    asked: mpsc::Sender<Asked>,
    config: watch::Receiver<Arc<Config>>,
}

#[async_trait]
impl Handler for Door {
    async fn handle(&self, request: Request) -> Answer {
        if request == Request::Status {
            let config = self.config.borrow();
            let facts = json!({ "loggers": config.loggers.len(), "archives": config.archives.len() });
            return Answer { facts, ..Answer::done("The service runs.") };
        }
        let (answer, waiter) = oneshot::channel();
        if self.asked.send(Asked { request, answer }).await.is_err() {
            return Answer::refused("The service is going down.");
        }
        waiter.await.unwrap_or_else(|_| Answer::refused("The service is going down."))
    }
}

struct Service {
    parts: Parts,
    tasks: JoinSet<Ended>,
    stop: CancellationToken,
    loggers: BTreeMap<LoggerId, ()>,
    forwards: BTreeMap<ArchiveName, (Arc<ArchiveConfig>, CancellationToken)>,
    /// One task at a time for each archive, also one that is taken out and comes back.
    alone: BTreeMap<ArchiveName, Arc<Mutex<()>>>,
    /// One command that works on the spool at a time.
    person: Arc<Mutex<()>>,
    last_good: Option<PathBuf>,
    /// A checked pair that waits for a person's word, and why.
    waiting: Option<(Pair, Config, String)>,
}

/// A large ledger that must be looked at in whole, or restored, takes longer than systemd waits by itself.
async fn beginning<T>(edges: &Edges, work: impl Future<Output = T>) -> T {
    const TOLD: Duration = Duration::from_secs(30);
    let mut work = std::pin::pin!(work);
    loop {
        tokio::select! {
            biased;
            done = &mut work => return done,
            () = edges.clock.sleep(TOLD) => systemd::waits("looks at its ledger and its spool", TOLD),
        }
    }
}

/// Runs the service until it is told to end or cannot go on.
pub async fn run(options: RunOptions) -> Result<(), ServiceError> {
    let stop = CancellationToken::new();
    let RunOptions { edges, dialer, path, loaded, broken, last_good, progress, until, socket } = options;
    let mut term = signal(SignalKind::terminate()).map_err(ServiceError::Thread)?;
    let mut int = signal(SignalKind::interrupt()).map_err(ServiceError::Thread)?;
    let mut hup = signal(SignalKind::hangup()).map_err(ServiceError::Thread)?;
    let mut wait = AGAIN.0;
    let parts = loop {
        let (dialer, progress, config) = (dialer.clone(), progress.clone(), loaded.config.clone());
        let built = async {
            has_room(&edges, &config.depot.state_dir).await?;
            Parts::build(edges.clone(), dialer, progress, config, "run", stop.clone()).await
        };
        match beginning(&edges, built).await {
            Ok(parts) => break parts,
            // To end here would be to begin again at once, and again.
            Err(e) if e.is_of_the_disk() => {
                tracing::error!("the service cannot begin, and tries again in {} s: {e}", wait.as_secs());
                systemd::waits(&e.to_string(), wait);
            }
            Err(e) => return Err(e),
        }
        tokio::select! {
            biased;
            _ = term.recv() => return Ok(()),
            _ = int.recv() => return Ok(()),
            () = until.cancelled() => return Ok(()),
            () = edges.clock.sleep(wait) => {}
        }
        wait = (wait * 2).min(AGAIN.1);
    };
    let socket = socket.unwrap_or_else(|| parts.config.borrow().depot.state_dir.join(control::SOCKET));
    let (door, mut asked) = mpsc::channel(8);
    let mut service = Service {
        parts,
        tasks: JoinSet::new(),
        stop: stop.clone(),
        loggers: BTreeMap::new(),
        forwards: BTreeMap::new(),
        alone: BTreeMap::new(),
        person: Arc::default(),
        last_good,
        waiting: None,
    };
    let (token, door) = (stop.clone(), Door { asked: door, config: service.parts.yard.config.clone() });
    service.spawn("control", async move { Ok(control::serve(socket, token, Arc::new(door)).await?) });
    service.follow()?;
    service.spawn("up-time", lived::live(service.parts.yard.clone()));
    service.spawn("unread files", unread::keep(service.parts.yard.clone()));
    service.spawn("audits", audits::keep(service.parts.yard.clone()));
    service.spawn("backups", backups::keep(service.parts.yard.clone()));
    service.spawn("reports", reports::keep(service.parts.yard.clone()));
    service.story();
    match &broken {
        Some(problems) => service.broken(problems)?,
        None => service.good(&loaded.pair).await?,
    }
    let mut dead = service.parts.yard.ledger.dead();
    let mut files = Watch::start(edges.clone(), &path, loaded.pair);
    systemd::ready();
    tracing::info!(loggers = service.loggers.len(), "the service runs");
    let heart = heart(edges.clone(), service.parts.yard.ledger.clone());
    // Whatever the work waits for, the others are heard.
    let ended = tokio::select! {
        biased;
        _ = term.recv() => Ok(()),
        _ = int.recv() => Ok(()),
        () = until.cancelled() => Ok(()),
        _ = dead.changed() => {
            let why = dead.borrow().clone().unwrap_or_default();
            Err(LedgerError::Commit(why).into())
        }
        e = heart => Err(e.into()),
        e = service.work(&mut asked, &mut files, &mut hup) => Err(e),
    };
    systemd::stopping();
    let drained = service.drain(&mut term, &mut int).await;
    ended.and(drained)
}

/// Whether the ledger can write for a while: without this a service that ended for want of room would
/// begin with what its end gave back, and end again.
async fn has_room(edges: &Edges, state_dir: &Path) -> Result<(), ServiceError> {
    let dir = state_dir.to_owned();
    match edges.blocking(move |disk| disk.space(&dir)).await {
        Ok(space) if space.free < ROOM => {
            let why =
                format!("{} has {} free, and wants {}", state_dir.display(), size(space.free), size(ROOM));
            Err(LedgerError::Disk(why).into())
        }
        // A folder that is not there yet is made; what else is wrong shows then.
        _ => Ok(()),
    }
}

/// Says that the service lives, until the ledger fails.
async fn heart(edges: Edges, ledger: Ledger) -> LedgerError {
    let watchdog = systemd::watchdog();
    loop {
        edges.clock.sleep(watchdog.unwrap_or(ALIVE)).await;
        // The ledger answers: the loop, its thread and the disk all live.
        if let Err(e) = ledger.settled().await {
            return e;
        }
        if watchdog.is_some() {
            systemd::alive();
        }
    }
}

impl Service {
    /// Does what comes up, until something makes that impossible.
    async fn work(
        &mut self,
        asked: &mut mpsc::Receiver<Asked>,
        files: &mut Watch,
        hup: &mut Signal,
    ) -> ServiceError {
        loop {
            let done = tokio::select! {
                biased;
                Some(ended) = self.tasks.join_next() => self.ended(ended),
                _ = hup.recv() => {
                    let pair = files.read_now().await;
                    self.reload(pair).await
                }
                pair = files.changed() => self.reload(pair).await,
                Some(asked) = asked.recv() => self.answer(asked, files).await,
            };
            if let Err(e) = done {
                return e;
            }
        }
    }

    fn spawn(
        &mut self,
        name: impl Into<String>,
        task: impl Future<Output = Result<(), ServiceError>> + Send + 'static,
    ) {
        let name = name.into();
        self.tasks.spawn(async move { (name, task.await) });
    }

    /// A task ended. One that panicked takes the process down; one that failed does so too.
    fn ended(&mut self, ended: Result<Ended, tokio::task::JoinError>) -> Result<(), ServiceError> {
        match ended {
            Err(e) if e.is_panic() => Err(ServiceError::Panic(e.to_string())),
            Err(_) => Ok(()),
            Ok((name, Err(e))) => {
                tracing::error!(task = name, "ended: {e}");
                Err(e)
            }
            Ok((name, Ok(()))) => {
                let logger = LoggerId::new(&name).is_ok_and(|id| self.loggers.remove(&id).is_some());
                // It may have come back onto the list while its task was ending.
                if logger && !self.stop.is_cancelled() { self.follow() } else { Ok(()) }
            }
        }
    }

    /// Starts what the configuration asks for and does not run yet, and ends what it no longer asks
    /// for.
    fn follow(&mut self) -> Result<(), ServiceError> {
        let config = self.parts.config.borrow().clone();
        for logger in &config.loggers {
            if self.loggers.insert(logger.id.clone(), ()).is_none() {
                let (yard, id) = (self.parts.yard.clone(), logger.id.clone());
                self.spawn(logger.id.to_string(), async move { Ok(watch_logger(yard, id).await?) });
            }
        }
        for archive in &config.archives {
            if self.forwards.get(&archive.name).is_none_or(|(now, _)| !same(now, archive)) {
                self.forward(archive, None)?;
            }
        }
        let left: Vec<ArchiveName> =
            self.forwards.keys().filter(|n| config.archives.iter().all(|a| a.name != **n)).cloned().collect();
        for name in left {
            if let Some((_, stop)) = self.forwards.remove(&name) {
                stop.cancel();
            }
            let (alone, yard) = (self.alone(&name), self.parts.yard.clone());
            self.spawn(format!("archive {name} leaves"), async move {
                let _turn = alone.lock().await;
                yard.ledger.waive(Some(name.to_string())).await?;
                Ok(yard.spool.sweep(&yard.ledger).await.map(drop)?)
            });
        }
        Ok(())
    }

    /// Starts an archive's task, in place of the one that it has. With `adopt` it first accepts what
    /// stands there, and answers.
    fn forward(
        &mut self,
        archive: &Arc<ArchiveConfig>,
        adopt: Option<oneshot::Sender<Answer>>,
    ) -> Result<(), ServiceError> {
        let forwarder = self.parts.forwarder(archive)?;
        let (whole, stop) = (self.parts.whole.resubscribe(), self.stop.child_token());
        let before = self.forwards.insert(archive.name.clone(), (archive.clone(), stop.clone()));
        if let Some((_, before)) = before {
            before.cancel();
        }
        let alone = self.alone(&archive.name);
        let late = super::late(self.parts.yard.edges.clone(), self.stop.clone());
        let name = archive.name.clone();
        self.spawn(format!("archive {name}"), async move {
            let work = async {
                // The old one ends its group before the new one begins: they share obligations.
                if let Some(answer) = adopt {
                    person::adopt_running(&forwarder, &alone, &stop, answer).await?;
                }
                let _turn = alone.lock().await;
                Ok(forwarder.run(whole, stop).await?)
            };
            tokio::select! {
                biased;
                ended = work => ended,
                () = late => {
                    tracing::warn!(
                        archive = %name,
                        "it has not answered since the service was told to end; what is under way there is given up, and \
                         goes on at the next start"
                    );
                    Ok(())
                }
            }
        });
        Ok(())
    }

    fn alone(&mut self, archive: &ArchiveName) -> Arc<Mutex<()>> {
        self.alone.entry(archive.clone()).or_default().clone()
    }

    /// What happens is told in the log too.
    fn story(&mut self) {
        let mut ticks = self.parts.yard.progress.listen();
        let stop = self.stop.clone();
        self.spawn("log", async move {
            loop {
                let tick = tokio::select! {
                    biased;
                    () = stop.cancelled() => return Ok(()),
                    tick = ticks.recv() => tick,
                };
                match tick {
                    Ok(tick) => tell(tick),
                    Err(RecvError::Lagged(missed)) => tracing::debug!(missed, "the log could not keep up"),
                    Err(RecvError::Closed) => return Ok(()),
                }
            }
        });
    }

    /// The files were edited.
    async fn reload(&mut self, pair: Result<Pair, Problems>) -> Result<(), ServiceError> {
        systemd::reloading();
        let outcome = match pair {
            Ok(pair) => check(&pair, &RealEnv).map(|checked| (pair, checked.config)),
            Err(problems) => Err(problems),
        };
        match outcome {
            Err(problems) => self.broken(&problems)?,
            Ok((pair, config)) => {
                let why = drops_too_many(&self.parts.config.borrow(), &config);
                match why {
                    None => self.take(pair, config).await?,
                    Some(why) => {
                        self.clear("config-broken")?;
                        self.raise(
                            "config-waits",
                            format!("the edited configuration waits for a person: {why}"),
                            "If that is meant, run `yarder reload --accept`; until then the configuration before it runs.",
                        )?;
                        self.waiting = Some((pair, config, why));
                    }
                }
            }
        }
        systemd::ready();
        Ok(())
    }

    async fn take(&mut self, pair: Pair, config: Config) -> Result<(), ServiceError> {
        self.waiting = None;
        let before = self.parts.config.borrow().depot.clone();
        if before.state_dir != config.depot.state_dir || before.name != config.depot.name {
            return Ok(self.raise(
                "config-waits",
                "`name` or `state_dir` of the depot changed: a running service keeps those it began with"
                    .into(),
                "Restart the service to take them.",
            )?);
        }
        let yard = &self.parts.yard;
        yard.turns.set_limits(&config);
        yard.spool.budget().set_bounds(config.depot.spool_limit, config.depot.spool_reserve);
        yard.ledger.follow_archives(super::archives_of(&config)).await?;
        yard.ledger.follow_proofs(super::proofs_of(&config), super::names_of(&config)).await?;
        // One that was waited for may be required no more.
        yard.spool.sweep(&yard.ledger).await?;
        self.parts.config.send_replace(Arc::new(config));
        self.follow()?;
        self.good(&pair).await?;
        tracing::info!("the edited configuration runs");
        Ok(())
    }

    async fn good(&self, pair: &Pair) -> Result<(), ServiceError> {
        if let Some(dir) = self.last_good.clone() {
            let pair = pair.clone();
            let kept = self.parts.yard.edges.blocking(move |disk| keep_good(disk, &dir, &pair)).await;
            if let Err(e) = kept {
                tracing::warn!("the last good configuration could not be kept: {e}");
            }
        }
        self.clear("config-broken")?;
        self.clear("config-waits")?;
        Ok(())
    }

    fn broken(&self, problems: &Problems) -> Result<(), LedgerError> {
        tracing::error!("the edited configuration is broken; the last good one runs on:\n{problems}");
        let first = problems.0.first().map(|p| p.message.clone()).unwrap_or_default();
        self.raise(
            "config-broken",
            format!("the edited configuration is broken ({first}); the last good one runs on"),
            "Run `yarder check`: it tells every problem with its place.",
        )
    }

    fn raise(&self, code: &'static str, cause: String, action: &str) -> Result<(), LedgerError> {
        self.parts.yard.ledger.raise(Finding {
            code,
            subject: "configuration".into(),
            severity: Severity::Act,
            vehicle: None,
            logger: None,
            evidence: json!({}),
            cause,
            action: action.to_owned(),
        })
    }

    fn clear(&self, code: &'static str) -> Result<(), LedgerError> {
        self.parts.yard.ledger.clear(code, "configuration")
    }

    /// What may take long is done by a task of its own.
    async fn answer(&mut self, asked: Asked, files: &mut Watch) -> Result<(), ServiceError> {
        let Asked { request, answer } = asked;
        let yard = self.parts.yard.clone();
        match request {
            Request::Adopt { archive } => return self.asked_adopt(&archive, answer),
            Request::Keep { id, reason } => {
                self.person(answer, async move { person::keep(&yard, id, &reason).await });
            }
            Request::Drop { id, reason } => {
                self.person(answer, async move { person::drop(&yard, id, &reason).await });
            }
            Request::Repaired { archive, location, sha256, from } => {
                self.person(answer, async move {
                    person::repaired(&yard, &archive, &location, &sha256, &from).await
                });
            }
            Request::Note { id, until, reason, by } => {
                self.person(answer, async move { person::note(&yard, id, until, reason, by).await });
            }
            Request::Reload { accept } => {
                let said = self.asked_reload(accept, files).await?;
                // Nobody hears it who no longer waits.
                let _ = answer.send(said);
            }
            // Answered at the door.
            Request::Status => {}
        }
        Ok(())
    }

    /// Lets a person's command run, if none does.
    fn person(
        &mut self,
        answer: oneshot::Sender<Answer>,
        work: impl Future<Output = Result<String, ServiceError>> + Send + 'static,
    ) {
        let Ok(turn) = self.person.clone().try_lock_owned() else {
            let text = "Another command is still being done; ask again when it has ended.";
            let _ = answer.send(Answer::refused(text));
            return;
        };
        self.spawn("a person's command", async move {
            let said = person::told(work.await)?;
            drop(turn);
            let _ = answer.send(said);
            Ok(())
        });
    }

    async fn asked_reload(&mut self, accept: bool, files: &mut Watch) -> Result<Answer, ServiceError> {
        let pair = files.read_now().await;
        self.reload(pair).await?;
        if let Some((pair, config, why)) = self.waiting.take() {
            if !accept {
                let text = format!("Not taken: {why}. If that is meant, run `yarder reload --accept`.");
                self.waiting = Some((pair, config, why));
                return Ok(Answer::refused(text));
            }
            self.take(pair, config).await?;
            return Ok(Answer::done("The edited configuration runs, as accepted."));
        }
        let broken = files.read_now().await.and_then(|pair| check(&pair, &RealEnv).map(drop));
        Ok(match broken {
            Ok(()) => Answer::done("The configuration runs as it stands in the files."),
            Err(problems) => Answer::refused(format!("Not taken, the last good one runs on.\n{problems}")),
        })
    }

    fn asked_adopt(&mut self, name: &str, answer: oneshot::Sender<Answer>) -> Result<(), ServiceError> {
        let config = self.parts.config.borrow().clone();
        let Some(archive) = config.archives.iter().find(|a| a.name.as_str() == name) else {
            let text = format!("There is no archive \"{name}\" in the configuration.");
            let _ = answer.send(Answer::refused(text));
            return Ok(());
        };
        tracing::info!(archive = name, "a person accepts what stands there");
        self.forward(archive, Some(answer))
    }

    /// Ends every task in order. A second signal ends the waiting.
    async fn drain(mut self, term: &mut Signal, int: &mut Signal) -> Result<(), ServiceError> {
        tracing::info!("stopping: transfers are cut and flushed");
        self.stop.cancel();
        let deadline = self.parts.yard.edges.clock.sleep(DRAIN);
        tokio::pin!(deadline);
        loop {
            tokio::select! {
                biased;
                _ = term.recv() => return Err(ServiceError::Now),
                _ = int.recv() => return Err(ServiceError::Now),
                () = &mut deadline => return Err(ServiceError::Drain(DRAIN)),
                ended = self.tasks.join_next() => match ended {
                    Some(ended) => self.ended(ended)?,
                    None => break,
                },
            }
        }
        let Parts { yard, finishing, .. } = self.parts;
        yard.ledger.settled().await?;
        drop(yard);
        tokio::select! {
            biased;
            () = &mut deadline => Err(ServiceError::Drain(DRAIN)),
            finished = finishing => finished.map_err(|e| ServiceError::Panic(format!("finisher: {e}"))),
        }
    }
}

fn tell(tick: Tick) {
    match tick {
        Tick::Visit { vehicle, logger, files, bytes } if files > 0 => {
            tracing::info!(vehicle, logger, files, bytes, "in range, fetching");
        }
        Tick::Cut { vehicle, logger, path, at, why } => tracing::info!(vehicle, logger, path, at, why, "cut"),
        Tick::CaughtUp { vehicle, logger, path, at } => {
            tracing::debug!(vehicle, logger, path, at, "caught up with an open file");
        }
        Tick::Whole { vehicle, logger, path, size } => tracing::debug!(vehicle, logger, path, size, "whole"),
        Tick::Archived { archive, files, bytes } => tracing::info!(archive, files, bytes, "archived"),
        Tick::Left { vehicle, logger, why } => tracing::info!(vehicle, logger, why, "visit over"),
        Tick::Trouble { vehicle, text } => tracing::warn!(vehicle, "{text}"),
        Tick::Visit { .. } | Tick::Begun { .. } | Tick::Bytes { .. } => {}
    }
}

fn same(a: &ArchiveConfig, b: &ArchiveConfig) -> bool {
    a.target == b.target && a.layout == b.layout && a.file_mode == b.file_mode && a.required == b.required
}
