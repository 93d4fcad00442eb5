//! Reports for the tests of the forms: a night in which everything happened, and one in which nothing did.

use jiff::{SignedDuration, Timestamp};
use serde_json::json;

use super::audits::AuditLine;
use super::value::*;

/// A moment.
pub fn at(text: &str) -> Timestamp {
    text.parse().expect("moment")
}

fn finding(code: &str, state: FindingState, days: i64, cause: &str, action: &str) -> FindingLine {
    FindingLine {
        id: format!("{code}:x"),
        code: code.into(),
        severity: "act",
        since: at("2026-11-24T21:10:00Z") - SignedDuration::from_hours(24 * days),
        days,
        state,
        until: None,
        vehicles: Vec::new(),
        evidence: json!({ "tries": 3 }),
        cause: cause.into(),
        action: action.into(),
    }
}

/// A strip of 14 days that ends with the report's; `#/=oe-?.` as in the terminal, `!` a loss.
fn strip(marks: &str) -> Vec<StripDay> {
    let day = |(nth, mark): (usize, char)| StripDay {
        date: "2026-11-11".parse::<jiff::civil::Date>().expect("date")
            + SignedDuration::from_hours(24 * nth as i64),
        verdict: match mark {
            '#' => Some(Verdict::Complete),
            '/' | '!' => Some(Verdict::Incomplete),
            '=' => Some(Verdict::NoData),
            'o' => Some(Verdict::NotSeen),
            'e' => Some(Verdict::Elsewhere),
            '-' => Some(Verdict::Away),
            '?' => Some(Verdict::Unknown),
            _ => None,
        },
        lost: mark == '!',
    };
    marks.chars().enumerate().map(day).collect()
}

/// The hours of Tue 24 in Oslo.
fn hours(each: &str) -> Hours {
    Hours { from: at("2026-11-23T23:00:00Z"), each: each.into() }
}

/// A vehicle with one logger and 412 MB home.
pub fn vehicle(id: &str, verdict: Verdict, marks: &str) -> VehicleLine {
    let seen = !matches!(verdict, Verdict::NotSeen | Verdict::Away | Verdict::Elsewhere);
    let last_seen = Some(at(if seen { "2026-11-25T03:50:00Z" } else { "2026-11-20T06:30:00Z" }));
    let data_until = seen.then(|| at("2026-11-24T16:02:00Z"));
    let (n, bytes) = if seen { (24, 412_000_000) } else { (0, 0) };
    VehicleLine {
        id: id.into(),
        verdict,
        last_seen,
        data_until,
        files: FileCounts { archived: n, ..FileCounts::default() },
        bytes: Bytes { archived: bytes, delivered: bytes, ..Bytes::default() },
        coverage: None,
        hours: seen.then(|| hours("sssssddddddddddsssssssss")),
        away: None,
        leaves: None,
        strip: strip(marks),
        loggers: vec![LoggerLine {
            id: format!("L-{id}"),
            verdict,
            last_seen,
            data_until,
            listing_whole: seen,
            depot: (verdict == Verdict::Elsewhere).then(|| "south-yard".to_owned()),
            card: None,
        }],
        findings: Vec::new(),
    }
}

fn night(vehicles: Vec<VehicleLine>) -> Report {
    let n = |verdict| vehicles.iter().filter(|v| v.verdict == verdict).count() as u64;
    let sum = |f: fn(&VehicleLine) -> u64| vehicles.iter().map(f).sum::<u64>();
    Report {
        schema: SCHEMA,
        depot: "north-yard".into(),
        date: "2026-11-24".parse().expect("date"),
        from: at("2026-11-24T11:00:00Z"),
        to: at("2026-11-25T11:00:00Z"),
        as_of: at("2026-11-25T04:00:00Z"),
        is_final: false,
        totals: Totals {
            vehicles: vehicles.len() as u64,
            complete: n(Verdict::Complete),
            incomplete: n(Verdict::Incomplete),
            no_data: n(Verdict::NoData),
            not_seen: n(Verdict::NotSeen),
            elsewhere: n(Verdict::Elsewhere),
            unknown: n(Verdict::Unknown),
            away: n(Verdict::Away),
            files_archived: sum(|v| v.files.archived),
            bytes_archived: sum(|v| v.bytes.archived),
            files_lost: sum(|v| v.files.lost),
            files_held: sum(|v| v.files.held),
            bytes_delivered: sum(|v| v.bytes.delivered),
            bytes_fetched_twice: sum(|v| v.bytes.fetched_twice),
            cuts: 0,
            duplicates_avoided: 0,
            bytes_by_hour: by_hour(1_648_000_000),
        },
        vehicles,
        archives: vec![archive("central"), ArchiveLine { required: false, ..archive("office") }],
        access_points: vec![AccessPointLine {
            name: "east".into(),
            loggers: 7,
            answered: 5,
            usual: Some(6),
            bytes_delivered: 1_648_000_000,
            bytes_by_hour: by_hour(1_648_000_000),
            ..AccessPointLine::default()
        }],
        safety: Safety {
            proof: [("length", 1_290), ("digest", 20), ("reread", 8)].map(|(p, n)| (p.to_owned(), n)).into(),
            spool_used: 12_400_000_000,
            spool_limit: 200_000_000_000,
            spool_days: Some(16.4),
            spool_past: (0..13).map(spool_past).collect(),
            ..Safety::default()
        },
        blind: Vec::new(),
        corrections: Vec::new(),
        depots: None,
        not_home: Vec::new(),
        findings: Vec::new(),
    }
}

