//! What reports derive themselves, from one report to the next.

use jiff::civil::date;

use super::cause_tests::{DAY, HOUR, NOON, facts, found, nights, up, yard};
use super::past::Past;
use super::tests::{at, ms, night, report};
use super::value::{FindingState, Report};
use super::*;
use crate::config::{Config, Vehicle};
use crate::ledger::{About, LoggerDay, Severity, Told, Visit};

/// What later reports know of one.
fn past(report: &Report) -> Past {
    let all = report.findings.iter().chain(report.vehicles.iter().flat_map(|v| &v.findings));
    let all: Vec<_> = all.filter(|f| f.state != FindingState::Gone).cloned().collect();
    let severity = |f: &FindingLine| Severity::parse(f.severity).expect("severity");
    Past {
        last: Some(report.as_of.as_millisecond()),
        told: all
            .iter()
            .map(|f| (f.id.clone(), Told { severity: severity(f), evidence: f.evidence.clone() }))
            .collect(),
        derived: all.into_iter().map(|f| (f.id.clone(), f)).collect(),
        ..Past::default()
    }
}

/// The report of Mon 23 as of 05:00 the next morning, and what is known in the one after it.
fn day_before(config: &Config, facts: &Facts) -> (Report, Past) {
    let depot = &config.depot;
    let monday = crate::model::Day::of(date(2026, 11, 23), depot.day_starts, &depot.time_zone).expect("day");
    let report = build(config, facts, &monday, at("2026-11-24T04:00:00Z"));
    let past = past(&report);
    (report, past)
}

fn states(report: &Report) -> Vec<(&str, FindingState)> {
    let all = report.findings.iter().chain(report.vehicles.iter().flat_map(|v| &v.findings));
    all.map(|f| (f.id.as_str(), f.state)).collect()
}

/// The logger of that number stood in the yard for the last time so many nights ago.
fn last_stood(facts: &mut Facts, nth: usize, ago: i64) {
    let visits = nights(ago..15);
    facts.loggers[nth] =
        LoggerDay { logger: format!("L{nth}"), last_seen: visits.last().map(|v| v.to), ..Default::default() };
    facts.visits.insert(format!("L{nth}"), visits);
}

#[test]
fn who_is_missed_is_known_on_days_off_and_gone_when_seen_or_away() {
    let config = yard(&["east"; 5]);
    let mut all = facts(&config, &[1, 2, 3, 4]);
    last_stood(&mut all, 0, 2);
    let (monday, told) = day_before(&config, &all);
    assert_eq!(states(&monday), [("not-seen:V0", FindingState::New)]);

    let mut off = config.clone();
    off.depot.holidays = vec![date(2026, 11, 24)];
    all.past = told;
    let holiday = report(&off, &all);
    assert_eq!(states(&holiday), [("not-seen:V0", FindingState::Known)]);
    let finding = &holiday.vehicles[0].findings[0];
    assert_eq!((finding.since, finding.days), (monday.from, 1));
    assert_eq!(holiday.vehicles[0].verdict, Verdict::Away);

    // A holiday alone makes nobody missed.
    let untold = Facts { past: Past { derived: Default::default(), ..all.past.clone() }, ..all.clone() };
    assert_eq!(states(&report(&off, &untold)), []);

    let mut home = facts(&config, &[0, 1, 2, 3, 4]);
    home.past = all.past.clone();
    let home = report(&config, &home);
    assert_eq!(states(&home), [("not-seen:V0", FindingState::Gone)]);
    assert_eq!(home.vehicles[0].findings[0].cause, "not seen on Mon 23 Nov and after; last seen 04:50");
    assert!(!home.needs_person());

    all.away = vec![AwayNote {
        kind: About::Vehicle,
        id: "V0".into(),
        from: date(2026, 11, 24),
        until: None,
        reason: "workshop".into(),
    }];
    let noted = report(&config, &all);
    assert_eq!(states(&noted), [("not-seen:V0", FindingState::Gone)]);
    assert_eq!(
        noted.vehicles[0].findings[0].cause,
        "not seen on Mon 23 Nov and after, and now not expected: workshop"
    );
}

