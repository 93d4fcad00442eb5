//! What a person decides: adopt an archive, keep or drop a held file, note what is known.

use std::sync::Arc;

use jiff::civil::Date;
use serde_json::json;
use tokio::sync::{Mutex, oneshot};
use tokio_util::sync::CancellationToken;

use super::{Parts, ServiceError};
use crate::config::Config;
use crate::control::Answer;
use crate::edges::Edges;
use crate::fetch;
use crate::forward::{AttachError, Forwarder};
use crate::ledger::{self, About, FileRow, LedgerError, Logged, Note, VersionId, WholeFacts};
use crate::link::NetDialer;
use crate::model::{Day, Digest, Edges as FileEdges, LoggerId, Look, Proof};
use crate::progress::Progress;
use crate::spool::{Finished, Partial};
use crate::yard::{self, Yard};

/// Accepts a new or exchanged archive, when no service runs.
pub async fn adopt(edges: Edges, config: &Config, name: &str) -> Result<String, ServiceError> {
    let parts = alone(edges, config, "adopt").await?;
    let archive = config.archives.iter().find(|a| a.name.as_str() == name).ok_or_else(|| {
        ServiceError::Unknown(format!("there is no archive \"{name}\" in the configuration"))
    })?;
    let attached = parts.forwarder(archive)?.attach(true).await;
    attached.map_err(|e| ServiceError::Archive { archive: name.to_owned(), error: e.to_string() })?;
    parts.yard.ledger.settled().await?;
    Ok(format!("Archive \"{name}\" is accepted as it stands."))
}

/// Accepts a new or exchanged archive for the running service, once nobody else is at it.
pub(super) async fn adopt_running(
    forwarder: &Forwarder,
    alone: &Mutex<()>,
    stop: &CancellationToken,
    answer: oneshot::Sender<Answer>,
) -> Result<(), LedgerError> {
    let name = &forwarder.config.name;
    let attached = tokio::select! {
        biased;
        () = stop.cancelled() => None,
        attached = async {
            let _turn = alone.lock().await;
            forwarder.attach(true).await
        } => Some(attached),
    };
    let said = match attached {
        Some(Ok(())) => Answer::done(format!("Archive \"{name}\" is accepted as it stands.")),
        Some(Err(AttachError::Ledger(e))) => return Err(e),
        Some(Err(e)) => Answer::refused(format!("Archive \"{name}\" cannot be accepted: {e}.")),
        None => Answer::refused(format!(
            "Archive \"{name}\" is not accepted: the service is going down or begins anew with it. Ask again."
        )),
    };
    // Nobody hears it who no longer waits.
    let _ = answer.send(said);
    Ok(())
}

/// Keeps a held file, when no service runs.
pub async fn held_keep(edges: Edges, config: &Config, id: i64, reason: &str) -> Result<String, ServiceError> {
    let parts = alone(edges, config, "held").await?;
    keep(&parts.yard, id, reason).await
}

/// Drops a held file, when no service runs.
pub async fn held_drop(edges: Edges, config: &Config, id: i64, reason: &str) -> Result<String, ServiceError> {
    let parts = alone(edges, config, "held").await?;
    drop(&parts.yard, id, reason).await
}

/// Writes a note or ends one, when no service runs.
pub async fn note_alone(
    edges: Edges,
    config: &Config,
    id: &str,
    until: Option<Date>,
    reason: Option<String>,
    by: String,
) -> Result<String, ServiceError> {
    let parts = alone(edges, config, "note").await?;
    note(&parts.yard, id.to_owned(), until, reason, by).await
}

/// What came of a removal at one logger: how many files went, and why it ended early, if it did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cleared {
    /// The logger.
    pub logger: LoggerId,
    /// Files removed, as a listing has shown.
    pub files: u64,
    /// Why it ended early.
    pub trouble: Option<String>,
}

/// Removes what policy lets go now from every logger that answers, when no service runs.
pub async fn remove(edges: Edges, config: &Config) -> Result<Vec<Cleared>, ServiceError> {
    let parts = alone(edges, config, "remove").await?;
    for archive in &config.archives {
        // One that is away holds back what it must have; nothing else.
        match parts.forwarder(archive)?.attach(false).await {
            Err(AttachError::Ledger(e)) => return Err(e.into()),
            Err(e) => tracing::warn!(archive = %archive.name, "it cannot be used: {e}"),
            Ok(()) => {}
        }
    }
    let mut all = Vec::new();
    for logger in config.loggers.iter().filter(|logger| logger.kind.remove.is_some()) {
        if let Some((files, trouble)) = yard::remove_now(&parts.yard, &logger.id).await? {
            all.push(Cleared { logger: logger.id.clone(), files, trouble });
        }
    }
    parts.yard.ledger.settled().await?;
    Ok(all)
}

