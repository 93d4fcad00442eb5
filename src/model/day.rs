//! The depot's day: from `day_starts` to `day_starts` in its zone.

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

/// One day of a depot. It bears the date on which it begins, so that a night belongs to one day,
/// and lasts 23 or 25 hours where the zone's clocks change within it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Day {
    /// The date on which it begins.
    pub date: Date,
    /// Its first moment.
    pub from: Timestamp,
    /// The first moment of the next one.
    pub to: Timestamp,
}

impl Day {
    /// The day of that date; `None` at the ends of the calendar. Where a change of the clocks
    /// skips `starts`, the day begins that much later; where it comes twice, at the first.
    pub fn of(date: Date, starts: Time, zone: &TimeZone) -> Option<Self> {
        let begins = |date: Date| zone.to_timestamp(date.to_datetime(starts)).ok();
        Some(Self { date, from: begins(date)?, to: begins(date.tomorrow().ok()?)? })
    }

    /// The day in which a moment lies; `None` at the ends of the calendar.
    pub fn at(now: Timestamp, starts: Time, zone: &TimeZone) -> Option<Self> {
        let today = Self::of(zone.to_datetime(now).date(), starts, zone)?;
        if now < today.from { Self::of(today.date.yesterday().ok()?, starts, zone) } else { Some(today) }
    }

    /// The calendar day of its date, from midnight to midnight in ms: the day that vehicles drove before they came
    /// home in it.
    pub fn calendar(&self, zone: &TimeZone) -> (i64, i64) {
        let midnight = |date: Date| zone.to_timestamp(date.to_datetime(Time::midnight()));
        let ms =
            |date: Option<Date>| date.and_then(|date| midnight(date).ok()).map(Timestamp::as_millisecond);
        let from = ms(Some(self.date)).unwrap_or(self.from.as_millisecond());
        (from, ms(self.date.tomorrow().ok()).unwrap_or(from))
    }
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

    #[test]
    fn a_night_belongs_to_the_day_on_which_it_begins() {
        let noon = time(12, 0, 0, 0);
        let night = Day::at(at("2026-11-25T04:00:00Z"), noon, &oslo()).expect("day");
        assert_eq!(night.date, date(2026, 11, 24));
        assert_eq!(night.from, at("2026-11-24T11:00:00Z"));
        assert_eq!(night.to, at("2026-11-25T11:00:00Z"));
        assert_eq!(Day::at(night.to, noon, &oslo()).expect("day").date, date(2026, 11, 25));
    }

    /// The European Union's clocks change at 01:00 UTC on the last Sundays of March and October
    /// (directive 2000/84/EC).
    #[test]
    fn days_on_which_the_clocks_change_last_23_and_25_hours() {
        let hours = |date| {
            let day = Day::of(date, time(12, 0, 0, 0), &oslo()).expect("day");
            day.to.duration_since(day.from).as_hours()
        };
        assert_eq!(hours(date(2027, 3, 27)), 23);
        assert_eq!(hours(date(2026, 10, 24)), 25);
        assert_eq!(hours(date(2026, 11, 24)), 24);
        let calendar = |date| {
            let (from, to) = Day::of(date, time(12, 0, 0, 0), &oslo()).expect("day").calendar(&oslo());
            (to - from) / 3_600_000
        };
        assert_eq!([date(2027, 3, 28), date(2026, 10, 25), date(2026, 11, 24)].map(calendar), [23, 25, 24]);
    }

    #[test]
    fn every_moment_lies_in_its_day_whenever_the_day_starts() {
        for starts in [time(0, 0, 0, 0), time(2, 30, 0, 0), time(12, 0, 0, 0)] {
            for around in ["2027-03-27T20:00:00Z", "2026-10-24T20:00:00Z"] {
                for step in 0..80 {
                    let now = at(around) + jiff::SignedDuration::from_mins(15 * step);
                    let day = Day::at(now, starts, &oslo()).expect("day");
                    assert!(day.from <= now && now < day.to, "{now} in {day:?}");
                }
            }
        }
    }
}
