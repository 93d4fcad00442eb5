//! The command that tells what is in log files. It needs no ledger, no service, and a configuration for a kind alone.

use std::fs::File;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde::Serialize;

use crate::inspect::facts::{BusLine, Summary};
use crate::inspect::{Inspection, Known};
use crate::report::words::{count, full, of, plain};

use super::Cx;
use super::out::{Failure, Out, Outcome};

/// Tell what is in log files
///
/// Format, span, gaps, frames, bus load, VIN and damage of candump text, pcap, pcapng, MDF 4 and CSV
/// files, packed with gzip, xz or zstd or not. Files are read and never changed; no configuration is
/// needed unless a kind is named. Times are the logger's own.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder inspect 00000412.log --bit-rate 250000
  yarder inspect --json *.mf4 | jq -r 'select(.complete | not) | .file'

Exit codes: 0 read, whatever is wrong with them, 1 a file that cannot be opened or read.")]
pub struct Args {
    /// Log files
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// The bit rate of their buses in bit/s; bus loads are computed for it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(5_000..=20_000_000))]
    bit_rate: Option<u32>,
    /// Read them as files of this kind of logger: its `bit_rate`, and its `[kind.NAME.csv]`
    #[arg(long, value_name = "NAME")]
    kind: Option<String>,
}

#[derive(Serialize)]
struct Line {
    file: String,
    #[serde(flatten)]
    inspection: Inspection,
}

pub(super) async fn run(args: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let mut known = match &args.kind {
        Some(name) => of_kind(name, cx)?,
        None => Known::default(),
    };
    known.bit_rate = args.bit_rate.or(known.bit_rate);
    let mut failed = Vec::new();
    for (nth, path) in args.files.iter().enumerate() {
        let (name, from, known) = (path.display().to_string(), path.clone(), known.clone());
        match cx.edges.blocking(move |_| open(&from).and_then(|file| Inspection::of(&file, &known))).await {
            Err(e) => failed.push(format!("{} cannot be read: {e}", plain(&name))),
            Ok(inspection) if out.json => out.value(&Line { file: name, inspection })?,
            Ok(inspection) => {
                if nth > 0 {
                    out.line("")?;
                }
                let head = out.glyphs.bold(&plain(&name));
                out.line(head)?;
                tell(&inspection, out)?;
            }
        }
    }
    if failed.is_empty() { Ok(Outcome::Done) } else { Err(Failure::Failed(failed.join("\n        "))) }
}

/// What the configuration says of files of this kind.
fn of_kind(name: &str, cx: &Cx) -> Result<Known, Failure> {
    let config = cx.load()?.config;
    let kind = config.loggers.iter().map(|logger| &logger.kind).find(|kind| kind.name == name);
    let none =
        || Failure::Usage(format!("no logger of {} is of the kind {}", cx.config.display(), plain(name)));
    kind.map(|kind| kind.content.clone()).ok_or_else(none)
}

fn open(path: &Path) -> std::io::Result<File> {
    let file = File::open(path)?;
    match file.metadata()?.is_file() {
        true => Ok(file),
        // It is read by position, which a pipe does not know.
        false => Err(std::io::Error::other("it is no plain file")),
    }
}

/// A file's facts as lines of text.
pub(super) fn tell(inspection: &Inspection, out: &mut Out) -> Result<(), Failure> {
    let facts = &inspection.facts;
    let packed = inspection.compression.as_ref().map_or(String::new(), |how| format!(", packed with {how}"));
    match inspection.format.as_str() {
        "unknown" => out.line(format!("  of an unknown format{packed}: nothing of it is read"))?,
        format => out.line(format!("  {format}{packed}; {}", frames(facts)))?,
    }
    if let (Some(first), Some(last)) = (facts.first, facts.last) {
        let zone = if inspection.local_time { ", local time of an unknown zone" } else { "" };
        let (from, to) = (full(first, &TimeZone::UTC), full(last, &TimeZone::UTC));
        out.line(format!(
            "  from {from} to {to} ({}){zone}",
            seconds(last.duration_since(first).as_secs_f64())
        ))?;
    }
    if let Some(gap) = facts.largest_gap_s.filter(|gap| *gap >= 1.0) {
        let more = if facts.gaps.len() > 1 { ", not the only one above a second" } else { "" };
        out.line(format!("  the longest time without a frame: {}{more}", seconds(gap)))?;
    }
    if facts.steps_back > 0 {
        out.line(format!("  {} earlier than the one before", of(facts.steps_back, "frame")))?;
    }
    for bus in facts.buses.iter().filter(|bus| bus.frames > 0) {
        out.line(bus_line(bus))?;
    }
    for vin in &facts.vins {
        let check =
            if vin.check_digit { "" } else { " (its check digit fails, which binds in North America alone)" };
        out.line(format!("  VIN {} from address {}{check}", plain(&vin.value), vin.address))?;
    }
    if facts.engine.ran == Some(false) {
        out.line("  the engine did not run")?;
    }
    for code in &facts.trouble.codes {
        let times = code.count.map_or(String::new(), |count| format!(", {}", of(count.into(), "time")));
        out.line(format!(
            "  trouble code SPN {} FMI {} from address {}{times}",
            code.spn, code.fmi, code.address
        ))?;
    }
    if facts.drops.reports > 0 {
        out.line(format!("  the recorder says that it lost {}", of(facts.drops.frames, "frame")))?;
    }
    for damage in &facts.damage {
        out.line(format!("  at byte {}: {}", count(damage.at_byte), damage.text))?;
    }
    let told = facts.damage.len() as u64;
    if facts.damaged_places > told {
        out.line(format!("  and {} more", of(facts.damaged_places - told, "damaged place")))?;
    }
    if facts.complete {
        out.line("  nothing is wrong with it")?;
    }
    Ok(())
}

fn frames(facts: &Summary) -> String {
    let parts = [("remote", facts.remote), ("error", facts.error), ("CAN FD", facts.fd)];
    let parts: Vec<String> =
        parts.iter().filter(|(_, n)| *n > 0).map(|(what, n)| format!("{} {what}", count(*n))).collect();
    let some = if parts.is_empty() { String::new() } else { format!(" ({})", parts.join(", ")) };
    format!("{}{some} with {}", of(facts.frames, "frame"), of(facts.ids, "identifier"))
}

fn bus_line(bus: &BusLine) -> String {
    let name = if bus.name.is_empty() { "bus".to_owned() } else { plain(&bus.name) };
    let load = match (bus.load, bus.bit_rate) {
        (Some(load), Some(rate)) => format!(", {load:.1} % of {} bit/s", count(rate.into())),
        _ => String::new(),
    };
    format!(
        "  {name}: {}, {} in the busiest second{load}",
        of(bus.frames, "frame"),
        count(bus.peak_frames_per_s.into())
    )
}

/// A span in the unit that it is told in.
fn seconds(span: f64) -> String {
    match span {
        s if s < 120.0 => format!("{s:.3} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}
