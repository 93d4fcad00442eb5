//! The command that tells one file's story.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;
use serde_json::Value;

use crate::inspect::Inspection;
use crate::ledger::state::Duty;
use crate::ledger::{EventRow, FileRow};
use crate::report::words::{cell, count, full, of, plain, size};

use super::Cx;
use super::files::{FileLine, codes_by_subject};
use super::out::{Failure, Out, Outcome};

/// More matches than this are listed instead of told.
const TOLD: usize = 5;

/// Tell one file's story
///
/// When it was listed, each attempt and each cut, how it was proven, where it lies, and what became
/// of it on its logger. Names repeat from logger to logger and from card to card; a hash does not.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder trace 00000412.log           the end of its path, as `yarder files` shows it
  yarder trace 9f86d081884c7d65       the beginning of its SHA-256
  yarder trace PLOW-03/2026-11-24/north-yard/data/L-0403/logs/00000412.log")]
pub struct Args {
    /// Its path on the logger or the end of it, its SHA-256 (8 digits and more), or its location in an archive
    #[arg(value_name = "WHAT")]
    what: String,
}

#[derive(Serialize)]
struct Story {
    #[serde(flatten)]
    file: FileLine,
    /// All that is known of what is in it.
    inspection: Option<Inspection>,
    story: Vec<Told>,
}

#[derive(Serialize)]
struct Told {
    at: Option<Timestamp>,
    what: String,
    detail: Value,
}

pub(super) fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let (loaded, query) = cx.read()?;
    let mut rows = query.find(&args.what)?;
    if rows.is_empty() {
        // As `files --json` has it, and as a table has it.
        let fits = |path: &str| ends_with(path, &args.what) || ends_with(&plain(path), &args.what);
        rows = query.find_path(|path| fits(&path.to_string()))?;
    }
    if rows.is_empty() {
        return Err(Failure::Failed(format!(
            "no file is known by {:?}: give the end of its path on the logger, 8 or more digits of its SHA-256, or \
             its whole location in an archive",
            args.what
        )));
    }
    let zone = &loaded.config.depot.time_zone;
    if !out.json && rows.len() > TOLD {
        for row in &rows {
            out.line(brief(row))?;
        }
        out.line("")?;
        out.line(format!(
            "{} fit. Name one by its SHA-256, or by its location in an archive.",
            of(rows.len() as u64, "file")
        ))?;
        return Ok(Outcome::Done);
    }
    let findings = codes_by_subject(&query)?;
    for (nth, row) in rows.iter().enumerate() {
        let (story, inspection) = (query.story(row.id)?, query.inspection(row.id)?);
        if out.json {
            let told = |e: EventRow| Told {
                at: Timestamp::from_millisecond(e.at).ok(),
                what: e.what,
                detail: e.detail,
            };
            let story = story.into_iter().map(told).collect();
            out.value(&Story { file: FileLine::new(row, &findings), inspection, story })?;
            continue;
        }
        if nth > 0 {
            out.line("")?;
        }
        tell(row, inspection.as_ref(), &story, zone, out)?;
    }
    Ok(Outcome::Done)
}

/// Whether a path ends with whole parts of that name.
fn ends_with(path: &str, what: &str) -> bool {
    path.strip_suffix(what)
        .is_some_and(|before| before.is_empty() || before.ends_with('/') || what.starts_with('/'))
}

fn brief(row: &FileRow) -> String {
    format!(
        "{}  {}  card {:<3}  {:<8}  {:<16}  {}",
        cell(&plain(&row.vehicle), 12),
        cell(&plain(&row.logger), 10),
        row.card,
        row.state.as_str(),
        row.sha256.map_or("-".to_owned(), |d| d.short()),
        plain(&row.path.to_string())
    )
}

fn tell(
    row: &FileRow,
    inspection: Option<&Inspection>,
    story: &[EventRow],
    zone: &TimeZone,
    out: &mut Out,
) -> Result<(), Failure> {
    let head = format!("{} of {}", plain(&row.path.to_string()), plain(&row.vehicle));
    let head = out.glyphs.bold(&head);
    out.line(head)?;
    let bytes = row.size.map_or("size unknown".to_owned(), |n| format!("{n} bytes ({})", size(n)));
    out.line(format!("  logger {}, card {}, version {}; {bytes}", plain(&row.logger), row.card, row.number))?;
    let proof = match (row.proof, row.presumed) {
        (_, true) => ", presumed: only the bytes at its ends were compared".to_owned(),
        (Some(proof), _) => format!(", proof {}", proof.as_str()),
        (None, _) => String::new(),
    };
    let old = if row.backlog { ", old stock" } else { "" };
    out.line(format!("  {}{proof}{old}", row.state.as_str()))?;
    if let Some(time) = row.time {
        out.line(format!("  last change by the logger's clock: {}", full(time, zone)))?;
    }
    if let Some(sha256) = row.sha256 {
        out.line(format!("  sha256 {sha256}"))?;
    }
    for copy in &row.copies {
        let place = copy.location.as_deref().map_or("no place yet".to_owned(), plain);
        let how = match (copy.duty, &copy.verified) {
            (Duty::Verified, Some(how)) => format!("verified by {how}"),
            (duty, _) => duty.as_str().to_owned(),
        };
        out.line(format!("  {}: {place} ({how})", plain(&copy.archive)))?;
    }
    if let Some(inspection) = inspection {
        super::inspect::tell(inspection, out)?;
    }
    for event in story {
        let at = Timestamp::from_millisecond(event.at).map_or("-".to_owned(), |at| full(at, zone));
        out.line(format!("  {at}  {}{}", said(&event.what), details(&event.detail)))?;
    }
    Ok(())
}

