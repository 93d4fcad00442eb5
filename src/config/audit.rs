//! `[audit]`: when the service reads its archives again by itself.

use jiff::civil::{Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use super::calendar::weekday;
use super::raw::Table;
use super::units;

/// When a sample of each archive is read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Audits {
    /// The day of the week ...
    pub day: Weekday,
    /// ... and the clock time, in the depot's zone.
    pub at: Time,
    /// Share of the copies, in thousandths; 0 turns audits off.
    pub sample: u32,
}

impl Default for Audits {
    fn default() -> Self {
        Self { day: Weekday::Sunday, at: Time::constant(10, 0, 0, 0), sample: 20 }
    }
}

impl Audits {
    /// The last moment up to now at which an audit is due; `None` where they are turned off, and at the
    /// ends of the calendar.
    pub fn last(&self, zone: &TimeZone, now: Timestamp) -> Option<Timestamp> {
        if self.sample == 0 {
            return None;
        }
        let today = now.to_zoned_datetime(zone.clone()).date();
        // A week and a day: today's moment may still be to come.
        let moments = (0..=7).filter_map(|back| {
            let date = today.checked_sub(Span::new().days(back)).ok()?;
            // A time that a change of the clocks skips is the one after it.
            let moment = zone.to_timestamp(date.to_datetime(self.at)).ok()?;
            (date.weekday() == self.day && moment <= now).then_some(moment)
        });
        moments.max()
    }
}

/// Reads the table.
pub(super) fn read(mut table: Table<'_>) -> Audits {
    let default = Audits::default();
    let at = table.parsed("at", "a day and a clock time", "\"Sun 10:00\"", moment);
    let (day, at) = at.unwrap_or((default.day, default.at));
    let sample = table.parsed("sample", "a share", "\"2%\"", units::percent);
    table.finish(|_| None);
    Audits { day, at, sample: sample.and_then(|n| u32::try_from(n).ok()).unwrap_or(default.sample) }
}

/// `Sun 10:00`.
fn moment(text: &str) -> Result<(Weekday, Time), String> {
    let help = "write a day of the week and a clock time, like \"Sun 10:00\"";
    let (day, at) = text.split_once(' ').ok_or(help)?;
    Ok((weekday(day)?, units::clock(at.trim())?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn last(now: &str) -> String {
        let zone = TimeZone::get("Europe/Oslo").expect("zone");
        let last = Audits::default().last(&zone, now.parse().expect("moment")).expect("once a week");
        last.to_string()
    }

    #[test]
    fn an_audit_is_due_once_a_week_by_the_depots_clock() {
        assert_eq!(last("2026-11-29T09:00:00Z"), "2026-11-29T09:00:00Z");
        assert_eq!(last("2026-11-29T08:59:59Z"), "2026-11-22T09:00:00Z");
        assert_eq!(last("2026-12-05T23:00:00Z"), "2026-11-29T09:00:00Z");
        // The European Union's clocks went back on 25 October (directive 2000/84/EC).
        assert_eq!(last("2026-10-25T08:59:59Z"), "2026-10-18T08:00:00Z");
        let off = Audits { sample: 0, ..Audits::default() };
        assert_eq!(off.last(&TimeZone::UTC, Timestamp::UNIX_EPOCH), None);
    }

    #[test]
    fn what_is_no_day_and_time_is_refused_with_help() {
        assert_eq!(moment("Wed 03:30"), Ok((Weekday::Wednesday, Time::constant(3, 30, 0, 0))));
        for text in ["10:00", "Sun", "sunday 10:00", "Sun 25:00", "Sun,Mon 10:00"] {
            assert!(moment(text).is_err(), "{text}");
        }
    }
}