#[test]
fn one_of_two_loggers_that_is_missed_is_named_and_was_not_missed_by_yarder_alone() {
    let mut config = yard(&["east"; 5]);
    let second = config.loggers[0].clone();
    config.loggers[0] =
        crate::config::Logger { vehicle: config.vehicles[1].id.clone(), ..(*second).clone() }.into();
    let mut all = facts(&config, &[1, 2, 3, 4]);
    all.watched = super::cause_tests::down("2026-11-24T19:00:00Z", "2026-11-25T03:00:00Z");
    let made = report(&config, &all);
    let line = &made.vehicles[1];
    assert_eq!(line.verdict, Verdict::NotSeen, "the vehicle was here, and so was the logger");
    let cause = &line.findings[0].cause;
    assert_eq!(cause, "its logger L0: expected this day and not seen, last seen 05:30");
}

#[test]
fn who_was_seen_between_two_absences_is_new_again() {
    let config = yard(&["east"; 5]);
    let mut all = facts(&config, &[1, 2, 3, 4]);
    last_stood(&mut all, 0, 2);
    let (_, told) = day_before(&config, &all);
    last_stood(&mut all, 0, 1);
    all.past = Past { last: Some(ms(NOON)), ..told };
    let again = report(&config, &all);
    assert_eq!(states(&again), [("not-seen:V0", FindingState::New)]);
    assert_eq!(again.vehicles[0].findings[0].since, again.from);
}

#[test]
fn a_dead_logger_stays_dead_until_it_records() {
    let config = yard(&["east"; 2]);
    let mut all = facts(&config, &[0, 1]);
    all.loggers[0].new = 0;
    let dead = report(&config, &all);
    assert_eq!(states(&dead), [("no-data:L0", FindingState::New)]);

    // It stands in the yard; nobody expects it to have driven.
    all.past = past(&dead);
    all.visits.insert("L0".into(), vec![Visit { from: ms(NOON) - 9 * DAY, to: ms("2026-11-25T03:50:00Z") }]);
    let stands = report(&config, &all);
    assert_eq!(states(&stands), [("no-data:L0", FindingState::Known)]);

    all.loggers[0].new = 2;
    let mended = report(&config, &all);
    assert_eq!(states(&mended), [("no-data:L0", FindingState::Gone)]);
    let cause = &mended.vehicles[0].findings[0].cause;
    assert_eq!(cause, "L0 recorded nothing from Tue 24 Nov on; now it has data until 17:02");
}

#[test]
fn a_silent_access_point_is_known_over_a_day_off_and_gone_when_one_answers() {
    let config = yard(&["east", "east", "east", "east", "west"]);
    let mut all = facts(&config, &[4]);
    for nth in 0..4 {
        last_stood(&mut all, nth, 2);
    }
    all.past.last = Some(ms(NOON) - DAY);
    let (monday, told) = day_before(&config, &all);
    assert_eq!(states(&monday), [("access-point-silent:east", FindingState::New)]);
    all.past = told;
    let mut off = config.clone();
    off.depot.holidays = vec![date(2026, 11, 24)];
    let holiday = report(&off, &all);
    assert_eq!(states(&holiday), [("access-point-silent:east", FindingState::Known)]);
    assert_eq!(holiday.findings[0].since, monday.findings[0].since);

    let mut one = facts(&config, &[0, 4]);
    for nth in 1..4 {
        last_stood(&mut one, nth, 2);
    }
    one.past = all.past.clone();
    let answers = report(&off, &one);
    assert_eq!(states(&answers), [("access-point-silent:east", FindingState::Gone)]);
}