/// An event in words; what has none here says itself.
fn said(what: &str) -> String {
    let words = match what {
        "listed" => "first listed",
        "may-be-written" => "may still be written",
        "granted" => "a transfer may begin",
        "folded" => "how its bytes came, told in short",
        "cut" => "the transfer was cut",
        "restarted" => "begun again from its first byte",
        "changed" => "it changed on its logger",
        "unwanted" => "the kind's patterns do not want it any more",
        "wanted" => "the kind's patterns want it",
        "held" => "waits for a person",
        "claim-intended" => "its place in an archive is chosen",
        "stored" => "written into an archive",
        "verified" => "read back from an archive, and equal",
        "put-off" => "an archive failed at it alone; it is tried again",
        "found-wrong" => "a copy was found to be wrong",
        "in-doubt" => "its file lies in the spool: the copy is read back first",
        "proven" => "its proof was reached",
        "presumed" => "taken for known by the bytes at its ends",
        "read-in-whole" => "read in whole, and equal: known by all of its bytes",
        "marked" => "bytes are on the disk",
        "became-whole" => "whole in the spool",
        "archived" => "archived: every required archive has it",
        "known-content" => "the content is known already",
        "owed-again" => "a copy is owed again",
        "absent" => "absent from a listing",
        "vanished" => "vanished from its logger",
        "came-back" => "listed again",
        "partial-dropped" => "the partial was dropped for want of room",
        "kept" => "a person keeps it",
        "dropped" => "a person drops it",
        "repaired" => "its copy in an archive was repaired",
        "removal-intended" => "it is to be removed from its logger",
        "delete-answered" => "its logger says that it is deleted",
        "delete-unclear" => "whether its logger deleted it is not known; the next listing tells",
        "removed" => "removed from its logger",
        "removal-failed" => "it was not removed from its logger",
        other => return plain(other).replace('-', " "),
    };
    words.to_owned()
}

/// The facts of an event in words: `: at byte 65,536, the connection was cut`. What stands above
/// the story, and what serves the ledger alone, is not said again.
fn details(detail: &Value) -> String {
    let Value::Object(map) = detail else { return String::new() };
    let parts: Vec<String> = map.iter().filter_map(|(key, value)| fact(key, value)).collect();
    if parts.is_empty() { String::new() } else { format!(": {}", parts.join(", ")) }
}

fn fact(key: &str, value: &Value) -> Option<String> {
    let text = match value {
        Value::String(text) => plain(text),
        Value::Number(number) => number.as_u64().map_or(number.to_string(), count),
        Value::Bool(true) => String::new(),
        Value::Null | Value::Bool(false) => return None,
        other => plain(&other.to_string()),
    };
    Some(match (key, text.as_str()) {
        (
            "sha256" | "listed" | "version" | "shared" | "reserved" | "same_as" | "absent_since_ms"
            | "receipt",
            _,
        )
        | ("why", "listed" | "not known")
        | ("resumed_at", "0")
        | ("note" | "why" | "reason", "") => return None,
        ("why" | "reason" | "note" | "cause", text) => text.to_owned(),
        ("offset", at) => format!("at byte {at}"),
        ("resumed_at", at) => format!("resumed at byte {at}"),
        ("size", bytes) => format!("{bytes} bytes"),
        ("location" | "k0", place) => format!("at {place}"),
        ("verified", how) => format!("by {how}"),
        ("tries", n) => format!("tries: {n}"),
        ("adopted", _) => "found in the spool".to_owned(),
        (key, text) => format!("{} {text}", plain(key).replace('_', " ")),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_are_words_and_nothing_in_them_acts_on_the_terminal() {
        assert_eq!(said("became-whole"), "whole in the spool");
        assert_eq!(said("some-new-thing"), "some new thing");
        let detail = serde_json::json!({ "why": "\x1b[2Jcut", "offset": 65536, "none": null, "note": "" });
        assert_eq!(details(&detail), ": at byte 65,536, \\u{1b}[2Jcut");
        let listed = serde_json::json!({ "why": "not known", "listed": "- -", "version": 1, "shared": true });
        assert_eq!(details(&listed), "");
        assert_eq!(details(&serde_json::json!({})), "");
    }

    #[test]
    fn the_end_of_a_path_is_whole_parts_of_it() {
        assert!(ends_with("logs/00000412.log", "00000412.log"));
        assert!(ends_with("logs/00000412.log", "logs/00000412.log"));
        assert!(!ends_with("logs/00000412.log", "412.log"));
    }
}