/// Bytes of a day by its hours: most in the evening, none after midnight.
fn by_hour(bytes: u64) -> Vec<u64> {
    let shares = [0, 0, 0, 4, 21, 30, 24, 13, 0, 2, 0, 6];
    shares.into_iter().chain([0; 12]).map(|share| bytes / 100 * share).collect()
}

/// What the spool held on a day from the 11th on.
fn spool_past(nth: i8) -> SpoolPast {
    SpoolPast { date: jiff::civil::date(2026, 11, 11 + nth), used: 1_000_000_000 * (1 + nth as u64 % 5) }
}

fn archive(name: &str) -> ArchiveLine {
    ArchiveLine { name: name.into(), required: true, files_waiting: 0, bytes_waiting: 0, away_since: None }
}

/// Everything is home.
pub fn best() -> Report {
    let ids = ["PLOW-01", "PLOW-02", "SWEEP-11", "REFUSE-07"];
    let mut all: Vec<_> = ids.iter().map(|id| vehicle(id, Verdict::Complete, "##--#####--###")).collect();
    all.push(VehicleLine {
        away: Some("season: December to March".into()),
        ..vehicle("PAVER-02", Verdict::Away, "--------------")
    });
    night(all)
}

/// Everything that can happen.
pub fn worst() -> Report {
    use FindingState::{Gone, Known, New, Snoozed, Worse};
    let mut plow = vehicle("PLOW-03", Verdict::Incomplete, "##--##/####/!!");
    plow.files = FileCounts { archived: 24, listed: 4, open: 1, lost: 2, backlog: 212, ..plow.files };
    plow.bytes =
        Bytes { to_fetch: 412_000_000, backlog: 31_200_000_000, fetched_twice: 312_000, ..plow.bytes };
    plow.hours = Some(hours("sssssddddmmddd??????????"));
    plow.findings = vec![
        finding(
            "file-lost",
            New,
            0,
            "2 files vanished before they were fetched; its card was full on Tue 24 Nov",
            "Keep its logger powered 20 minutes longer, or park it nearer to \"east\"",
        ),
        finding(
            "never-fits",
            Worse,
            3,
            "logs/00000412.log (1.2 GB) needs 55 minutes and it stays 30",
            "Keep its logger powered 60 minutes once, or let it write smaller files.",
        ),
        FindingLine {
            id: "card-fills:L-PLOW-03".into(),
            ..finding(
                "card-fills",
                New,
                0,
                "the card of L-PLOW-03 will be full by Fri 27 Nov (Thu 26 Nov to Mon 30 Nov): 1.21 GB a day, room for 2.10 GB",
                "Let PLOW-03 stand in range until its files are home: L-PLOW-03 overwrites the oldest.",
            )
        },
        finding("login-refused", Gone, 1, "L-PLOW-03 refused the login", "Correct it in vehicles.toml."),
    ];
    plow.loggers[0].card = Some(CardLine {
        size: 16_000_000_000,
        taken: 13_900_000_000,
        overwrites: true,
        bytes_a_day: Some(1_210_000_000),
        full: Some(at("2026-11-27T09:00:00Z")),
        earliest: Some(at("2026-11-26T15:00:00Z")),
        latest: Some(at("2026-11-30T11:00:00Z")),
    });
    let mut sweep = vehicle("SWEEP-11", Verdict::Incomplete, "###--##?####//");
    sweep.files = FileCounts { held: 1, whole: 4, ..sweep.files };
    sweep.findings = vec![
        finding(
            "wrong-logger",
            Known,
            2,
            "answers with the VIN of SWEEP-12: the two loggers may be swapped",
            "Check both before tonight; files since Mon 23 Nov are kept apart.",
        ),
        FindingLine {
            until: Some("2026-12-04".parse().expect("date")),
            ..finding("file-held", Snoozed, 9, "a file is held", "See yarder held.")
        },
        FindingLine {
            severity: "watch",
            ..finding(
                "reread-differs",
                Known,
                4,
                "logs/00000007.log was read twice and differed",
                "Nothing yet.",
            )
        },
    ];
    let mut vehicles = vec![
        vehicle("PLOW-01", Verdict::Complete, "##--#####--###"),
        plow,
        sweep,
        VehicleLine { strip: Vec::new(), ..vehicle("SWEEP-12", Verdict::NoData, "") },
        VehicleLine {
            away: Some("workshop until Fri 27 Nov".into()),
            ..vehicle("REFUSE-07", Verdict::Away, "##ooo---------")
        },
        vehicle("REFUSE-08", Verdict::Elsewhere, "########eeeeee"),
        vehicle("REFUSE-09", Verdict::Unknown, "..........###?"),
        VehicleLine {
            loggers: Vec::new(),
            last_seen: None,
            ..vehicle("VAN-1", Verdict::NotSeen, "......oooooooo")
        },
    ];
    vehicles.extend((1..=12).map(|n| vehicle(&format!("GRIT-{n:02}"), Verdict::NotSeen, "##--#####--##o")));
    let grit: Vec<String> = (1..=12).map(|n| format!("GRIT-{n:02}")).collect();
    let mut report = night(vehicles);
    report.totals.cuts = 41;
    report.totals.duplicates_avoided = 5;
    report.archives = vec![
        ArchiveLine {
            files_waiting: 4,
            bytes_waiting: 1_240_000_000,
            away_since: Some(at("2026-11-24T21:05:00Z")),
            ..archive("central")
        },
        ArchiveLine { required: false, ..archive("office") },
    ];
    let silent =
        AccessPointLine { name: "west".into(), loggers: 12, usual: Some(12), ..AccessPointLine::default() };
    report.access_points[0] =
        AccessPointLine { bytes_fetched_twice: 312_000, cuts: 41, ..report.access_points[0].clone() };
    report.access_points.push(silent);
    report.safety.files_waiting = 4;
    report.safety.bytes_waiting = 1_240_000_000;
    report.safety.backlog_files = 212;
    report.safety.backlog_bytes = 31_200_000_000;
    report.safety.backlog_ends = Some("2026-12-03".parse().expect("date"));
    report.safety.audits = vec![AuditLine {
        archive: "central".into(),
        ended: at("2026-11-22T11:52:00Z"),
        copies: 2_113,
        bytes: 12_300_000_000,
        differences: 1,
    }];
    report.blind = vec![
        Blind { from: at("2026-11-24T21:10:00Z"), to: at("2026-11-24T22:40:00Z"), why: "down" },
        Blind { from: at("2026-11-25T01:00:00Z"), to: at("2026-11-25T01:20:00Z"), why: "network" },
    ];
    report.corrections = vec![
        Correction {
            date: "2026-11-23".parse().expect("date"),
            vehicle: "PLOW-01".into(),
            was: Verdict::Incomplete,
            is: Verdict::Complete,
            files: 4,
        },
        Correction {
            date: "2026-11-22".parse().expect("date"),
            vehicle: "REFUSE-08".into(),
            was: Verdict::NotSeen,
            is: Verdict::Elsewhere,
            files: 0,
        },
    ];
    report.not_home = (0..9)
        .map(|n| NotHomeLine { vehicle: "PLOW-03".into(), path: format!("logs/{n:08}.log"), open: n > 7 })
        .collect();
    report.findings = vec![
        FindingLine {
            vehicles: grit,
            ..finding(
                "access-point-silent",
                New,
                0,
                "no logger at \"west\" answered after 22:10, usually 12 do",
                "Look at the access point first: its power, its cable, its channel.",
            )
        },
        finding(
            "archive-away",
            Known,
            1,
            "archive \"central\" is away: /srv/can-archive is not mounted",
            "See whether the share is mounted; nothing is lost meanwhile.",
        ),
    ];
    report
}

