//! The command that lets the service take the edited configuration.

use crate::control::Request;

use super::out::{Failure, Out, Outcome};
use super::{Cx, ask, tell};

/// Let the running service take the edited configuration
///
/// It does so by itself when a file is saved. An edit that drops more than 5 % of the loggers (at
/// least 2), or moves an archive, waits for `--accept`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder reload --accept")]
pub struct Args {
    /// Also an edit that drops many loggers or moves an archive
    #[arg(long)]
    accept: bool,
}

pub(super) fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let loaded = cx.load()?;
    match ask(&loaded, &Request::Reload { accept: args.accept })? {
        Some(answer) => tell(answer, out),
        None => Err(Failure::Failed(
            "no service runs here; the next start reads the files as they are".to_owned(),
        )),
    }
}
