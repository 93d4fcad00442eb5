//! Lines of a `LIST` listing, which no standard describes (RFC 959, 4.1.3 leaves the form to the
//! system): the `ls -l` form in its variants, and the form of the DOS shell's `DIR`.
//!
//! Times in them tell no zone and mostly no second, some no year.

use jiff::civil::DateTime;
use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp};

use super::entry::{Entry, Line, What, is_dots};
use super::mlsd::decimal;
use crate::model::{ListedSize, ListedTime, Precision};

/// Between the permissions and the size stand at most this many words (links, owner, group; owner
/// and group may be of several words).
const MAX_SIZE_AT: usize = 8;

/// What a time without a zone or a year is completed with.
#[derive(Debug, Clone)]
pub(super) struct Around {
    /// The kind's zone.
    pub zone: TimeZone,
    /// Times without a year are at most a day later than this.
    pub now: Timestamp,
}

/// Reads one line; the name of the dialect stands beside what is known.
pub(super) fn parse(line: &[u8], around: &Around) -> (Line, &'static str) {
    if is_total(line) {
        return (Line::Nothing, "LIST unix");
    }
    if let Some(line) = unix(line, around) {
        return (line, "LIST unix");
    }
    match dos(line, around) {
        Some(line) => (line, "LIST dos"),
        None => (Line::Unknown, ""),
    }
}

/// `total 5372`, the first line of some.
fn is_total(line: &[u8]) -> bool {
    line.strip_prefix(b"total ").is_some_and(|rest| decimal(rest.trim_ascii()).is_some())
}

/// A word and where it ends in its line.
type Word<'a> = (&'a str, usize);

/// The first words, separated by runs of spaces.
fn words(line: &[u8]) -> Vec<Word<'_>> {
    let mut words = Vec::new();
    let mut at = 0;
    while words.len() < MAX_SIZE_AT + 5 {
        at += line[at..].iter().take_while(|b| **b == b' ').count();
        let len = line[at..].iter().take_while(|b| **b != b' ').count();
        // A word that is no text is none that a date or a size is made of.
        let word = std::str::from_utf8(&line[at..at + len]).unwrap_or("?");
        if len == 0 {
            break;
        }
        at += len;
        words.push((word, at));
    }
    words
}

fn unix(line: &[u8], around: &Around) -> Option<Line> {
    let words = words(line);
    let (mode, _) = words.first()?;
    let (kind, rights) = mode.as_bytes().split_first()?;
    let known = b"-dlbcpsD".contains(kind)
        && rights.len() >= 9
        && rights.iter().take(9).all(|b| b"rwxsStTlL-".contains(b));
    if !known {
        return None;
    }
    if !b"-dl".contains(kind) {
        return Some(Line::Nothing);
    }
    // The size is the first number that a date follows; what stands before it varies.
    let (size, shown, used) = (1..words.len().min(MAX_SIZE_AT + 1)).find_map(|at| {
        let size = decimal(words[at].0.as_bytes())?;
        let (shown, used) = shown(&words[at + 1..])?;
        Some((size, shown, at + 1 + used))
    })?;
    let name = name_after(line, words.get(used - 1)?.1)?;
    if *kind == b'l' || is_dots(name) {
        return Some(Line::Nothing);
    }
    let what = if *kind == b'd' { What::Folder } else { What::File };
    Some(Line::Entry(Entry {
        what,
        name: name.to_vec(),
        size: ListedSize::Exact(size),
        time: shown.complete(around),
    }))
}

/// The name behind a word that ends there: one space lies between, further ones are the name's.
fn name_after(line: &[u8], end: usize) -> Option<&[u8]> {
    line.get(end + 1..).filter(|name| !name.is_empty())
}

/// A date as it stands in a line.
#[derive(Debug, Clone, Copy)]
enum Shown {
    Full { civil: DateTime, precision: Precision, offset: Option<Offset> },
    NoYear { month: i8, day: i8, hour: i8, minute: i8 },
}

impl Shown {
    fn complete(self, around: &Around) -> Option<ListedTime> {
        let (at, precision, told) = match self {
            Shown::Full { civil, precision, offset: Some(offset) } => {
                (offset.to_timestamp(civil).ok()?, precision, true)
            }
            Shown::Full { civil, precision, offset: None } => {
                (around.zone.to_timestamp(civil).ok()?, precision, false)
            }
            Shown::NoYear { month, day, hour, minute } => {
                let latest = around.now.checked_add(SignedDuration::from_hours(24)).ok()?;
                let year = around.zone.to_datetime(around.now).year();
                // Eight years back reach a 29 February across a century without one.
                let at = (year - 8..=year + 1).rev().find_map(|year| {
                    let civil = DateTime::new(year, month, day, hour, minute, 0, 0).ok()?;
                    around.zone.to_timestamp(civil).ok().filter(|at| *at <= latest)
                })?;
                (at, Precision::Minute, false)
            }
        };
        Some(ListedTime { at, precision, zone_told: told })
    }
}

