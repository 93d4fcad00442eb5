//! When reports are made: at the clock times of the configuration, and at the end of a day. Pure.

use jiff::civil::{Date, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{SignedDuration, Timestamp};

use crate::ledger::OpenDay;
use crate::model::Day;

/// The moment at which a clock of that zone shows a time on a date. A time that a change of the
/// clocks skips is the first moment after the change, one that comes twice is the first of the two.
/// `None` at the ends of the calendar.
fn shown(date: Date, time: Time, zone: &TimeZone) -> Option<Timestamp> {
    let ambiguous = zone.to_ambiguous_timestamp(date.to_datetime(time));
    if let AmbiguousOffset::Gap { before, .. } = ambiguous.offset() {
        // By the offset from before the change it lies behind the change, or just at it.
        let behind = before.to_timestamp(date.to_datetime(time)).ok()?;
        let behind = behind.checked_add(SignedDuration::from_nanos(1)).ok()?;
        return Some(zone.preceding(behind).next()?.timestamp());
    }
    ambiguous.compatible().ok()
}

/// The moments within a day at which its reports are made, in order. The last report is made at the
/// day's end, and is none of them.
pub fn moments(day: &Day, at: &[Time], zone: &TimeZone) -> Vec<Timestamp> {
    let dates = [Some(day.date), day.date.tomorrow().ok()];
    let mut all: Vec<Timestamp> = dates
        .into_iter()
        .flatten()
        .flat_map(|date| at.iter().filter_map(move |time| shown(date, *time, zone)))
        .filter(|moment| day.from < *moment && *moment < day.to)
        .collect();
    all.sort();
    all.dedup();
    all
}

/// A report that is to be made now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Due {
    /// The day.
    pub day: Day,
    /// Whether it is the day's last.
    pub is_final: bool,
}

/// Which report of an open day is to be made now. Of several moments that have passed one report is
/// made; what lies before the day was opened is not made up for.
pub fn due(open: &OpenDay, at: &[Time], starts: Time, zone: &TimeZone, now: Timestamp) -> Option<Due> {
    let day = Day::of(open.date, starts, zone)?;
    if day.to <= now {
        return Some(Due { day, is_final: true });
    }
    let done = open.reported.unwrap_or(i64::MIN);
    let passed = |moment: &Timestamp| {
        let ms = moment.as_millisecond();
        *moment <= now && open.opened <= ms && done < ms
    };
    moments(&day, at, zone).iter().any(passed).then_some(Due { day, is_final: false })
}

/// The next moment after now at which something is due; `None` at the ends of the calendar.
pub fn next(at: &[Time], starts: Time, zone: &TimeZone, now: Timestamp) -> Option<Timestamp> {
    let day = Day::at(now, starts, zone)?;
    moments(&day, at, zone).into_iter().find(|moment| *moment > now).or(Some(day.to))
}

