use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::time;
use jiff::tz::TimeZone;
use serde_json::json;

use super::words::Glyphs;
use super::*;
use crate::config::{
    ArchiveConfig, ArchiveTarget, Config, Depot, Kind, Layout, LayoutField, LayoutPart, Logger, Poll,
    Vehicle, Weekdays,
};
use crate::ledger::{FindingRow, LoggerDay, NotHome, Severity};
use crate::model::{ArchiveName, Day, LoggerId, VehicleId};

mod past;

pub(super) fn oslo() -> TimeZone {
    TimeZone::get("Europe/Oslo").expect("zone")
}

pub(super) fn ms(text: &str) -> i64 {
    at(text).as_millisecond()
}

pub(super) fn at(text: &str) -> Timestamp {
    text.parse().expect("moment")
}

/// A depot of the vehicles and loggers named: `(vehicle, logger)`.
pub(super) fn config(fleet: &[(&str, &str)]) -> Config {
    let kind = Arc::new(Kind::of_files(&["**/*.log"]));
    let mut vehicles: Vec<Arc<Vehicle>> = Vec::new();
    let mut loggers = Vec::new();
    for (vehicle, logger) in fleet {
        let id = VehicleId::new(vehicle).expect("id");
        if vehicles.iter().all(|v| v.id != id) {
            vehicles.push(Arc::new(Vehicle {
                id: id.clone(),
                vin: None,
                access_point: None,
                works: None,
                season: None,
                away: Vec::new(),
                leaves: None,
            }));
        }
        if logger.is_empty() {
            continue;
        }
        loggers.push(Arc::new(Logger {
            id: LoggerId::new(logger).expect("id"),
            vehicle: id,
            kind: kind.clone(),
            addresses: vec!["http://127.0.0.1:9/logs/".parse().expect("address")],
            login: None,
            access_point: None,
            serial: None,
        }));
    }
    Config {
        depot: Depot {
            name: "north-yard".into(),
            time_zone: oslo(),
            day_starts: time(12, 0, 0, 0),
            state_dir: PathBuf::from("/nowhere"),
            spool_limit: 1,
            spool_reserve: 1,
            lost_keep: Duration::from_secs(1),
            backup_limit: 10_000_000_000,
            works: Weekdays::DEFAULT,
            season: None,
            holidays: Vec::new(),
        },
        poll: Poll {
            every: Duration::from_secs(20),
            connect_timeout: Duration::from_secs(3),
            list_every: Duration::from_secs(60),
            idle_timeout: Duration::from_secs(20),
            max_transfers: 8,
        },
        report: crate::config::Reports::default(),
        audit: crate::config::Audits::default(),
        access_points: Vec::new(),
        archives: vec![Arc::new(ArchiveConfig {
            name: ArchiveName::new("central").expect("name"),
            target: ArchiveTarget::File("/nowhere/archive".into()),
            required: true,
            layout: Layout(vec![LayoutPart::Field(LayoutField::Path)]),
            file_mode: 0o640,
        })],
        vehicles,
        loggers,
    }
}

/// Seen at 04:50 by a whole listing, everything home.
pub(super) fn done(logger: &str) -> LoggerDay {
    LoggerDay {
        logger: logger.into(),
        last_seen: Some(ms("2026-11-25T03:50:00Z")),
        seen: Some(ms("2026-11-25T03:50:00Z")),
        last_whole: Some(ms("2026-11-25T03:50:00Z")),
        data_until: Some(ms("2026-11-24T16:02:00Z")),
        archived_files: 24,
        archived_bytes: 412_000_000,
        bytes: 412_065_536,
        ..LoggerDay::default()
    }
}

pub(super) fn finding(
    code: &str,
    severity: Severity,
    vehicle: Option<&str>,
    cause: &str,
    action: &str,
) -> FindingRow {
    FindingRow {
        id: format!("{code}:{}", vehicle.unwrap_or("central")),
        code: code.into(),
        severity,
        vehicle: vehicle.map(str::to_owned),
        logger: None,
        since: ms("2026-11-24T21:10:00Z"),
        last: ms("2026-11-25T03:50:00Z"),
        gone: None,
        evidence: json!({ "tries": 3 }),
        cause: cause.into(),
        action: action.into(),
    }
}

pub(super) fn night() -> Day {
    Day::at(at("2026-11-25T04:00:00Z"), time(12, 0, 0, 0), &oslo()).expect("day")
}

pub(super) fn report(config: &Config, facts: &Facts) -> Report {
    build(config, facts, &night(), at("2026-11-25T04:00:00Z"))
}

fn text(report: &Report) -> String {
    text::render(report, &oslo(), Glyphs::PLAIN)
}

