//! How sizes and counts are put to a person. Pure.

/// A size in MB or GB (powers of ten) with three significant figures.
pub fn size(bytes: u64) -> String {
    match bytes {
        0 => "0 MB".to_owned(),
        1..1_000 => "<0.001 MB".to_owned(),
        // From here on 1000 MB would be shown.
        1_000..999_500_000 => three(bytes, 1_000_000, "MB"),
        _ => three(bytes, 1_000_000_000, "GB"),
    }
}

/// A length within a file: `512 bytes`, `200 kB`, and from 1 MB on as [`size`] tells it.
pub fn length(bytes: u64) -> String {
    match bytes {
        1 => "1 byte".to_owned(),
        0..1_000 => format!("{bytes} bytes"),
        // From here on 1000 kB would be shown.
        1_000..999_500 => format!("{} kB", (bytes + 500) / 1_000),
        _ => size(bytes),
    }
}

/// A span of time, s, in words: `45 seconds`, `20 minutes`, `1.5 hours`, `3 days`; a sign is not told.
pub fn span(s: f64) -> String {
    let (n, unit) = match s.abs() {
        s if s < 119.5 => (s.round(), "second"),
        s if s < 7_170.0 => ((s / 60.0).round(), "minute"),
        s if s < 172_620.0 => ((s / 360.0).round() / 10.0, "hour"),
        s => ((s / 86_400.0).round(), "day"),
    };
    format!("{n} {unit}{}", if n == 1.0 { "" } else { "s" })
}

/// Three significant figures, and never more than three places.
fn three(bytes: u64, unit: u64, name: &str) -> String {
    let unit = u128::from(unit);
    let rounded = |places: u32| (u128::from(bytes) * 10_u128.pow(places) + unit / 2) / unit;
    match (1..=3).rev().find(|places| rounded(*places) < 1000) {
        Some(places) => {
            let (shown, scale) = (rounded(places), 10_u128.pow(places));
            let width = places as usize;
            format!("{}.{:0width$} {name}", shown / scale, shown % scale)
        }
        None => format!("{} {name}", count(u64::try_from(rounded(0)).unwrap_or(u64::MAX))),
    }
}

/// A number with a comma at each thousand.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_and_spans_are_told_in_their_unit() {
        for (bytes, shown) in [
            (0, "0 bytes"),
            (1, "1 byte"),
            (999, "999 bytes"),
            (1_000, "1 kB"),
            (200_000, "200 kB"),
            (999_499, "999 kB"),
            (999_500, "1.00 MB"),
            (412_000_000, "412 MB"),
        ] {
            assert_eq!(length(bytes), shown, "{bytes}");
        }
        for (s, shown) in [
            (0.0, "0 seconds"),
            (1.2, "1 second"),
            (-20.0, "20 seconds"),
            (119.4, "119 seconds"),
            (119.5, "2 minutes"),
            (1_200.0, "20 minutes"),
            (7_169.0, "119 minutes"),
            (7_200.0, "2 hours"),
            (5_400.0 * 2.5, "3.8 hours"),
            (172_800.0, "2 days"),
            (259_200.0, "3 days"),
        ] {
            assert_eq!(span(s), shown, "{s}");
        }
    }

    #[test]
    fn sizes_have_three_significant_figures() {
        for (bytes, shown) in [
            (0, "0 MB"),
            (999, "<0.001 MB"),
            (1_000, "0.001 MB"),
            (312_000, "0.312 MB"),
            (999_999, "1.00 MB"),
            (4_120_000, "4.12 MB"),
            (9_996_000, "10.0 MB"),
            (41_200_000, "41.2 MB"),
            (99_960_000, "100 MB"),
            (412_000_000, "412 MB"),
            (999_499_999, "999 MB"),
            (999_500_000, "1.00 GB"),
            (12_400_000_000, "12.4 GB"),
            (1_240_000_000_000, "1,240 GB"),
            (u64::MAX, "18,446,744,074 GB"),
        ] {
            assert_eq!(size(bytes), shown, "{bytes}");
        }
    }
}
