//! How sizes, counts, moments and names are put to a person. Pure.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::Verdict;
pub use crate::model::amount::{count, size};

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

    /// A day without a report in a strip.
    pub fn none(self) -> &'static str {
        if self.ascii { "." } else { "·" }
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

/// Megabytes for a column with its unit in the head: three significant figures, whole ones from 100
/// on, eight characters at most.
pub fn megabytes(bytes: u64) -> String {
    match bytes {
        0..999_500_000 => size(bytes).trim_end_matches(" MB").to_owned(),
        999_500_000..999_999_500_000 => count((bytes + 500_000) / 1_000_000),
        _ => ">999,999".to_owned(),
    }
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
        0 => "since today".to_owned(),
        1 => "since yesterday".to_owned(),
        n => format!("for {n} days"),
    }
}

/// A date with its weekday: `Thu 3 Dec`; with the year where it is not that of `near`.
pub fn calendar_day(date: Date, near: Date) -> String {
    let form = if date.year() == near.year() { "%a %-d %b" } else { "%a %-d %b %Y" };
    date.strftime(form).to_string()
}

/// With an end mark, and harmless; without the number that the system has for an error, behind its words.
pub fn sentence(text: &str) -> String {
    let mut text = plain(text.trim());
    while let Some((before, number)) = text.split_once(" (os error ") {
        let Some((_, after)) = number.split_once(')') else { break };
        text = format!("{before}{after}");
    }
    if text.ends_with(['.', '?', '!']) || text.is_empty() { text } else { text + "." }
}

/// With a capital letter at its beginning, unless that is a name.
pub fn opening(text: &str) -> String {
    let first = text.split_whitespace().next().unwrap_or_default();
    if !first.is_empty() && first.bytes().all(|b| b.is_ascii_lowercase()) {
        return text[..1].to_ascii_uppercase() + &text[1..];
    }
    text.to_owned()
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
            Some(line) if columns(line) + 1 + columns(word) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// How many columns a text takes: colours take none.
pub fn columns(text: &str) -> usize {
    let mut parts = text.split('\x1b');
    let before = parts.next().map_or(0, |p| p.chars().count());
    before + parts.map(|p| p.split_once('m').map_or(0, |(_, rest)| rest.chars().count())).sum::<usize>()
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
    fn megabytes_fit_a_column_of_eight() {
        for (bytes, shown) in [
            (0, "0"),
            (999, "<0.001"),
            (312_000, "0.312"),
            (412_000_000, "412"),
            (999_500_000, "1,000"),
            (12_412_345_678, "12,412"),
            (999_999_499_999, "999,999"),
            (u64::MAX, ">999,999"),
        ] {
            assert_eq!(megabytes(bytes), shown, "{bytes}");
        }
    }

    #[test]
    fn a_sentence_opens_with_a_capital_and_a_name_stays_a_name() {
        for (text, shown) in [
            ("no logger answered.", "No logger answered."),
            ("l-0401 refused.", "l-0401 refused."),
            ("archive \"a\" is away.", "Archive \"a\" is away."),
            ("\u{e9}t\u{e9}", "\u{e9}t\u{e9}"),
            ("", ""),
        ] {
            assert_eq!(opening(text), shown);
        }
    }

    #[test]
    fn a_sentence_has_an_end_and_no_number_of_the_system() {
        for (text, shown) in [
            (
                "it is away: a/b: No such file or directory (os error 2); files wait",
                "it is away: a/b: No such file or directory; files wait.",
            ),
            ("x (os error 2) and y (os error 28)", "x and y."),
            ("odd (os error ", "odd (os error."),
            ("Done?", "Done?"),
            ("", ""),
        ] {
            assert_eq!(sentence(text), shown);
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