/// The date at the beginning of these words, and how many of them it takes.
fn shown(words: &[Word<'_>]) -> Option<(Shown, usize)> {
    let (first, second) = (words.first()?.0, words.get(1)?.0);
    if let Some(date) = iso_date(first) {
        let (hour, minute, second_of) = clock(second)?;
        let precision = if second_of.is_some() { Precision::Second } else { Precision::Minute };
        let offset = words.get(2).filter(|_| second_of.is_some()).and_then(|w| offset(w.0));
        let civil = DateTime::new(date.0, date.1, date.2, hour, minute, second_of.unwrap_or(0), 0).ok()?;
        return Some((Shown::Full { civil, precision, offset }, 2 + usize::from(offset.is_some())));
    }
    let (month, day) = match (month(first), month(second)) {
        (Some(month), _) => (month, small(second)?),
        (None, Some(month)) => (month, small(first)?),
        (None, None) => return None,
    };
    let last = words.get(2)?.0;
    if last.len() == 4
        && let Some(year) = decimal(last.as_bytes())
    {
        let civil = DateTime::new(i16::try_from(year).ok()?, month, day, 0, 0, 0, 0).ok()?;
        return Some((Shown::Full { civil, precision: Precision::Day, offset: None }, 3));
    }
    match clock(last)? {
        (hour, minute, None) if (1..=31).contains(&day) => {
            Some((Shown::NoYear { month, day, hour, minute }, 3))
        }
        _ => None,
    }
}

fn small(text: &str) -> Option<i8> {
    decimal(text.as_bytes())?.try_into().ok()
}

fn month(text: &str) -> Option<i8> {
    const MONTHS: [&str; 12] =
        ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];
    let text = text.to_ascii_lowercase();
    MONTHS.iter().zip(1..).find_map(|(name, number)| (*name == text).then_some(number))
}

/// `2023-11-14`
fn iso_date(text: &str) -> Option<(i16, i8, i8)> {
    let mut parts = text.split('-');
    let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
    let fits = year.len() == 4 && parts.next().is_none();
    fits.then_some((decimal(year.as_bytes())?.try_into().ok()?, small(month)?, small(day)?))
}

/// `22:13`, `9:05`, `22:13:21`, `22:13:21.000000000`
fn clock(text: &str) -> Option<(i8, i8, Option<i8>)> {
    let mut parts = text.split(':');
    let (hour, minute) = (small(parts.next()?)?, parts.next().filter(|m| m.len() == 2)?);
    let second = match parts.next() {
        Some(second) => Some(small(second.split('.').next()?)?),
        None => None,
    };
    let minute = small(minute)?;
    let fits = hour < 24 && minute < 60 && second.is_none_or(|s| s < 60) && parts.next().is_none();
    fits.then_some((hour, minute, second))
}

/// `+0530`
fn offset(text: &str) -> Option<Offset> {
    let (sign, digits) = match text.as_bytes().split_first()? {
        (b'+', digits) => (1, digits),
        (b'-', digits) => (-1, digits),
        _ => return None,
    };
    let number = i32::try_from(decimal(digits).filter(|_| digits.len() == 4)?).ok()?;
    Offset::from_seconds(sign * (number / 100 * 3600 + number % 100 * 60)).ok()
}

fn dos(line: &[u8], around: &Around) -> Option<Line> {
    let words = words(line);
    let (date, time, (size, end)) = (words.first()?.0, words.get(1)?.0, *words.get(2)?);
    let (year, month, day) = dos_date(date)?;
    let (hour, minute) = dos_clock(time)?;
    let civil = DateTime::new(year, month, day, hour, minute, 0, 0).ok()?;
    let time = Shown::Full { civil, precision: Precision::Minute, offset: None }.complete(around);
    if size.starts_with('<') {
        // The column behind `<DIR>` is padded, so that a name's own leading spaces do not show.
        let name = name_after(line, end)?.trim_ascii_start();
        let folder = size.eq_ignore_ascii_case("<DIR>");
        return match (folder, name.is_empty() || is_dots(name)) {
            (true, false) => Some(Line::Entry(Entry {
                what: What::Folder,
                name: name.to_vec(),
                size: ListedSize::Unknown,
                time,
            })),
            // `<JUNCTION>`, `<SYMLINKD>`, `<SYMLINK>`, or the folder itself.
            _ => Some(Line::Nothing),
        };
    }
    let size = decimal(size.replace(',', "").as_bytes())?;
    let name = name_after(line, end)?.to_vec();
    Some(Line::Entry(Entry { what: What::File, name, size: ListedSize::Exact(size), time }))
}

