use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::sample::{best, hostile, vehicle, worst};
use super::tests::{golden, oslo};
use super::words::Glyphs;
use super::*;

const ASCII: Glyphs = Glyphs { ascii: true, colours: false };

#[test]
fn the_worst_night_reads_as_it_should_in_every_form() {
    let report = worst();
    golden("worst.txt", &text::render(&report, &oslo(), Glyphs::PLAIN));
    let ascii = text::render(&report, &oslo(), ASCII);
    assert!(ascii.is_ascii());
    golden("worst.ascii.txt", &ascii);
    golden("worst.html", &html::render(&report, &oslo()));
    // The line ends are held by another test; a checkout may turn them.
    golden("worst.csv", &csv::render(&report).replace("\r\n", "\n"));
}

#[test]
fn the_best_night_is_short() {
    let report = best();
    golden("best.txt", &text::render(&report, &oslo(), Glyphs::PLAIN));
    golden("best.html", &html::render(&report, &oslo()));
}

#[test]
fn the_first_sentence_names_the_depot_then_losses_then_vehicles() {
    let told = |report: &Report| {
        let zone = oslo();
        let told = phrases::Told { report, zone: &zone };
        told.sentences().into_iter().map(|s| (s.text, s.loss)).collect::<Vec<_>>()
    };
    let mut report = worst();
    let said = told(&report);
    assert_eq!(said[0].0, "No logger at \"west\" answered after 22:10, usually 12 do.");
    assert_eq!(said[1].0, "That explains 12 vehicles.");
    assert_eq!(said[3], ("2 files were lost.".into(), true));
    report.findings.remove(1);
    report.findings[0].severity = "watch";
    assert_eq!(told(&report)[0].0, "No logger at \"west\" answered after 22:10, usually 12 do.");
    report.findings[0].state = FindingState::Snoozed;
    assert_eq!(told(&report)[0], ("2 files were lost.".into(), true));
    report.findings.clear();
    assert_eq!(told(&report)[0], ("2 files were lost.".into(), true));
    report.totals.files_lost = 0;
    assert_eq!(told(&report)[0].0, "1 of 20 vehicles complete.");
    assert_eq!(told(&best())[0].0, "4 of 5 vehicles complete.");
    assert_eq!(told(&best()).last().expect("said").0, "Nothing needs you.");
}

