//! The archives are read again by themselves: a sample of each, once a week (`[audit]`).
//!
//! An audit that was due while the service was down is made when it runs again. One piece after the other is
//! read, and what was reached is written down after each.
//!
//! # Crash
//! A piece that was not written down is read again. What it said of differences stands, once each.

use std::time::Duration;

use serde_json::json;

use super::ServiceError;
use super::lived::ALIVE;
use crate::archive::Archive;
use crate::audit::{Audit, Counts, Difference, Ended, Kept, Kind, Progress};
use crate::config::Config;
use crate::ledger::{self, CopyOf, Elsewhere, Finding, LedgerError, Severity};
use crate::yard::Yard;

/// Differences of a kind that a finding each tells of; further ones share one.
const TOLD: u64 = 20;

/// Audits until the service stops.
pub(super) async fn keep(yard: Yard) -> Result<(), ServiceError> {
    loop {
        let pause = goes_on(&yard).await?;
        tokio::select! {
            biased;
            () = yard.stop.cancelled() => return Ok(()),
            () = yard.edges.clock.sleep(pause) => {}
        }
    }
}

/// Does a piece of each audit that is due or under way; says how long nothing is to be done.
pub(super) async fn goes_on(yard: &Yard) -> Result<Duration, ServiceError> {
    let config = yard.config.borrow().clone();
    let clock = &yard.edges.clock;
    let now = clock.now();
    // While the clock is not plausible nothing is due.
    let moment = config.audit.last(&config.depot.time_zone, now).filter(|_| now >= clock.earliest());
    let Some(moment) = moment else { return Ok(ALIVE) };
    let (moment, now) = (moment.as_millisecond(), now.as_millisecond());
    let mut pause = ALIVE;
    for archive in &config.archives {
        let name = archive.name.as_str();
        let Some(adapter) = yard.archives.get(name) else { continue };
        let text = yard.ledger.audit(name).await?;
        let mut kept = text.as_deref().and_then(Kept::parse).unwrap_or_else(|| Kept::new(now));
        let running = kept.running.take().or_else(|| {
            let sample = config.audit.sample.saturating_mul(1000);
            kept.is_due(moment).then(|| (now, Progress::new(sample, now)))
        });
        match running {
            Some(running) => {
                pause = pause.min(piece(yard, &config, (name, &*adapter), running, kept).await?);
            }
            None if text.is_none() => note(yard, name, &kept).await?,
            None => {}
        }
    }
    Ok(pause)
}

async fn note(yard: &Yard, name: &str, kept: &Kept) -> Result<(), LedgerError> {
    // Every field can be written.
    yard.ledger.note_audit(name, serde_json::to_string(kept).unwrap_or_default()).await
}

/// The next piece of one.
async fn piece(
    yard: &Yard,
    config: &Config,
    (name, adapter): (&str, &dyn Archive),
    (began, progress): (i64, Progress),
    mut kept: Kept,
) -> Result<Duration, LedgerError> {
    let depot = &config.depot;
    let mut told = progress.counts;
    let mut audit = Audit::new(&yard.edges, &depot.state_dir, (name, adapter), &depot.name, progress);
    let step = match audit.step().await {
        Ok(step) => step,
        // No reason to end what brings files home; it is tried again.
        Err(e) => {
            tracing::info!(archive = name, "its audit waits: {e}");
            return Ok(ALIVE);
        }
    };
    for difference in &step.differences {
        tell(yard, name, difference, &mut told).await?;
    }
    let counts = audit.progress.counts;
    if audit.progress.is_over() {
        let ended = yard.edges.clock.now().as_millisecond();
        kept.last = Some(Ended { began, ended, counts });
        // What it did not find again is over.
        for code in ["archive-foreign", "archive-doubled"] {
            yard.ledger.clear_before(code, name, began)?;
        }
        tracing::info!(archive = name, copies = counts.copies, differences = counts.differences(), "audited");
    } else {
        kept.running = Some((began, audit.progress));
    }
    note(yard, name, &kept).await?;
    Ok(step.pause)
}

/// Tells a person of a difference. A copy that is wrong is owed again, so that its file does not count as
/// archived there.
async fn tell(
    yard: &Yard,
    name: &str,
    difference: &Difference,
    told: &mut Counts,
) -> Result<(), LedgerError> {
    let location = &difference.location;
    let (code, count, severity, what, action) = match difference.kind {
        Kind::Pending => return Ok(()),
        Kind::Flipped | Kind::Missing => {
            let what = match difference.kind {
                Kind::Missing => "is not there",
                _ => "holds other bytes than were stored",
            };
            let action = "Look at the archive's disk, then run `yarder audit --repair`.";
            ("archive-copy-wrong", told.flipped + told.missing, Severity::Act, what, action)
        }
        Kind::Foreign => {
            let action =
                "See who put it there, and move it elsewhere: only what Yarder stored belongs there.";
            ("archive-foreign", told.foreign, Severity::Watch, "was stored by nobody here", action)
        }
        Kind::Doubled => {
            let action = "See which of the two was copied by hand; nothing is lost.";
            (
                "archive-doubled",
                told.doubled,
                Severity::Watch,
                "has bytes that stand at another place too",
                action,
            )
        }
    };
    match difference.kind {
        Kind::Flipped => told.flipped += 1,
        Kind::Missing => told.missing += 1,
        Kind::Foreign => told.foreign += 1,
        Kind::Doubled => told.doubled += 1,
        Kind::Pending => {}
    }
    let evidence = json!({ "archive": name, "location": location, "expected": difference.expected, "found": difference.found });
    let finding = |subject: String, of: Option<&CopyOf>| Finding {
        code,
        subject,
        severity,
        vehicle: of.map(|of| of.vehicle.clone()),
        logger: of.map(|of| of.logger.clone()),
        evidence: evidence.clone(),
        cause: format!("{location} in archive \"{name}\" {what}"),
        action: action.into(),
    };
    let mut owners = Vec::new();
    if difference.copy.is_some() {
        let (dir, archive, at) =
            (yard.config.borrow().depot.state_dir.clone(), name.to_owned(), location.clone());
        let asked = yard.edges.blocking(move |disk| ledger::read_on(disk, &dir)?.copies_at(&archive, &at));
        owners = asked.await?;
        for of in &owners {
            let copy = Elsewhere { archive: name.to_owned(), id: of.id, location: location.clone() };
            yard.ledger.wrong_elsewhere(&copy, what).await?;
        }
    }
    if count >= TOLD {
        let more = format!("{} copies or files in archive \"{name}\" are not as they should be", count + 1);
        return yard.ledger.raise(Finding {
            cause: more,
            action: "Look at the archive's disk; `yarder audit` names them all.".into(),
            ..finding(format!("{name}/"), None)
        });
    }
    if difference.copy.is_none() {
        return yard.ledger.raise(finding(format!("{name}/{location}"), None));
    }
    // One that was owed again before has been told.
    owners
        .iter()
        .try_for_each(|of| yard.ledger.raise(finding(format!("{name}/{}/{}", of.logger, of.path), Some(of))))
}
