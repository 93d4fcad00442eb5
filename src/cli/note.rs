//! The command about what people know.

use jiff::civil::Date;
use serde_json::json;

use crate::control::{Answer, Request};
use crate::ledger::{NoteRow, Query};
use crate::model::Day;
use crate::report::words::{cell, full, plain, wrap};

use super::out::{Failure, Out, Outcome};
use super::{Cx, ask, calls, tell};

/// Say "we know": a vehicle is away, a finding can wait
///
/// A vehicle or logger with a note is not expected: it counts as away, not as not seen. A finding
/// with a note is snoozed: it is one line of the report and needs nobody, until its day is over or
/// it becomes worse. A note holds from the running day to the day given, that one included; a day
/// bears the date on which it begins. A new note about the same takes the place of the one before.
/// Without arguments the notes that hold are listed.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder note PLOW-03 --until 2026-12-03 --reason \"workshop\"
  yarder note PLOW-07 --until open --reason \"lent to the south yard\"
  yarder note login-refused:L-0421 --until 2026-11-27 --reason \"new password on Friday\"
  yarder note PLOW-07 --end
  yarder note

The ids of findings stand in `yarder report --json`: its code, a colon, and what it is about.")]
pub struct Args {
    /// A vehicle, a logger, or a finding
    id: Option<String>,
    /// The last day for which it holds; `open`, for vehicles and loggers, until it is ended
    #[arg(long, value_name = "YYYY-MM-DD", requires = "id", value_parser = until)]
    until: Option<Until>,
    /// Why, for whoever reads the report
    #[arg(long, value_name = "TEXT", requires = "id")]
    reason: Option<String>,
    /// End the note
    #[arg(long, requires = "id", conflicts_with_all = ["until", "reason"])]
    end: bool,
}

/// The end of a note.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Until(Option<Date>);

fn until(text: &str) -> Result<Until, String> {
    if text == "open" {
        return Ok(Until(None));
    }
    text.parse().map(|date| Until(Some(date))).map_err(|_| "write a date, like 2026-12-03, or `open`".into())
}

pub(super) async fn run(args: Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let Some(id) = args.id else {
        let (loaded, query) = cx.read()?;
        let depot = &loaded.config.depot;
        let today = Day::at(cx.now(), depot.day_starts, &depot.time_zone);
        let today = today.ok_or_else(|| Failure::Failed("the clock shows no day".to_owned()))?;
        return list(&query, today.date, &depot.time_zone, out);
    };
    let (until, reason) = match (args.end, args.until, args.reason) {
        (true, ..) => (None, None),
        (false, Some(until), Some(reason)) => (until.0, Some(reason)),
        _ => {
            let text = "a note wants --until and --reason; `yarder note ID --end` ends one";
            return Err(Failure::Usage(text.to_owned()));
        }
    };
    // Also where no service runs: a note about what was never seen makes no ledger.
    let (loaded, _) = cx.read()?;
    let by = who();
    let request = Request::Note { id: id.clone(), until, reason: reason.clone(), by: by.clone() };
    let answer = match ask(&loaded, &request)? {
        Some(answer) => answer,
        None => Answer::done(calls::note(&cx.edges, &loaded.config, &id, until, reason, by).await?),
    };
    tell(answer, out)
}

fn list(query: &Query, today: Date, zone: &jiff::tz::TimeZone, out: &mut Out) -> Result<Outcome, Failure> {
    let holds = |row: &NoteRow| row.ended.is_none() && row.note.until.is_none_or(|until| until >= today);
    let notes: Vec<NoteRow> = query.notes(i64::MAX)?.into_iter().filter(holds).collect();
    if notes.is_empty() && !out.json {
        out.line("There are no notes.")?;
    }
    for row in &notes {
        let note = &row.note;
        let began = jiff::Timestamp::from_millisecond(row.began).ok();
        if out.json {
            out.value(&json!({
                "id": note.about, "kind": note.kind.as_str(), "since": note.since, "until": note.until,
                "reason": note.reason, "by": note.by, "at": began,
            }))?;
            continue;
        }
        let until = note.until.map_or("open".to_owned(), |until| until.to_string());
        let at = began.map_or(String::new(), |at| format!(", {}", full(at, zone)));
        out.line(format!(
            "{}  until {until}",
            cell(&plain(&note.about), note.about.chars().count().max(12))
        ))?;
        for line in wrap(&format!("{} ({}{at})", plain(&note.reason), plain(&note.by)), 76) {
            out.line(format!("    {line}"))?;
        }
    }
    Ok(Outcome::Done)
}

/// The user of the system who runs this.
fn who() -> String {
    let named = |key: &str| std::env::var(key).ok().filter(|name| !name.is_empty() && name.len() <= 64);
    let own = user().or_else(|| named("LOGNAME")).or_else(|| named("USER"));
    let own = own.unwrap_or_else(|| "unknown".to_owned());
    match named("SUDO_USER") {
        Some(name) if own == "root" => format!("{name} (as root)"),
        _ => own,
    }
}

/// The name, or else the number, of the user whose process this is.
#[cfg(target_os = "linux")]
fn user() -> Option<String> {
    let uid = rustix::process::getuid().as_raw();
    let users = std::fs::read_to_string("/etc/passwd").unwrap_or_default();
    Some(name_of(uid, &users).unwrap_or_else(|| format!("user {uid}")))
}

#[cfg(not(target_os = "linux"))]
fn user() -> Option<String> {
    None
}

/// The name of a user in a list of the form of `/etc/passwd` (passwd(5)).
#[cfg(any(target_os = "linux", test))]
fn name_of(uid: u32, users: &str) -> Option<String> {
    users.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, _, number) = (fields.next()?, fields.next()?, fields.next()?);
        (number.parse() == Ok(uid) && !name.is_empty()).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_user_is_told_by_name() {
        let users = "root:x:0:0::/root:/bin/sh\nbad\n\nkari:x:1000:1000::/home/kari:/bin/sh\n:x:7:7:::\n";
        assert_eq!(name_of(1000, users).as_deref(), Some("kari"));
        assert_eq!(name_of(0, users).as_deref(), Some("root"));
        assert_eq!(name_of(7, users), None);
        assert!(!who().is_empty());
    }

    #[test]
    fn an_end_is_a_day_or_open() {
        assert_eq!(until("open"), Ok(Until(None)));
        assert_eq!(until("2026-12-03"), Ok(Until(Some(jiff::civil::date(2026, 12, 3)))));
        assert!(until("Friday").is_err() && until("").is_err());
    }
}
