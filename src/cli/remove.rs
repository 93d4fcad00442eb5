//! The command that removes archived files from their loggers.

use std::collections::BTreeMap;
use std::time::Duration;

use serde_json::json;

use crate::config::{Config, Logger};
use crate::control::Request;
use crate::ledger::Query;
use crate::listing::{Standing, closed_by_order};
use crate::remove::Policy;
use crate::report::words::{cell, of, plain, size};

use super::out::{Failure, Out, Outcome};
use super::{Cx, ask, calls};

/// Remove from the loggers what policy allows now
///
/// Removing destroys data. A file goes only where its kind says `remove = "archived"`, every required
/// archive has it and it was read back there within the hour, its logger says who it is, its bytes are
/// compared once more, and its proof and its age are those that the kind asks for. The running service
/// does this by itself in each visit; without it, this command does it once.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder remove --dry-run     what would go, and why the rest stays
  yarder remove               once, while the service does not run")]
pub struct Args {
    /// Only list what would go
    #[arg(long)]
    dry_run: bool,
}

pub(super) async fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let (loaded, query) = cx.read()?;
    if args.dry_run {
        return list(&loaded.config, &query, out);
    }
    if ask(&loaded, &Request::Status)?.is_some() {
        out.line("The service runs: it removes what policy allows in each visit. Nothing was done here.")?;
        out.line("`yarder remove --dry-run` lists what would go.")?;
        return Ok(Outcome::Done);
    }
    let cleared = calls::remove(&cx.edges, &loaded.config).await?;
    let mut trouble = false;
    for one in &cleared {
        trouble |= one.trouble.is_some();
        if out.json {
            out.value(
                &json!({ "logger": one.logger.as_str(), "removed": one.files, "trouble": one.trouble }),
            )?;
            continue;
        }
        let why =
            one.trouble.as_ref().map_or(String::new(), |why| format!("; it ended early: {}", plain(why)));
        out.line(format!("{}: {} removed{why}", one.logger, of(one.files, "file")))?;
    }
    if cleared.is_empty() && !out.json {
        out.line("No logger from which files are removed answers now.")?;
    }
    Ok(Outcome::needs(trouble))
}

/// What would go, by what the ledger knows. Archive and logger are asked when it goes.
fn list(config: &Config, query: &Query, out: &mut Out) -> Result<Outcome, Failure> {
    let mut goes = (0, 0);
    let mut stays: BTreeMap<String, u64> = BTreeMap::new();
    for logger in config.loggers.iter().filter(|logger| logger.kind.remove.is_some()) {
        one(config, logger, query, &mut goes, &mut stays, out)?;
    }
    if out.json {
        return Ok(Outcome::Done);
    }
    if config.loggers.iter().all(|logger| logger.kind.remove.is_none()) {
        out.line("No kind removes files: each has remove = \"never\", the default.")?;
        return Ok(Outcome::Done);
    }
    out.line(format!("{} would go, {}.", of(goes.0, "file"), size(goes.1)))?;
    for (why, files) in stays {
        out.line(format!("{} would stay: {why}.", of(files, "file")))?;
    }
    out.line("Before each goes, its copies are read back and its bytes compared with its logger's.")?;
    Ok(Outcome::Done)
}

fn one(
    config: &Config,
    logger: &Logger,
    query: &Query,
    goes: &mut (u64, u64),
    stays: &mut BTreeMap<String, u64>,
    out: &mut Out,
) -> Result<(), Failure> {
    let there = query.on_card(logger.id.as_str())?;
    let there: Vec<Standing> =
        there.into_iter().map(|(path, time)| Standing { path, still: Duration::ZERO, time }).collect();
    let closed = closed_by_order(&logger.kind, &there);
    let Some(policy) = Policy::of(config, logger, &closed) else { return Ok(()) };
    for item in query.removable(logger.id.as_str())? {
        let why = policy.stays(&item);
        if out.json {
            out.value(&json!({
                "vehicle": logger.vehicle.as_str(), "logger": logger.id.as_str(), "path": item.path.to_string(),
                "size": item.size, "sha256": item.sha256.hex(), "proof": item.proof.as_str(),
                "goes": why.is_none(), "why": why.as_ref().map(|why| why.code()),
            }))?;
            continue;
        }
        match why {
            None => {
                *goes = (goes.0 + 1, goes.1 + item.size);
                out.line(format!(
                    "{}  {}  {}  {}",
                    cell(&plain(logger.vehicle.as_str()), 12),
                    cell(&plain(logger.id.as_str()), 10),
                    plain(&item.path.to_string()),
                    size(item.size)
                ))?;
            }
            Some(why) => *stays.entry(why.to_string()).or_default() += 1,
        }
    }
    Ok(())
}