/// `11-14-23`, `11-14-2023`, `11/14/2023`, `2023-11-14`
fn dos_date(text: &str) -> Option<(i16, i8, i8)> {
    if let Some(date) = iso_date(text) {
        return Some(date);
    }
    let mut parts = text.split(['-', '/']);
    let (month, day, year) = (parts.next()?, parts.next()?, parts.next()?);
    let number: i16 = decimal(year.as_bytes())?.try_into().ok()?;
    let number = match (year.len(), number) {
        // The pivot of POSIX `strptime`'s `%y`.
        (2, 0..=68) => 2000 + number,
        (2, _) => 1900 + number,
        (4, _) => number,
        _ => return None,
    };
    parts.next().is_none().then_some((number, small(month)?, small(day)?))
}

/// `10:13PM`, `10:13P`, `22:13`
fn dos_clock(text: &str) -> Option<(i8, i8)> {
    let text = text.to_ascii_uppercase();
    let bare = text.trim_end_matches('M').trim_end_matches(['A', 'P']);
    let (hour, minute, None) = clock(bare)? else { return None };
    match &text[bare.len()..] {
        "" => Some((hour, minute)),
        "AM" | "A" if (1..=12).contains(&hour) => Some((hour % 12, minute)),
        "PM" | "P" if (1..=12).contains(&hour) => Some((hour % 12 + 12, minute)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn around(zone: &str, now: &str) -> Around {
        Around { zone: TimeZone::get(zone).expect("zone"), now: now.parse().expect("now") }
    }

    fn utc() -> Around {
        around("UTC", "2026-11-24T22:15:00Z")
    }

    fn entry(line: &str) -> Entry {
        match parse(line.as_bytes(), &utc()).0 {
            Line::Entry(entry) => entry,
            other => panic!("{line}: {other:?}"),
        }
    }

    fn at(line: &str) -> (String, Precision) {
        let time = entry(line).time.expect("time");
        (time.at.to_string(), time.precision)
    }

    #[test]
    fn the_unix_form_in_its_variants() {
        for (line, size, when) in [
            (
                "-rw-r--r--    1 0        0         5242880 Nov 14  2023 a b.mf4",
                5_242_880,
                "2023-11-14T00:00:00Z",
            ),
            ("-rw-r--r-- 1 1 1            4 Nov 24 22:13 a b.mf4", 4, "2026-11-24T22:13:00Z"),
            // No group column; the ACL mark; the SELinux mark; day before month.
            ("-rw-r--r--   1 depot          17 Jan 01  1980 a b.mf4", 17, "1980-01-01T00:00:00Z"),
            ("-rw-rw-r--+  1 depot depot    17 Jan 01  1980 a b.mf4", 17, "1980-01-01T00:00:00Z"),
            ("-rw-rw-r--.  1 depot depot    17 05 Nov 09:05 a b.mf4", 17, "2026-11-05T09:05:00Z"),
            ("-rw-r--r-- 1 depot Domain Users 17 2023-11-14 22:13 a b.mf4", 17, "2023-11-14T22:13:00Z"),
            ("-rw-r--r-- 1 r r 17 2023-11-14 22:13:21.000000000 +0530 a b.mf4", 17, "2023-11-14T16:43:21Z"),
        ] {
            let found = entry(line);
            assert_eq!((found.size, &found.name[..]), (ListedSize::Exact(size), &b"a b.mf4"[..]), "{line}");
            assert_eq!(found.time.expect("time").at.to_string(), when, "{line}");
        }
    }

    #[test]
    fn the_dos_form_in_its_variants() {
        for (line, when) in [
            ("11-14-23  10:13PM              5242880 a b.mf4", "2023-11-14T22:13:00Z"),
            ("11-14-2023  22:13            5,242,880 a b.mf4", "2023-11-14T22:13:00Z"),
            ("11/14/2023  12:13AM            5242880 a b.mf4", "2023-11-14T00:13:00Z"),
            ("2023-11-14  12:13P             5242880 a b.mf4", "2023-11-14T12:13:00Z"),
        ] {
            assert_eq!(entry(line).name, b"a b.mf4", "{line}");
            assert_eq!(entry(line).size, ListedSize::Exact(5_242_880), "{line}");
            assert_eq!(at(line), (when.to_owned(), Precision::Minute), "{line}");
        }
        assert_eq!(entry("11-14-23  10:13PM       <DIR>          00000012").what, What::Folder);
        let link = parse(b"11-14-23  10:13PM    <JUNCTION>     x", &utc());
        assert_eq!(link, (Line::Nothing, "LIST dos"));
    }

    #[test]
    fn odd_names_come_whole() {
        let line = |name: &str| format!("-rw-r--r--    1 0        0              14 Nov 14  2023 {name}");
        for name in
            [" lead.mf4", "-> arrow.mf4", "arrow -> target.mf4", "semi; colon", "12 Jan 3 2020 x", "trail "]
        {
            assert_eq!(entry(&line(name)).name, name.as_bytes());
        }
        let link = "lrwxrwxrwx    1 0        0              11 Nov 24 22:15 linkdir -> ../00000012";
        assert_eq!(parse(link.as_bytes(), &utc()).0, Line::Nothing);
        let raw = [line("caf").as_bytes(), b"\xe9\xff"].concat();
        assert!(matches!(parse(&raw, &utc()).0, Line::Entry(e) if e.name == b"caf\xe9\xff"));
    }

    #[test]
    fn a_date_without_a_year_is_the_latest_not_more_than_a_day_ahead() {
        let at = |line: &str, now: &str| {
            let Line::Entry(entry) = parse(line.as_bytes(), &around("UTC", now)).0 else { panic!("{line}") };
            entry.time.map(|t| t.at.to_string())
        };
        let line = |date: &str| format!("-rw-r--r-- 1 r r 1 {date} x");
        let now = "2026-11-24T22:15:00Z";
        assert_eq!(at(&line("Nov 25 20:00"), now).as_deref(), Some("2026-11-25T20:00:00Z"));
        assert_eq!(at(&line("Nov 26 20:00"), now).as_deref(), Some("2025-11-26T20:00:00Z"));
        assert_eq!(
            at(&line("Jan  1 00:00"), "2026-12-31T23:59:00Z").as_deref(),
            Some("2027-01-01T00:00:00Z")
        );
        assert_eq!(at(&line("Feb 29 12:00"), now).as_deref(), Some("2024-02-29T12:00:00Z"));
        assert_eq!(at(&line("Feb 31 12:00"), now), None, "the entry stays, its time is unknown");
    }

    #[test]
    fn times_are_in_the_kinds_zone() {
        let oslo = around("Europe/Oslo", "2026-11-24T22:15:00Z");
        let (Line::Entry(entry), _) = parse(b"-rw-r--r-- 1 r r 1 Nov 24 22:13 x", &oslo) else {
            panic!("an entry");
        };
        let time = entry.time.expect("time");
        assert_eq!((time.at.to_string(), time.zone_told), ("2026-11-24T21:13:00Z".to_owned(), false));
    }

    #[test]
    fn what_is_no_listing_is_unknown() {
        for line in [
            "",
            "Welcome to the depot",
            "-rw-r--r-- 1 r r 1 Nov 24 22:13:05 2026 x",
            "-rw-r--r-- 1 r r 1 Nov 24 22:13",
            "drwx 1 r r 1 Nov 24 22:13 x",
            "11-14-23 25:13 1 x",
            "total war.log",
        ] {
            assert_eq!(parse(line.as_bytes(), &utc()).0, Line::Unknown, "{line:?}");
        }
        assert_eq!(parse(b"total 5372", &utc()).0, Line::Nothing);
    }

    proptest! {
        #[test]
        fn no_line_makes_it_panic(line in prop::collection::vec(any::<u8>(), 0..200)) {
            parse(&line, &utc());
        }

        #[test]
        fn no_near_line_makes_it_panic(line in "[-dl][rwx-]{9} {1,2}([0-9a-zA-Z:+-]{1,12} {1,2}){1,12}") {
            parse(line.as_bytes(), &utc());
        }

        #[test]
        fn no_near_dos_line_makes_it_panic(line in "[0-9]{1,4}[-/][0-9]{1,3}[-/][0-9]{1,4} [0-9]{1,2}:[0-9]{1,2}[APM]{0,2} +[<DIR>0-9,]{0,9} x?") {
            parse(line.as_bytes(), &utc());
        }
    }
}
