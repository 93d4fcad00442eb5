//! How sizes, counts, moments and names are put to a person. Pure.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::Verdict;

/// What the reader's end can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Glyphs {
    /// ASCII alone.
    pub ascii: bool,
    /// Terminal colours.
    pub colours: bool,
}

impl Glyphs {
    /// Full marks, no colours: a page on paper.
    pub const PLAIN: Self = Self { ascii: false, colours: false };

    /// A verdict's shape.
    pub fn mark(self, verdict: Verdict) -> &'static str {
        match (verdict, self.ascii) {
            (Verdict::Complete, false) => "■",
            (Verdict::Complete, true) => "#",
            (Verdict::Incomplete, false) => "◧",
            (Verdict::Incomplete, true) => "/",
            (Verdict::NoData, false) => "▤",
            (Verdict::NoData, true) => "=",
            (Verdict::NotSeen, false) => "□",
            (Verdict::NotSeen, true) => "o",
            (Verdict::Elsewhere, false) => "◇",
            (Verdict::Elsewhere, true) => "e",
            (Verdict::Away, false) => "–",
            (Verdict::Away, true) => "-",
            (Verdict::Unknown, _) => "?",
        }
    }

    /// Data was lost. The only thing that is ever coloured.
    pub fn loss(self) -> &'static str {
        match (self.ascii, self.colours) {
            (false, false) => "▲",
            (true, false) => "!",
            (false, true) => "\x1b[33m▲\x1b[0m",
            (true, true) => "\x1b[33m!\x1b[0m",
        }
    }

    /// Between the parts of a head line.
    pub fn dot(self) -> &'static str {
        if self.ascii { "-" } else { "·" }
    }

    /// A heading.
    pub fn bold(self, text: &str) -> String {
        if self.colours { format!("\x1b[1m{text}\x1b[0m") } else { text.to_owned() }
    }
}

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

/// `1 file`, `1,318 files`.
pub fn of(n: u64, word: &str) -> String {
    format!("{} {word}{}", count(n), if n == 1 { "" } else { "s" })
}

/// A moment as the clock says it: `05:12`, older than a day with the weekday, older than six days
/// with the date.
pub fn moment(at: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    let hours = now.duration_since(at).as_hours();
    let shown = at.to_zoned_datetime(zone.clone());
    let form = match hours {
        // A logger's clock may run ahead by a day.
        -24..24 => "%H:%M",
        24..144 => "%a %H:%M",
        _ if shown.year() == now.to_zoned_datetime(zone.clone()).year() => "%-d %b",
        _ => "%-d %b %Y",
    };
    shown.strftime(form).to_string()
}

/// A moment in full, for stories: `2026-11-24 22:04:09`.
pub fn full(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M:%S").to_string()
}

/// A span of whole days in words.
pub fn age(days: i64) -> String {
    match days {
        0 => "new".to_owned(),
        1 => "since yesterday".to_owned(),
        n => format!("for {n} days"),
    }
}

/// Whether a character acts on a terminal, or turns the text around it (Unicode's bidirectional
/// controls), instead of being shown.
fn acts(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

/// Text from a logger or a person, with everything escaped that would act on a terminal.
pub fn plain(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        if acts(c) {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    shown
}

/// A value as one line of JSON that is ASCII where a character would act on a terminal: JSON itself
/// leaves DEL, the C1 controls and the bidirectional ones as they are (RFC 8259, section 7).
pub fn json(value: &impl Serialize) -> String {
    let line = serde_json::to_string(value).unwrap_or_else(|_| "null".to_owned());
    if !line.chars().any(acts) {
        return line;
    }
    // Outside strings JSON has ASCII alone, so that every such character stands in one.
    line.chars().map(|c| if acts(c) { format!("\\u{:04x}", u32::from(c)) } else { c.to_string() }).collect()
}

/// Breaks text at spaces into lines of at most `width` characters; a longer word stays whole.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// Cuts to `width` characters and fills up to it; a cut text ends with `~`.
pub fn cell(text: &str, width: usize) -> String {
    if text.chars().count() > width {
        let mut cut: String = text.chars().take(width.saturating_sub(1)).collect();
        cut.push('~');
        return cut;
    }
    format!("{text:<width$}")
}

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn moments_are_as_the_clock_says_them() {
        let zone = TimeZone::get("Europe/Oslo").expect("zone");
        let now: Timestamp = "2026-11-25T04:00:00Z".parse().expect("moment");
        for (at, shown) in [
            ("2026-11-25T03:12:00Z", "04:12"),
            ("2026-11-24T05:00:00Z", "06:00"),
            ("2026-11-23T04:12:00Z", "Mon 05:12"),
            ("2026-11-01T04:12:00Z", "1 Nov"),
            ("2025-11-01T04:12:00Z", "1 Nov 2025"),
        ] {
            assert_eq!(moment(at.parse().expect("moment"), now, &zone), shown, "{at}");
        }
    }

    #[test]
    fn nothing_that_acts_on_a_terminal_passes() {
        let hostile = "a\x1b[31mred\u{9b}2J\u{202e}gol.exe\x07\r\n";
        let shown = plain(hostile);
        assert!(!shown.chars().any(acts), "{shown}");
        assert!(shown.contains("red") && shown.contains("\\u{202e}"), "{shown}");
        let line = json(&serde_json::json!({ "path": hostile }));
        assert!(!line.chars().any(acts), "{line}");
        let back: serde_json::Value = serde_json::from_str(&line).expect("still JSON");
        assert_eq!(back["path"], hostile);
    }

    #[test]
    fn lines_are_broken_at_words_and_cells_are_cut() {
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("abcdefghij k", 4), ["abcdefghij", "k"]);
        assert_eq!(cell("PLOW-03", 9), "PLOW-03  ");
        assert_eq!(cell("PLOW-03-LONG", 8), "PLOW-03~");
    }
}
