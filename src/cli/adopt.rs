//! The command that accepts an archive.

use crate::control::{Answer, Request};

use super::out::{Failure, Out, Outcome};
use super::{Cx, ask, calls, tell};

/// Accept a new or exchanged archive
///
/// Yarder remembers the id of every archive and touches nothing when another one, or none, lies at
/// its place: an unmounted share has an empty folder where the archive was. This command accepts
/// what lies there now. What was on its way begins anew in it; what the former one had is not copied, and
/// `yarder audit` names it.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder adopt central")]
pub struct Args {
    /// The archive's name in yarder.toml
    #[arg(value_name = "ARCHIVE")]
    archive: String,
}

pub(super) async fn run(args: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let loaded = cx.load()?;
    let names: Vec<&str> = loaded.config.archives.iter().map(|a| a.name.as_str()).collect();
    if !names.contains(&args.archive.as_str()) {
        return Err(Failure::Usage(format!(
            "there is no archive {:?}; the configuration has {}",
            args.archive,
            names.join(", ")
        )));
    }
    let request = Request::Adopt { archive: args.archive.clone() };
    let answer = match ask(&loaded, &request)? {
        Some(answer) => answer,
        None => Answer::done(calls::adopt(&cx.edges, &loaded.config, &args.archive).await?),
    };
    tell(answer, out)
}
