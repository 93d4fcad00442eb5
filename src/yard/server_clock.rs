//! What the clock of a logger's server shows (HTTP `Date`). Pure.

use jiff::Timestamp;
use url::Url;

use crate::config::{Config, Logger};

/// A `Date` is cut to the second (RFC 9110, 5.6.7), ms.
const CUT: i64 = 1000;

/// By how much a clock is ahead of ours at least, ms, that showed this time at some moment between two of ours.
pub(super) fn ahead(shown: Timestamp, asked: Timestamp, came: Timestamp) -> i64 {
    let [shown, asked, came] = [shown, asked, came].map(Timestamp::as_millisecond);
    match (shown - came, shown + CUT - asked) {
        (most, _) if most > 0 => most,
        (_, least) if least < 0 => least,
        _ => 0,
    }
}

/// Whether no other logger of the list has this one's server: what serves several is none of them, and tells its own time.
pub(super) fn serves_itself(logger: &Logger, config: &Config) -> bool {
    let server = |url: &Url| Some((url.host_str()?.to_owned(), url.port_or_known_default()?));
    let mine: Vec<_> = logger.addresses.iter().filter_map(server).collect();
    let others = config.loggers.iter().filter(|other| other.id != logger.id);
    !others.flat_map(|other| &other.addresses).filter_map(server).any(|theirs| mine.contains(&theirs))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_is_off_by_no_more_than_a_slow_listing_leaves_sure() {
        let at = |s: f64| Timestamp::from_millisecond(1_795_500_000_000 + (s * 1e3) as i64).expect("moment");
        for (shown, asked, came, ms) in [
            (0.0, 0.4, 0.5, 0),
            (0.0, 0.0, 300.0, 0),
            (250.0, 0.0, 300.0, 0),
            (3_600.0, 0.0, 20.0, 3_580_000),
            (-3_600.0, 0.0, 20.0, -3_599_000),
        ] {
            assert_eq!(ahead(at(shown), at(asked), at(came)), ms, "{shown} between {asked} and {came}");
        }
        ahead(Timestamp::MAX, Timestamp::MIN, Timestamp::MIN);
        ahead(Timestamp::MIN, Timestamp::MAX, Timestamp::MAX);
    }
}
