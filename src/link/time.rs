//! Times as servers write them.

use jiff::Timestamp;

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
}
