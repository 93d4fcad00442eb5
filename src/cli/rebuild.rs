//! The command that makes a new ledger.

use super::out::{Failure, Out, Outcome};
use super::{Cx, calls};

/// Make a new ledger from receipts and spool
///
/// The receipts in the archives tell what this depot has archived, the records in the spool what waits
/// there. From both a new ledger is made; the present one, if there is any, is set aside in the state
/// folder. Nothing is fetched or archived again. Notes, findings, reports and visits are not in
/// receipts, and begin anew. A damaged ledger needs no command: the service restores its last backup
/// by itself when it starts.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Stop the service first. Every required archive must be there.\n\nExample: yarder rebuild"
)]
pub struct Args {}

pub(super) async fn run(_: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let loaded = cx.load()?;
    let rebuilt = calls::rebuild(&cx.edges, &loaded.config).await?;
    if out.json {
        out.value(&rebuilt)?;
        return Ok(Outcome::Done);
    }
    if let Some(name) = &rebuilt.set_aside {
        out.line(format!("The ledger that was there is kept as {name}."))?;
    }
    out.line(format!(
        "The new ledger knows {} files from receipts and {} from the spool. Start the service again.",
        rebuilt.from_receipts, rebuilt.from_spool
    ))?;
    Ok(Outcome::Done)
}
