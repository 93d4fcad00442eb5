//! The command that is the service.

use std::path::absolute;

use crate::config::{Checked, Loaded, RealEnv, check, last_good_dir, load, load_good};

use super::out::{Failure, Outcome};
use super::{Cx, calls, unusable};

/// Run the service
///
/// Watches for the loggers, fetches what is closed, archives it, and goes on until it is told to end
/// (SIGTERM or Ctrl-C): then it flushes what it has and leaves. Both configuration files are read
/// again when they are saved and on SIGHUP. Its story is in the log, on stderr.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder run --log info

Usually systemd runs it: systemctl enable --now yarder")]
pub struct Args {}

pub(super) async fn run(_: Args, cx: &Cx) -> Result<Outcome, Failure> {
    let (loaded, broken) = match load(&cx.config) {
        Ok(loaded) => (loaded, None),
        Err(problems) => match last_good(cx) {
            Some(loaded) => {
                tracing::error!("the configuration cannot be used, the last good one runs:\n{problems}");
                (loaded, Some(problems))
            }
            None => return Err(unusable(&problems)),
        },
    };
    calls::run(&cx.edges, &cx.config, loaded, broken).await?;
    Ok(Outcome::Done)
}

/// The last good pair of the same file, where one was kept and can still be used.
fn last_good(cx: &Cx) -> Option<Loaded> {
    let pair = load_good(&*cx.edges.disk, &last_good_dir(&RealEnv)).ok().flatten()?;
    if pair.depot.name != absolute(&cx.config).ok()? {
        return None;
    }
    let Checked { config, warnings } = check(&pair, &RealEnv).ok()?;
    Some(Loaded { config, warnings, pair })
}
