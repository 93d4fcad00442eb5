//! The ledger is kept: a backup each day, and its events within bounds.

use std::time::Duration;

use serde_json::json;

use super::ServiceError;
use super::lived::ALIVE;
use crate::ledger::{BackupError, Finding, LedgerError, Severity, back_up, backups};
use crate::model::Day;
use crate::yard::Yard;

/// After a backup failed, the next try waits so long.
const AGAIN: Duration = Duration::from_secs(3600);
/// What was told of a damaged ledger is told for so long.
const TOLD_MS: i64 = 24 * 3600 * 1000;
/// Files whose events are folded in one job, so that no commit waits long.
const FOLD: usize = 200;

/// Keeps the ledger until the service stops.
pub(super) async fn keep(yard: Yard) -> Result<(), ServiceError> {
    let mut failed = None;
    loop {
        let mono = yard.edges.clock.mono();
        if failed.is_none_or(|at| mono.saturating_sub(at) >= AGAIN) {
            failed = (!look(&yard).await?).then_some(mono);
        }
        for code in ["ledger-damaged", "ledger-went-back"] {
            yard.ledger.clear_after(code, "depot", TOLD_MS)?;
        }
        yard.ledger.fold(FOLD).await?;
        tokio::select! {
            biased;
            () = yard.stop.cancelled() => return Ok(()),
            () = yard.edges.clock.sleep(ALIVE) => {}
        }
    }
}

/// Makes the running day's backup, unless there is one; whether all is well.
pub(super) async fn look(yard: &Yard) -> Result<bool, ServiceError> {
    let depot = yard.config.borrow().depot.clone();
    let Some(day) = Day::at(yard.edges.clock.now(), depot.day_starts, &depot.time_zone) else {
        return Ok(true);
    };
    let (date, limit, dir) = (day.date, depot.backup_limit, depot.state_dir);
    let made = yard
        .edges
        .blocking(move |disk| {
            // Any other day than the last one's, be it before: the clock may have been wrong.
            if backups(disk, &dir)?.last().is_some_and(|last| last.day == date) {
                return Ok(None);
            }
            back_up(disk, &dir, date, limit).map(Some)
        })
        .await;
    match made {
        Ok(made) => {
            if let Some(backup) = made {
                tracing::info!(path = %backup.path.display(), bytes = backup.len, "the ledger is backed up");
            }
            yard.ledger.clear("backup-failed", "ledger")?;
            Ok(true)
        }
        Err(BackupError::Ledger(e @ LedgerError::Corrupt(_))) => Err(e.into()),
        Err(e) => {
            tracing::error!("the ledger cannot be backed up: {e}");
            yard.ledger.raise(trouble(&e))?;
            Ok(false)
        }
    }
}

fn trouble(e: &BackupError) -> Finding {
    Finding {
        code: "backup-failed",
        subject: "ledger".into(),
        severity: Severity::Act,
        vehicle: None,
        logger: None,
        evidence: json!({ "error": e.to_string() }),
        cause: format!("the ledger has no backup of today: {e}"),
        action: match e {
            BackupError::Limit { .. } => "Set `backup_limit` in yarder.toml to some times the ledger's size.",
            _ => "Make room on the disk of the state folder, or see to it; the backup is tried again each hour.",
        }
        .into(),
    }
}
