//! Verdicts and findings over days: who was missed, and whose fault it was.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::date;

use super::tests::{at, config, done, finding, ms, night, report};
use super::value::{Report, Verdict};
use super::*;
use crate::config::{AccessPoint, Config, Logger, Vehicle};
use crate::ledger::{FindingRow, LoggerDay, Severity, SpoolDay, Visit, Watched};

pub(super) const HOUR: i64 = 3_600_000;
pub(super) const DAY: i64 = 24 * HOUR;
/// Noon of Tuesday the 24th in Oslo, and the moment of the report, 05:00 the next morning.
pub(super) const NOON: &str = "2026-11-24T11:00:00Z";

/// Vehicles `V0`, `V1`, ... of a cell each, with a logger of the same number.
pub(super) fn yard(cells: &[&str]) -> Config {
    let ids: Vec<(String, String)> = (0..cells.len()).map(|n| (format!("V{n}"), format!("L{n}"))).collect();
    let fleet: Vec<(&str, &str)> = ids.iter().map(|(v, l)| (v.as_str(), l.as_str())).collect();
    let mut config = config(&fleet);
    for (n, cell) in cells.iter().enumerate() {
        let point = Some((*cell).to_owned());
        config.vehicles[n] =
            Arc::new(Vehicle { access_point: point.clone(), ..(*config.vehicles[n]).clone() });
        config.loggers[n] = Arc::new(Logger { access_point: point, ..(*config.loggers[n]).clone() });
        if config.access_points.iter().all(|p| p.name != *cell) {
            config.access_points.push(AccessPoint {
                name: (*cell).to_owned(),
                max_transfers: None,
                metered: false,
                max_per_day: None,
            });
        }
    }
    config
}

/// Visits from 16:00 to 05:30 in the nights that began so many days ago.
pub(super) fn nights(ago: impl Iterator<Item = i64>) -> Vec<Visit> {
    let noon = ms(NOON);
    let mut all: Vec<Visit> = ago
        .map(|d| Visit { from: noon - d * DAY + 4 * HOUR, to: noon - d * DAY + 17 * HOUR + HOUR / 2 })
        .collect();
    all.sort_by_key(|v| v.from);
    all
}

/// All vehicles stood in the yard in each night of the last two weeks; those in `here` this night too.
pub(super) fn facts(config: &Config, here: &[usize]) -> Facts {
    let mut facts = Facts { watched: up(), ..Facts::default() };
    for (n, logger) in config.loggers.iter().enumerate() {
        let mut visits = nights(1..15);
        let mut row = LoggerDay {
            logger: logger.id.to_string(),
            last_seen: visits.last().map(|v| v.to),
            ..LoggerDay::default()
        };
        if here.contains(&n) {
            visits.push(Visit { from: ms(NOON) + 4 * HOUR, to: ms("2026-11-25T03:50:00Z") });
            row = LoggerDay { new: 3, ..done(logger.id.as_str()) };
        }
        facts.loggers.push(row);
        facts.visits.insert(logger.id.to_string(), visits);
    }
    facts
}

/// Yarder ran for a year.
pub(super) fn up() -> Watched {
    let first = ms(NOON) - 365 * DAY;
    Watched { first: Some(first), ups: vec![(first, ms(NOON) + 99 * DAY)], blind: Vec::new() }
}

/// Yarder did not run between two moments.
pub(super) fn down(from: &str, to: &str) -> Watched {
    let all = up();
    Watched { ups: vec![(all.ups[0].0, ms(from)), (ms(to), all.ups[0].1)], ..all }
}

fn verdicts(report: &Report) -> Vec<Verdict> {
    report.vehicles.iter().map(|v| v.verdict).collect()
}

/// Ids of what was found about the depot, and of what was found about vehicles.
pub(super) fn found(report: &Report) -> (Vec<&str>, Vec<&str>) {
    let vehicles = report.vehicles.iter().flat_map(|v| v.findings.iter());
    (report.findings.iter().map(|f| f.id.as_str()).collect(), vehicles.map(|f| f.id.as_str()).collect())
}

