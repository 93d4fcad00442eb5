//! The command that shows the yard now.

use serde::Serialize;
use serde_json::Value;

use crate::control::{self, ControlError, Request};
use crate::report::words::{cell, moment, of, plain, size, wrap};
use crate::report::{FindingLine, Report, VehicleLine, Verdict};

use super::Cx;
use super::out::{Failure, Out, Outcome};
use super::report::make;

/// Show the yard now
///
/// For each vehicle: when its loggers were last seen, what is still to fetch, what waits for an
/// archive, and whether it may leave. And whether the service runs.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder status

Exit code 3: something needs a person; `yarder report` says what.")]
pub struct Args {}

#[derive(Serialize)]
struct Status<'r> {
    service: Service,
    #[serde(flatten)]
    report: &'r Report,
}

#[derive(Debug, Clone, Serialize)]
struct Service {
    /// Null where this user may not know.
    running: Option<bool>,
    text: String,
    facts: Value,
}

impl Service {
    fn ask(cx: &std::path::Path) -> Self {
        match control::ask(cx, &Request::Status) {
            Ok(Some(answer)) => Self { running: Some(true), text: answer.text, facts: answer.facts },
            Ok(None) => Self {
                running: Some(false),
                text: "The service does not run: what follows is what the ledger knew last.".to_owned(),
                facts: Value::Null,
            },
            Err(e) => Self {
                running: (!matches!(e, ControlError::Denied(_))).then_some(true),
                text: format!("The service could not be asked: {e}."),
                facts: Value::Null,
            },
        }
    }
}

pub(super) fn run(_: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let (loaded, query) = cx.read()?;
    let report = make(&loaded.config, &query, None, cx.now())?;
    let service = Service::ask(&loaded.config.depot.state_dir);
    if out.json {
        out.value(&Status { service, report: &report })?;
    } else {
        table(&report, &service, &loaded.config.depot.time_zone, out)?;
    }
    Ok(Outcome::needs(report.needs_person()))
}

fn table(
    report: &Report,
    service: &Service,
    zone: &jiff::tz::TimeZone,
    out: &mut Out,
) -> Result<(), Failure> {
    let now = report.as_of;
    let name = out.glyphs.bold(&plain(&report.depot));
    out.line(format!("{name} {} {}", out.glyphs.dot(), moment(now, now, zone)))?;
    for line in wrap(&plain(&service.text), 80) {
        out.line(line)?;
    }
    for finding in report.findings.iter().filter(|f| f.needs_person()) {
        out.line("")?;
        for line in wrap(&format!("{}. {}", plain(&finding.cause), plain(&finding.action)), 80) {
            out.line(line)?;
        }
    }
    let longest = report.vehicles.iter().map(|v| v.id.chars().count()).max().unwrap_or(0);
    let width = longest.clamp(8, 20);
    out.line("")?;
    out.line(out.glyphs.bold(&format!("  {:<width$}  {:>9}  {:>9}  now", "Vehicle", "seen", "to fetch")))?;
    let mut rows: Vec<&VehicleLine> = report.vehicles.iter().collect();
    rows.sort_by_key(|v| (!v.needs_person(), v.verdict == Verdict::Complete, v.verdict == Verdict::NotSeen));
    for vehicle in rows {
        let to_fetch = if vehicle.bytes.to_fetch == 0 { "-".into() } else { size(vehicle.bytes.to_fetch) };
        let seen = vehicle.last_seen.map_or("never".into(), |at| moment(at, now, zone));
        let text = format!(
            "{} {}  {seen:>9}  {to_fetch:>9}  {}",
            out.glyphs.mark(vehicle.verdict),
            cell(&plain(&vehicle.id), width),
            phrase(vehicle)
        );
        out.line(text)?;
    }
    for archive in report.archives.iter().filter(|a| a.files_waiting > 0) {
        out.line("")?;
        let wait = if archive.files_waiting == 1 { "waits" } else { "wait" };
        out.line(format!(
            "{}, {}, {wait} for archive {}.",
            of(archive.files_waiting, "file"),
            size(archive.bytes_waiting),
            plain(&archive.name)
        ))?;
    }
    Ok(())
}

/// What a driver who asks is told.
fn phrase(vehicle: &VehicleLine) -> String {
    let files = &vehicle.files;
    if let Some(finding) = vehicle.findings.iter().find(|f| FindingLine::needs_person(f)) {
        return format!("see the office ({})", plain(&finding.code));
    }
    match vehicle.verdict {
        Verdict::NotSeen => "not in range this day".to_owned(),
        _ if files.listed > 0 => format!("{} to go", of(files.listed, "file")),
        Verdict::Complete => "done, free to leave".to_owned(),
        // The files are on the depot's disk: the vehicle is not needed for what is left.
        _ if files.held > 0 => format!("free to leave; {} held", of(files.held, "file")),
        _ if files.whole > 0 => {
            format!("free to leave; {} on the way to the archive", of(files.whole, "file"))
        }
        _ if files.lost > 0 => format!("{} lost", of(files.lost, "file")),
        _ => "its listing is not whole yet".to_owned(),
    }
}
