//! The command that shows a simulated night.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::ledger;
use crate::progress::Progress;
use crate::report::{Report, Verdict};
use crate::sim::{Expected, NightOptions};

use super::calls::Played;
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

The report at its end has findings on purpose. Exit code 0: the night went as planned.")]
pub struct Args {
    /// Another number gives other vehicles' logs
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

pub(super) async fn run(args: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let progress = Progress::default();
    let options = NightOptions::full(args.seed, cx.edges.clock.clone());
    let night = calls::demo(&cx.edges, options, progress.clone());
    let played = watch::during(&progress, out.glyphs, night).await?;
    let report = made(&played, cx.now())?;
    report::in_form_asked(&played.config, &report, out)?;
    let otherwise = otherwise(&report, &played.expected);
    if otherwise.is_empty() {
        return Ok(Outcome::Done);
    }
    Err(Failure::Failed(format!(
        "the night did not go as planned, as on a machine that is busy or slow:\n  {}",
        otherwise.join("\n  ")
    )))
}

fn made(played: &Played, now: Timestamp) -> Result<Report, Failure> {
    report::make(&played.config, &ledger::read(&played.config.depot.state_dir)?, None, now)
}

/// Where the report's verdicts are not those that the night planted.
fn otherwise(report: &Report, expected: &BTreeMap<&'static str, Expected>) -> Vec<String> {
    let verdict = |verdict: Verdict| verdict.words().replace(' ', "-");
    let wrong = report.vehicles.iter().filter_map(|vehicle| {
        let (is, planned) = (verdict(vehicle.verdict), expected.get(vehicle.id.as_str())?.verdict);
        (is != planned).then(|| format!("{} is {is}, planned was {planned}", vehicle.id))
    });
    wrong.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edges::Edges;

    #[tokio::test(flavor = "multi_thread")]
    #[ignore = "plays a whole night: half a minute"]
    async fn soak_the_report_says_of_each_vehicle_what_the_night_planted() {
        let edges = Edges::real();
        let options = NightOptions { percent: 10, ..NightOptions::full(1, edges.clock.clone()) };
        let played = calls::demo(&edges, options, Progress::default()).await.expect("played");
        let report = made(&played, edges.clock.now()).expect("report");
        assert_eq!(otherwise(&report, &played.expected), [""; 0]);
        for vehicle in &report.vehicles {
            if let Some(files) = played.expected[vehicle.id.as_str()].files {
                assert_eq!(vehicle.files.archived, files, "{vehicle:#?}");
            }
        }
    }
}
