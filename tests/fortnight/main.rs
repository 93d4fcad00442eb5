//! The planted fortnight: forty vehicles, fourteen nights, and everything that goes wrong in a depot,
//! through the real service with a real ledger, spool and archive, under a clock that moves when
//! nothing else does. What is compared is what the operator reads each morning, with expectations
//! that were written by hand.
//!
//! A metered link whose volume is used up is not among the states: nothing knows of `metered` yet.

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
use yarder::report::{CODES, Report, text};

use disk::Disk;
use expected::{COMPLETE, EXPECTED, NOT_YET, SENTENCES};
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
        let all = list(&of["findings"]);
        let told: BTreeSet<_> = all.iter().map(one).collect();
        assert_eq!(all.len(), told.len(), "one finding for one cause: {}", of["findings"]);
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

#[test]
fn every_morning_tells_what_happened_and_no_more() {
    let told_reports = play();
    let mut differs = BTreeSet::new();
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
                differs.insert(format!("{day} {who}"));
            }
        }
        let sentence = first_sentence(morning);
        if !sentence.starts_with(SENTENCES[nth].1) {
            story += &format!("{day} first sentence\n  want {}\n  have {sentence}\n", SENTENCES[nth].1);
            differs.insert(format!("{day} first sentence"));
        }
    }
    let not_yet: BTreeSet<String> = NOT_YET.iter().map(|(line, _)| (*line).to_owned()).collect();
    assert_eq!(not_yet.len(), NOT_YET.len(), "a line stands twice");
    let met: Vec<_> = not_yet.difference(&differs).collect();
    let wrong: Vec<_> = differs.difference(&not_yet).collect();
    assert!(
        met.is_empty() && wrong.is_empty(),
        "met, and still in NOT_YET: {met:?}\nwrong: {wrong:?}\n{story}"
    );
}