fn not_home(n: u64, open: bool) -> NotHome {
    let path = crate::model::RemotePath::new(format!("logs/{n:08}.log").as_bytes()).expect("path");
    NotHome { logger: "L-0403".into(), path, open }
}

/// A night in which most things happened.
fn mixed() -> Report {
    let config = config(&[
        ("PLOW-01", "L-0401"),
        ("PLOW-03", "L-0403"),
        ("SWEEP-11", "L-0411"),
        ("SWEEP-12", "L-0412"),
        ("REFUSE-07", "L-0407"),
        ("REFUSE-07", "L-0408"),
        ("REFUSE-09", ""),
    ]);
    let facts = Facts {
        loggers: vec![
            done("L-0401"),
            LoggerDay {
                listed: 3,
                fetching: 2,
                backlog: 2,
                bytes_to_fetch: 512_000_000,
                bytes_backlog: 100_000_000,
                open: 1,
                lost: 2,
                twice: 312_000,
                cuts: 41,
                ..done("L-0403")
            },
            LoggerDay { archived_files: 0, archived_bytes: 0, held: 1, whole: 4, ..done("L-0411") },
            LoggerDay {
                logger: "L-0412".into(),
                last_seen: Some(ms("2026-11-20T06:30:00Z")),
                last_whole: Some(ms("2026-11-20T06:30:00Z")),
                data_until: Some(ms("2041-01-01T00:00:00Z")),
                ..LoggerDay::default()
            },
            done("L-0407"),
            LoggerDay { last_whole: None, ..done("L-0408") },
        ],
        findings: vec![
            finding(
                "archive-away",
                Severity::Act,
                None,
                "archive \"central\" is away: /srv/can-archive is not mounted",
                "See whether the share is mounted; nothing is lost meanwhile.",
            ),
            finding(
                "file-lost",
                Severity::Act,
                Some("PLOW-03"),
                "2 files vanished before they were fetched; its card was full on Tue 24 Nov",
                "Keep its logger powered 20 minutes longer, or park it nearer to \"east\"",
            ),
            finding(
                "only-copy-gone",
                Severity::Act,
                Some("SWEEP-11"),
                "2 of its files lay in the archive that \"central\" was before, and nowhere else: logs/00000017.log, logs/00000018.log",
                "Bring the former archive \"central\" back.",
            ),
            finding(
                "partial-dropped",
                Severity::Watch,
                Some("SWEEP-12"),
                "the spool was full of unfinished files, so that what had come of logs/00000412.log (48 MB) was dropped",
                "Nothing for this file: it is fetched from its start when the vehicle comes.",
            ),
            FindingRow {
                since: ms("2026-11-20T21:10:00Z"),
                ..finding(
                    "listing-not-whole",
                    Severity::Watch,
                    Some("REFUSE-07"),
                    "the folder \"2026\" of L-0408 could not be read",
                    "Look at the card.",
                )
            },
            FindingRow {
                gone: Some(ms("2026-11-25T01:00:00Z")),
                ..finding(
                    "login-refused",
                    Severity::Act,
                    Some("PLOW-01"),
                    "L-0401 refused the login",
                    "Check it.",
                )
            },
        ],
        owed: vec![("central".into(), 4, 1_240_000_000)],
        duplicates_avoided: 5,
        not_home: (0..8).map(|n| not_home(n, n > 2)).collect(),
        ..Facts::default()
    };
    report(&config, &facts)
}

/// Compares with a file under tests/golden/report; `YARDER_BLESS=1` writes it anew.
pub(super) fn golden(name: &str, found: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden/report").join(name);
    if std::env::var_os("YARDER_BLESS").is_some() {
        std::fs::write(&path, found).expect("written");
    }
    let want = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(found, want, "{name} differs; look at it, then write it anew with YARDER_BLESS=1");
}

#[test]
fn a_mixed_night_reads_as_it_should() {
    let report = mixed();
    assert!(report.needs_person());
    golden("mixed.txt", &text(&report));
    golden("mixed.ascii.txt", &text::render(&report, &oslo(), Glyphs { ascii: true, colours: false }));
    let mut json = serde_json::to_string_pretty(&report).expect("json");
    json.push('\n');
    golden("mixed.json", &json);
}

#[test]
fn a_quiet_night_says_so_in_its_first_sentence() {
    let config = config(&[("PLOW-01", "L-0401"), ("PLOW-02", "L-0402")]);
    let facts = Facts { loggers: vec![done("L-0401"), done("L-0402")], ..Facts::default() };
    let report = report(&config, &facts);
    assert!(!report.needs_person());
    golden("quiet.txt", &text(&report));
}

#[test]
fn a_day_without_any_vehicle_says_so() {
    let config = config(&[("PLOW-01", "L-0401"), ("PLOW-02", "L-0402")]);
    let report = report(&config, &Facts::default());
    assert_eq!(report.totals.not_seen, 2);
    golden("unseen.txt", &text(&report));
}

