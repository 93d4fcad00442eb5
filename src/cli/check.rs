//! The command that reads the configuration.

use crate::report::words::of;

use super::out::{Failure, Out, Outcome};
use super::{Cx, config};

/// Read the configuration and say everything wrong with it
///
/// Every problem is told at once, with the place underlined and how to mend it. Warnings are worth a
/// look and forbid nothing. Nothing is contacted and nothing is written.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder --config /etc/yarder/yarder.toml check")]
pub struct Args {}

pub(super) fn run(_: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let colours = out.glyphs.colours;
    match config::load(&cx.config) {
        Ok(loaded) if out.json => {
            out.value(&serde_json::json!({ "usable": true, "problems": loaded.warnings }))?;
        }
        Ok(loaded) => {
            if !loaded.warnings.is_empty() {
                out.text(&loaded.warnings.render(colours))?;
                out.line("")?;
            }
            let config = &loaded.config;
            out.line(format!(
                "{} can be used: depot {}, {}, {}, {}.",
                cx.config.display(),
                config.depot.name,
                of(config.vehicles.len() as u64, "vehicle"),
                of(config.loggers.len() as u64, "logger"),
                of(config.archives.len() as u64, "archive"),
            ))?;
            out.line("Next: `yarder probe ID`, then `yarder once`.")?;
        }
        Err(problems) => {
            if out.json {
                out.value(&serde_json::json!({ "usable": false, "problems": problems }))?;
            } else {
                out.text(&problems.render(colours))?;
                out.line("")?;
            }
            return Err(Failure::Usage(format!("{} cannot be used", cx.config.display())));
        }
    }
    Ok(Outcome::Done)
}
