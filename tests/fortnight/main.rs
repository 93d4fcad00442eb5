//! The planted fortnight: forty vehicles, fourteen nights, and everything that goes wrong in a depot,
//! through the real service with a real ledger, spool and archive, under a clock that moves when
//! nothing else does. What is compared is what the operator reads each morning, with expectations
//! that were written by hand.

mod clock;
mod disk;
mod expected;
mod loggers;
mod plot;
mod stage;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use yarder::model::Day;
use yarder::report::words::Glyphs;
use yarder::report::{CODES, FindingLine, FindingState, Report, Verdict, html, text};

use disk::Disk;
use expected::{COMPLETE, EXPECTED, SENTENCES, SEPARATE};
use plot::at;
use stage::{Told, play};

/// How a vehicle or the depot stands: verdict, and findings as code, day of begin and state.
type Standing = (String, BTreeSet<(String, i8, String)>);

/// The expected standings of a day.
fn expected(day: i8) -> BTreeMap<String, Standing> {
    let lines = EXPECTED.lines().map(str::trim).filter(|l| !l.is_empty() && !l.starts_with('#'));
    let words = lines.map(|line| line.split_whitespace().collect::<Vec<_>>());
    let mine: Vec<_> = words.filter(|w| w[0].parse() == Ok(day)).collect();
    let usual = mine.iter().find(|w| w[1] == "all").map_or("complete", |w| w[2]);
    let mut all: BTreeMap<String, Standing> =
        plot::vehicles().into_iter().map(|v| (v, (usual.to_owned(), BTreeSet::new()))).collect();
    all.insert("the-depot".into(), ("-".into(), BTreeSet::new()));
    for words in mine.iter().filter(|w| w[1] != "all") {
        let findings =
            words[3..].chunks(3).map(|f| (f[0].to_owned(), f[1].parse().expect("day"), f[2].to_owned()));
        let before = all.insert(words[1].to_owned(), (words[2].to_owned(), findings.collect()));
        assert!(before.is_some(), "{words:?}: no such vehicle");
    }
    all
}

/// The standings that a report tells.
fn told(report: &Value) -> BTreeMap<String, Standing> {
    let list = |value: &Value| value.as_array().expect("a list").clone();
    let text = |value: &Value| value.as_str().expect("a text").to_owned();
    let findings = |of: &Value| {
        let one = |f: &Value| {
            let since = text(&f["since"]).parse().expect("moment");
            let day = Day::at(since, jiff::civil::time(12, 0, 0, 0), &plot::oslo()).expect("day");
            (text(&f["code"]), day.date.day(), text(&f["state"]))
        };
        let told: BTreeSet<_> = list(&of["findings"]).iter().map(one).collect();
        assert!(told.iter().all(|(code, ..)| CODES.iter().any(|(known, _)| known == code)), "{told:?}");
        told
    };
    let mut all: BTreeMap<String, Standing> = list(&report["vehicles"])
        .iter()
        .map(|v| (text(&v["id"]), (text(&v["verdict"]), findings(v))))
        .collect();
    all.insert("the-depot".into(), ("-".into(), findings(report)));
    all
}

/// The first sentence of the page.
fn first_sentence(report: &Report) -> String {
    let page = text::render(report, &plot::oslo(), Glyphs::PLAIN);
    let lines = page.lines().skip_while(|line| !line.is_empty()).skip_while(|line| line.is_empty());
    let lines: Vec<_> = lines.take_while(|line| !line.is_empty()).collect();
    let text = lines.join(" ");
    text.split_once(". ").map_or(text.clone(), |(first, _)| format!("{first}."))
}

