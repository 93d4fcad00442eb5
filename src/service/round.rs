//! One round: everything in range is fetched and archived, then the command ends.

use std::sync::Arc;

use tokio::sync::broadcast;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::lived::Life;
use super::{Parts, ServiceError};
use crate::config::Config;
use crate::edges::Edges;
use crate::forward::{ForwardError, Forwarder};
use crate::link::Dialer;
use crate::model::LoggerId;
use crate::progress::Progress;
use crate::yard;

/// What a round came to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Round {
    /// Loggers that answered with a listing.
    pub seen: Vec<LoggerId>,
    /// Files that may still be written and stayed where they are, by logger.
    pub open: Vec<(LoggerId, Vec<String>)>,
    /// Loggers whose visit ended early, and why.
    pub trouble: Vec<(LoggerId, String)>,
    /// Archives that could not be used, and why.
    pub away: Vec<(String, String)>,
}

/// Does one round. `stop` ends it early, in order.
pub async fn once(
    edges: Edges,
    dialer: Arc<dyn Dialer>,
    progress: Progress,
    config: Config,
    stop: CancellationToken,
) -> Result<Round, ServiceError> {
    let parts = Parts::build(edges, dialer, progress, config, "once", stop.clone()).await?;
    let mut life = Life::round(&parts.yard).await?;
    // Before they are archived and let go.
    super::unread::read(&parts.yard).await?;
    let mut round = Round::default();
    let fetched = CancellationToken::new();
    let mut forwarding = JoinSet::new();
    let archives = parts.config.borrow().archives.clone();
    for archive in archives {
        let forwarder = parts.forwarder(&archive)?;
        let (whole, stop, fetched) = (parts.whole.resubscribe(), stop.clone(), fetched.clone());
        let late = super::late(parts.yard.edges.clone(), stop.clone());
        forwarding.spawn(async move {
            let name = forwarder.config.name.to_string();
            let away = tokio::select! {
                biased;
                away = forward(&forwarder, whole, &fetched, &stop) => away?,
                () = late => Some("it has not answered since the round was told to end".to_owned()),
            };
            Ok::<_, ForwardError>((name, away))
        });
    }
    let mut visits = JoinSet::new();
    let loggers = parts.config.borrow().loggers.clone();
    for logger in &loggers {
        let (yard, id) = (parts.yard.clone(), logger.id.clone());
        visits.spawn(async move { (id.clone(), yard::once(&yard, &id).await) });
    }
    while let Some(visited) = visits.join_next().await {
        let (id, outcome) = visited.map_err(|e| ServiceError::Panic(format!("visit: {e}")))?;
        let outcome = outcome?;
        if outcome.seen {
            round.seen.push(id.clone());
        }
        if !outcome.open.is_empty() {
            round.open.push((id.clone(), outcome.open));
        }
        round.trouble.extend(outcome.trouble.map(|why| (id, why)));
    }
    fetched.cancel();
    while let Some(forwarded) = forwarding.join_next().await {
        let (name, away) = forwarded.map_err(|e| ServiceError::Panic(format!("forward: {e}")))??;
        round.away.extend(away.map(|why| (name, why)));
    }
    round.seen.sort();
    round.open.sort();
    round.trouble.sort();
    life.goes_on().await?;
    super::backups::look(&parts.yard).await?;
    parts.yard.ledger.settled().await?;
    Ok(round)
}

/// Forwards until all is fetched; tells why the archive could not be used at the end.
async fn forward(
    forwarder: &Forwarder,
    mut whole: broadcast::Receiver<()>,
    fetched: &CancellationToken,
    stop: &CancellationToken,
) -> Result<Option<String>, ForwardError> {
    loop {
        let last = fetched.is_cancelled();
        whole = whole.resubscribe();
        match forwarder.once(stop).await {
            // Fetching never waits for an archive: the next group may find it back.
            Err(ForwardError::Attach(e)) if last => return Ok(Some(e.to_string())),
            Err(ForwardError::Attach(_)) | Ok(()) => {}
            Err(e) => return Err(e),
        }
        if last {
            forwarder.tidy().await?;
            return Ok(None);
        }
        tokio::select! {
            biased;
            () = fetched.cancelled() => {}
            _ = whole.recv() => forwarder.company().await,
        }
    }
}