async fn alone(edges: Edges, config: &Config, command: &str) -> Result<Parts, ServiceError> {
    let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
    let stop = CancellationToken::new();
    Parts::build(edges, dialer, Progress::default(), config.clone(), command, stop).await
}

/// The answer to a command: what a person did wrong is told, our own trouble ends the service.
pub(super) fn told(outcome: Result<String, ServiceError>) -> Result<Answer, ServiceError> {
    match outcome {
        Ok(text) => Ok(Answer::done(text)),
        Err(ServiceError::Unknown(text)) => Ok(Answer::refused(text)),
        // One file that cannot be read or removed is no reason to end.
        Err(ServiceError::Spool(e)) => Ok(Answer::refused(format!("Nothing was changed: {e}."))),
        Err(e) => Err(e),
    }
}

fn held(yard: &Yard, id: i64) -> Result<FileRow, ServiceError> {
    let state_dir = yard.config.borrow().depot.state_dir.clone();
    // Read beside the service's own connection: where that does not work just now, nothing is broken.
    let held = ledger::read_on(&*yard.edges.disk, &state_dir).and_then(|ledger| ledger.held());
    let held = held.map_err(|e| ServiceError::Unknown(format!("Nothing was changed: {e}.")))?;
    held.into_iter().find(|row| row.id == VersionId(id)).ok_or_else(|| {
        ServiceError::Unknown(format!(
            "No file number {id} waits for a person; `yarder held` lists those that do."
        ))
    })
}

fn going_down() -> ServiceError {
    ServiceError::Unknown("The service is going down; nothing was changed.".into())
}

/// What there is of a held file becomes whole as it stands, and owed to the archives.
pub(super) async fn keep(yard: &Yard, id: i64, reason: &str) -> Result<String, ServiceError> {
    let row = held(yard, id)?;
    let name = row
        .spool
        .clone()
        .ok_or_else(|| ServiceError::Unknown(format!("Nothing of file {id} is in the spool.")))?;
    let spool = yard.spool.clone();
    let (open, into) = (spool.clone(), name.clone());
    let known = yard.known(&row.logger);
    let partial = tokio::select! {
        biased;
        // A large file takes longer to read than a service may take to end.
        () = yard.stop.cancelled() => return Err(going_down()),
        read = yard.edges.blocking(move |disk| {
            let partial = Partial::reread(disk, &open, &into)?;
            let inspection = fetch::inspect(&into, &partial, &known);
            Ok((partial, inspection))
        }) => read,
    };
    let (partial, inspection) = partial.map_err(spool.failed("read a held file"))?;
    if let Some(inspection) = inspection {
        yard.ledger.inspected(row.id, &inspection)?;
    }
    let (sha256, blocks) = partial.hash().clone().finish();
    let facts = WholeFacts {
        id: row.id,
        spool: name,
        size: partial.len(),
        look: Look { size: Some(partial.len()), time: row.time, ..Look::default() },
        sha256,
        edges: FileEdges { head: sha256, tail: sha256 },
        blocks,
        proof: row.proof.unwrap_or(Proof::Length),
        extends: None,
        owed: yard.config.borrow().archives.iter().map(|a| a.name.to_string()).collect(),
        detail: json!({ "reason": reason, "gaps": row.gaps }),
    };
    let (answer, waiter) = oneshot::channel();
    let finished = Finished {
        partial,
        facts,
        logger: row.logger.clone(),
        vehicle: row.vehicle.clone(),
        path: row.path.clone(),
        before: None,
        kept: true,
        answer,
    };
    yard.finisher.finish(finished).await;
    waiter.await.map_err(|_| going_down())?.map_err(|e| match e {
        crate::spool::FinishError::Ledger(e) => ServiceError::from(e),
        crate::spool::FinishError::Spool(e) => e.into(),
        crate::spool::FinishError::Elsewhere(e) => LedgerError::Illegal(e).into(),
    })?;
    yard.ledger.clear("file-held", &format!("{}/{}", row.logger, row.path))?;
    yard.ledger.settled().await?;
    Ok(format!("{} of {} is kept as it is, and goes to the archives.", row.path, row.vehicle))
}

/// Writes down that a copy was repaired, when no service runs.
pub async fn repaired_alone(
    edges: Edges,
    config: &Config,
    (archive, location): (&str, &str),
    sha256: &str,
    from: &str,
) -> Result<String, ServiceError> {
    let parts = alone(edges, config, "audit").await?;
    repaired(&parts.yard, archive, location, sha256, from).await
}