#[test]
fn a_silent_access_point_is_one_finding_and_not_one_a_vehicle() {
    let config = yard(&["east", "east", "east", "east", "west", "west", "west"]);
    let all = report(&config, &facts(&config, &[0, 1, 2, 3, 4, 5, 6]));
    assert_eq!((found(&all), all.needs_person()), ((vec![], vec![]), false));
    let line = &all.access_points[0];
    assert_eq!((line.loggers, line.answered, line.usual), (4, 4, Some(4)));

    let silent = report(&config, &facts(&config, &[4, 5, 6]));
    assert_eq!(silent.totals.not_seen, 4);
    assert_eq!(found(&silent), (vec!["access-point-silent:east"], vec![]));
    let finding = &silent.findings[0];
    assert_eq!(finding.vehicles, ["V0", "V1", "V2", "V3"]);
    assert_eq!(finding.cause, "no logger at east answered after 05:30, usually 4 do");
    assert_eq!(finding.since, at(NOON) - jiff::SignedDuration::from_mins(6 * 60 + 30));
    assert_eq!(silent.access_points[0].answered, 0);
    assert!(silent.needs_person() && !silent.vehicles.iter().any(VehicleLine::needs_person));
}

#[test]
fn all_access_points_at_once_are_one_trouble() {
    let config = yard(&["east", "east", "east", "west", "west", "west"]);
    let silent = report(&config, &facts(&config, &[]));
    assert_eq!(found(&silent), (vec!["access-point-silent:east+west"], vec![]));
    assert_eq!(silent.findings[0].vehicles.len(), 6);
}

#[test]
fn an_access_point_that_dies_in_the_night_is_found_while_others_answer() {
    let config = yard(&["east", "east", "east", "east", "west"]);
    let mut facts = facts(&config, &[0, 1, 4]);
    for logger in ["L0", "L1"] {
        facts.visits.get_mut(logger).and_then(|v| v.last_mut()).expect("visit").to =
            ms("2026-11-24T21:10:00Z");
    }
    let report = report(&config, &facts);
    assert_eq!(found(&report).0, ["access-point-silent:east"]);
    assert_eq!(report.findings[0].cause, "no logger at east answered after 22:10, usually 4 do");
    assert_eq!(report.findings[0].vehicles, ["V2", "V3"]);
}

#[test]
fn far_fewer_than_usual_is_a_cause_and_one_less_is_none() {
    let cells = ["east"; 9];
    let config = yard(&cells);
    let few = report(&config, &facts(&config, &[3, 7]));
    assert_eq!(found(&few), (vec!["access-point-silent:east"], vec![]));
    assert_eq!(few.findings[0].cause, "only 2 loggers at east answered, usually 9 do");
    let most = report(&config, &facts(&config, &[0, 1, 2, 3, 4, 5, 6, 7]));
    assert_eq!(found(&most), (vec![], vec!["not-seen:V8"]));
}

#[test]
fn who_was_missed_before_has_a_finding_of_his_own() {
    let config = yard(&["east", "east", "east", "east"]);
    let mut facts = facts(&config, &[]);
    let old = nights(6..15);
    facts.loggers[0].last_seen = old.last().map(|v| v.to);
    facts.visits.insert("L0".into(), old);
    let report = report(&config, &facts);
    assert_eq!(found(&report), (vec!["access-point-silent:east"], vec!["not-seen:V0"]));
    assert_eq!(report.findings[0].vehicles, ["V1", "V2", "V3"]);
}

#[test]
fn a_vehicle_that_is_missed_is_looked_at_and_then_acted_upon_and_weekends_do_not_count() {
    let config = yard(&["east", "east", "east", "east", "east"]);
    let missed = |ago: i64| {
        let mut facts = facts(&config, &[1, 2, 3, 4]);
        let visits = nights(ago..15);
        facts.loggers[0].last_seen = visits.last().map(|v| v.to);
        facts.visits.insert("L0".into(), visits);
        let report = report(&config, &facts);
        let finding = report.vehicles[0].findings.first().expect("finding").clone();
        assert_eq!(finding.id, "not-seen:V0");
        let depot = (&config.depot.time_zone, finding.since);
        (finding.severity, depot.1.to_zoned_datetime(depot.0.clone()).date(), report.needs_person())
    };
    // The 24th is a Tuesday: seen on Monday, on Saturday or Friday, on Thursday.
    assert_eq!(missed(1), ("watch", date(2026, 11, 24), false));
    assert_eq!(missed(2), ("watch", date(2026, 11, 23), false));
    assert_eq!(missed(4), ("watch", date(2026, 11, 23), false));
    assert_eq!(missed(5), ("act", date(2026, 11, 20), true));
}

