//! The log: on stderr, as text or JSON lines, without secrets.

use std::io::{IsTerminal as _, stderr};

use tracing::{Level, Metadata, Subscriber};
use tracing_subscriber::filter::{EnvFilter, FilterExt as _, filter_fn};
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::registry::LookupSpan;
use tracing_subscriber::util::SubscriberInitExt as _;
use tracing_subscriber::{Layer, fmt};

use super::out::{Failure, colours_wanted};

/// Libraries that would tell more than anybody reads.
const QUIET: &str =
    "hyper=warn,hyper_util=warn,reqwest=warn,h2=warn,rustls=warn,html5ever=error,suppaftp=warn";

/// Whether a record may be written at any level: suppaftp writes passwords at `trace`, and no
/// setting may ask for that.
fn allowed(record: &Metadata<'_>) -> bool {
    !(record.target().starts_with("suppaftp") && *record.level() == Level::TRACE)
}

fn filter(level: Option<&str>, default: &str) -> Result<EnvFilter, Failure> {
    let level = level.filter(|l| !l.trim().is_empty()).unwrap_or(default);
    EnvFilter::try_new(format!("{QUIET},{level}")).map_err(|e| {
        Failure::Usage(format!("--log {level:?} is not understood ({e}): use a level such as `info`"))
    })
}

fn layer<S: Subscriber + for<'s> LookupSpan<'s>>(
    filter: EnvFilter,
    json: bool,
    writer: impl for<'w> fmt::MakeWriter<'w> + Send + Sync + 'static,
    colours: bool,
) -> Box<dyn Layer<S> + Send + Sync> {
    let plain = fmt::layer().with_ansi(colours).with_writer(writer);
    // The hint leaves it to the other filter which levels are not even looked at.
    let filter = filter.and(filter_fn(allowed).with_max_level_hint(Level::TRACE));
    if json {
        plain.json().flatten_event(true).with_filter(filter).boxed()
    } else {
        plain.with_target(false).with_filter(filter).boxed()
    }
}

/// Starts logging. `level` is what the person asked for, `default` what the command wants.
pub fn start(level: Option<&str>, default: &str, json: bool) -> Result<(), Failure> {
    let colours = !json && stderr().is_terminal() && colours_wanted();
    let layer = layer(filter(level, default)?, json, stderr, colours);
    let started = tracing_subscriber::registry().with(layer).try_init();
    started.map_err(|e| Failure::Failed(format!("the log cannot be started: {e}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::out::capture::Captured;

    fn logged(level: &str, json: bool, write: impl FnOnce()) -> String {
        let captured = Captured::default();
        let writer = captured.clone();
        let layer = layer(filter(Some(level), "warn").expect("filter"), json, move || writer.clone(), false);
        tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), write);
        captured.text()
    }

    #[test]
    fn no_setting_makes_the_ftp_library_write_passwords() {
        for level in ["trace", "suppaftp=trace", "suppaftp::sync_ftp=trace,trace"] {
            let text = logged(level, false, || {
                tracing::trace!(target: "suppaftp", "PASS hunter2");
                tracing::trace!(target: "suppaftp::sync_ftp", "PASS hunter2");
                tracing::error!(target: "suppaftp", "seen");
            });
            assert!(text.contains("seen") && !text.contains("hunter2"), "{level}: {text}");
        }
    }

    #[test]
    fn libraries_are_quiet_unless_named() {
        let chat = || tracing::info!(target: "hyper", "chat");
        assert_eq!(logged("debug", false, chat), "");
        assert!(logged("debug,hyper=info", false, chat).contains("chat"));
    }

    #[test]
    fn json_logs_are_an_object_a_line() {
        let text = logged("info", true, || tracing::info!(vehicle = "PLOW-03", "a visit began"));
        let value: serde_json::Value = serde_json::from_str(&text).expect("an object");
        assert_eq!(value["vehicle"], "PLOW-03");
    }

    #[test]
    fn a_level_that_is_none_is_bad_usage() {
        assert!(matches!(filter(Some("loud=very"), "warn"), Err(Failure::Usage(_))));
        assert!(filter(Some(""), "warn").is_ok());
    }
}
