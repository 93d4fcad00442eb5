//! The report as text of 80 columns: what needs a person first, then the proof, then the rest.

use jiff::tz::TimeZone;

use super::value::{FindingLine, FindingState, NotHomeLine, Report, VehicleLine, Verdict};
use super::words::{Glyphs, age, cell, count, moment, of, plain, size, wrap};

/// Widest line.
const WIDTH: usize = 80;
/// Findings shown of one vehicle, and of one list.
const MOST: usize = 6;
/// Files that are not home, and vehicles with old stock, that are named.
const NAMED: usize = 5;
const OLD_STOCK_NAMED: usize = 3;

/// The whole page; ends with a line break.
pub fn render(report: &Report, zone: &TimeZone, glyphs: Glyphs) -> String {
    let mut page = Page { report, zone, glyphs, out: String::new() };
    page.head();
    page.first_sentences();
    page.needs_you();
    page.archives();
    page.table();
    page.not_home();
    page.other_findings();
    page.out
}

struct Page<'r> {
    report: &'r Report,
    zone: &'r TimeZone,
    glyphs: Glyphs,
    out: String,
}

impl Page<'_> {
    fn line(&mut self, text: &str) {
        self.out.push_str(text.trim_end());
        self.out.push('\n');
    }

    fn heading(&mut self, text: &str) {
        self.line("");
        let text = self.glyphs.bold(text);
        self.line(&text);
    }

    /// Words behind a first column, the following lines set in.
    fn item(&mut self, first: &str, set_in: usize, text: &str) {
        for (nth, line) in wrap(text, WIDTH - set_in).iter().enumerate() {
            let lead = if nth == 0 { first } else { "" };
            let gap = set_in.saturating_sub(lead.chars().count());
            self.line(&format!("{lead}{:gap$}{line}", ""));
        }
    }

    fn head(&mut self) {
        let (from, to) = (self.report.date, self.report.to.to_zoned_datetime(self.zone.clone()).date());
        let long = "%a %-d %b %Y";
        let first = match (from.year() == to.year(), from.month() == to.month()) {
            (true, true) => "%a %-d",
            (true, false) => "%a %-d %b",
            _ => long,
        };
        let as_of = self.report.as_of.to_zoned_datetime(self.zone.clone());
        let near = self.report.as_of >= self.report.from && self.report.as_of <= self.report.to;
        let as_of = as_of.strftime(if near { "%H:%M" } else { "%a %-d %b %H:%M" });
        let name = self.glyphs.bold(&plain(&self.report.depot));
        let dot = self.glyphs.dot();
        let line = format!("{name} {dot} {} to {}, as of {as_of}", from.strftime(first), to.strftime(long));
        self.line(&line);
        if self.report.made_afterwards() {
            self.line("Made afterwards: what came home since that day counts as home.");
        }
    }

    /// What matters most, then the verdicts, then what came home.
    fn first_sentences(&mut self) {
        let totals = &self.report.totals;
        let need = self.report.vehicles.iter().filter(|v| v.needs_person()).count() as u64;
        let calm = |verdict: Verdict| {
            let fits = |v: &&VehicleLine| v.verdict == verdict && !v.needs_person();
            self.report.vehicles.iter().filter(fits).count() as u64
        };
        let mut said = Vec::new();
        if totals.files_lost > 0 {
            let was = if totals.files_lost == 1 { "was" } else { "were" };
            said.push(format!("{} {} {was} lost.", self.glyphs.loss(), of(totals.files_lost, "file")));
        }
        if self.report.findings.iter().any(FindingLine::needs_person) {
            said.push("The depot itself needs you.".to_owned());
        }
        if totals.vehicles == 0 {
            said.push("No vehicle is in the list.".to_owned());
        } else if totals.complete == totals.vehicles {
            said.push(match totals.vehicles {
                1 => "The vehicle is complete.".to_owned(),
                2 => "Both vehicles complete.".to_owned(),
                n => format!("All {} vehicles complete.", count(n)),
            });
        } else if totals.not_seen == totals.vehicles {
            let since = moment(self.report.from, self.report.from, self.zone);
            said.push(format!("No vehicle was seen since {since} (of {}).", count(totals.vehicles)));
        } else {
            said.push(match (totals.complete, totals.vehicles) {
                (_, 1) => "The vehicle is not complete.".to_owned(),
                (0, n) => format!("None of {} vehicles complete.", count(n)),
                (some, n) => format!("{} of {} vehicles complete.", count(some), count(n)),
            });
        }
        if need > 0 && totals.not_seen == totals.vehicles {
            said.push("What was found before still needs you.".to_owned());
        } else if need > 0 && totals.vehicles == 1 {
            said.push("It needs you.".to_owned());
        } else if need > 0 {
            said.push(format!("{} {} you.", count(need), if need == 1 { "needs" } else { "need" }));
        }
        if totals.not_seen < totals.vehicles {
            for (n, text) in [(calm(Verdict::Incomplete), "incomplete"), (calm(Verdict::NotSeen), "not seen")]
            {
                if n > 0 && totals.vehicles > 1 {
                    said.push(format!("{} {text}.", count(n)));
                }
            }
            if !self.report.needs_person() {
                said.push("Nothing needs you.".to_owned());
            }
        }
        let mut home = match totals.files_archived {
            0 => "No file came home yet".to_owned(),
            n => format!("{} in {} came home", size(totals.bytes_archived), of(n, "file")),
        };
        home += if totals.files_lost == 0 { "; nothing lost" } else { "" };
        if totals.bytes_delivered > 0 {
            home += &match (totals.cuts, totals.bytes_fetched_twice) {
                (0, 0) => "; no transfer was cut".to_owned(),
                (cuts, twice) => format!("; {} fetched twice over {}", size(twice), of(cuts, "cut")),
            };
        }
        if totals.duplicates_avoided > 0 {
            home += &format!("; {} known already", of(totals.duplicates_avoided, "file"));
        }
        self.line("");
        self.item("", 0, &said.join(" "));
        self.item("", 0, &(home + "."));
    }

    fn needs_you(&mut self) {
        if !self.report.needs_person() {
            return;
        }
        self.heading("Needs you");
        let report = self.report;
        let depot = report.findings.iter().filter(|f| f.needs_person());
        self.findings(&" ".repeat(2), "the depot", depot.collect());
        for vehicle in report.vehicles.iter().filter(|v| v.needs_person()) {
            let mark = format!("{} ", self.glyphs.mark(vehicle.verdict));
            let list = vehicle.findings.iter().filter(|f| f.needs_person());
            self.findings(&mark, &vehicle.id, list.collect());
        }
    }

    /// Who, what is, what to do; at most [`MOST`] of one.
    fn findings(&mut self, mark: &str, who: &str, list: Vec<&FindingLine>) {
        const SET_IN: usize = 13;
        for (nth, finding) in list.iter().take(MOST).enumerate() {
            let first = if nth == 0 { format!("{mark}{} ", plain(who)) } else { String::new() };
            let cause = sentence(&finding.cause);
            if first.chars().count() > SET_IN {
                self.line(&first);
                self.item("", SET_IN, &cause);
            } else {
                self.item(&first, SET_IN, &cause);
            }
            let code = format!("({}, {})", plain(&finding.code), age(finding.days));
            self.item("", SET_IN, &format!("{} {code}", sentence(&finding.action)));
        }
        if list.len() > MOST {
            let more = format!("And {} more: yarder report --format json", list.len() - MOST);
            self.item("", SET_IN, &more);
        }
    }

    fn archives(&mut self) {
        self.heading("Archives");
        for archive in &self.report.archives {
            let waits = match archive.files_waiting {
                0 => "has everything".to_owned(),
                n => {
                    let wait = if n == 1 { "waits" } else { "wait" };
                    let bytes = size(archive.bytes_waiting);
                    format!("{}, {bytes}, {wait} for it in the spool", of(n, "file"))
                }
            };
            let optional = if archive.required { "" } else { " (not required)" };
            self.item(&format!("  {} ", archive.name), 13, &format!("{waits}{optional}"));
        }
    }

    fn table(&mut self) {
        if self.report.vehicles.is_empty() {
            return;
        }
        let longest = self.report.vehicles.iter().map(|v| v.id.chars().count()).max().unwrap_or(0);
        let width = longest.clamp(8, 20);
        let head = format!(
            "  {:<width$}  {:<10}  {:>9}  {:>9}  {:>9}  {:>10}",
            "Vehicle", "state", "seen", "came home", "to come", "data until"
        );
        self.heading(&head);
        let mut rows: Vec<&VehicleLine> = self.report.vehicles.iter().collect();
        // Who needs attention first; within that the order of the list.
        rows.sort_by_key(|v| {
            let rank = match v.verdict {
                Verdict::Incomplete => 0,
                Verdict::NoData => 1,
                Verdict::NotSeen => 2,
                Verdict::Unknown => 3,
                Verdict::Elsewhere => 4,
                Verdict::Complete => 5,
                Verdict::Away => 6,
            };
            (!v.needs_person(), v.files.lost == 0, rank)
        });
        for vehicle in rows {
            self.row(vehicle, width);
        }
    }

    fn row(&mut self, vehicle: &VehicleLine, width: usize) {
        let clock = |at| moment(at, self.report.as_of, self.zone);
        let dash = || "-".to_owned();
        let lost = if vehicle.files.lost > 0 { self.glyphs.loss() } else { " " };
        let to_come = match vehicle.bytes.to_fetch {
            0 => dash(),
            n => size(n),
        };
        let line = format!(
            "{}{lost}{}  {:<10}  {:>9}  {:>9}  {:>9}  {:>10}",
            self.glyphs.mark(vehicle.verdict),
            cell(&plain(&vehicle.id), width),
            vehicle.verdict.words(),
            vehicle.last_seen.map_or("never".to_owned(), clock),
            if vehicle.bytes.archived == 0 { dash() } else { size(vehicle.bytes.archived) },
            to_come,
            vehicle.data_until.map_or("unknown".to_owned(), clock),
        );
        self.line(&line);
        let why = reasons(vehicle);
        if !why.is_empty() {
            self.item("", 4, &why.join("; "));
        }
    }

    fn not_home(&mut self) {
        let sum = |f: fn(&VehicleLine) -> u64| {
            let all: Vec<u64> = self.report.vehicles.iter().map(f).filter(|n| *n > 0).collect();
            (all.iter().sum::<u64>(), all.len() as u64)
        };
        let named = |open: bool| -> Vec<String> {
            let of_sort = self.report.not_home.iter().filter(|f| f.open == open);
            let name = |f: &NotHomeLine| format!("{}  {}", plain(&f.vehicle), plain(&f.path));
            of_sort.take(NAMED).map(name).collect()
        };
        let (closed, on) = sum(|v| v.files.listed);
        let (bytes, _) = sum(|v| v.bytes.to_fetch);
        let (open, writing) = sum(|v| v.files.open);
        let (old, with_old) = sum(|v| v.files.backlog);
        let (old_bytes, _) = sum(|v| v.bytes.backlog);
        let mut lines: Vec<(String, Vec<String>, u64)> = Vec::new();
        if closed > 0 {
            let text = format!(
                "{}, {}, on {}: not fetched yet.",
                of(closed, "closed file"),
                size(bytes),
                of(on, "vehicle")
            );
            lines.push((text, named(false), closed));
        }
        if open > 0 {
            let text = format!(
                "{} on {}: may still be written, and fetched once closed.",
                of(open, "file"),
                of(writing, "vehicle")
            );
            lines.push((text, named(true), open));
        }
        if old > 0 {
            let have = self.report.vehicles.iter().filter(|v| v.files.backlog > 0);
            let mut on: Vec<String> = have.map(|v| plain(&v.id)).take(OLD_STOCK_NAMED).collect();
            if with_old > on.len() as u64 {
                on.push(format!("{} more", with_old - on.len() as u64));
            }
            let text = format!(
                "Old stock: {}, {}, on {}, from before Yarder first met the logger; fetched when nothing new waits.",
                of(old, "file"),
                size(old_bytes),
                on.join(", ")
            );
            lines.push((text, Vec::new(), 0));
        }
        if !lines.is_empty() {
            self.heading("Not home yet");
            for (line, names, all) in lines {
                self.item("", 2, &line);
                for name in &names {
                    self.line(&format!("    {}", cell(name, WIDTH - 4)));
                }
                if !names.is_empty() && all > names.len() as u64 {
                    self.line(&format!("    and {} more: yarder files", count(all - names.len() as u64)));
                }
            }
        }
    }

    fn other_findings(&mut self) {
        let report = self.report;
        let depot = report.findings.iter().map(|f| ("the depot", f));
        let own = report.vehicles.iter().flat_map(|v| v.findings.iter().map(|f| (v.id.as_str(), f)));
        let all: Vec<_> = depot.chain(own).collect();
        let watch: Vec<_> =
            all.iter().filter(|(_, f)| f.severity != "act" && f.state != FindingState::Gone).collect();
        if !watch.is_empty() {
            self.heading("Worth a look");
            for (who, finding) in watch.iter().take(2 * MOST) {
                self.findings("  ", who, vec![finding]);
            }
            self.more(watch.len(), 2 * MOST);
        }
        let gone: Vec<_> = all.iter().filter(|(_, f)| f.state == FindingState::Gone).collect();
        if !gone.is_empty() {
            self.heading("No longer so");
            for (who, finding) in gone.iter().take(2 * MOST) {
                let text = format!("{} ({})", sentence(&finding.cause), plain(&finding.code));
                self.item(&format!("  {} ", plain(who)), 13, &text);
            }
            self.more(gone.len(), 2 * MOST);
        }
    }

    fn more(&mut self, all: usize, shown: usize) {
        if all > shown {
            self.item("", 13, &format!("And {} more: yarder report --format json", all - shown));
        }
    }
}