#[test]
fn a_day_that_has_hardly_begun_blames_nobody() {
    let config = yard(&["east", "east", "east", "east"]);
    let facts = facts(&config, &[]);
    let early = build(&config, &facts, &night(), at("2026-11-24T11:40:00Z"));
    assert_eq!(found(&early), (vec![], vec![]));
}

#[test]
fn what_yarder_itself_missed_is_unknown_and_one_finding() {
    let config = yard(&["east", "east", "east", "east"]);
    let mut facts = facts(&config, &[0]);
    facts.watched = down("2026-11-24T13:00:00Z", "2026-11-25T03:00:00Z");
    let report = report(&config, &facts);
    assert_eq!(verdicts(&report), [Verdict::Complete, Verdict::Unknown, Verdict::Unknown, Verdict::Unknown]);
    assert_eq!(found(&report), (vec!["could-not-see:depot"], vec![]));
    assert_eq!(report.findings[0].vehicles, ["V1", "V2", "V3"]);
    let [blind] = report.blind.as_slice() else { panic!("{:?}", report.blind) };
    assert_eq!(
        (blind.from, blind.to, blind.why),
        (at("2026-11-24T13:00:00Z"), at("2026-11-25T03:00:00Z"), "down")
    );
    assert!(!report.needs_person());
}

#[test]
fn a_network_that_is_down_is_the_finding_that_explains_the_unknown() {
    let config = yard(&["east", "east", "east", "east"]);
    let mut facts = facts(&config, &[]);
    facts.watched.blind = vec![("network".into(), ms(NOON), ms("2026-11-25T04:00:00Z"))];
    facts.findings = vec![finding("network-down", Severity::Act, None, "no network", "See to it.")];
    let report = report(&config, &facts);
    assert_eq!(report.totals.unknown, 4);
    assert_eq!(found(&report), (vec!["network-down:central"], vec![]));
    assert_eq!(report.findings[0].vehicles.len(), 4);
    assert_eq!(report.blind[0].why, "network");
}

#[test]
fn a_hole_in_which_a_vehicle_never_comes_does_not_excuse_it() {
    let config = yard(&["east", "east", "east", "east", "east"]);
    let mut facts = facts(&config, &[0, 1, 2, 3]);
    facts.watched = down("2026-11-24T19:00:00Z", "2026-11-24T22:00:00Z");
    let report = report(&config, &facts);
    assert_eq!(report.vehicles[4].verdict, Verdict::NotSeen);
}

#[test]
fn an_archive_that_is_away_explains_who_waits_for_it() {
    let config = yard(&["east", "east", "east"]);
    let mut facts = facts(&config, &[0, 1, 2]);
    facts.loggers[0].whole = 4;
    facts.loggers[1] = LoggerDay { whole: 4, listed: 2, ..facts.loggers[1].clone() };
    let follows = FindingRow {
        id: "not-archived:central/L0/logs/1.log".into(),
        ..finding("not-archived", Severity::Act, Some("V0"), "it fails at one file", "Look.")
    };
    facts.findings = vec![finding("archive-away", Severity::Act, None, "it is away", "Mount it."), follows];
    let away = report(&config, &facts);
    assert_eq!(found(&away), (vec!["archive-away:central"], vec![]));
    assert_eq!(away.findings[0].vehicles, ["V0"], "the other one lacks more than that");
    assert_eq!(away.archives[0].away_since, Some(at("2026-11-24T21:10:00Z")));
    facts.findings.remove(0);
    assert_eq!(found(&report(&config, &facts)).1, ["not-archived:central/L0/logs/1.log"]);
}

