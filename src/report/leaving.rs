//! Vehicles that are due out with files still on their loggers. Pure.

use jiff::{SignedDuration, Timestamp, ToSpan as _};
use serde_json::json;

use super::causes::Ground;
use super::value::{FindingLine, FindingState, Report, VehicleLine, Verdict};
use super::words::size;
use crate::config::Vehicle;
use crate::ledger::Severity;
use crate::model::amount::span;

/// What answered within this time is in range: it is listed this often when nothing waits (`quiet_when_done`), and
/// somewhat later.
const HERE: SignedDuration = SignedDuration::from_mins(15);

/// What holds a vehicle up for another reason, and is told as that.
fn told_already(report: &Report, line: &VehicleLine) -> bool {
    let there = |f: &FindingLine| !matches!(f.state, FindingState::Gone | FindingState::Snoozed);
    line.findings.iter().any(FindingLine::needs_person)
        || report.findings.iter().any(|f| there(f) && f.vehicles.contains(&line.id))
}

/// Whole minutes, in s.
fn minutes(s: f64) -> f64 {
    (s / 60.0).ceil().max(1.0) * 60.0
}

impl Ground<'_> {
    /// Adds what will not be home before its vehicle leaves, or was not.
    pub fn leaving(&self, report: &mut Report) {
        for nth in 0..report.vehicles.len() {
            let Some(line) = report.vehicles.get(nth) else { continue };
            let vehicle = self.config.vehicles.iter().find(|v| v.id.as_str() == line.id);
            if line.verdict != Verdict::Incomplete || line.bytes.to_fetch == 0 || told_already(report, line) {
                continue;
            }
            let found = vehicle.and_then(|vehicle| self.too_late(vehicle, line));
            if let Some(line) = report.vehicles.get_mut(nth) {
                line.findings.extend(found);
            }
        }
    }

    /// When a vehicle is due out within this day.
    fn due_out(&self, vehicle: &Vehicle) -> Option<Timestamp> {
        let zone = &self.config.depot.time_zone;
        let first = self.day.from.to_zoned_datetime(zone.clone()).date();
        let at = |date: jiff::civil::Date| zone.to_timestamp(date.to_datetime(vehicle.leaves?)).ok();
        let mut both = [Some(first), first.checked_add(1.day()).ok()].into_iter().flatten().filter_map(at);
        both.find(|at| (self.day.from..self.day.to).contains(at))
    }

    fn too_late(&self, vehicle: &Vehicle, line: &VehicleLine) -> Option<FindingLine> {
        let (out, seen, now) = (self.due_out(vehicle)?, line.last_seen?, self.as_of.min(self.day.to));
        let mine = self.config.loggers.iter().filter(|l| l.vehicle == vehicle.id);
        let rows = mine.filter_map(|l| self.facts.loggers.iter().find(|row| row.logger == l.id.as_str()));
        // Each at its own pace, one beside the other; unknown where one's is.
        let mut needs = Some(0.0f64);
        for row in rows.filter(|row| row.bytes_to_fetch > row.bytes_backlog) {
            let bytes = (row.bytes_to_fetch - row.bytes_backlog) as f64;
            let takes = row.hourly.map(|hourly| bytes / hourly.max(1) as f64 * 3600.0);
            needs = needs.zip(takes).map(|(a, b)| a.max(b));
        }
        let here = now.duration_since(seen) <= HERE;
        let left = if here { out.duration_since(now).as_secs_f64().max(0.0) } else { 0.0 };
        // In time, or nobody knows.
        if now < out && here && needs.is_none_or(|s| s <= left) {
            return None;
        }
        let (files, bytes) = (line.files.listed, size(line.bytes.to_fetch));
        let (at, seen) = (self.moment(out), self.moment(seen));
        let pace = needs.map_or(String::new(), |s| format!(", {} at its pace", span(minutes(s))));
        Some(FindingLine {
            evidence: json!({
                "leaves": out, "files": files, "bytes": line.bytes.to_fetch, "last_seen": line.last_seen,
                "needs_s": needs.map(f64::ceil), "left_s": left,
            }),
            cause: match (now < out, here) {
                (true, true) => format!("will not be home before it leaves at {at}: {bytes} to go{pace}"),
                (true, false) => {
                    format!(
                        "will not be home before it leaves at {at}: {bytes} to go{pace}, and not in range since {seen}"
                    )
                }
                (false, _) => {
                    format!("was due out at {at} and last seen at {seen}, with {bytes} to go{pace}")
                }
            },
            action: match needs {
                Some(s) => format!(
                    "Keep its logger powered in range {} longer, or park it nearer to its access point.",
                    span(minutes(s - left))
                ),
                None => "Keep its logger powered in range for longer, or park it nearer to its access point."
                    .to_owned(),
            },
            ..self.finding(
                "leaves-too-soon",
                &format!("{}/{}", line.id, self.day.date),
                Severity::Watch,
                self.part.0,
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use jiff::civil::time;

    use super::super::cause_tests::{facts, yard};
    use super::super::tests::{at, finding, ms, night};
    use super::super::{Facts, build};
    use super::*;
    use crate::config::Config;

    /// V0 has 412 MB to go, was seen at 04:50 and leaves at 05:30; at so many MB an hour.
    fn told(change: impl Fn(&mut Config, &mut Facts), hourly: Option<u64>, now: &str) -> Vec<FindingLine> {
        let mut config = yard(&["east"]);
        config.vehicles[0] =
            Arc::new(Vehicle { leaves: Some(time(5, 30, 0, 0)), ..(*config.vehicles[0]).clone() });
        let mut facts = facts(&config, &[0]);
        let row = &mut facts.loggers[0];
        (row.listed, row.bytes_to_fetch, row.hourly) = (4, 412_000_000, hourly.map(|mb| mb * 1_000_000));
        change(&mut config, &mut facts);
        let report = build(&config, &facts, &night(), at(now));
        report.vehicles.into_iter().flat_map(|v| v.findings).filter(|f| f.code == "leaves-too-soon").collect()
    }

    const FIVE: &str = "2026-11-25T04:00:00Z";

    #[test]
    fn what_will_not_be_home_before_its_vehicle_leaves_is_told_with_the_minutes_that_it_needs() {
        let all = told(|_, _| {}, Some(412), FIVE);
        let [one] = all.as_slice() else { panic!("{all:?}") };
        assert_eq!(
            one.cause,
            "will not be home before it leaves at 05:30: 412 MB to go, 60 minutes at its pace"
        );
        assert!(
            one.action.starts_with("Keep its logger powered in range 30 minutes longer"),
            "{}",
            one.action
        );
        assert_eq!((one.severity, one.state), ("watch", FindingState::New));
        assert_eq!(one.evidence["needs_s"], 3600.0);
        assert_eq!(told(|_, _| {}, Some(1000), FIVE), [], "24 minutes are there");
        assert_eq!(told(|_, _| {}, None, FIVE), [], "nobody knows its pace");
    }

    #[test]
    fn a_logger_that_is_out_of_range_brings_no_more_before_its_vehicle_leaves() {
        let silent = |_: &mut Config, facts: &mut Facts| {
            facts.loggers[0].last_seen = Some(ms("2026-11-24T21:14:00Z"));
            facts.loggers[0].seen = facts.loggers[0].last_seen;
        };
        let all = told(silent, Some(1236), FIVE);
        let cause = "will not be home before it leaves at 05:30: 412 MB to go, 20 minutes at its pace, and not in range since 22:14";
        assert_eq!(all.iter().map(|f| &*f.cause).collect::<Vec<_>>(), [cause]);
        assert!(all[0].action.contains("20 minutes longer"));
        assert!(told(silent, None, FIVE)[0].action.contains("for longer"));
        let gone = told(|_, _| {}, Some(412), "2026-11-25T11:00:00Z");
        assert_eq!(
            gone[0].cause,
            "was due out at 05:30 and last seen at 04:50, with 412 MB to go, 60 minutes at its pace"
        );
    }

    #[test]
    fn what_another_finding_explains_and_what_leaves_at_no_time_is_not_told_again() {
        let dark = |_: &mut Config, facts: &mut Facts| {
            facts.findings.push(finding("login-refused", Severity::Act, Some("V0"), "refused", "See."));
        };
        assert_eq!(told(dark, Some(412), FIVE), []);
        let any = |config: &mut Config, _: &mut Facts| {
            config.vehicles[0] = Arc::new(Vehicle { leaves: None, ..(*config.vehicles[0]).clone() });
        };
        assert_eq!(told(any, Some(412), FIVE), []);
        let home = |_: &mut Config, facts: &mut Facts| {
            (facts.loggers[0].listed, facts.loggers[0].bytes_to_fetch) = (0, 0);
        };
        assert_eq!(told(home, Some(412), FIVE), []);
        let stock = |_: &mut Config, facts: &mut Facts| {
            (facts.loggers[0].backlog, facts.loggers[0].bytes_backlog) = (4, 412_000_000);
        };
        assert_eq!(told(stock, Some(1), FIVE), [], "old stock spoils no day");
    }
}
