//! The command that prints a day's report.

use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::json;

use crate::config::Config;
use crate::ledger::{Query, Stored};
use crate::model::Day;
use crate::report::words::{full, wrap};
use crate::report::{CODES, Facts, Report, build, csv, html, text};

use super::Cx;
use super::out::{Failure, Out, Outcome};

/// Print a day's sync report
///
/// What needs a person comes first, then every vehicle: complete, incomplete or not seen. Without a
/// date it is the running day so far, from `day_starts` on; a day bears the date on which it begins.
/// The service stores a report at each `report.at` and at the end of the day; with a date the last
/// stored one of that day is printed as it was made. Where none was stored, the report is made from
/// what the ledger knows now, and says so.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder report                       the night so far
  yarder report --date 2026-11-24     another day, as its last report was stored
  yarder report --json                one JSON object
  yarder report --format html > day.html    a page for a browser, a phone or paper
  yarder report --format csv > day.csv      a row a vehicle, for a spreadsheet
  yarder report --codes               what the codes of findings mean

Columns of the CSV (times in UTC, empty where unknown):
  depot, date, as_of, vehicle, verdict, needs_person, last_seen, data_until
  files_archived, files_lost            files of this day: home; gone before they were fetched
  files_listed, files_open, files_whole, files_held, files_backlog
                                        files now: to fetch, perhaps still written, in the spool,
                                        waiting for a person, old stock
  bytes_archived, bytes_to_fetch, bytes_backlog, bytes_delivered, bytes_fetched_twice
  away, findings                        why it is not expected; codes, with spaces between

Exit code 3: something needs a person.")]
pub struct Args {
    /// The day, by the date on which it begins
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<Date>,
    /// Say what each code of a finding means, and print no report
    #[arg(long, conflicts_with = "date")]
    codes: bool,
    /// One form or several with commas: text, html, json, csv
    #[arg(long, value_delimiter = ',', value_name = "FORM")]
    format: Vec<String>,
}

pub(super) fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let formats = formats(&args.format, out.json)?;
    if args.codes {
        return codes(out);
    }
    let (loaded, query) = cx.read()?;
    if let Some(date) = args.date {
        if let Some(stored) = query.stored(date)? {
            return print_stored(&loaded.config, &stored, &formats, out);
        }
        let report = make(&loaded.config, &query, args.date, cx.now())?;
        if formats.contains(&Form::Text) {
            out.line(format!("No report of {date} was stored."))?;
            out.line("")?;
        }
        return print(&loaded.config, &report, &formats, out);
    }
    let report = make(&loaded.config, &query, None, cx.now())?;
    print(&loaded.config, &report, &formats, out)
}

/// Prints the list of codes.
fn codes(out: &mut Out) -> Result<Outcome, Failure> {
    for (code, text) in CODES {
        if out.json {
            out.value(&json!({ "code": code, "means": text }))?;
            continue;
        }
        out.line(code)?;
        for line in wrap(text, 74) {
            out.line(format!("  {line}"))?;
        }
    }
    Ok(Outcome::needs(false))
}

/// Prints a report as it was stored; its JSON form byte for byte.
fn print_stored(config: &Config, stored: &Stored, forms: &[Form], out: &mut Out) -> Result<Outcome, Failure> {
    let report: Report = serde_json::from_str(&stored.json).map_err(|e| {
        Failure::Failed(format!(
            "the stored report of {} is of a form that this version does not know ({e}): use the version that made it",
            stored.date
        ))
    })?;
    for form in forms {
        match form {
            Form::Json => out.line(&stored.json)?,
            other => print(config, &report, &[*other], out).map(drop)?,
        }
    }
    Ok(Outcome::needs(report.needs_person()))
}

/// A form of the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    Text,
    Html,
    Json,
    Csv,
}

fn formats(asked: &[String], json: bool) -> Result<Vec<Form>, Failure> {
    let form = |text: &String| match text.as_str() {
        "text" => Ok(Form::Text),
        "html" => Ok(Form::Html),
        "json" => Ok(Form::Json),
        "csv" => Ok(Form::Csv),
        other => Err(Failure::Usage(format!("--format {other:?} is not known: use text, html, json or csv"))),
    };
    match asked {
        [] => Ok(vec![if json { Form::Json } else { Form::Text }]),
        asked => asked.iter().map(form).collect(),
    }
}

/// The running day's report, or another day's.
pub(super) fn make(
    config: &Config,
    query: &Query,
    date: Option<Date>,
    now: Timestamp,
) -> Result<Report, Failure> {
    let depot = &config.depot;
    let day = match date {
        Some(date) => Day::of(date, depot.day_starts, &depot.time_zone),
        None => Day::at(now, depot.day_starts, &depot.time_zone),
    };
    let day = day.ok_or_else(|| Failure::Usage("there is no such day".to_owned()))?;
    if day.from > now {
        return Err(Failure::Usage(format!("the day of {} has not begun yet", day.date)));
    }
    // Before its first run nothing was watched, and "not seen" would be a claim.
    let first = query.first_up()?.and_then(|ms| Timestamp::from_millisecond(ms).ok());
    if date.is_some() && first.is_none_or(|first| day.to <= first) {
        return Err(Failure::Failed(format!(
            "nothing is known of the day of {}: {}",
            day.date,
            match first {
                Some(first) => format!("Yarder first ran here on {}", full(first, &depot.time_zone)),
                None => "Yarder did not run here yet".to_owned(),
            }
        )));
    }
    Ok(build(config, &Facts::read(query, config, &day, now)?, &day, now))
}

/// Prints it; says whether something needs a person.
pub(super) fn print(
    config: &Config,
    report: &Report,
    forms: &[Form],
    out: &mut Out,
) -> Result<Outcome, Failure> {
    let zone = &config.depot.time_zone;
    for form in forms {
        match form {
            Form::Json => out.value(report)?,
            Form::Text => out.text(&text::render(report, zone, out.glyphs))?,
            Form::Html => out.text(&html::render(report, zone))?,
            Form::Csv => out.text(&csv::render(report))?,
        }
    }
    Ok(Outcome::needs(report.needs_person()))
}

/// Prints the report with which a round ends, in the form that was asked for.
pub(super) fn closing(
    config: &Config,
    query: &Query,
    now: Timestamp,
    out: &mut Out,
) -> Result<Outcome, Failure> {
    in_form_asked(config, &make(config, query, None, now)?, out)
}

/// Prints a report in the form that was asked for.
pub(super) fn in_form_asked(config: &Config, report: &Report, out: &mut Out) -> Result<Outcome, Failure> {
    let form = if out.json { Form::Json } else { Form::Text };
    print(config, report, &[form], out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_that_is_not_known_is_refused_by_name() {
        let refused = formats(&["text".into(), "pdf".into()], false).expect_err("pdf");
        assert!(matches!(&refused, Failure::Usage(text) if text.contains("pdf")), "{refused}");
        assert_eq!(formats(&[], true).expect("form"), [Form::Json]);
        let all = ["text", "html", "json", "csv"].map(str::to_owned);
        assert_eq!(formats(&all, false).expect("forms"), [Form::Text, Form::Html, Form::Json, Form::Csv]);
    }
}
