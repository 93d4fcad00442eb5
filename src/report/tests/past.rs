//! Against what earlier reports said, and what people know.

use super::*;
use crate::ledger::{About, Told};

#[test]
fn a_stored_report_reads_as_the_one_that_was_made() {
    let mut report = mixed();
    report.not_home.clear();
    report.is_final = true;
    report.safety.proof = [("digest", 3), ("none", 1)].map(|(p, n)| (p.to_owned(), n)).into();
    report.vehicles[0].findings[0].until = Some(jiff::civil::date(2026, 11, 27));
    report.vehicles[0].findings[0].state = FindingState::Snoozed;
    report.blind.push(crate::report::value::Blind { from: report.from, to: report.to, why: "network" });
    report.corrections.push(Correction {
        date: jiff::civil::date(2026, 11, 23),
        vehicle: "PLOW-03".into(),
        was: Verdict::Incomplete,
        is: Verdict::Complete,
        files: 12,
    });
    let json = words::json(&report);
    let read: Report = serde_json::from_str(&json).expect("read");
    assert_eq!(read, report);
    assert_eq!(words::json(&read), json);
    for (was, is) in
        [("\"severity\":\"act\"", "\"severity\":\"other\""), ("\"why\":\"network\"", "\"why\":\"\"")]
    {
        assert!(json.contains(was));
        assert!(serde_json::from_str::<Report>(&json.replacen(was, is, 1)).is_err());
    }
}

/// A day so far, with one finding as the ledger has it and as the last report told it.
fn stands(row: FindingRow, past: Past) -> Option<(FindingState, Option<jiff::civil::Date>)> {
    let config = config(&[("PLOW-01", "L-0401")]);
    let facts = Facts { loggers: vec![done("L-0401")], findings: vec![row], past, ..Facts::default() };
    let report = report(&config, &facts);
    let line = report.vehicles[0].findings.first()?;
    Some((line.state, line.until))
}

#[test]
fn a_finding_is_new_worse_known_snoozed_or_gone_since_the_last_report() {
    let row = |severity, evidence| FindingRow {
        evidence,
        ..finding("file-lost", severity, Some("PLOW-01"), "it is lost", "Look.")
    };
    let told = |severity, evidence| Told { severity, evidence };
    let three = || json!({ "count": 3 });
    let id = row(Severity::Act, three()).id;
    let last = Some(ms("2026-11-24T22:00:00Z"));
    let past = |was: Option<Told>| Past {
        last,
        told: was.map(|was| (id.clone(), was)).into_iter().collect(),
        ..Past::default()
    };
    let day = jiff::civil::date(2026, 11, 27);
    let snoozed =
        |then: Told| Past { snoozed: [(id.clone(), (day, then.clone()))].into(), ..past(Some(then)) };
    use FindingState as S;
    for (case, row, past, expected) in [
        ("never told", row(Severity::Act, three()), past(None), Some((S::New, None))),
        (
            "as before",
            row(Severity::Act, three()),
            past(Some(told(Severity::Act, three()))),
            Some((S::Known, None)),
        ),
        (
            "it asks for more",
            row(Severity::Act, three()),
            past(Some(told(Severity::Watch, three()))),
            Some((S::Worse, None)),
        ),
        (
            "it asks for less",
            row(Severity::Watch, three()),
            past(Some(told(Severity::Act, three()))),
            Some((S::Known, None)),
        ),
        (
            "a little more",
            row(Severity::Act, json!({ "count": 5 })),
            past(Some(told(Severity::Act, three()))),
            Some((S::Known, None)),
        ),
        (
            "twice as much",
            row(Severity::Act, json!({ "count": 6 })),
            past(Some(told(Severity::Act, three()))),
            Some((S::Worse, None)),
        ),
        (
            "snoozed",
            row(Severity::Act, three()),
            snoozed(told(Severity::Act, three())),
            Some((S::Snoozed, Some(day))),
        ),
        (
            "worse than when it was snoozed",
            row(Severity::Act, json!({ "count": 6 })),
            snoozed(told(Severity::Act, three())),
            Some((S::Worse, None)),
        ),
        (
            "gone, and told before",
            FindingRow { gone: Some(ms("2026-11-24T21:30:00Z")), ..row(Severity::Act, three()) },
            past(Some(told(Severity::Act, three()))),
            Some((S::Gone, None)),
        ),
        (
            "gone, and told as gone",
            FindingRow { gone: Some(ms("2026-11-24T21:30:00Z")), ..row(Severity::Act, three()) },
            past(None),
            None,
        ),
        (
            "come and gone since the last report",
            FindingRow { gone: Some(ms("2026-11-25T01:00:00Z")), ..row(Severity::Act, three()) },
            past(None),
            Some((S::Gone, None)),
        ),
    ] {
        assert_eq!(stands(row, past), expected, "{case}");
    }
}

#[test]
fn a_snoozed_finding_needs_nobody_and_a_vehicle_or_logger_with_a_note_is_away() {
    let config = config(&[("PLOW-01", "L-0401"), ("PLOW-02", "L-0402"), ("PLOW-03", "L-0403")]);
    let row = finding("login-refused", Severity::Act, Some("PLOW-01"), "it refuses", "Correct it.");
    let was = Told { severity: row.severity, evidence: row.evidence.clone() };
    let until = jiff::civil::date(2026, 11, 27);
    let away = |kind, id: &str| AwayNote {
        kind,
        id: id.into(),
        from: jiff::civil::date(2026, 11, 20),
        until: None,
        reason: "workshop".into(),
    };
    let facts = Facts {
        loggers: vec![done("L-0401")],
        past: Past { snoozed: [(row.id.clone(), (until, was))].into(), ..Past::default() },
        findings: vec![row],
        away: vec![away(About::Vehicle, "PLOW-02"), away(About::Logger, "L-0403")],
        ..Facts::default()
    };
    let report = report(&config, &facts);
    assert!(!report.needs_person());
    assert_eq!((report.totals.complete, report.totals.away), (1, 2));
    for line in &report.vehicles[1..] {
        assert_eq!((line.verdict, line.away.as_deref()), (Verdict::Away, Some("workshop")), "{}", line.id);
    }
}

#[test]
fn a_strip_ends_with_this_day_and_begins_with_the_first_that_has_a_report() {
    let config = config(&[("PLOW-01", "L-0401"), ("PLOW-02", "L-0402")]);
    let date = |day| jiff::civil::date(2026, 11, day);
    let verdicts = [
        (date(10), [("PLOW-01".to_owned(), (Verdict::NotSeen, false))].into()),
        (date(22), [("PLOW-01".to_owned(), (Verdict::Incomplete, true))].into()),
    ];
    let past = Past { verdicts: verdicts.into(), ..Past::default() };
    let facts = Facts { loggers: vec![done("L-0401")], past, ..Facts::default() };
    let report = report(&config, &facts);
    let strip = |n: usize| -> Vec<_> {
        report.vehicles[n].strip.iter().map(|day| (day.date.day(), day.verdict, day.lost)).collect()
    };
    let (lost, today) = ((22, Some(Verdict::Incomplete), true), (24, Some(Verdict::Complete), false));
    assert_eq!(strip(0), [lost, (23, None, false), today]);
    assert_eq!(strip(1), [(22, None, false), (23, None, false), (24, Some(Verdict::NotSeen), false)]);
}
