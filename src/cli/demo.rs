//! The command that shows a simulated night.

use crate::ledger;
use crate::progress::Progress;

use super::out::{Failure, Out, Outcome};
use super::{Cx, calls, report, watch};

/// Show a simulated depot night: loggers, transfers, faults, and the report
///
/// An invented yard of ploughs, refuse trucks and sweepers on this machine's loopback, with real
/// transfers, and faults on the way: cut connections, vehicles that leave, a logger that lies. It
/// takes about half a minute, needs no configuration, and leaves nothing behind. What the report at its
/// end finds was planted.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder demo

The report at its end has findings on purpose; the exit code is 0 all the same.")]
pub struct Args {
    /// Another number gives other vehicles' logs
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

pub(super) async fn run(args: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let progress = Progress::default();
    let night = calls::demo(&cx.edges, args.seed, progress.clone());
    let (config, _folder) = watch::during(&progress, out.glyphs, night).await?;
    report::closing(&config, &ledger::read(&config.depot.state_dir)?, cx.now(), out)?;
    Ok(Outcome::Done)
}