/// What the table does not say.
fn besides(told: &BTreeMap<i8, Told>) {
    let vehicle = |day: i8, id: &str| {
        let all = &told[&day].morning.vehicles;
        all.iter().find(|v| v.id == id).unwrap_or_else(|| panic!("no {id}")).clone()
    };
    for (day, of) in told.iter().filter(|(day, _)| (12..=25).contains(*day)) {
        // The day that was missed has its last report alone.
        assert_eq!((of.last.is_final, of.stored), (true, if *day == 17 { 1 } else { 2 }), "{day}");
        // The PC went off ten minutes before the end of the day of Fri 16.
        let end = if matches!(day, 16 | 17) { at(18, "12:30") } else { at(day + 1, "12:00") };
        assert_eq!(of.last.as_of, end);
        let due = match day {
            13 => at(14, "06:30"),
            17 => at(18, "12:30"),
            _ => at(day + 1, "05:00"),
        };
        assert_eq!(of.morning.as_of, due, "{day}: at 05:00, or when the service starts");
    }
    // In the night of the 24th the clocks show 02:30 twice.
    let long = &told[&24].morning;
    assert_eq!(long.to.duration_since(long.from).as_hours(), 25);
    // Two files a day, of Thu 22 and Fri 23 too: the required archive came back this day at 14:00. One
    // of the two was out again in the night, through both 02:30.
    assert_eq!(vehicle(24, "GRIT-01").files.archived, 8);
    assert_eq!(vehicle(24, "GRIT-02").files.archived, 6);
    assert_eq!(vehicle(24, "PLOW-01").files.archived, 4);
    // What Yarder could not see, and why.
    let blind = |day: i8| {
        told[&day].morning.blind.iter().map(|b| (b.from, b.to, b.why.to_string())).collect::<Vec<_>>()
    };
    assert_eq!(blind(15), [(at(15, "13:00"), at(15, "14:30"), "clock".to_owned())]);
    assert_eq!(blind(19), [(at(19, "21:00"), at(20, "04:30"), "down".to_owned())]);
    assert_eq!(blind(21), []);
    // Old stock does not spoil the day.
    assert!(vehicle(15, "BACK-01").files.backlog > 0);
    // A cut is told, and costs nothing.
    assert!(told[&14].morning.totals.cuts > 0);
    // What nobody wants names the pattern to write, and it is the one that mended it the day after.
    let unwanted = &vehicle(14, "PLOW-04").findings[0];
    assert!(unwanted.action.contains(&format!("`files = {}`", plot::LOGS_AND_BINS)), "{}", unwanted.action);
    // What answered instead of a logger is named by its title.
    assert!(vehicle(13, "PLOW-03").findings[0].cause.contains("\"Welcome: please log in\""));
    // One finding names everybody whom it explains.
    let names = |day: i8, code: &str| {
        let report = &told[&day].morning;
        let all = report.findings.iter().chain(report.vehicles.iter().flat_map(|v| &v.findings));
        all.filter(|f| f.code == code).flat_map(|f| f.vehicles.clone()).collect::<Vec<_>>()
    };
    assert_eq!(names(19, "wrong-logger"), ["TRUCK-04"]);
    assert_eq!(names(21, "access-point-silent"), (1..=8).map(|n| format!("HAUL-{n:02}")).collect::<Vec<_>>());
    assert_eq!(names(22, "archive-away").len(), 38);
    assert_eq!(names(20, "link-used-up"), ["CAR-03", "CAR-04"]);
    assert_eq!(names(19, "could-not-see"), ["NIGHT-01", "NIGHT-02"]);
    assert_eq!(names(14, "spool-full"), ["PLOW-05", "SWEEP-01", "SWEEP-02", "NIGHT-01", "NIGHT-02"]);
    // Finished after the last report of its day.
    let corrected = |day: i8, vehicle: &str| -> Vec<(i8, Verdict, Verdict)> {
        let all = told[&day].morning.corrections.iter().filter(|c| c.vehicle == vehicle);
        all.map(|c| (c.date.day(), c.was, c.is)).collect()
    };
    assert_eq!(corrected(21, "TRUCK-05"), [(20, Verdict::Incomplete, Verdict::Complete)]);
    let late = [22, 23].map(|day| (day, Verdict::Incomplete, Verdict::Complete));
    assert_eq!(corrected(24, "PLOW-01"), late);
}

/// No report of the fortnight, be it a morning's or a day's last, has two findings for one cause.
fn one_finding_for_one_cause(told: &BTreeMap<i8, Told>) {
    for (day, Told { morning, last, .. }) in told {
        for report in [morning, last] {
            let depot = report.findings.iter().map(|f| ("the-depot", f));
            let own = report.vehicles.iter().flat_map(|v| v.findings.iter().map(|f| (v.id.as_str(), f)));
            let all: Vec<_> = depot.chain(own).filter(|(_, f)| f.state != FindingState::Gone).collect();
            let ids: BTreeSet<_> = all.iter().map(|(_, f)| f.id.as_str()).collect();
            assert_eq!(ids.len(), all.len(), "{day}: told twice");
            // What began on one day and bears one code has one cause, but where the plot knows better.
            let begin =
                |at| Day::at(at, jiff::civil::time(12, 0, 0, 0), &plot::oslo()).expect("day").date.day();
            let mut causes: BTreeMap<(i8, &str), BTreeSet<&str>> = BTreeMap::new();
            for (who, finding) in &all {
                causes.entry((begin(finding.since), &finding.code)).or_default().insert(who);
            }
            for ((since, code), who) in causes {
                let separate = SEPARATE.iter().any(|(day, of, _)| (*day, *of) == (since, code));
                assert!(who.len() == 1 || separate, "{day}: {code} of {since} tells of {who:?}");
            }
            // Whom another finding explains has none of its own that began with it.
            for (explains, (who, of)) in all.iter().flat_map(|f| f.1.vehicles.iter().map(move |v| (v, f))) {
                let twice = |(own, f): &&(&str, &FindingLine)| {
                    own == explains && f.id != of.id && f.since >= of.since && f.severity == "act"
                };
                let twice = all.iter().find(twice);
                assert!(twice.is_none(), "{day}: {who} {} explains {explains}: {twice:?}", of.code);
            }
        }
    }
}