#[test]
fn what_yarder_could_not_see_is_told_as_gone_the_day_after_and_once() {
    let config = yard(&["east"; 3]);
    let mut all = facts(&config, &[0, 1, 2]);
    for nth in 0..3 {
        last_stood(&mut all, nth, 2);
        let visits = all.visits.get_mut(&format!("L{nth}")).expect("visits");
        visits.push(Visit { from: ms(NOON) + 4 * HOUR, to: ms("2026-11-25T03:50:00Z") });
        all.loggers[nth] = LoggerDay { new: 3, ..super::tests::done(&format!("L{nth}")) };
    }
    let first = up().ups[0].0;
    all.watched.ups = vec![(first, ms(NOON) - DAY), (ms(NOON) - 8 * HOUR, ms(NOON) + DAY)];
    let (monday, told) = {
        let mut monday = all.clone();
        for row in &mut monday.loggers {
            row.seen = None;
        }
        day_before(&config, &monday)
    };
    assert_eq!(states(&monday), [("could-not-see:depot", FindingState::New)]);
    all.past = told;
    let tuesday = report(&config, &all);
    assert_eq!(states(&tuesday), [("could-not-see:depot", FindingState::Gone)]);
    let cause = &tuesday.findings[0].cause;
    assert_eq!(cause, "Yarder could not see for 16 hours from Mon 23 Nov on: it did not run");
    all.past = past(&tuesday);
    assert_eq!(states(&report(&config, &all)), []);
}

#[test]
fn a_vehicle_off_the_list_takes_its_findings_along() {
    let config = yard(&["east"; 5]);
    let mut all = facts(&config, &[1, 2, 3, 4]);
    last_stood(&mut all, 0, 2);
    let (_, told) = day_before(&config, &all);
    all.past = told;
    let mut fewer = config.clone();
    fewer.vehicles.remove(0);
    fewer.loggers.remove(0);
    assert_eq!(states(&report(&fewer, &all)), []);
}

#[test]
fn a_saturday_is_compared_with_saturdays() {
    // All but one are at home elsewhere at weekends.
    let mut config = yard(&["east"; 8]);
    let daily = Vehicle {
        works: Some(crate::config::Weekdays::parse("Mon-Sun").expect("days")),
        ..(*config.vehicles[0]).clone()
    };
    config.vehicles[0] = daily.into();
    let depot = &config.depot;
    let saturday =
        crate::model::Day::of(date(2026, 11, 28), depot.day_starts, &depot.time_zone).expect("day");
    let noon = saturday.from.as_millisecond();
    let stood = |ago: i64| Visit { from: noon - ago * DAY + 4 * HOUR, to: noon - ago * DAY + 17 * HOUR };
    let mut all = facts(&config, &[]);
    for nth in 0..8 {
        let nights = (0..15).rev().filter(|ago| nth == 0 || ![0, 6, 7, 13, 14].contains(ago));
        all.visits.insert(format!("L{nth}"), nights.map(stood).collect());
    }
    all.loggers[0] = super::tests::done("L0");
    all.loggers[0].seen = Some(noon + 16 * HOUR);
    let made = build(&config, &all, &saturday, at("2026-11-29T04:00:00Z"));
    assert_eq!(found(&made), (vec![], vec![]), "seven of eight are off duty");
    assert_eq!(made.access_points[0].usual, Some(1));
}

#[test]
fn an_access_point_is_not_silent_because_all_have_left_a_little_earlier() {
    let config = yard(&["east"; 5]);
    let mut all = facts(&config, &[0, 1, 2, 3, 4]);
    for visits in all.visits.values_mut() {
        visits.last_mut().expect("visit").to = ms("2026-11-25T04:10:00Z");
    }
    let day = night();
    let made = build(&config, &all, &day, at("2026-11-25T10:59:00Z"));
    assert_eq!(found(&made), (vec![], vec![]), "they left at 05:10, and usually at 05:30");
}
