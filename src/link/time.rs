//! Times as servers write them.

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

use crate::model::{ListedTime, Precision};

/// An HTTP date in its three forms (RFC 9110, 5.6.7).
pub fn parse_http_date(text: &str) -> Option<Timestamp> {
    let text = text.trim();
    // IMF-fixdate is RFC 5322's form with a fixed zone.
    if let Ok(zoned) = jiff::fmt::rfc2822::parse(text) {
        return Some(zoned.timestamp());
    }
    ["%A, %d-%b-%y %H:%M:%S", "%a %b %e %H:%M:%S %Y"].iter().find_map(|form| {
        let civil = jiff::civil::DateTime::strptime(form, text.trim_end_matches(" GMT")).ok()?;
        jiff::tz::TimeZone::UTC.to_timestamp(civil).ok()
    })
}

/// A time as directory indexes show it, in two words: `14-Nov-2023`, `2023-11-14` or `2023-Nov-14`,
/// then `22:13` or `22:13:21`. The forms tell no zone, so the caller's is taken.
pub(crate) fn parse_listed_time(date: &str, time: &str, zone: &TimeZone) -> Option<ListedTime> {
    let date =
        ["%d-%b-%Y", "%Y-%m-%d", "%Y-%b-%d"].iter().find_map(|form| Date::strptime(form, date).ok())?;
    let (time, precision) = match Time::strptime("%H:%M:%S", time) {
        Ok(time) => (time, Precision::Second),
        Err(_) => (Time::strptime("%H:%M", time).ok()?, Precision::Minute),
    };
    let at = zone.to_timestamp(date.to_datetime(time)).ok()?;
    Some(ListedTime { at, precision, zone_told: false })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of RFC 9110, 5.6.7: one moment in three forms.
    #[test]
    fn three_forms_of_one_moment() {
        let want: Timestamp = "1994-11-06T08:49:37Z".parse().expect("moment");
        for form in
            ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"]
        {
            assert_eq!(parse_http_date(form), Some(want), "{form}");
        }
        assert_eq!(parse_http_date("yesterday"), None);
    }

    /// Forms recorded from nginx 1.22.1, Apache 2.4.71 and lighttpd 1.4.69 at UTC+05:30.
    #[test]
    fn listed_times_take_the_zone_of_the_kind() {
        let zone = TimeZone::posix("TST-5:30").expect("zone");
        for (date, time, want, precision) in [
            ("15-Nov-2023", "03:43", "2023-11-14T22:13:00Z", Precision::Minute),
            ("2023-11-15", "03:43", "2023-11-14T22:13:00Z", Precision::Minute),
            ("2023-Nov-15", "03:43:21", "2023-11-14T22:13:21Z", Precision::Second),
        ] {
            let at = want.parse().expect("moment");
            let listed = parse_listed_time(date, time, &zone);
            assert_eq!(listed, Some(ListedTime { at, precision, zone_told: false }), "{date}");
        }
        assert_eq!(parse_listed_time("aN-Invalid", "Date-NaN", &TimeZone::UTC), None);
        assert_eq!(parse_listed_time("-", "5M", &TimeZone::UTC), None);
    }
}