/// What is no word of a person's in a page: a moment or a span as programs write them, a number of bytes, a value as a
/// debugger shows it, the ledger's name of a state, an error's number.
fn raw_words(page: &str) -> Vec<String> {
    let words: Vec<&str> = page.split_whitespace().collect();
    let bare = |word: &str| word.trim_matches(|c: char| !c.is_alphanumeric()).to_owned();
    let number = |word: &str| {
        word.starts_with(|c: char| c.is_ascii_digit())
            && word.bytes().all(|b| b.is_ascii_digit() || b == b'.')
    };
    let mut raw = Vec::new();
    for (nth, word) in words.iter().enumerate() {
        let next = bare(words.get(nth + 1).copied().unwrap_or_default());
        let digits = |text: &str| text.bytes().filter(u8::is_ascii_digit).count();
        let stamp = word.split_once('T').is_some_and(|(date, time)| digits(date) >= 8 && digits(time) >= 4);
        let seconds = number(&bare(word)) && matches!(next.as_str(), "s" | "sec" | "ms");
        let long = bare(word).parse::<u64>().is_ok_and(|n| n >= 1_000)
            && matches!(next.as_str(), "bytes" | "seconds");
        let debug = ["Some(", "None)", "Ok(", "Err(", "::", "{", "}", "LinkFailure"]
            .iter()
            .any(|of| word.contains(of));
        let state = matches!(bare(word).as_str(), "fetching" | "settling" | "presumed" | "obligation");
        let error = *word == "(os" && next == "error";
        if stamp || seconds || long || debug || state || error {
            raw.push(format!("{word} {next}"));
        }
    }
    raw
}

/// No page of the fortnight, as text or HTML, has a word that no person uses.
fn only_words_of_people(told: &BTreeMap<i8, Told>) {
    for sample in [
        "at 2026-10-20T05:00:00Z",
        "for 20 s.",
        "after 200000 bytes",
        "Some(3)",
        "is `fetching`",
        "x (os error 2)",
    ] {
        assert_ne!(raw_words(sample), Vec::<String>::new(), "{sample}");
    }
    for (day, Told { morning, last, .. }) in told {
        for report in [morning, last] {
            let page = html::render(report, &plot::oslo());
            let body = page.split("</style>").nth(1).expect("a body");
            let shown: Vec<&str> = body.split('<').filter_map(|part| Some(part.split_once('>')?.1)).collect();
            for page in [text::render(report, &plot::oslo(), Glyphs::PLAIN), shown.join(" ")] {
                assert_eq!(raw_words(&page), Vec::<String>::new(), "{day}");
            }
        }
    }
}

/// The mornings' pages, for a person to look at, where `YARDER_PAGES` names a folder.
fn write_pages(told: &BTreeMap<i8, Told>) {
    let Some(folder) = std::env::var_os("YARDER_PAGES").map(std::path::PathBuf::from) else { return };
    for (day, Told { morning, .. }) in told {
        let page = html::render(morning, &plot::oslo());
        std::fs::write(folder.join(format!("{day}.html")), page).expect("written");
        let page = text::render(morning, &plot::oslo(), Glyphs::PLAIN);
        std::fs::write(folder.join(format!("{day}.txt")), page).expect("written");
    }
}

#[test]
fn every_morning_tells_what_happened_and_no_more() {
    let told_reports = play();
    write_pages(told_reports);
    besides(told_reports);
    one_finding_for_one_cause(told_reports);
    only_words_of_people(told_reports);
    let mut story = String::new();
    for (nth, (day, complete)) in COMPLETE.iter().enumerate() {
        let Told { morning, json, .. } = &told_reports[day];
        let (want, have) = (expected(*day), told(json));
        assert_eq!(want.keys().collect::<Vec<_>>(), have.keys().collect::<Vec<_>>());
        let by_hand = want.values().filter(|(verdict, _)| verdict == "complete").count() as u64;
        assert_eq!(by_hand, *complete, "the table of {day} October, counted twice");
        for (who, want) in &want {
            if have[who] != *want {
                story += &format!("{day} {who}\n  want {want:?}\n  have {:?}\n", have[who]);
            }
        }
        let sentence = first_sentence(morning);
        if !sentence.starts_with(SENTENCES[nth].1) {
            story += &format!("{day} first sentence\n  want {}\n  have {sentence}\n", SENTENCES[nth].1);
        }
    }
    assert!(story.is_empty(), "{story}");
}
