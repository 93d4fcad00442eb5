//! The command that does one round.

use crate::ledger;
use crate::progress::Progress;
use crate::report::words::plain;
use crate::service::Round;

use super::out::{Failure, Out, Outcome};
use super::{Cx, calls, report, watch};

/// Do one round: fetch everything in range, archive it, and end
///
/// For a trial, or for cron; not beside the service. It waits up to `settle` for a second listing
/// where one is needed to tell an open file from a closed one, resumes what is cut while the logger
/// answers, and prints the report at its end, with what is still open.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder --config depot/yarder.toml once

Exit code 3: something needs a person, or an archive was away.")]
pub struct Args {}

pub(super) async fn run(_: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let loaded = cx.load()?;
    let config = loaded.config.clone();
    let progress = Progress::default();
    let work = calls::once(&cx.edges, loaded, progress.clone());
    let round = watch::during(&progress, out.glyphs, work).await?;
    let end = report::closing(&config, &ledger::read(&config.depot.state_dir)?, cx.now(), out)?;
    if !out.json {
        left_over(&round, out)?;
    }
    Ok(if round.away.is_empty() { end } else { Outcome::NeedsPerson })
}

/// What the round left where it was, and why.
fn left_over(round: &Round, out: &mut Out) -> Result<(), Failure> {
    if !round.open.is_empty() {
        out.line("\nStill open, and fetched by a later round")?;
    }
    for (logger, paths) in &round.open {
        for path in paths {
            out.line(format!("  {logger}  {}", plain(path)))?;
        }
    }
    if !round.away.is_empty() {
        out.line("\nArchives that were away; their files wait in the spool")?;
    }
    for (archive, why) in &round.away {
        out.line(format!("  {}: {}", plain(archive), plain(why)))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::out::capture::Captured;
    use super::*;
    use crate::model::LoggerId;

    #[test]
    fn open_files_and_archives_that_were_away_are_named() {
        let logger = LoggerId::new("L-0403").expect("id");
        let round = Round {
            open: vec![(logger, vec!["logs/00000412.log".into()])],
            away: vec![("central".into(), "is not mounted".into())],
            ..Round::default()
        };
        let captured = Captured::default();
        left_over(&round, &mut captured.out(false)).expect("written");
        let text = captured.text();
        assert!(text.contains("  L-0403  logs/00000412.log\n"), "{text}");
        assert!(text.contains("  central: is not mounted\n"), "{text}");
        left_over(&Round::default(), &mut captured.out(false)).expect("written");
        assert_eq!(captured.text(), text);
    }
}
