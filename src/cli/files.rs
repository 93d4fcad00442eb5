//! The command that lists the ledger's files, and a file's JSON form.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use crate::ledger::state::{Duty, State};
use crate::ledger::{FileRow, Query};
use crate::report::words::{cell, plain, size};

use super::Cx;
use super::out::{Failure, Out, Outcome};

/// List the ledger's files
///
/// Every version of every log file that a logger ever offered, oldest first, with where it stands
/// and how it was proven. `--json` prints one object a line, whatever the number of files.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder files --vehicle PLOW-03 --state lost
  yarder files --json | jq -r 'select(.proof == \"length\") | .path'")]
pub struct Args {
    /// Only files of this vehicle
    #[arg(long, value_name = "ID")]
    vehicle: Option<String>,
    /// Only files in this state: listed, open, fetching, whole, archived, held, lost and so on
    #[arg(long, value_name = "STATE", value_parser = state)]
    state: Option<State>,
}

fn state(text: &str) -> Result<State, String> {
    State::parse(text).ok_or_else(|| {
        let all: Vec<&str> = State::ALL.iter().map(|s| s.as_str()).collect();
        format!("use one of: {}", all.join(", "))
    })
}

pub(super) fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let (loaded, query) = cx.read()?;
    let known = loaded.config.vehicles.iter().any(|v| Some(v.id.as_str()) == args.vehicle.as_deref());
    let any = list(&query, args, out)?;
    if !any && !out.json && (known || args.vehicle.is_none()) {
        out.line("No file fits.")?;
    }
    match &args.vehicle {
        Some(id) if !any && !known => {
            Err(Failure::Usage(format!("there is no vehicle {id:?} in the list or in the ledger")))
        }
        _ => Ok(Outcome::Done),
    }
}

/// Prints the files one after the other; gives whether there was one.
fn list(query: &Query, args: &Args, out: &mut Out) -> Result<bool, Failure> {
    let findings = codes_by_subject(query)?;
    let mut any = false;
    let mut end = Ok(());
    query.files(args.vehicle.as_deref(), args.state, |row| {
        if !any && !out.json {
            end = out.line(HEAD);
        }
        any = true;
        if end.is_ok() {
            end = if out.json { out.value(&FileLine::new(&row, &findings)) } else { out.line(table(&row)) };
        }
        end.is_ok()
    })?;
    end?;
    Ok(any)
}

const HEAD: &str = "vehicle       logger      state     proof         size  path";

fn table(row: &FileRow) -> String {
    format!(
        "{}  {}  {:<8}  {:<7}  {:>9}  {}{}",
        cell(&plain(&row.vehicle), 12),
        cell(&plain(&row.logger), 10),
        row.state.as_str(),
        row.proof.map_or("-", |p| p.as_str()),
        row.size.map_or("unknown".to_owned(), size),
        plain(&row.path.to_string()),
        if row.number > 1 { format!(" (version {})", row.number) } else { String::new() },
    )
}

/// One file as `files --json` and `trace --json` print it.
#[derive(Debug, Serialize)]
pub(super) struct FileLine {
    vehicle: String,
    logger: String,
    card: i64,
    path: String,
    version: i64,
    size: Option<u64>,
    mtime: Option<Timestamp>,
    state: &'static str,
    proof: Option<&'static str>,
    sha256: Option<String>,
    archives: Vec<CopyLine>,
    findings: Vec<String>,
    /// What is in it, where it was read.
    format: Option<String>,
    span: Option<SpanLine>,
    frames: Option<u64>,
}

/// The earliest and the latest time in a file, by the logger's clock.
#[derive(Debug, Serialize)]
struct SpanLine {
    from: Timestamp,
    to: Timestamp,
}

#[derive(Debug, Serialize)]
struct CopyLine {
    name: String,
    location: Option<String>,
    at: Option<Timestamp>,
    verified: Option<String>,
}

impl FileLine {
    pub(super) fn new(row: &FileRow, findings: &BTreeMap<String, Vec<String>>) -> Self {
        let path = row.path.to_string();
        let subject = format!("{}/{path}", row.logger);
        Self {
            vehicle: row.vehicle.clone(),
            logger: row.logger.clone(),
            card: row.card,
            version: row.number,
            size: row.size,
            mtime: row.time,
            state: row.state.as_str(),
            proof: row.proof.map(|p| p.as_str()),
            sha256: row.sha256.map(|d| d.hex()),
            archives: row
                .copies
                .iter()
                .filter(|copy| copy.duty != Duty::Waived)
                .map(|copy| CopyLine {
                    name: copy.archive.clone(),
                    location: copy.location.clone(),
                    at: Timestamp::from_millisecond(copy.at).ok(),
                    verified: copy.verified.clone(),
                })
                .collect(),
            findings: findings.get(&subject).cloned().unwrap_or_default(),
            path,
            format: row.contents.as_ref().map(|contents| contents.format.clone()),
            span: row.contents.as_ref().and_then(|c| c.span).map(|(from, to)| SpanLine { from, to }),
            frames: row.contents.as_ref().map(|contents| contents.frames),
        }
    }
}

/// The codes of the findings that are there, by what they are about.
pub(super) fn codes_by_subject(query: &Query) -> Result<BTreeMap<String, Vec<String>>, Failure> {
    let mut all: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in query.findings(i64::MAX)? {
        if let Some((code, subject)) = row.id.split_once(':') {
            all.entry(subject.to_owned()).or_default().push(code.to_owned());
        }
    }
    Ok(all)
}