/// A copy has its bytes again: a line in the story of every file whose content it is.
pub(super) async fn repaired(
    yard: &Yard,
    archive: &str,
    location: &str,
    sha256: &str,
    from: &str,
) -> Result<String, ServiceError> {
    let state_dir = yard.config.borrow().depot.state_dir.clone();
    let unknown = || ServiceError::Unknown(format!("The ledger knows no content {sha256}."));
    let digest = Digest::from_hex(sha256).ok_or_else(unknown)?;
    let files = ledger::read_on(&*yard.edges.disk, &state_dir).and_then(|query| query.with_bytes(digest));
    for id in files.map_err(|e| ServiceError::Unknown(format!("The ledger cannot be read: {e}.")))? {
        let detail = json!({ "archive": archive, "location": location, "from": from });
        yard.ledger.log(Logged { logger: None, version: Some(id), what: "repaired", detail })?;
        yard.ledger.due_now(archive, id)?;
    }
    yard.ledger.settled().await?;
    Ok(format!("{location} in archive \"{archive}\" is repaired."))
}

/// Longest reason of a note, in characters.
const REASON: usize = 200;

/// Writes down what a person knows of a vehicle, a logger or a finding; without a reason it ends
/// what was written about it.
pub(super) async fn note(
    yard: &Yard,
    id: String,
    until: Option<Date>,
    reason: Option<String>,
    by: String,
) -> Result<String, ServiceError> {
    let refuse = |text: String| Err(ServiceError::Unknown(text));
    let Some(reason) = reason else {
        return match yard.ledger.end_note(id.clone(), by).await? {
            true => Ok(format!("The note about {id} is ended.")),
            false => {
                refuse(format!("There is no note about {id}; `yarder note` lists those that there are."))
            }
        };
    };
    if reason.trim().is_empty() || reason.chars().count() > REASON {
        return refuse(format!("A reason wants 1 to {REASON} characters; nothing was noted."));
    }
    let config = yard.config.borrow().clone();
    let (starts, zone) = (config.depot.day_starts, &config.depot.time_zone);
    let today = Day::at(yard.edges.clock.now(), starts, zone)
        .ok_or_else(|| ServiceError::Unknown("The depot's clock shows no day; set it first.".into()))?
        .date;
    if until.is_some_and(|until| until < today) {
        return refuse(format!("That day is over: it is {today}; nothing was noted."));
    }
    let kind = if config.vehicles.iter().any(|v| v.id.as_str() == id) {
        About::Vehicle
    } else if config.loggers.iter().any(|l| l.id.as_str() == id) {
        About::Logger
    } else {
        About::Finding
    };
    let end = match (kind, until) {
        (About::Finding, None) => {
            return refuse(format!("A finding is snoozed until a day, never for good; {id} was not."));
        }
        (_, Some(until)) => format!("until {until}"),
        (_, None) => "until the note is ended".to_owned(),
    };
    let note = Note { about: id.clone(), kind, since: today, until, reason, by };
    if !yard.ledger.note(note).await? {
        return refuse(format!(
            "There is no vehicle, logger or finding {id}; nothing was noted. `yarder report --json` tells the ids of \
             findings."
        ));
    }
    Ok(match kind {
        About::Vehicle => format!("Vehicle {id} is away {end}."),
        About::Logger => format!("Logger {id} is away {end}."),
        About::Finding => format!("{id} is snoozed {end}, or until it becomes worse."),
    })
}

/// A held file goes, and its content is remembered.
pub(super) async fn drop(yard: &Yard, id: i64, reason: &str) -> Result<String, ServiceError> {
    let row = held(yard, id)?;
    let spool = yard.spool.clone();
    let read =
        yard.edges.blocking(move |disk| match row.spool.map(|name| Partial::reread(disk, &spool, &name)) {
            None => Ok(None),
            // It can be dropped all the same.
            Some(Err(e)) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Some(partial) => partial?.content().map(Some),
        });
    let content = tokio::select! {
        biased;
        () = yard.stop.cancelled() => return Err(going_down()),
        read = read => read.map_err(yard.spool.failed("read a held file"))?,
    };
    if !yard.ledger.drop_held(row.id, content, reason.to_owned()).await? {
        return Err(ServiceError::Unknown(format!("File number {id} has been decided meanwhile.")));
    }
    yard.spool.sweep(&yard.ledger).await?;
    for code in ["file-held", "file-stuck"] {
        yard.ledger.clear(code, &format!("{}/{}", row.logger, row.path))?;
    }
    yard.ledger.settled().await?;
    Ok(format!("{} of {} is dropped and will not be fetched again.", row.path, row.vehicle))
}