#[test]
fn lines_of_the_text_fit_eighty_columns_in_the_worst_night_too() {
    let mut report = worst();
    let mut huge = vehicle(&"V".repeat(64), Verdict::Incomplete, "##############");
    huge.bytes.to_fetch = u64::MAX;
    report.vehicles.push(huge);
    for line in text::render(&report, &oslo(), Glyphs::PLAIN).lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

#[test]
fn colours_move_no_word() {
    let report = worst();
    let coloured = text::render(&report, &oslo(), Glyphs { ascii: false, colours: true });
    let bare = ["\x1b[33m", "\x1b[1m", "\x1b[0m"].iter().fold(coloured, |t, code| t.replace(code, ""));
    let plain = text::render(&report, &oslo(), Glyphs::PLAIN);
    let same = |t: &str| t.lines().map(|l| l.trim_end().to_owned()).collect::<Vec<_>>();
    assert_eq!(same(&bare), same(&plain));
}

#[test]
fn hostile_names_are_visible_text_in_every_form() {
    let report = hostile();
    let forms = [
        text::render(&report, &oslo(), Glyphs::PLAIN),
        html::render(&report, &oslo()),
        csv::render(&report).replace("\r\n", "\n"),
        words::json(&report),
    ];
    for form in &forms {
        let acts = |c: char| c != '\n' && (c.is_control() || c == '\u{202e}');
        assert!(!form.chars().any(acts), "{form}");
        assert!(form.contains("script") && form.contains("202e"), "{form}");
    }
    let page = &forms[1];
    assert!(!page.contains("<script") && !page.contains("\"&\u{27}"), "{page}");
    assert!(page.contains("&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;&#39;&amp;"));
    balanced(page);
    for line in forms[2].lines().skip(1) {
        assert!(line.starts_with("\"'=<script>"), "{line}");
    }
    assert_eq!(forms[2].lines().count(), 2);
}

/// Elements of a page in order, each closed where it was opened; returns the opening tags.
fn balanced(page: &str) -> Vec<&str> {
    let (mut open, mut all) = (Vec::new(), Vec::new());
    let body = page.split("</style>").nth(1).expect("style");
    for tag in body.split('<').skip(1).map(|part| part.split('>').next().unwrap_or_default()) {
        let name = tag.split(' ').next().unwrap_or_default();
        if let Some(closed) = tag.strip_prefix('/') {
            if closed != "head" {
                match open.pop() {
                    Some(last) => assert_eq!(last, closed),
                    None => assert_eq!(closed, "html"),
                }
            }
            continue;
        }
        all.push(tag);
        if !tag.ends_with('/') && name != "br" {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{open:?}");
    all
}

#[test]
fn the_page_is_whole_by_itself_and_its_links_lead_somewhere() {
    for report in [worst(), best()] {
        let page = html::render(&report, &oslo());
        let tags = balanced(&page);
        for outside in
            ["<script", "<link", "<img", "<iframe", "src=", "url(", "@import", "http://", "https://"]
        {
            assert!(!page.contains(outside), "{outside}");
        }
        let value = |tag: &str, name: &str| {
            let rest = tag.split_once(&format!(" {name}=\"")).map(|(_, rest)| rest.to_owned());
            rest.and_then(|rest| rest.split('"').next().map(str::to_owned))
        };
        let ids: Vec<String> = tags.iter().filter_map(|t| value(t, "id")).collect();
        assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len(), "an id twice");
        for href in tags.iter().filter_map(|t| value(t, "href")) {
            assert!(ids.iter().any(|id| href == format!("#{id}")), "{href} leads nowhere");
        }
        let levels: Vec<u8> = tags
            .iter()
            .filter(|t| t.len() > 1 && t.starts_with('h') && t.as_bytes()[1].is_ascii_digit())
            .map(|t| t.as_bytes()[1] - b'0')
            .collect();
        assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
        assert_eq!(levels[0], 1);
        assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{levels:?}");
    }
    let page = html::render(&worst(), &oslo());
    for finding in worst().vehicles.iter().flat_map(|v| &v.findings) {
        assert!(page.contains(&format!("href=\"#code-{}\"", finding.code)), "{}", finding.code);
    }
}

/// Relative luminance of `#rrggbb` (WCAG 2.2, "relative luminance").
fn luminance(colour: &str) -> f64 {
    let part = |at: usize| {
        let c = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).expect("hex")) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn every_pair_of_colours_can_be_told_apart() {
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 0.01);
    let style = include_str!("page.css");
    let mut themes = 0;
    for block in style.split(":root {").skip(1).map(|b| b.split('}').next().expect("end")) {
        let set: BTreeMap<&str, &str> =
            block.split(';').filter_map(|line| line.trim().strip_prefix("--")?.split_once(": ")).collect();
        let names: Vec<&str> = set.keys().copied().collect();
        assert_eq!(names, ["ink", "link", "loss", "muted", "paper", "rule"], "{block}");
        for (name, least) in [("ink", 7.0), ("link", 4.5), ("loss", 4.5), ("muted", 4.5), ("rule", 3.0)] {
            let found = contrast(set[name], set["paper"]);
            assert!(found >= least, "--{name}: {found:.2} in {block}");
        }
        themes += 1;
    }
    assert_eq!(themes, 3, "light, dark, paper");
    let outside = style.split('#').count() - 1;
    assert_eq!(outside, 18, "every colour is one of the six of its theme");
    let uses: BTreeSet<&str> =
        style.split("var(--").skip(1).map(|r| r.split(')').next().expect("end")).collect();
    assert_eq!(uses.len(), 6, "{uses:?}");
    let sizes: BTreeSet<&str> = style
        .split("font-size: ")
        .skip(1)
        .chain(style.split("font: ").skip(1))
        .map(|r| r.split([';', '/']).next().expect("end"))
        .collect();
    assert_eq!(sizes, ["12px", "14px", "16px", "20px", "28px"].into(), "four on the screen, 12px on paper");
}

/// Every path of a value, as `vehicles[].files.lost`; what `evidence` holds is each finding's own.
fn paths(value: &Value, at: &str, into: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) if !at.ends_with("evidence") => {
            for (name, value) in fields {
                let path = if at.is_empty() { name.clone() } else { format!("{at}.{name}") };
                paths(value, &path, into);
                into.insert(path);
            }
        }
        Value::Array(list) => list.iter().for_each(|item| paths(item, &format!("{at}[]"), into)),
        _ => {}
    }
}