#[test]
fn hostile_names_stay_names() {
    let config = config(&[("PLOW-01", "L-0401")]);
    let hostile = "the file \"\x1b[2J\x1b]0;owned\x07a\u{202e}gol.exe\r\nAll vehicles complete.\" differs";
    let facts = Facts {
        loggers: vec![done("L-0401")],
        findings: vec![finding("reread-differs", Severity::Act, Some("PLOW-01"), hostile, hostile)],
        ..Facts::default()
    };
    let report = report(&config, &facts);
    let page = text(&report);
    assert!(!page.chars().any(|c| c != '\n' && c.is_control() || c == '\u{202e}'), "{page:?}");
    assert!(!page.contains("\nAll vehicles complete."), "{page}");
    golden("hostile.txt", &page);
    golden("hostile.json", &(words::json(&report) + "\n"));
}

#[test]
fn lines_fit_eighty_columns_whatever_the_fleet_is_called() {
    let long = "V".repeat(64);
    let fleet = [(long.as_str(), "L-1"), ("B", "L-2")];
    let config = config(&fleet);
    let facts = Facts {
        loggers: vec![done("L-1"), LoggerDay { bytes_to_fetch: 1, listed: 1, ..done("L-2") }],
        findings: vec![finding("file-held", Severity::Act, Some(&long), &"word ".repeat(60), "Look.")],
        ..Facts::default()
    };
    for line in text(&report(&config, &facts)).lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

#[test]
fn old_stock_does_not_spoil_the_verdict_and_anything_else_does() {
    let config = config(&[("PLOW-01", "L-0401")]);
    let verdict = |row: LoggerDay| {
        report(&config, &Facts { loggers: vec![row], ..Facts::default() }).vehicles[0].verdict
    };
    assert_eq!(verdict(LoggerDay { listed: 9, backlog: 9, ..done("L-0401") }), Verdict::Complete);
    assert_eq!(verdict(LoggerDay { open: 1, ..done("L-0401") }), Verdict::Complete);
    for spoiled in [
        LoggerDay { listed: 1, ..done("L-0401") },
        LoggerDay { fetching: 1, ..done("L-0401") },
        LoggerDay { whole: 1, ..done("L-0401") },
        LoggerDay { held: 1, ..done("L-0401") },
        LoggerDay { lost: 1, ..done("L-0401") },
        LoggerDay { last_whole: Some(ms("2026-11-24T10:59:59Z")), ..done("L-0401") },
        LoggerDay { last_whole: None, ..done("L-0401") },
    ] {
        assert_eq!(verdict(spoiled.clone()), Verdict::Incomplete, "{spoiled:?}");
    }
    assert_eq!(verdict(LoggerDay { seen: None, ..done("L-0401") }), Verdict::NotSeen);
}

#[test]
fn a_logger_that_answers_without_a_listing_is_incomplete_and_not_unseen() {
    let config = config(&[("PLOW-01", "L-0401")]);
    let made = |code: &str, last: &str| {
        let base = finding(code, Severity::Act, Some("PLOW-01"), "a login page answers", "Look.");
        let row = FindingRow { logger: Some("L-0401".into()), last: ms(last), ..base };
        report(&config, &Facts { findings: vec![row], ..Facts::default() })
    };
    for code in ["not-a-listing", "login-refused", "logger-answers-badly", "wrong-logger"] {
        let report = made(code, "2026-11-25T03:12:00Z");
        let vehicle = &report.vehicles[0];
        assert_eq!(vehicle.verdict, Verdict::Incomplete, "{code}");
        assert_eq!(vehicle.last_seen, Some(at("2026-11-25T03:12:00Z")));
        assert_eq!((report.totals.incomplete, report.totals.not_seen), (1, 0));
        assert!(text(&report).contains("The vehicle is not complete. It needs you.\n"), "{}", text(&report));
    }
    assert_eq!(made("not-a-listing", "2026-11-23T03:12:00Z").vehicles[0].verdict, Verdict::NotSeen);
    let old = made("file-lost", "2026-11-25T03:12:00Z");
    assert_eq!(old.vehicles[0].verdict, Verdict::NotSeen);
    assert!(text(&old).contains("What was found before still needs you."), "{}", text(&old));
}

#[test]
fn a_vehicle_takes_the_worst_of_its_loggers_and_the_sums_add_up() {
    let report = mixed();
    let of = |id: &str| report.vehicles.iter().find(|v| v.id == id).expect("vehicle").verdict;
    assert_eq!(of("REFUSE-07"), Verdict::Incomplete);
    assert_eq!(of("REFUSE-09"), Verdict::NotSeen);
    let t = &report.totals;
    assert_eq!(
        t.vehicles,
        t.complete + t.incomplete + t.no_data + t.not_seen + t.elsewhere + t.unknown + t.away
    );
}

#[test]
fn a_finding_is_new_known_or_gone_and_only_an_act_that_is_there_needs_a_person() {
    let config = config(&[("PLOW-01", "L-0401")]);
    let state = |row: FindingRow| {
        let facts = Facts { loggers: vec![done("L-0401")], findings: vec![row], ..Facts::default() };
        let report = report(&config, &facts);
        (report.vehicles[0].findings[0].state, report.needs_person(), report.vehicles[0].verdict)
    };
    let base = finding("file-stuck", Severity::Act, Some("PLOW-01"), "stuck", "look");
    assert_eq!(state(base.clone()), (FindingState::New, true, Verdict::Incomplete));
    let known = FindingRow { since: ms("2026-11-20T00:00:00Z"), ..base.clone() };
    assert_eq!(state(known), (FindingState::Known, true, Verdict::Incomplete));
    let gone = FindingRow { gone: Some(ms("2026-11-25T00:00:00Z")), ..base.clone() };
    assert_eq!(state(gone), (FindingState::Gone, false, Verdict::Complete));
    let watch = FindingRow { severity: Severity::Watch, ..base };
    assert_eq!(state(watch), (FindingState::New, false, Verdict::Complete));
}

/// A wall clock that is set.
#[derive(Debug)]
struct Set(std::sync::Mutex<Timestamp>);

impl crate::clock::Clock for Set {
    fn now(&self) -> Timestamp {
        *self.0.lock().expect("lock")
    }
    fn mono(&self) -> Duration {
        Duration::ZERO
    }
    fn sleep(&self, _: Duration) -> futures_util::future::BoxFuture<'static, ()> {
        Box::pin(std::future::ready(()))
    }
}

