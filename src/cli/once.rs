//! The command that does one round.

use crate::ledger;
use crate::progress::Progress;

use super::out::{Failure, Out, Outcome};
use super::{Cx, calls, report, watch};

/// Do one round: fetch everything in range, archive it, and end
///
/// For a trial, or for cron; not beside the service. It waits up to `settle` for a second listing
/// where one is needed to tell an open file from a closed one, resumes what is cut while the logger
/// answers, and prints the report at its end, with what is still open.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder --config depot/yarder.toml once

Exit code 3: something needs a person.")]
pub struct Args {}

pub(super) async fn run(_: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let loaded = cx.load()?;
    let config = loaded.config.clone();
    let progress = Progress::default();
    watch::during(&progress, out.glyphs, calls::once(&cx.edges, loaded, progress.clone())).await?;
    report::closing(&config, &ledger::read(&config.depot.state_dir)?, cx.now(), out)
}