#[test]
fn every_field_of_the_json_is_documented_and_no_other_is() {
    let mut report = worst();
    report.vehicles[0].findings.push(report.findings[0].clone());
    let mut found = BTreeSet::new();
    paths(&serde_json::to_value(&report).expect("json"), "", &mut found);
    // A finding of a vehicle has the fields of any finding, a proof is one of four names.
    let known = |p: &String| !p.starts_with("vehicles[].findings[].") && !p.starts_with("safety.proof.");
    found.retain(known);
    let guide = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/DEVELOPERS.md"));
    let section = guide.split("## The report as JSON").nth(1).expect("section");
    let section = section.split("\n## ").next().expect("section");
    let rows = section.lines().filter_map(|l| l.strip_prefix("| `")?.split_once("` |"));
    let documented: BTreeSet<String> = rows.map(|(path, _)| path.to_owned()).collect();
    assert_eq!(found, documented);
}

#[test]
fn every_verdict_stands_with_its_mark_in_the_table_that_people_read() {
    let guide = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md"));
    let rows: BTreeSet<&str> =
        guide.lines().filter_map(|l| Some(l.strip_prefix("| ")?.split_once(" | ")?.0)).collect();
    for verdict in Verdict::ALL {
        let row = format!("{} {}", Glyphs::PLAIN.mark(verdict), verdict.words());
        assert!(rows.contains(row.as_str()), "{row}");
    }
}

#[test]
fn who_is_due_out_next_comes_first_and_says_when() {
    let mut report = best();
    report.vehicles.truncate(4);
    // As of 05:00: 05:30 comes before 06:00, and 04:00 is tomorrow.
    for (line, leaves) in report.vehicles.iter_mut().zip([None, Some("04:00"), Some("06:00"), Some("05:30")])
    {
        line.verdict = Verdict::Incomplete;
        line.files.listed = 2;
        line.leaves = leaves.map(str::to_owned);
    }
    let zone = oslo();
    let told = phrases::Told { report: &report, zone: &zone };
    let rows: Vec<Option<&str>> = told.rows().iter().map(|v| v.leaves.as_deref()).collect();
    assert_eq!(rows, [Some("05:30"), Some("06:00"), Some("04:00"), None]);
    assert_eq!(told.note(told.rows()[0]), "2 files not fetched yet, due out at 05:30");
    assert_eq!(told.note(told.rows()[3]), "2 files not fetched yet");
}

#[test]
fn every_column_of_the_csv_is_documented_in_the_help() {
    let mut cli = <crate::cli::Cli as clap::CommandFactory>::command();
    let text = cli.find_subcommand_mut("report").expect("command").render_long_help().to_string();
    for column in csv::COLUMNS {
        assert!(text.contains(column), "{column}: {text}");
    }
    let table = csv::render(&worst());
    let first = table.split("\r\n").next().expect("head");
    assert_eq!(first.split(',').collect::<Vec<_>>(), csv::COLUMNS);
    assert_eq!(table.matches("\r\n").count(), worst().vehicles.len() + 1);
}

#[test]
fn the_hours_of_a_day_are_a_picture_with_words_and_stay_small() {
    let report = worst();
    let zone = oslo();
    let told = phrases::Told { report: &report, zone: &zone };
    let plow = report.vehicles.iter().find(|v| v.id == "PLOW-03").expect("vehicle");
    let words = "asleep 00:00 to 05:00; data 05:00 to 09:00; driven without a log 09:00 to 11:00; \
                 data 11:00 to 14:00; unknown 14:00 to 00:00";
    assert_eq!(told.hours(plow), words);
    let page = html::render(&report, &zone);
    assert!(page.contains(&format!("role=\"img\"><title>{words}</title>")));
    let text = text::render(&report, &zone, Glyphs { ascii: true, colours: false });
    assert!(
        text.contains("  PLOW-03       .....####oo###?????????? driven without a log 09:00 to 11:00"),
        "{text}"
    );
    assert!(!text::render(&best(), &zone, Glyphs::PLAIN).contains("without a log"), "nobody lacks anything");
    let mut fleet = best();
    fleet.vehicles =
        (0..200).map(|n| vehicle(&format!("PLOW-{n:03}"), Verdict::Complete, "##--#####--###")).collect();
    let with = html::render(&fleet, &zone).len();
    fleet.vehicles.iter_mut().for_each(|v| v.hours = None);
    let without = html::render(&fleet, &zone).len();
    println!("200 vehicles: {with} bytes, {without} without the hours");
    assert!(with - without < 200 * 320);
}