#[test]
fn who_came_home_with_nothing_new_has_no_data() {
    let config = yard(&["east", "east"]);
    let mut facts = facts(&config, &[0, 1]);
    facts.loggers[0].new = 0;
    let made = report(&config, &facts);
    assert_eq!(verdicts(&made), [Verdict::NoData, Verdict::Complete]);
    assert_eq!(found(&made), (vec![], vec!["no-data:L0"]));
    // One that stood in the yard all the time need not have any.
    facts
        .visits
        .insert("L0".into(), vec![Visit { from: ms(NOON) - 9 * DAY, to: ms("2026-11-25T03:50:00Z") }]);
    assert_eq!(report(&config, &facts).vehicles[0].verdict, Verdict::Complete);
}

#[test]
fn one_of_two_loggers_without_data_is_told_by_what_the_other_one_has() {
    let mut config = yard(&["east", "east"]);
    config.loggers[1] =
        Arc::new(Logger { vehicle: config.vehicles[0].id.clone(), ..(*config.loggers[1]).clone() });
    config.vehicles.truncate(1);
    let mut facts = facts(&config, &[0, 1]);
    // It worked in the yard, in range all day long.
    for id in ["L0", "L1"] {
        let stood = Visit { from: ms(NOON) - 9 * DAY, to: ms("2026-11-25T03:50:00Z") };
        facts.visits.insert(id.into(), vec![stood]);
    }
    facts.loggers[0].new = 0;
    let told = |facts: &mut Facts, home: &str| {
        let drove = Some(ms(home));
        facts.contents = [("L1".to_owned(), coverage::Told { drove, ..coverage::Told::default() })].into();
        report(&config, facts)
    };
    let verdicts = |report: Report| report.vehicles[0].loggers.iter().map(|l| l.verdict).collect::<Vec<_>>();
    let made = told(&mut facts, "2026-11-25T03:40:00Z");
    let cause = "L0 has recorded nothing new, and L1 has a log of driving; its data ends 17:02";
    assert_eq!(made.vehicles[0].findings[0].cause, cause);
    assert_eq!(verdicts(made), [Verdict::NoData, Verdict::Complete]);
    // It came after the last listing of the first: what that one has of it is not known.
    assert_eq!(verdicts(told(&mut facts, "2026-11-25T03:55:00Z")), [Verdict::Complete, Verdict::Complete]);
    // Nor is it of a logger that nobody met before: all that it has is old stock.
    facts.visits.insert("L0".into(), vec![Visit { from: ms(NOON), to: ms("2026-11-25T03:50:00Z") }]);
    assert_eq!(verdicts(told(&mut facts, "2026-11-25T03:40:00Z")), [Verdict::Complete, Verdict::Complete]);
}

#[test]
fn who_is_at_another_depot_is_missed_by_nobody_and_says_where() {
    let config = yard(&["east"; 5]);
    let mut facts = facts(&config, &[1, 2, 3, 4]);
    facts.elsewhere =
        [("L0".to_owned(), "south-yard".to_owned()), ("L1".to_owned(), "south-yard".to_owned())].into();
    let report = report(&config, &facts);
    assert_eq!(verdicts(&report)[..2], [Verdict::Elsewhere, Verdict::Complete], "seen here is seen here");
    assert_eq!((found(&report), report.totals.elsewhere), ((vec![], vec![]), 1));
    let zone = config.depot.time_zone.clone();
    let told = phrases::Told { report: &report, zone: &zone };
    assert_eq!(told.note(&report.vehicles[0]), "logger L0 home at south-yard");
    assert_eq!(report.vehicles[1].loggers[0].depot, None);
}

#[test]
fn who_is_away_is_not_missed_and_says_why() {
    let mut config = yard(&["east", "east", "east", "east"]);
    config.depot.holidays = vec![date(2026, 11, 24)];
    let report = report(&config, &facts(&config, &[0]));
    assert_eq!(verdicts(&report), [Verdict::Complete, Verdict::Away, Verdict::Away, Verdict::Away]);
    assert_eq!(found(&report), (vec![], vec![]));
    assert!(report.vehicles.iter().all(|v| v.away.as_deref() == Some("holiday")), "also who was seen");
    assert_eq!(report.totals.away, 3);
}

