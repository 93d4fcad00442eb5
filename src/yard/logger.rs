//! One logger's task: knock, visit, wait.

use std::sync::Arc;
use std::time::Duration;

use serde_json::json;

use super::trouble;
use super::visit::{End, Left, Visit};
use super::{Yard, YardError};
use crate::config::{Config, Logger};
use crate::ledger::Severity;
use crate::link::{LinkError, LinkFailure};
use crate::model::LoggerId;

/// Longest wait for a logger that answers badly.
const BACK_OFF: Duration = Duration::from_secs(600);

/// Watches one logger until it is taken off the list or the service stops.
pub async fn watch_logger(yard: Yard, id: LoggerId) -> Result<(), YardError> {
    let mut pending = true;
    let mut bad = 0;
    // Hundreds of loggers do not knock in one moment when the service starts.
    let every = yard.config.borrow().poll.every;
    let spread = every.mul_f64(yard.edges.random.below(1000) as f64 / 1000.0);
    if !rest(&yard, spread).await {
        return Ok(());
    }
    loop {
        let Some((config, logger)) = configured(&yard, &id) else { return Ok(()) };
        match visit(&yard, &config, &logger).await? {
            Came::Absent => bad = 0,
            Came::Went { left } => {
                bad = 0;
                pending = left.closed + left.open > 0;
            }
            Came::Badly => bad += 1,
        }
        let pace =
            if pending { config.poll.every } else { logger.kind.quiet_when_done.max(config.poll.every) };
        let wait = if bad > 0 { back_off(config.poll.every, bad) } else { pace };
        if !rest(&yard, yard.edges.random.jitter(wait)).await {
            return Ok(());
        }
    }
}

fn back_off(every: Duration, bad: u32) -> Duration {
    every.saturating_mul(1 << bad.min(10)).min(BACK_OFF.max(every))
}

fn configured(yard: &Yard, id: &LoggerId) -> Option<(Arc<Config>, Arc<Logger>)> {
    let config = yard.config.borrow().clone();
    let logger = config.loggers.iter().find(|l| l.id == *id).cloned()?;
    Some((config, logger))
}

/// Waits; false when the service stops meanwhile.
async fn rest(yard: &Yard, span: Duration) -> bool {
    tokio::select! {
        biased;
        () = yard.stop.cancelled() => false,
        () = yard.edges.clock.sleep(span) => true,
    }
}

enum Came {
    /// Nothing answers.
    Absent,
    /// A visit that ended, and what it left.
    Went { left: Left },
    /// It answers badly.
    Badly,
}

/// What a knock came to.
enum Reached<'y> {
    /// A visit that has not listed yet.
    Here(Box<Visit<'y>>),
    /// Nothing answers.
    Absent,
    /// It answers badly, which was told.
    Badly(LinkError),
}

async fn reach<'y>(
    yard: &'y Yard,
    config: &Arc<Config>,
    logger: &Arc<Logger>,
) -> Result<Reached<'y>, YardError> {
    let Ok(address) = yard.dialer.knock(logger, &config.poll).await else { return Ok(Reached::Absent) };
    Ok(match yard.dialer.dial(logger, address, &config.poll).await {
        Ok(link) => Reached::Here(Box::new(Visit::begin(yard, config.clone(), logger.clone(), link).await?)),
        Err(e) => {
            trouble::answered_badly(yard, logger, &e)?;
            Reached::Badly(e)
        }
    })
}

/// Knocks, and stays with the logger as long as it answers.
async fn visit(yard: &Yard, config: &Arc<Config>, logger: &Arc<Logger>) -> Result<Came, YardError> {
    let mut visit = match reach(yard, config, logger).await? {
        Reached::Here(visit) => visit,
        Reached::Absent => return Ok(Came::Absent),
        Reached::Badly(_) => return Ok(Came::Badly),
    };
    let mut left = Left { closed: 1, open: 0 };
    let ended = loop {
        match round(&mut visit).await {
            Ok(after) => left = after,
            Err(end) => break end,
        }
        let quiet = left.closed + left.open == 0;
        let wait = if quiet { logger.kind.quiet_when_done } else { config.poll.list_every };
        if !rest(yard, yard.edges.random.jitter(wait)).await {
            visit.end("the service stopped".into()).await?;
            return Ok(Came::Went { left });
        }
        // The link is made for its address, login and patterns: new settings begin a new visit.
        if !Arc::ptr_eq(config, &yard.config.borrow()) {
            visit.end("the configuration changed".into()).await?;
            return Ok(Came::Went { left });
        }
    };
    finish(yard, visit, ended, left).await
}

