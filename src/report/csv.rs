//! The report as a table for spreadsheets: a row a vehicle, as RFC 4180 has it, in UTF-8.
//!
//! A cell that a spreadsheet would take for a formula gets a `'` before it: ids and causes come from
//! people and loggers.

use jiff::Timestamp;

use super::value::{FindingLine, FindingState, Report, VehicleLine};
use super::words::plain;

/// The columns. Times are RFC 3339 in UTC, and empty where unknown; `bytes_*` are bytes, the others
/// numbers of files. `needs_person` is `yes` or `no`, `findings` the codes of what is there, with spaces.
pub const COLUMNS: [&str; 22] = [
    "depot",
    "date",
    "as_of",
    "vehicle",
    "verdict",
    "needs_person",
    "last_seen",
    "data_until",
    "files_archived",
    "files_listed",
    "files_open",
    "files_whole",
    "files_held",
    "files_lost",
    "files_backlog",
    "bytes_archived",
    "bytes_to_fetch",
    "bytes_backlog",
    "bytes_delivered",
    "bytes_fetched_twice",
    "away",
    "findings",
];

/// The whole table; every line ends with CR and LF.
pub fn render(report: &Report) -> String {
    let mut out = String::new();
    line(&mut out, &COLUMNS.map(str::to_owned));
    for vehicle in &report.vehicles {
        line(&mut out, &row(report, vehicle));
    }
    out
}

fn row(report: &Report, vehicle: &VehicleLine) -> [String; 22] {
    let time = |at: Option<Timestamp>| at.map_or(String::new(), |at| at.to_string());
    let VehicleLine { files, bytes, .. } = vehicle;
    let there = |f: &&FindingLine| f.state != FindingState::Gone;
    let mut codes: Vec<&str> = vehicle.findings.iter().filter(there).map(|f| f.code.as_str()).collect();
    let explains = |f: &&FindingLine| there(f) && f.vehicles.contains(&vehicle.id);
    codes.extend(report.findings.iter().filter(explains).map(|f| f.code.as_str()));
    codes.sort_unstable();
    codes.dedup();
    [
        report.depot.clone(),
        report.date.to_string(),
        report.as_of.to_string(),
        vehicle.id.clone(),
        vehicle.verdict.words().replace(' ', "-"),
        if vehicle.needs_person() { "yes" } else { "no" }.to_owned(),
        time(vehicle.last_seen),
        time(vehicle.data_until),
        files.archived.to_string(),
        files.listed.to_string(),
        files.open.to_string(),
        files.whole.to_string(),
        files.held.to_string(),
        files.lost.to_string(),
        files.backlog.to_string(),
        bytes.archived.to_string(),
        bytes.to_fetch.to_string(),
        bytes.backlog.to_string(),
        bytes.delivered.to_string(),
        bytes.fetched_twice.to_string(),
        vehicle.away.clone().unwrap_or_default(),
        codes.join(" "),
    ]
}

fn line(out: &mut String, cells: &[String]) {
    for (nth, cell) in cells.iter().enumerate() {
        if nth > 0 {
            out.push(',');
        }
        out.push_str(&quoted(cell));
    }
    out.push_str("\r\n");
}

/// A cell: harmless, no formula, quoted where it must be.
fn quoted(cell: &str) -> String {
    let mut text = plain(cell);
    // The full-width forms act as the plain ones do in some locales.
    let acts = ['=', '+', '-', '@', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}'];
    if text.trim_start().starts_with(acts) || cell.starts_with(['\t', '\r', '\n']) {
        text.insert(0, '\'');
    }
    if text.contains([',', '"', '\'']) || text.trim() != text {
        return format!("\"{}\"", text.replace('"', "\"\""));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_cell_can_start_a_formula() {
        for (cell, shown) in [
            ("=1+1", "\"'=1+1\""),
            ("+47", "\"'+47\""),
            ("-2+3", "\"'-2+3\""),
            ("@SUM(A1)", "\"'@SUM(A1)\""),
            ("  =1", "\"'  =1\""),
            ("\t=1", "\"'\\t=1\""),
            ("\r=1", "\"'\\r=1\""),
            ("\u{ff1d}1", "\"'\u{ff1d}1\""),
            ("PLOW-03", "PLOW-03"),
        ] {
            assert_eq!(quoted(cell), shown, "{cell:?}");
        }
    }

    #[test]
    fn cells_are_quoted_as_rfc_4180_asks_and_line_breaks_cannot_make_rows() {
        assert_eq!(quoted("a,b"), "\"a,b\"");
        assert_eq!(quoted("say \"x\""), "\"say \"\"x\"\"\"");
        assert_eq!(quoted("a\r\nb"), "a\\r\\nb");
        let mut out = String::new();
        line(&mut out, &["a".into(), "b\nc".into()]);
        assert_eq!(out, "a,b\\nc\r\n");
    }
}