#[test]
fn the_spool_says_how_long_it_has_room_and_when_old_stock_is_home() {
    let mut config = yard(&["east"]);
    config.depot.spool_limit = 200_000_000_000;
    let mut facts = facts(&config, &[0]);
    facts.loggers[0] = LoggerDay { backlog: 9, bytes_backlog: 50_000_000_000, ..facts.loggers[0].clone() };
    facts.spool = SpoolDay {
        proof: [("length".to_owned(), 20), ("reread".to_owned(), 4)].into(),
        files_waiting: 3,
        bytes_waiting: 1_000_000_000,
        used: 60_000_000_000,
        two_weeks: 140_000_000_000,
        backlog_week: 70_000_000_000,
    };
    let safety = report(&config, &facts).safety;
    assert_eq!((safety.spool_used, safety.spool_limit), (60_000_000_000, 200_000_000_000));
    assert_eq!(safety.spool_days, Some(14.0), "140 GB of room at 10 GB a day");
    assert_eq!(
        (safety.backlog_files, safety.backlog_ends),
        (9, Some(date(2026, 11, 30))),
        "five days at 10 GB"
    );
    assert_eq!(safety.proof.get("reread"), Some(&4));
    // On its second day, the average is of two days and not of fourteen.
    facts.watched.first = Some(Timestamp::as_millisecond(at("2026-11-25T04:00:00Z")) - 2 * DAY);
    assert_eq!(report(&config, &facts).safety.spool_days, Some(2.0));
    facts.spool.two_weeks = 0;
    facts.spool.backlog_week = 0;
    let nothing = report(&config, &facts).safety;
    assert_eq!((nothing.spool_days, nothing.backlog_ends), (None, None));
}

#[test]
fn what_the_pictures_show_is_of_the_right_access_point_logger_and_day() {
    use super::coverage::{Card, Forecast, Told};
    let config = yard(&["east", "west", "east"]);
    let mut facts = facts(&config, &[0, 1, 2]);
    for (logger, each) in
        [("L0", [1, 0, 3]), ("L1", [0, 20, 0]), ("L2", [4, 0, 5]), ("off-list", [0, 0, 100])]
    {
        facts.air.insert(logger.to_owned(), each.into());
    }
    let card = Card { size: 100, used: 60, waiting: 20, overwrites: true };
    let (full, earliest, latest) = (ms("2026-12-01T00:00:00Z"), ms(NOON), ms("2026-12-24T00:00:00Z"));
    let forecast = Forecast { a_day: 7.9, an_hour: None, full, earliest, latest };
    let told = |forecast| Told { card: Some((card, forecast)), ..Told::default() };
    facts.contents = [("L1".to_owned(), told(Some(forecast))), ("L2".to_owned(), told(None))].into();
    facts.past.spool = vec![SpoolPast { date: date(2026, 11, 23), used: 9 }];
    let report = report(&config, &facts);
    assert_eq!(report.totals.bytes_by_hour, [5, 20, 108]);
    let points: Vec<&[u64]> = report.access_points.iter().map(|p| &*p.bytes_by_hour).collect();
    assert_eq!(points, [&[5, 0, 8], &[0, 20, 0]]);
    assert_eq!(report.safety.spool_past, facts.past.spool);
    let cards: Vec<_> = report.vehicles.iter().map(|v| v.loggers[0].card.as_ref()).collect();
    let known = CardLine {
        size: 100,
        taken: 20,
        overwrites: true,
        bytes_a_day: Some(7),
        full: Some(at("2026-12-01T00:00:00Z")),
        earliest: Some(at(NOON)),
        latest: Some(at("2026-12-24T00:00:00Z")),
    };
    let unknown = CardLine { bytes_a_day: None, full: None, earliest: None, latest: None, ..known.clone() };
    assert_eq!(cards, [None, Some(&known), Some(&unknown)]);
}
