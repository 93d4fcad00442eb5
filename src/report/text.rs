//! The report as text of 80 columns: what needs a person first, then the proof, then the rest.

use jiff::tz::TimeZone;

use super::phrases::{Group, Told, hour, is_loss, standing};
use super::value::{FindingLine, FindingState, Report, StripDay, VehicleLine, Verdict};
use super::words::{Glyphs, cell, columns, count, megabytes, plain, sentence, wrap};

/// Widest line.
const WIDTH: usize = 80;
/// Findings shown of one vehicle, and twice as many of one list.
const MOST: usize = 6;
/// Where words behind a name begin.
const SET_IN: usize = 13;
/// Longest name of a vehicle in the head.
const NAME: usize = 24;
/// Days of a strip.
const DAYS: usize = 14;

/// The whole page; ends with a line break.
pub fn render(report: &Report, zone: &TimeZone, glyphs: Glyphs) -> String {
    let mut page = Page { told: Told { report, zone }, glyphs, out: String::new() };
    page.head();
    page.needs_you();
    page.safe();
    page.table();
    page.hours();
    page.air();
    page.not_home();
    page.known_since();
    page.other_findings();
    page.foot();
    page.out
}

struct Page<'r> {
    told: Told<'r>,
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
        let mut lead = first;
        if columns(first) > set_in {
            self.line(first);
            lead = "";
        }
        for line in wrap(text, WIDTH - set_in) {
            let gap = set_in.saturating_sub(columns(lead));
            self.line(&format!("{lead}{:gap$}{line}", ""));
            lead = "";
        }
    }

    fn head(&mut self) {
        let name = self.glyphs.bold(&plain(&self.told.report.depot));
        let dot = self.glyphs.dot();
        self.line(&format!("{name} {dot} {}, as of {}", self.told.span(), self.told.as_of()));
        if let Some(made) = self.told.made() {
            self.line(made);
        }
        self.line("");
        let sentences = self.told.sentences().into_iter().map(|s| match s.loss {
            true => format!("{} {}", self.glyphs.loss(), s.text),
            false => s.text,
        });
        let said = sentences.collect::<Vec<_>>().join(" ");
        self.item("", 0, &said);
        self.item("", 0, &self.told.home());
        let roll = self.told.roll();
        if !roll.is_empty() {
            self.line("");
        }
        for row in roll {
            let name = |v: &&VehicleLine| {
                let name = plain(&v.id);
                if columns(&name) > NAME { cell(&name, NAME) } else { name }
            };
            let names: Vec<String> = row.named.iter().map(name).chain(row.rest()).collect();
            let first = format!("{} {} ", self.glyphs.mark(row.verdict), row.verdict.words());
            self.item(&first, SET_IN, &names.join(", "));
        }
    }

    fn needs_you(&mut self) {
        let groups = self.told.groups(FindingLine::needs_person);
        let snoozed = self.told.snoozed();
        if !groups.is_empty() {
            self.heading("Needs you");
        } else if !snoozed.is_empty() {
            self.line("");
        }
        for group in &groups {
            self.group(group);
        }
        if !snoozed.is_empty() {
            let one = |(who, code, until): &(String, &str, String)| format!("{who} ({}){until}", plain(code));
            let all: Vec<String> = snoozed.iter().map(one).collect();
            self.item("  ", 2, &format!("Snoozed: {}.", all.join("; ")));
        }
    }

    /// Who, what is, what to do; at most [`MOST`] of one.
    fn group(&mut self, group: &Group<'_>) {
        let state = group.vehicle.map_or(" ", |v| self.glyphs.mark(v.verdict));
        for (nth, finding) in group.findings.iter().take(MOST).enumerate() {
            let loss = if is_loss(finding) { self.glyphs.loss() } else { " " };
            let first = match nth {
                0 => format!("{state}{loss}{} ", group.who()),
                _ => format!(" {loss}"),
            };
            self.item(&first, SET_IN, &group.cause(finding));
            let mut what = sentence(&finding.action);
            if let Some(explains) = self.told.explains(finding) {
                what = format!("{explains} {what}");
            }
            let code = format!("({}, {})", plain(&finding.code), standing(finding));
            self.item("", SET_IN, &format!("{what} {code}"));
        }
        self.more(group.findings.len(), MOST);
    }

    fn safe(&mut self) {
        self.heading("Is the data safe?");
        for (what, how) in self.told.safe() {
            self.item(&format!("  {what} "), SET_IN, &how);
        }
    }

    fn table(&mut self) {
        let rows = self.told.rows();
        if rows.is_empty() {
            return;
        }
        let longest = rows.iter().map(|v| v.id.chars().count()).max().unwrap_or(0);
        let width = longest.clamp(8, 14);
        // With short names there is room for wider gaps.
        let gap = if width <= 12 { "  " } else { " " };
        let row = |cells: [&str; 7]| {
            let [id, state, strip, seen, fetched, waiting, until] = cells;
            let days = DAYS;
            format!(
                "{id:<width$}{gap}{state:<10}{gap}{strip:<days$} {seen:>9} {fetched:>8} {waiting:>8} {until:>9}"
            )
        };
        let mut marks: Vec<Verdict> = Vec::new();
        let (mut lost, mut none) = (false, false);
        self.heading(&format!(
            "  {}",
            row(["Vehicle", "state", "last 14 days", "seen", "fetched", "waiting", "data"])
        ));
        let units = self.glyphs.bold(&format!("  {}", row(["", "", "", "", "MB", "MB", "until"])));
        self.line(&units);
        // Neighbours with the same note share it.
        let mut notes = rows.iter().map(|v| self.told.note(v)).collect::<Vec<_>>().into_iter().peekable();
        let mut alike = 0;
        for vehicle in rows {
            let id = cell(&plain(&vehicle.id), width);
            let dash = |n: u64| if n == 0 { "-".to_owned() } else { megabytes(n) };
            let clock = |at: Option<_>, none: &str| at.map_or(none.to_owned(), |at| self.told.clock(at));
            let strip: String = vehicle.strip.iter().rev().take(DAYS).rev().map(|d| self.day(d)).collect();
            let waiting = vehicle.bytes.to_fetch;
            let cells = row([
                &id,
                vehicle.verdict.words(),
                &format!("{strip:>DAYS$}"),
                &clock(vehicle.last_seen, "never"),
                &dash(vehicle.bytes.archived),
                &dash(waiting),
                &clock(vehicle.data_until, "unknown"),
            ]);
            let mark = self.glyphs.mark(vehicle.verdict);
            let loss = if vehicle.files.lost > 0 { self.glyphs.loss() } else { " " };
            self.line(&format!("{mark}{loss}{cells}"));
            let note = notes.next().unwrap_or_default();
            alike += 1;
            if notes.peek() != Some(&note) {
                let these = if alike > 1 { format!("these {alike}: ") } else { String::new() };
                let text = if note.is_empty() { note } else { these + &note };
                self.item("", 4, &text);
                alike = 0;
            }
            marks.push(vehicle.verdict);
            marks.extend(vehicle.strip.iter().filter(|d| !d.lost).filter_map(|d| d.verdict));
            lost |= vehicle.files.lost > 0 || vehicle.strip.iter().any(|d| d.lost);
            none |= vehicle.strip.iter().any(|d| d.verdict.is_none() && !d.lost);
        }
        if self.told.report.vehicles.iter().all(|v| v.strip.is_empty()) {
            return;
        }
        marks.sort_unstable();
        marks.dedup();
        let mut key: Vec<String> =
            marks.iter().map(|v| format!("{} {}", self.glyphs.mark(*v), v.words())).collect();
        key.extend(lost.then(|| format!("{} data lost", Glyphs { colours: false, ..self.glyphs }.loss())));
        key.extend(none.then(|| format!("{} no report", self.glyphs.none())));
        self.item("  ", 2, &key.join(", "));
    }

    /// The hours of those that drove without a log.
    fn hours(&mut self) {
        let lacks = |v: &&VehicleLine| v.hours.as_ref().is_some_and(|hours| hours.each.contains('m'));
        let rows: Vec<&VehicleLine> = self.told.rows().into_iter().filter(lacks).collect();
        if rows.is_empty() {
            return;
        }
        let glyphs = Glyphs { colours: false, ..self.glyphs };
        let mark = |how: char| match how {
            'd' => glyphs.mark(Verdict::Complete),
            'm' => glyphs.mark(Verdict::NotSeen),
            's' => glyphs.none(),
            _ => glyphs.mark(Verdict::Unknown),
        };
        self.heading(&format!("  Driven without a log, hours of {}", self.told.day(self.told.report.date)));
        for vehicle in rows {
            let each = vehicle.hours.as_ref().map_or("", |hours| &hours.each);
            let strip: String = each.chars().map(mark).collect();
            let words = self.told.hours(vehicle);
            let only = words.split("; ").filter(|words| words.starts_with(hour('m'))).collect::<Vec<_>>();
            self.item(
                &format!("  {} ", cell(&plain(&vehicle.id), 12)),
                16,
                &format!("{strip} {}", only.join("; ")),
            );
        }
        let key = ['d', 'm', 's', '?'].map(|how| format!("{} {}", mark(how), hour(how)));
        self.item("  ", 2, &key.join(", "));
    }

    /// A day's mark in a strip; a loss takes the place of the state.
    fn day(&self, day: &StripDay) -> &'static str {
        let bare = Glyphs { colours: false, ..self.glyphs };
        match day.verdict {
            _ if day.lost => bare.loss(),
            Some(verdict) => bare.mark(verdict),
            None => bare.none(),
        }
    }

    fn air(&mut self) {
        let rows = self.told.air();
        if rows.is_empty() {
            return;
        }
        let row = |cells: [&str; 6]| {
            let [name, answered, usual, delivered, twice, cuts] = cells;
            let name = cell(name, 16);
            format!("  {name}  {answered:>12}  {usual:>7}  {delivered:>9}  {twice:>9}  {cuts:>6}")
        };
        let head = row(["On the air", "answered", "usually", "delivered", "twice", "cuts"]);
        self.heading(&head);
        let units = self.glyphs.bold(&row(["", "", "", "MB", "MB", ""]));
        self.line(&units);
        for cells in &rows {
            let line = row(cells.each_ref().map(String::as_str));
            self.line(&line);
        }
    }

    fn not_home(&mut self) {
        let lists = self.told.not_home();
        if lists.is_empty() {
            return;
        }
        self.heading("Not home yet");
        for list in lists {
            self.item("", 2, &list.text);
            for (vehicle, path) in list.names {
                self.line(&format!("    {}", cell(&format!("{vehicle}  {path}"), WIDTH - 4)));
            }
            if list.more > 0 {
                self.line(&format!("    and {} more: yarder files", count(list.more)));
            }
        }
    }

    fn known_since(&mut self) {
        let corrections = self.told.corrections();
        if !corrections.is_empty() {
            self.heading("Known since the last report");
            for (who, text) in corrections.iter().take(4 * MOST) {
                self.item(&format!("  {who} "), SET_IN, text);
            }
            self.more(corrections.len(), 4 * MOST);
        }
        let blind = self.told.blind();
        if !blind.is_empty() {
            self.heading("What Yarder could not see");
            for text in blind.iter().take(2 * MOST) {
                self.item("", 2, text);
            }
            self.more(blind.len(), 2 * MOST);
        }
    }

    fn other_findings(&mut self) {
        let there = |f: &FindingLine| {
            f.severity != "act" && !matches!(f.state, FindingState::Gone | FindingState::Snoozed)
        };
        let watch = self.told.groups(there);
        if !watch.is_empty() {
            self.heading("Worth a look");
            for group in watch.iter().take(2 * MOST) {
                self.group(group);
            }
            self.more(watch.len(), 2 * MOST);
        }
        let gone = self.told.groups(|f| f.state == FindingState::Gone);
        if !gone.is_empty() {
            self.heading("No longer so");
            for group in gone.iter().take(2 * MOST) {
                let mut first = format!("  {} ", group.who());
                for finding in group.findings.iter().take(MOST) {
                    let text = format!("{} ({})", group.cause(finding), plain(&finding.code));
                    self.item(&std::mem::take(&mut first), SET_IN, &text);
                }
                self.more(group.findings.len(), MOST);
            }
            self.more(gone.len(), 2 * MOST);
        }
    }

    fn foot(&mut self) {
        let report = self.told.report;
        if report.findings.iter().chain(report.vehicles.iter().flat_map(|v| &v.findings)).next().is_some() {
            self.line("");
            self.item("", 0, "The codes in brackets: yarder report --codes");
        }
    }

    fn more(&mut self, all: usize, shown: usize) {
        if all > shown {
            self.item("", SET_IN, &format!("And {} more: yarder report --format json", all - shown));
        }
    }
}
