//! The command about files that wait for a person.

use clap::Subcommand;
use serde_json::{Value, json};

use crate::control::{Answer, Request};
use crate::ledger::{FileRow, Query};
use crate::report::words::{cell, of, plain, size, wrap};

use super::out::{Failure, Out, Outcome};
use super::{Cx, ask, calls, tell};

/// List the files that wait for a person, keep one, or drop one
///
/// A file is held when Yarder must not decide alone: it could not be read to its end, its readings
/// differ, or its places in an archive are taken. Kept, it is archived as it is. Dropped, its content
/// is never fetched again.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder held
  yarder held keep 412 --reason \"the gap is on the card\"
  yarder held drop 412 --reason \"test recording\"")]
pub struct Args {
    #[command(subcommand)]
    what: Option<What>,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Archive a held file as it is
    Keep {
        /// Its number in the list
        id: i64,
        /// Why, for the file's story
        #[arg(long)]
        reason: String,
    },
    /// Give a held file up; its content is never fetched again
    Drop {
        /// Its number in the list
        id: i64,
        /// Why, for the file's story
        #[arg(long)]
        reason: String,
    },
}

pub(super) async fn run(args: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let Some(what) = args.what else {
        let (_, query) = cx.read()?;
        return list(&query, out);
    };
    // Also where no service runs: a command about files that are not there makes no ledger.
    let (loaded, _) = cx.read()?;
    let request = match what {
        What::Keep { id, reason } => Request::Keep { id, reason },
        What::Drop { id, reason } => Request::Drop { id, reason },
    };
    let answer = match (ask(&loaded, &request)?, &request) {
        (Some(answer), _) => answer,
        (None, Request::Drop { id, reason }) => {
            Answer::done(calls::held_drop(&cx.edges, &loaded.config, *id, reason).await?)
        }
        (None, Request::Keep { id, reason }) => {
            Answer::done(calls::held_keep(&cx.edges, &loaded.config, *id, reason).await?)
        }
        (None, _) => Answer::done(""),
    };
    tell(answer, out)
}

/// Why it was held: the detail of the last such event.
fn why(query: &Query, row: &FileRow) -> Result<Value, Failure> {
    let story = query.story(row.id)?;
    Ok(story.into_iter().rev().find(|e| e.what == "held").map_or(Value::Null, |e| e.detail))
}

fn list(query: &Query, out: &mut Out) -> Result<Outcome, Failure> {
    let held = query.held()?;
    if held.is_empty() && !out.json {
        out.line("No file waits for a person.")?;
    }
    for row in &held {
        let why = why(query, row)?;
        if out.json {
            out.value(&json!({
                "id": row.id.0, "vehicle": row.vehicle, "logger": row.logger, "card": row.card,
                "path": row.path.to_string(), "version": row.number, "size": row.size, "have": row.mark,
                "sha256": row.sha256.map(|d| d.hex()), "gaps": row.gaps, "why": why,
            }))?;
            continue;
        }
        let bytes = row.size.map_or("unknown size".to_owned(), size);
        out.line(format!(
            "{:>6}  {}  {}  {}  {bytes}",
            row.id.0,
            cell(&plain(&row.vehicle), 12),
            plain(&row.logger),
            plain(&row.path.to_string())
        ))?;
        let why = match &why["why"] {
            Value::String(text) => plain(text),
            _ if why.is_null() => "the story does not say why".to_owned(),
            _ => plain(&why.to_string()),
        };
        for line in wrap(&why, 70) {
            out.line(format!("        {line}"))?;
        }
    }
    if !held.is_empty() && !out.json {
        out.line("")?;
        out.line(format!(
            "{}: yarder held keep ID --reason TEXT, or yarder held drop ID --reason TEXT",
            of(held.len() as u64, "file")
        ))?;
    }
    Ok(Outcome::Done)
}