#[tokio::test]
async fn a_past_day_knows_who_was_seen_in_it_although_he_was_seen_since() {
    use crate::ledger::{Ledger, VisitCounts};
    let dir = tempfile::tempdir().expect("dir");
    let clock = Arc::new(Set(std::sync::Mutex::new(at("2026-11-24T20:00:00Z"))));
    let edges = crate::edges::Edges { clock: clock.clone(), ..crate::edges::Edges::real() };
    let ledger = Ledger::open(&edges, dir.path()).expect("ledger");
    let logger = ledger.logger("L-0401", "PLOW-01").await.expect("logger");
    // One that is off the list brings something in a visit of two days.
    let other = ledger.logger("L-0402", "PLOW-02").await.expect("logger");
    let long = ledger.begin_visit(other.key).await.expect("visit");
    for moment in ["2026-11-24T20:00:00Z", "2026-11-26T20:00:00Z"] {
        *clock.0.lock().expect("lock") = at(moment);
        let visit = ledger.begin_visit(logger.key).await.expect("visit");
        ledger.apply(&logger, "PLOW-01", true, Vec::new()).await.expect("listed");
        let counts = VisitCounts { listings: 1, ..VisitCounts::default() };
        ledger.visit(visit, counts, Some("left".into())).expect("ended");
        let bytes = if visit == long + 1 { 7 } else { 12 };
        ledger.visit(long, VisitCounts { bytes, ..counts }, None).expect("told");
        ledger.settled().await.expect("committed");
    }
    let query = crate::ledger::read(dir.path()).expect("query");
    let config = config(&[("PLOW-01", "L-0401")]);
    let verdict = |moment: &str| {
        let day = Day::at(at(moment), time(12, 0, 0, 0), &oslo()).expect("day");
        let now = at("2026-11-27T04:00:00Z");
        let facts = Facts::read(&query, &config, &day, now).expect("facts");
        let report = build(&config, &facts, &day, now);
        let air: Vec<_> = report.totals.bytes_by_hour.iter().enumerate().filter(|(_, n)| **n > 0).collect();
        let seen = report.vehicles[0].last_seen.filter(|_| report.vehicles[0].verdict != Verdict::NotSeen);
        let came = if moment.starts_with("2026-11-24") { 7 } else { 5 };
        assert_eq!(air, seen.map(|_| (9, &came)).into_iter().collect::<Vec<_>>(), "from 21:00 in Oslo");
        assert_eq!(report.totals.bytes_delivered, seen.map_or(0, |_| came));
        (report.vehicles[0].verdict, report.vehicles[0].last_seen)
    };
    assert_eq!(verdict("2026-11-24T20:00:00Z"), (Verdict::Complete, Some(at("2026-11-24T20:00:00Z"))));
    assert_eq!(verdict("2026-11-25T20:00:00Z").0, Verdict::NotSeen);
    // It came home with nothing new.
    assert_eq!(verdict("2026-11-26T20:00:00Z"), (Verdict::NoData, Some(at("2026-11-26T20:00:00Z"))));
}
