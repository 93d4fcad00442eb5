//! The report as one page of HTML that needs nothing else: no script, no other file.
//!
//! The same words in the same order as the text; every code leads to its meaning at the end.

use jiff::tz::TimeZone;

use super::charts;
use super::codes::CODES;
use super::markup::{Markup, SHAPES, outline};
use super::phrases::{Group, Told, hour, is_loss, standing};
use super::value::{FindingLine, FindingState, Report, VehicleLine, Verdict};
use super::words::{count, megabytes, sentence};

/// The only style.
const STYLE: &str = include_str!("page.css");

/// Findings shown of one vehicle.
const MOST: usize = 20;

/// The whole page.
pub fn render(report: &Report, zone: &TimeZone) -> String {
    let mut page = Page { told: Told { report, zone }, to: Markup::default(), codes: Vec::new() };
    page.head();
    page.needs_you();
    page.safe();
    page.fleet();
    page.air();
    page.not_home();
    page.known_since();
    page.other_findings();
    page.meanings();
    page.to.raw("</main>\n</body>\n</html>\n");
    page.to.end()
}

struct Page<'r> {
    told: Told<'r>,
    to: Markup,
    /// Known codes that appear on the page.
    codes: Vec<&'static str>,
}

impl Page<'_> {
    fn head(&mut self) {
        let (depot, span) = (&self.told.report.depot, self.told.span());
        self.to.raw(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
             <meta name=\"referrer\" content=\"no-referrer\">\n",
        );
        self.to.raw("<title>").text(depot).text(", ").element("", &span, "</title>");
        self.to.raw("<style>\n").raw(STYLE).raw("</style>\n</head>\n<body>\n").raw(SHAPES).raw("<main>\n");
        self.to.element("<h1>", depot, "</h1>");
        self.to.raw("<p class=\"muted\">").text(&span).text(", as of ").text(&self.told.as_of());
        if let Some(made) = self.told.made() {
            self.to.text(". ").text(made);
        }
        self.to.raw("</p>\n<p class=\"lead\">");
        for said in self.told.sentences() {
            if said.loss {
                self.to.loss().raw("<strong class=\"loss\">").text(&said.text).raw("</strong> ");
            } else {
                self.to.prose(&said.text).raw(" ");
            }
        }
        self.to.raw("</p>\n").element("<p>", &self.told.home(), "</p>");
        let roll = self.told.roll();
        self.to.raw(if roll.is_empty() { "" } else { "<ul class=\"roll\">\n" });
        for row in &roll {
            self.to.raw("<li>").mark(row.verdict).raw(" ").text(row.verdict.words()).raw(": ");
            for (nth, vehicle) in row.named.iter().enumerate() {
                let place = self.place(vehicle);
                self.to.raw(if nth == 0 { "" } else { ", " }).raw("<a href=\"#v").text(&place).raw("\">");
                self.to.text(&vehicle.id).raw("</a>");
            }
            if let Some(rest) = row.rest() {
                self.to.raw(if row.named.is_empty() { "" } else { ", " }).text(&rest);
            }
            self.to.raw("</li>\n");
        }
        self.to.raw(if roll.is_empty() { "" } else { "</ul>\n" });
    }

    /// A vehicle's place in the list, by which the head leads to its row.
    fn place(&self, vehicle: &VehicleLine) -> String {
        let place = self.told.report.vehicles.iter().position(|v| v.id == vehicle.id);
        place.unwrap_or_default().to_string()
    }

    fn needs_you(&mut self) {
        let groups = self.told.groups(FindingLine::needs_person);
        if !groups.is_empty() {
            self.to.raw("<h2>Needs you</h2>\n");
        }
        for group in &groups {
            self.group(group);
        }
        let snoozed = self.told.snoozed();
        for (nth, (who, code, until)) in snoozed.iter().enumerate() {
            self.to
                .raw(if nth == 0 { "<p class=\"small muted\">Snoozed: " } else { "; " })
                .text(who)
                .raw(" (");
            self.code(code);
            self.to.raw(")").text(until);
        }
        self.to.raw(if snoozed.is_empty() { "" } else { ".</p>\n" });
    }

    /// Who, what is, what to do.
    fn group(&mut self, group: &Group<'_>) {
        self.to.raw("<section class=\"group\">\n<h3>");
        match group.vehicle {
            Some(vehicle) => {
                self.to.text(&vehicle.id).raw("<br><span class=\"small muted\">").mark(vehicle.verdict);
                self.to.raw(" ").text(vehicle.verdict.words()).raw("</span>");
            }
            None => {
                self.to.raw("The depot");
            }
        }
        self.to.raw("</h3>\n<div>\n");
        for finding in group.findings.iter().take(MOST) {
            self.to.raw("<p class=\"cause\">");
            if is_loss(finding) {
                self.to.loss();
            }
            self.to.prose(&group.cause(finding)).raw("</p>\n");
            if finding.state != FindingState::Gone {
                self.to.raw("<p>");
                if let Some(explains) = self.told.explains(finding) {
                    self.to.text(&explains).raw(" ");
                }
                self.to.prose(&sentence(&finding.action)).raw("</p>\n");
            }
            self.to.raw("<p class=\"small muted\">");
            self.code(&finding.code);
            if finding.state != FindingState::Gone {
                self.to.text(", ").text(&standing(finding));
            }
            self.to.raw("</p>\n");
        }
        if group.findings.len() > MOST {
            let more = format!("And {} more: ", group.findings.len() - MOST);
            self.to.raw("<p>").text(&more).raw("<code>yarder report --format json</code></p>\n");
        }
        self.to.raw("</div>\n</section>\n");
    }

    /// A code, leading to its meaning where there is one.
    fn code(&mut self, code: &str) {
        match CODES.iter().find(|(known, _)| *known == code) {
            Some((known, _)) => {
                self.codes.push(known);
                self.to.raw("<a href=\"#code-").raw(known).raw("\">").raw(known).raw("</a>");
            }
            None => {
                self.to.text(code);
            }
        }
    }

    fn safe(&mut self) {
        self.to.raw("<h2>Is the data safe?</h2>\n<dl class=\"facts\">\n");
        for (what, how) in self.told.safe() {
            self.to.element("<dt>", &what, "</dt>").element("<dd>", &how, "</dd>");
        }
        self.to.raw("</dl>\n");
        let (all, more) = charts::fills(&self.told);
        self.to.charts(&all);
        if let Some(more) = more {
            self.to.raw("<p>").text(&more).raw("<code>yarder report --format json --date ");
            self.to.text(&self.told.report.date.to_string()).raw("</code></p>\n");
        }
    }

    fn fleet(&mut self) {
        let rows = self.told.rows();
        if rows.is_empty() {
            return;
        }
        // The roles say again what the elements are: as cards, on a phone, they would lose it.
        self.to.raw(
            "<h2>Vehicles</h2>\n<table class=\"fleet\" role=\"table\">\n\
             <caption>Every vehicle: who needs attention first</caption>\n\
             <thead role=\"rowgroup\"><tr role=\"row\">\
             <th role=\"columnheader\" scope=\"col\">Vehicle</th>\
             <th role=\"columnheader\" scope=\"col\">State</th>\
             <th role=\"columnheader\" scope=\"col\">Last 14 days</th>\
             <th role=\"columnheader\" scope=\"col\" class=\"num\">Seen</th>\
             <th role=\"columnheader\" scope=\"col\" class=\"num\">Fetched, MB</th>\
             <th role=\"columnheader\" scope=\"col\" class=\"num\">Waiting, MB</th>\
             <th role=\"columnheader\" scope=\"col\" class=\"num\">Data until</th>\
             <th role=\"columnheader\" scope=\"col\">Note</th></tr></thead>\n<tbody role=\"rowgroup\">\n",
        );
        for vehicle in &rows {
            self.row(vehicle);
        }
        self.to.raw("</tbody>\n</table>\n");
        self.key(&rows);
    }

    fn row(&mut self, vehicle: &VehicleLine) {
        let place = self.place(vehicle);
        self.to.raw("<tr role=\"row\" id=\"v").text(&place).raw("\">");
        self.to.raw("<th role=\"rowheader\" scope=\"row\">").text(&vehicle.id);
        self.to.raw("</th><td role=\"cell\" class=\"state\">").mark(vehicle.verdict).raw(" ");
        self.to.text(vehicle.verdict.words());
        if vehicle.files.lost > 0 {
            self.to.raw(" ").loss();
        }
        self.to.raw("</td><td role=\"cell\" class=\"strip-cell\">");
        if !vehicle.strip.is_empty() {
            let words = self.told.strip(vehicle);
            self.to.strip(&vehicle.strip, &words);
        }
        if let Some(hours) = &vehicle.hours {
            let words = self.told.hours(vehicle);
            self.to.hours(&hours.each, &words);
        }
        self.to.raw("</td>");
        let size = |n: u64| if n == 0 { "–".to_owned() } else { megabytes(n) };
        let clock = |at: Option<_>, none: &str| at.map_or(none.to_owned(), |at| self.told.clock(at));
        let cells = [
            ("Seen", clock(vehicle.last_seen, "never")),
            ("Fetched, MB", size(vehicle.bytes.archived)),
            ("Waiting, MB", size(vehicle.bytes.to_fetch)),
            ("Data until", clock(vehicle.data_until, "unknown")),
        ];
        for (label, text) in cells {
            self.to
                .raw("<td role=\"cell\" class=\"num time\"><span class=\"label\" aria-hidden=\"true\">")
                .raw(label);
            self.to.raw("</span>").text(&text).raw("</td>");
        }
        let note = self.told.note(vehicle);
        self.to.element("<td role=\"cell\" class=\"note\">", &note, "</td></tr>");
    }

    /// The words of the shapes that stand in the strips.
    fn key(&mut self, rows: &[&VehicleLine]) {
        let days = || rows.iter().flat_map(|v| &v.strip);
        if days().next().is_none() {
            return;
        }
        self.to.raw("<p class=\"small muted key\">");
        for verdict in Verdict::ALL.into_iter().filter(|v| days().any(|d| d.verdict == Some(*v))) {
            self.to.raw("<span>").mark(verdict).raw(" ").element("", verdict.words(), "</span>");
        }
        if days().any(|d| d.verdict.is_none()) {
            self.to.raw("<span><svg class=\"mark\" aria-hidden=\"true\"><use href=\"#m-none\"/></svg> no report</span>\n");
        }
        if days().any(|d| d.lost) {
            self.to.raw(
                "<span><svg class=\"mark loss\" aria-hidden=\"true\"><use href=\"#m-lost\"/></svg> data lost</span>\n",
            );
        }
        self.to.raw("</p>\n");
        let hours = || rows.iter().filter_map(|v| v.hours.as_ref()).flat_map(|hours| hours.each.chars());
        if hours().next().is_none() {
            return;
        }
        let day = format!("The lower strip, each hour of {}: ", self.told.day(self.told.report.date));
        self.to.raw("<p class=\"small muted key\">").text(&day);
        for how in ['d', 'm', 's', '?'].into_iter().filter(|how| hours().any(|hour| hour == *how)) {
            self.to.raw("<span><svg class=\"hour\" viewBox=\"0 0 6 8\" aria-hidden=\"true\"><path fill-rule=\"evenodd\" d=\"");
            self.to.text(&outline(&how.to_string())).raw("\"/></svg> ").element("", hour(how), "</span>");
        }
        self.to.raw("</p>\n");
    }

    fn air(&mut self) {
        let rows = self.told.air();
        if rows.is_empty() {
            return;
        }
        self.to.raw(
            "<h2>On the air</h2>\n<div class=\"scroll\" role=\"region\" aria-label=\"On the air\" tabindex=\"0\">\n\
             <table class=\"air\">\n<caption>What each access point carried</caption>\n<thead><tr>\
             <th scope=\"col\">Access point</th><th scope=\"col\" class=\"num\">Answered</th>\
             <th scope=\"col\" class=\"num\">Usually</th><th scope=\"col\" class=\"num\">Delivered, MB</th>\
             <th scope=\"col\" class=\"num\">Twice, MB</th><th scope=\"col\" class=\"num\">Cuts</th>\
             </tr></thead>\n<tbody>\n",
        );
        for [name, numbers @ ..] in &rows {
            self.to.raw("<tr><th scope=\"row\">").text(name).raw("</th>");
            for number in numbers {
                self.to.raw("<td class=\"num\">").text(number).raw("</td>");
            }
            self.to.raw("</tr>\n");
        }
        let (all, more) = charts::air(&self.told);
        self.to.raw("</tbody>\n</table>\n</div>\n").charts(&all);
        if let Some(more) = more {
            self.to.element("<p>", &more, "</p>");
        }
    }

    fn not_home(&mut self) {
        let lists = self.told.not_home();
        if lists.is_empty() {
            return;
        }
        self.to.raw("<h2>Not home yet</h2>\n<div class=\"away\">\n");
        for list in lists {
            self.to.element("<p>", &list.text, "</p>");
            if list.names.is_empty() {
                continue;
            }
            self.to.raw("<ul class=\"list small\">\n");
            for (vehicle, path) in &list.names {
                self.to.raw("<li>").text(vehicle).raw(" ").element("", path, "</li>");
            }
            if list.more > 0 {
                let more = format!("and {} more: ", count(list.more));
                self.to.raw("<li>").text(&more).raw("<code>yarder files</code></li>\n");
            }
            self.to.raw("</ul>\n");
        }
        self.to.raw("</div>\n");
    }

    fn known_since(&mut self) {
        let corrections = self.told.corrections();
        if !corrections.is_empty() {
            self.to.raw("<h2>Known since the last report</h2>\n<dl class=\"facts\">\n");
            for (who, text) in &corrections {
                self.to.element("<dt>", who, "</dt>").element("<dd>", text, "</dd>");
            }
            self.to.raw("</dl>\n");
        }
        let blind = self.told.blind();
        if !blind.is_empty() {
            self.to.raw("<h2>What Yarder could not see</h2>\n");
            for text in &blind {
                self.to.element("<p>", text, "</p>");
            }
        }
    }

    fn other_findings(&mut self) {
        let there = |f: &FindingLine| {
            f.severity != "act" && !matches!(f.state, FindingState::Gone | FindingState::Snoozed)
        };
        let watch = self.told.groups(there);
        if !watch.is_empty() {
            self.to.raw("<h2>Worth a look</h2>\n");
        }
        for group in &watch {
            self.group(group);
        }
        let gone = self.told.groups(|f| f.state == FindingState::Gone);
        if !gone.is_empty() {
            self.to.raw("<h2>No longer so</h2>\n");
        }
        for group in &gone {
            self.group(group);
        }
    }

    fn meanings(&mut self) {
        self.codes.sort_unstable();
        self.codes.dedup();
        if self.codes.is_empty() {
            return;
        }
        self.to.raw("<h2>What the codes mean</h2>\n<dl class=\"facts small\">\n");
        for (code, text) in CODES.iter().filter(|(code, _)| self.codes.contains(code)) {
            self.to.raw("<dt id=\"code-").raw(code).raw("\">").element("", code, "</dt>");
            self.to.raw("<dd>").prose(text).raw("</dd>\n");
        }
        self.to.raw("</dl>\n");
    }
}
