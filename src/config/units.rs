//! Texts with units: sizes, times, rates, clock times, shares.
//!
//! An error is the sentence that helps: what to write instead.

use std::time::Duration;

use jiff::civil::Time;

const SIZES: &[(&str, u64)] = &[
    ("KiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
    ("kB", 1_000),
    ("MB", 1_000_000),
    ("GB", 1_000_000_000),
];
const TIMES: &[(&str, u64)] =
    &[("ms", 1), ("s", 1_000), ("min", 60_000), ("h", 3_600_000), ("d", 86_400_000)];
/// In bits a second.
const RATES: &[(&str, u64)] = &[("kbit/s", 1_000), ("Mbit/s", 1_000_000), ("MB/s", 8_000_000)];

/// Bytes: `200 GB`, `1.5 GiB`.
pub(super) fn size(text: &str) -> Result<u64, String> {
    number_with_unit(text, SIZES, "write a number and one of kB MB GB KiB MiB GiB, like \"200 GB\"")
}

/// A length of time: `20s`, `15min`, `7d`.
pub(super) fn span(text: &str) -> Result<Duration, String> {
    number_with_unit(text, TIMES, "write a number and one of ms s min h d, like \"20s\" or \"15min\"")
        .map(Duration::from_millis)
}

/// Bytes a second: `60 Mbit/s`.
pub(super) fn rate(text: &str) -> Result<u64, String> {
    number_with_unit(text, RATES, "write a number and one of kbit/s Mbit/s MB/s, like \"60 Mbit/s\"")
        .map(|bits| bits / 8)
}

/// A clock time: `12:00`.
pub(super) fn clock(text: &str) -> Result<Time, String> {
    let parse = || {
        let (hour, minute) = text.split_once(':')?;
        let two = |t: &str| (t.len() == 2 && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse().ok());
        Time::new(two(hour)??, two(minute)??, 0, 0).ok()
    };
    parse().ok_or_else(|| "write hours and minutes, like \"05:00\" or \"17:30\"".to_owned())
}

/// A share in tenths of a percent: `100%`, `2.5%`.
pub(super) fn percent(text: &str) -> Result<u64, String> {
    let help = "write a share from 0% to 100%, like \"50%\"";
    let tenths = number_with_unit(text, &[("%", 10)], help)?;
    if tenths <= 1000 { Ok(tenths) } else { Err(help.to_owned()) }
}

/// A time as it is written here, in its largest whole unit.
pub(super) fn span_text(span: Duration) -> String {
    let ms = span.as_millis();
    let fits = TIMES.iter().rev().find(|(_, unit)| ms.is_multiple_of(u128::from(*unit)));
    match fits {
        Some((name, unit)) if ms > 0 => format!("{}{name}", ms / u128::from(*unit)),
        _ => "0s".to_owned(),
    }
}

/// A size as it is written here, in its largest whole unit.
pub(super) fn size_text(bytes: u64) -> String {
    let mut units: Vec<_> = SIZES.to_vec();
    units.sort_by_key(|(_, unit)| std::cmp::Reverse(*unit));
    let fits = units.iter().find(|(_, unit)| bytes.is_multiple_of(*unit) && bytes > 0);
    fits.map_or_else(|| format!("{bytes} bytes"), |(name, unit)| format!("{} {name}", bytes / unit))
}

fn number_with_unit(text: &str, units: &[(&str, u64)], help: &str) -> Result<u64, String> {
    let text = text.trim();
    let split = text.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ' ' || c == '_'));
    let Some(split) = split.filter(|at| *at > 0) else { return Err(help.to_owned()) };
    let (number, unit) = text.split_at(split);
    let Some((_, factor)) = units.iter().find(|(name, _)| *name == unit) else {
        // `200 gb`, `15 m`, `2 hours`: the unit that was most likely meant.
        let alike = units.iter().find(|(name, _)| name.eq_ignore_ascii_case(unit)).or_else(|| {
            let begins = |name: &str, by: &str| name.starts_with(by) || by.starts_with(name);
            units.iter().rev().find(|(name, _)| begins(name, unit))
        });
        return Err(match alike {
            Some((name, _)) => format!("`{unit}` is no unit here, did you mean `{name}`? {help}"),
            None => help.to_owned(),
        });
    };
    let digits = number.replace([' ', '_'], "");
    let (whole, part) = digits.split_once('.').unwrap_or((&digits, "0"));
    if part.is_empty() || part.len() > 9 {
        return Err(help.to_owned());
    }
    let value = || {
        let scale = 10u64.pow(part.len() as u32);
        let whole = whole.parse::<u64>().ok()?.checked_mul(*factor)?;
        let part = u128::from(part.parse::<u64>().ok()?) * u128::from(*factor) / u128::from(scale);
        whole.checked_add(u64::try_from(part).ok()?)
    };
    value().ok_or_else(|| help.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_powers_of_ten_or_of_two_as_their_unit_says() {
        for (text, bytes) in [
            ("1 kB", 1_000),
            ("200 GB", 200_000_000_000),
            ("200GB", 200_000_000_000),
            ("1.5 MiB", 1_572_864),
            ("10 000 kB", 10_000_000),
            ("0 MB", 0),
        ] {
            assert_eq!(size(text), Ok(bytes), "{text}");
        }
        for text in ["", "GB", "200", "-1 GB", "1..5 GB", "1. GB", "99999999999999 GB", "1 G B", "inf GB"] {
            assert!(size(text).is_err(), "{text}");
        }
        assert!(size("200 gb").expect_err("case").contains("did you mean `GB`?"));
    }

    #[test]
    fn times_and_rates_need_their_unit() {
        assert_eq!(span("15min"), Ok(Duration::from_secs(900)));
        assert_eq!(span("0.5 s"), Ok(Duration::from_millis(500)));
        assert_eq!(span("0d"), Ok(Duration::ZERO));
        assert!(span("5m").expect_err("unit").contains("did you mean `min`?"));
        assert!(span("2 hours").expect_err("unit").contains("did you mean `h`?"));
        assert!(span("1h30min").is_err());
        assert_eq!(rate("60 Mbit/s"), Ok(7_500_000));
        assert_eq!(rate("3 MB/s"), Ok(3_000_000));
        assert!(rate("60 Mbit").expect_err("unit").contains("did you mean `Mbit/s`?"));
    }

    #[test]
    fn clock_times_have_two_digits_each() {
        assert_eq!(clock("05:30").map(|t| (t.hour(), t.minute())), Ok((5, 30)));
        for text in ["5:30", "24:00", "12:60", "12", "12:00:00", "1é:00", ""] {
            assert!(clock(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_value_is_told_in_its_largest_whole_unit() {
        assert_eq!(span_text(Duration::from_secs(3600)), "1h");
        assert_eq!(span_text(Duration::from_secs(90)), "90s");
        assert_eq!(span_text(Duration::ZERO), "0s");
        assert_eq!(size_text(2_000_000_000), "2 GB");
        assert_eq!(size_text(16 << 20), "16 MiB");
    }
}