/// A report in which every name is hostile.
pub fn hostile() -> Report {
    let evil = "=<script>alert(\"1\")</script>'&\u{202e}gol\x1b[31m\r\n@x";
    let mut bad = vehicle(evil, Verdict::Incomplete, "#");
    bad.away = Some(evil.into());
    bad.loggers[0].id = evil.into();
    bad.hours = Some(hours(evil));
    bad.loggers[0].listing_whole = false;
    bad.files.listed = 1;
    bad.findings = vec![
        finding(evil, FindingState::New, 0, evil, evil),
        finding(evil, FindingState::Snoozed, 0, evil, evil),
        finding(evil, FindingState::Gone, 0, evil, evil),
        FindingLine { severity: "watch", ..finding("file-held", FindingState::New, 0, evil, evil) },
    ];
    let mut report = night(vec![bad]);
    report.depot = evil.into();
    report.archives[0].name = evil.into();
    report.access_points[0].name = evil.into();
    report.not_home = vec![NotHomeLine { vehicle: evil.into(), path: evil.into(), open: false }];
    report.corrections = vec![Correction {
        date: report.date,
        vehicle: evil.into(),
        was: Verdict::NotSeen,
        is: Verdict::Complete,
        files: 1,
    }];
    report.findings = vec![FindingLine {
        vehicles: vec![evil.into()],
        ..finding("file-held", FindingState::New, 0, evil, evil)
    }];
    report
}
