//! The `yarder` command: arguments, logging, a runtime, an exit code.

#![forbid(unsafe_code)]
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used))]

use std::process::ExitCode;

use clap::Parser as _;
use yarder::cli::out::{Failure, Outcome, code, complain};
use yarder::cli::{Cli, logging, run};

fn main() -> ExitCode {
    let end = start(Cli::parse());
    if let Err(failure) = &end {
        complain(failure);
    }
    code(&end)
}

fn start(cli: Cli) -> Result<Outcome, Failure> {
    logging::start(cli.globals.log.as_deref(), cli.command.log_level(), cli.globals.log_json)?;
    let threads = std::thread::available_parallelism().map_or(2, |n| n.get().clamp(2, 4));
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(threads)
        .enable_all()
        .build()
        .map_err(|e| Failure::Failed(format!("no threads could be started: {e}")))?;
    let end = runtime.block_on(run(cli));
    // Blocking work that hangs on a dead share must not keep a finished command from ending.
    runtime.shutdown_background();
    end
}