/// The days that begin after the one in which `lived` lies and end before `now`: those that the
/// service missed while it was down. The newest `most` of them, the oldest first.
pub fn missed(lived: Timestamp, now: Timestamp, starts: Time, zone: &TimeZone, most: usize) -> Vec<Day> {
    let mut all = Vec::new();
    let Some(mut day) = Day::at(now, starts, zone) else { return all };
    let before = |day: &Day| Day::of(day.date.yesterday().ok()?, starts, zone);
    while let Some(earlier) = before(&day).filter(|day| day.from > lived) {
        if all.len() == most {
            break;
        }
        all.push(earlier);
        day = earlier;
    }
    all.reverse();
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::{date, time};

    fn oslo() -> TimeZone {
        TimeZone::get("Europe/Oslo").expect("zone")
    }

    fn at(text: &str) -> Timestamp {
        text.parse().expect("moment")
    }

    fn times(all: &[&str]) -> Vec<Time> {
        all.iter().map(|text| text.parse().expect("time")).collect()
    }

    fn noon() -> Time {
        time(12, 0, 0, 0)
    }

    /// The European Union's clocks change at 01:00 UTC on the last Sundays of March and October
    /// (directive 2000/84/EC).
    #[test]
    fn a_skipped_moment_is_the_first_after_and_one_that_comes_twice_is_one() {
        for (day, starts, clocks, expected) in [
            (date(2026, 11, 24), "12:00", &["05:00"][..], &["2026-11-25T04:00:00Z"][..]),
            (
                date(2026, 11, 24),
                "12:00",
                &["05:00", "17:30"],
                &["2026-11-24T16:30:00Z", "2026-11-25T04:00:00Z"],
            ),
            // 02:00 to 03:00 is not there on 28 March 2027.
            (date(2027, 3, 27), "12:00", &["02:00"], &["2027-03-28T01:00:00Z"]),
            (date(2027, 3, 27), "12:00", &["02:30"], &["2027-03-28T01:00:00Z"]),
            (date(2027, 3, 27), "12:00", &["02:30", "02:59", "03:00"], &["2027-03-28T01:00:00Z"]),
            (
                date(2027, 3, 27),
                "12:00",
                &["01:59", "05:00"],
                &["2027-03-28T00:59:00Z", "2027-03-28T03:00:00Z"],
            ),
            // 02:00 to 03:00 comes twice on 25 October 2026.
            (date(2026, 10, 24), "12:00", &["02:30"], &["2026-10-25T00:30:00Z"]),
            (
                date(2026, 10, 24),
                "12:00",
                &["02:30", "05:00"],
                &["2026-10-25T00:30:00Z", "2026-10-25T04:00:00Z"],
            ),
            // The end of a day is none of its moments, and neither is its begin.
            (date(2026, 11, 24), "12:00", &["12:00"], &[]),
            (date(2026, 11, 24), "00:00", &["00:00", "23:59"], &["2026-11-24T22:59:00Z"]),
            // A day whose begin is skipped.
            (date(2027, 3, 28), "02:30", &["03:00", "03:30", "04:00"], &["2027-03-28T02:00:00Z"]),
        ] {
            let day = Day::of(day, starts.parse().expect("time"), &oslo()).expect("day");
            let expected: Vec<Timestamp> = expected.iter().map(|text| at(text)).collect();
            assert_eq!(moments(&day, &times(clocks), &oslo()), expected, "{} {starts} {clocks:?}", day.date);
        }
    }

    /// Lets a clock go through a day in steps of a minute, and makes what is due.
    fn made(from: &str, to: &str, starts: Time, clocks: &[&str]) -> Vec<(String, bool)> {
        let (mut now, mut all) = (at(from), Vec::new());
        let day = Day::at(now, starts, &oslo()).expect("day");
        let mut open = OpenDay { date: day.date, opened: now.as_millisecond(), reported: None };
        while now < at(to) {
            if let Some(due) = due(&open, &times(clocks), starts, &oslo(), now) {
                all.push((now.to_string(), due.is_final));
                open.reported = Some(now.as_millisecond());
                if due.is_final {
                    return all;
                }
            }
            now += SignedDuration::from_mins(1);
        }
        all
    }

    #[test]
    fn each_moment_of_a_day_makes_one_report_and_its_end_the_last() {
        for (from, to, clocks, expected) in [
            (
                "2026-10-24T10:00:00Z",
                "2026-10-25T12:00:00Z",
                &["02:30", "05:00"][..],
                &["2026-10-25T00:30:00Z", "2026-10-25T04:00:00Z", "2026-10-25T11:00:00Z"][..],
            ),
            (
                "2027-03-27T11:00:00Z",
                "2027-03-28T12:00:00Z",
                &["02:30", "05:00"],
                &["2027-03-28T01:00:00Z", "2027-03-28T03:00:00Z", "2027-03-28T10:00:00Z"],
            ),
            // The first start lies behind the moment.
            ("2026-11-25T06:00:00Z", "2026-11-25T12:00:00Z", &["05:00"], &["2026-11-25T11:00:00Z"]),
        ] {
            let made = made(from, to, noon(), clocks);
            let moments: Vec<&str> = made.iter().map(|(at, _)| at.as_str()).collect();
            assert_eq!(moments, expected);
            assert_eq!(made.iter().filter(|(_, is_final)| *is_final).count(), 1);
        }
    }

    #[test]
    fn moments_that_passed_while_the_service_was_down_make_one_report_and_none_twice() {
        let clocks = times(&["04:00", "05:00"]);
        let now = at("2026-11-25T06:00:00Z");
        let day = Day::at(now, noon(), &oslo()).expect("day");
        let mut open = OpenDay { date: day.date, opened: day.from.as_millisecond(), reported: None };
        assert_eq!(due(&open, &clocks, noon(), &oslo(), now), Some(Due { day, is_final: false }));
        open.reported = Some(now.as_millisecond());
        // The clock is set back before both of them.
        for minutes in 0..240 {
            let again = at("2026-11-25T02:00:00Z") + SignedDuration::from_mins(minutes);
            assert_eq!(due(&open, &clocks, noon(), &oslo(), again), None, "{again}");
        }
    }

    #[test]
    fn the_service_wakes_for_each_moment_and_for_the_end_of_the_day() {
        for (now, expected) in [
            ("2026-11-25T03:59:59Z", "2026-11-25T04:00:00Z"),
            ("2026-11-25T04:00:00Z", "2026-11-25T11:00:00Z"),
            ("2026-11-25T11:00:00Z", "2026-11-26T04:00:00Z"),
        ] {
            assert_eq!(next(&times(&["05:00"]), noon(), &oslo(), at(now)), Some(at(expected)), "{now}");
        }
    }

    #[test]
    fn days_that_were_missed_are_those_between_the_last_lived_one_and_now() {
        let dates = |lived: &str, now: &str, most: usize| -> Vec<String> {
            let days = missed(at(lived), at(now), noon(), &oslo(), most);
            days.iter().map(|day| day.date.to_string()).collect()
        };
        let monday = "2026-11-23T20:00:00Z";
        assert_eq!(dates(monday, "2026-11-24T09:00:00Z", 9), [""; 0]);
        assert_eq!(dates(monday, "2026-11-24T20:00:00Z", 9), [""; 0]);
        assert_eq!(dates(monday, "2026-11-27T20:00:00Z", 9), ["2026-11-24", "2026-11-25", "2026-11-26"]);
        assert_eq!(dates(monday, "2026-11-27T20:00:00Z", 2), ["2026-11-25", "2026-11-26"]);
        // A clock behind what was lived.
        assert_eq!(dates("2026-11-27T20:00:00Z", monday, 9), [""; 0]);
        // Over the change of the clocks.
        assert_eq!(dates("2026-10-23T20:00:00Z", "2026-10-26T20:00:00Z", 9), ["2026-10-24", "2026-10-25"]);
    }
}