/// A listing, and what it left to fetch.
async fn round(visit: &mut Visit<'_>) -> Result<Left, End> {
    visit.alone = Some(visit.yard.alone(visit.logger.id.as_str()).await);
    let mut left = visit.list().await?;
    if left.closed + left.open > 0 {
        visit.work().await?;
    }
    while visit.remove().await? {
        left = visit.list().await?;
        // What has come goes first.
        if left.closed > 0 {
            break;
        }
    }
    visit.alone = None;
    Ok(left)
}

async fn finish(yard: &Yard, visit: Box<Visit<'_>>, ended: End, left: Left) -> Result<Came, YardError> {
    let logger = visit.logger.clone();
    match ended {
        End::Ours(e) => Err(e),
        End::Link(error) => {
            let seen = visit.counts.listings > 0;
            visit.end(error.to_string()).await?;
            match error.failure {
                LinkFailure::Absent | LinkFailure::Cut if seen => Ok(Came::Went { left }),
                LinkFailure::Absent => Ok(Came::Absent),
                _ => {
                    trouble::answered_badly(yard, &logger, &error)?;
                    Ok(Came::Badly)
                }
            }
        }
        End::SaysOther { said, number } => {
            visit.end("it says that it is another logger".into()).await?;
            trouble::raise(
                yard,
                &logger,
                "wrong-logger",
                Severity::Act,
                json!({ "said": said, "serial": number }),
                format!("what answers at its address should say that it is {number}, and says {said}"),
                "Check which logger stands there, and its `serial` and `serial_from` in vehicles.toml; nothing is fetched from here until then.",
            )?;
            Ok(Came::Badly)
        }
        End::WrongLogger { owner, path } => {
            visit.end(format!("its files are those of {owner}")).await?;
            trouble::raise(
                yard,
                &logger,
                "wrong-logger",
                Severity::Act,
                json!({ "owner": owner, "file": path }),
                format!(
                    "what answers at its address holds the files of logger {owner}: the two may be swapped, or the address is wrong"
                ),
                "Check both loggers and their addresses in vehicles.toml; nothing is fetched from here until then.",
            )?;
            Ok(Came::Badly)
        }
    }
}

/// Ends a visit; gives why it ended early, if it did.
async fn conclude(
    yard: &Yard,
    visit: Box<Visit<'_>>,
    ended: Result<(), End>,
    well: &str,
) -> Result<Option<String>, YardError> {
    let Err(end) = ended else {
        visit.end(well.to_owned()).await?;
        return Ok(None);
    };
    let why = end.why();
    finish(yard, visit, end, Left { closed: 1, open: 0 }).await?;
    Ok(why)
}

/// Removes from one logger what its policy lets go now, and fetches nothing. Gives how many files went,
/// and why the visit ended early, if it did; `None` where nothing answers.
pub async fn remove_now(yard: &Yard, id: &LoggerId) -> Result<Option<(u64, Option<String>)>, YardError> {
    let Some((config, logger)) = configured(yard, id) else { return Ok(None) };
    let mut visit = match reach(yard, &config, &logger).await? {
        Reached::Here(visit) => visit,
        Reached::Absent => return Ok(None),
        Reached::Badly(e) => return Ok(Some((0, Some(e.to_string())))),
    };
    let ended: Result<(), End> = async {
        visit.list().await?;
        while visit.remove().await? {
            visit.list().await?;
        }
        Ok(())
    }
    .await;
    let gone = visit.removal.gone();
    Ok(Some((gone, conclude(yard, visit, ended, "nothing more is to be removed").await?)))
}

/// What one round found of one logger.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct OnceOutcome {
    /// It answered with a listing.
    pub seen: bool,
    /// Why it ended early, if it did.
    pub trouble: Option<String>,
    /// Files that may still be written, and so stayed there.
    pub open: Vec<String>,
}

/// One round with one logger: everything closed is fetched; where a second listing can close more,
/// it is waited for, up to `settle`.
pub async fn once(yard: &Yard, id: &LoggerId) -> Result<OnceOutcome, YardError> {
    let Some((config, logger)) = configured(yard, id) else { return Ok(OnceOutcome::default()) };
    let mut visit = match reach(yard, &config, &logger).await? {
        Reached::Here(visit) => visit,
        Reached::Absent => return Ok(OnceOutcome::default()),
        Reached::Badly(e) => {
            return Ok(OnceOutcome { trouble: Some(e.to_string()), ..OnceOutcome::default() });
        }
    };
    let mut again = true;
    let ended = loop {
        match round(&mut visit).await {
            Ok(left) if again && left.open > 0 => {}
            Ok(_) => break Ok(()),
            Err(end) => break Err(end),
        }
        again = false;
        // A little longer than `settle`, so that the second listing is surely behind it.
        if !rest(yard, logger.kind.settle + Duration::from_millis(100)).await {
            break Ok(());
        }
    };
    let (seen, open) = (visit.counts.listings > 0, visit.open_files());
    Ok(OnceOutcome { seen, trouble: conclude(yard, visit, ended, "the round ended").await?, open })
}
