//! The command line: one file a command. It prints, and decides nothing.
//!
//! Commands that only read open the ledger beside the service. Those that change something ask the
//! running service, or do it themselves when none runs.

mod adopt;
mod audit;
mod calls;
mod check;
mod demo;
mod files;
mod held;
mod inspect;
pub mod logging;
mod note;
mod once;
pub mod out;
mod probe;
mod rebuild;
mod reload;
mod remove;
mod report;
mod run;
mod status;
mod trace;
mod watch;

use std::io::IsTerminal as _;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use jiff::Timestamp;

use crate::config::{self, Loaded, Problems};
use crate::control::{self, Answer, Request};
use crate::edges::Edges;
use crate::ledger::{self, Query};
use out::{Failure, Out, Outcome};

/// Brings the CAN log files of a vehicle fleet home: complete, verified, once.
///
/// Yarder watches for the vehicles' wireless loggers, downloads every closed log file while a
/// vehicle stands in range, proves the copy, stores it once in the archives, and says each morning
/// which vehicles are complete, which are not, and what to do about it.
///
/// Start with `yarder demo`. Then write /etc/yarder/yarder.toml, and let `yarder check` read it.
#[derive(Debug, Parser)]
#[command(
    name = "yarder",
    version,
    max_term_width = 88,
    after_help = "Exit codes: 0 done, 1 failed, 2 bad usage or configuration, 3 done, but something needs a person."
)]
pub struct Cli {
    /// What every command takes.
    #[command(flatten)]
    pub globals: Globals,
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// What every command takes.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Options of every command")]
pub struct Globals {
    /// The depot's configuration
    #[arg(
        long,
        global = true,
        value_name = "FILE",
        env = "YARDER_CONFIG",
        hide_env_values = true,
        default_value = "/etc/yarder/yarder.toml"
    )]
    pub config: PathBuf,
    /// Print facts as JSON
    #[arg(long, global = true)]
    pub json: bool,
    /// Print ASCII alone
    #[arg(long, global = true)]
    pub ascii: bool,
    /// What to log on stderr: error, warn, info, debug or trace, or `target=level` parts with commas
    #[arg(long, global = true, value_name = "LEVEL", env = "YARDER_LOG", hide_env_values = true)]
    pub log: Option<String>,
    /// Log as JSON lines
    #[arg(long, global = true)]
    pub log_json: bool,
}

/// The commands.
#[derive(Debug, Subcommand)]
#[expect(missing_docs, reason = "the help of each command stands at its arguments")]
pub enum Command {
    Demo(demo::Args),
    Check(check::Args),
    Run(run::Args),
    Once(once::Args),
    Status(status::Args),
    Report(report::Args),
    Files(files::Args),
    Trace(trace::Args),
    Probe(probe::Args),
    Inspect(inspect::Args),
    Note(note::Args),
    Held(held::Args),
    Audit(audit::Args),
    Remove(remove::Args),
    Adopt(adopt::Args),
    Rebuild(rebuild::Args),
    Reload(reload::Args),
}

impl Command {
    /// What is logged where nobody says otherwise: the service tells its story, others only trouble,
    /// and the demo shows trouble in its own way.
    pub fn log_level(&self) -> &'static str {
        match self {
            Command::Run(_) => "info",
            Command::Demo(_) => "error",
            _ => "warn",
        }
    }
}

/// Runs a command to its end.
pub async fn run(cli: Cli) -> Result<Outcome, Failure> {
    let mut out = Out::stdout(cli.globals.json, cli.globals.ascii);
    let cx = Cx { config: cli.globals.config, edges: Edges::real() };
    let end = execute(cli.command, &cx, &mut out).await;
    // What was said before a failure is said all the same.
    let flushed = out.flush();
    end.and_then(|outcome| flushed.map(|()| outcome))
}

async fn execute(command: Command, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    match command {
        Command::Demo(args) => demo::run(args, cx, out).await,
        Command::Check(args) => check::run(&args, cx, out),
        Command::Run(args) => run::run(args, cx).await,
        Command::Once(args) => once::run(args, cx, out).await,
        Command::Status(args) => status::run(&args, cx, out),
        Command::Report(args) => report::run(&args, cx, out),
        Command::Files(args) => files::run(&args, cx, out),
        Command::Trace(args) => trace::run(&args, cx, out),
        Command::Probe(args) => probe::run(&args, cx, out).await,
        Command::Inspect(args) => inspect::run(args, cx, out).await,
        Command::Note(args) => note::run(args, cx, out).await,
        Command::Held(args) => held::run(args, cx, out).await,
        Command::Audit(args) => audit::run(&args, cx, out).await,
        Command::Remove(args) => remove::run(&args, cx, out).await,
        Command::Adopt(args) => adopt::run(args, cx, out).await,
        Command::Rebuild(args) => rebuild::run(&args, cx, out).await,
        Command::Reload(args) => reload::run(&args, cx, out),
    }
}

/// What a command stands on.
struct Cx {
    config: PathBuf,
    edges: Edges,
}

impl Cx {
    /// The configuration; everything wrong with it is told at once.
    fn load(&self) -> Result<Loaded, Failure> {
        config::load(&self.config).map_err(|problems| {
            Failure::Usage(format!(
                "{}\nNothing was done. A service that runs goes on with the last good pair until the files are mended;\n\
                 `yarder check` tells what there is left to mend.",
                unusable(&problems)
            ))
        })
    }

    /// The configuration and the ledger beside the service.
    fn read(&self) -> Result<(Loaded, Query), Failure> {
        let loaded = self.load()?;
        let query = ledger::read(&loaded.config.depot.state_dir)?;
        Ok((loaded, query))
    }

    fn now(&self) -> Timestamp {
        self.edges.clock.now()
    }
}

/// What is wrong with a configuration, as a failure.
fn unusable(problems: &Problems) -> Failure {
    let colours = out::colours_wanted() && std::io::stderr().is_terminal();
    Failure::Usage(format!("the configuration cannot be used\n\n{}", problems.render(colours)))
}

/// Asks the running service; `None` when none runs.
fn ask(loaded: &Loaded, request: &Request) -> Result<Option<Answer>, Failure> {
    control::ask(&loaded.config.depot.state_dir, request).map_err(|e| Failure::Failed(e.to_string()))
}

/// Prints what the service did, or fails with why it did not.
fn tell(answer: Answer, out: &mut Out) -> Result<Outcome, Failure> {
    if !answer.ok {
        return Err(Failure::Failed(answer.text));
    }
    if out.json {
        out.value(&answer)?
    } else {
        out.line(crate::report::words::plain(&answer.text))?
    }
    Ok(Outcome::Done)
}

#[cfg(test)]
mod tests;
