//! The command that is the service.

use super::out::{Failure, Outcome};
use super::{Cx, calls};

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
    calls::run(&cx.config).await?;
    Ok(Outcome::Done)
}