/// Why a vehicle is not complete, beside its findings.
fn reasons(vehicle: &VehicleLine) -> Vec<String> {
    let mut why = Vec::new();
    let files = &vehicle.files;
    if files.lost > 0 {
        why.push(format!("{} lost before {} fetched", of(files.lost, "file"), was(files.lost)));
    }
    if files.listed > 0 {
        why.push(format!("{} not fetched yet", of(files.listed, "file")));
    }
    if files.whole > 0 {
        why.push(format!("{} in the spool, not in every archive yet", of(files.whole, "file")));
    }
    if files.held > 0 {
        why.push(format!("{} held: yarder held", of(files.held, "file")));
    }
    if vehicle.loggers.is_empty() {
        why.push("no logger is listed for it".to_owned());
    }
    for logger in &vehicle.loggers {
        let id = plain(&logger.id);
        if logger.verdict == Verdict::NotSeen && vehicle.loggers.len() > 1 {
            why.push(format!("logger {id} not seen"));
        }
        if logger.verdict == Verdict::Incomplete && !logger.listing_whole {
            why.push(format!("no listing of logger {id} could be read to its end"));
        }
    }
    why
}

fn was(n: u64) -> &'static str {
    if n == 1 { "it was" } else { "they were" }
}

/// With an end mark, and harmless.
fn sentence(text: &str) -> String {
    let text = plain(text.trim());
    if text.ends_with(['.', '?', '!']) || text.is_empty() { text } else { text + "." }
}
