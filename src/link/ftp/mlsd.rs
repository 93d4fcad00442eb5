//! Lines of an `MLSD` listing (RFC 3659, 7).

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use super::entry::{Entry, Line, What, is_dots};
use crate::model::{ListedSize, ListedTime, Precision};

/// Reads one line: facts, each ended by `;`, one space, the name as it is.
///
/// The `unique` fact is not taken as a validator: on FAT cards it is an inode number that the
/// kernel makes up anew at each mount.
pub(super) fn parse(line: &[u8]) -> Line {
    // The name may hold `; ` and may begin with spaces, so the first one counts.
    let Some(at) = line.windows(2).position(|w| w == b"; ") else { return Line::Unknown };
    let (facts, name) = (&line[..at], &line[at + 2..]);
    if name.is_empty() {
        return Line::Unknown;
    }
    let (mut kind, mut size, mut time) = (None, ListedSize::Unknown, None);
    for fact in facts.split(|b| *b == b';') {
        let mut halves = fact.splitn(2, |b| *b == b'=');
        let (Some(key), Some(value)) = (halves.next(), halves.next()) else { continue };
        let value = value.trim_ascii();
        match &key.trim_ascii().to_ascii_lowercase()[..] {
            b"type" => kind = Some(value.to_ascii_lowercase()),
            b"size" => size = decimal(value).map_or(ListedSize::Unknown, ListedSize::Exact),
            b"modify" => time = time_value(value),
            _ => {}
        }
    }
    let what = match kind.as_deref() {
        Some(b"file") => What::File,
        Some(b"dir") => What::Folder,
        // The folder itself, its parent, links (`OS.unix=slink:/target`), devices.
        Some(other) if matches!(other, b"cdir" | b"pdir") || other.starts_with(b"os.") => {
            return Line::Nothing;
        }
        _ => return Line::Unknown,
    };
    if is_dots(name) {
        return Line::Nothing;
    }
    let time = time.map(|at| ListedTime { at, precision: Precision::Second, zone_told: true });
    Line::Entry(Entry { what, name: name.to_vec(), size, time })
}

/// A number in plain decimal digits.
pub(super) fn decimal(text: &[u8]) -> Option<u64> {
    let plain = !text.is_empty() && text.iter().all(u8::is_ascii_digit);
    plain.then(|| std::str::from_utf8(text).ok()?.parse().ok()).flatten()
}

/// A time-val (RFC 3659, 2.3): `YYYYMMDDHHMMSS` with an optional fraction, UTC. To the millisecond.
pub(super) fn time_value(text: &[u8]) -> Option<Timestamp> {
    let text = std::str::from_utf8(text).ok()?;
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    if whole.len() != 14 || !text.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
        return None;
    }
    let part = |from: usize, to: usize| whole.get(from..to)?.parse::<i16>().ok();
    let small = |from: usize, to: usize| i8::try_from(part(from, to)?).ok();
    let millis: i32 = format!("{fraction:0<3}").get(..3)?.parse().ok()?;
    // RFC 3659 allows 60 for a leap second.
    let second = small(12, 14)?.min(59);
    let civil = DateTime::new(
        part(0, 4)?,
        small(4, 6)?,
        small(6, 8)?,
        small(8, 10)?,
        small(10, 12)?,
        second,
        millis * 1_000_000,
    )
    .ok()?;
    TimeZone::UTC.to_timestamp(civil).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn entry(line: &str) -> Entry {
        match parse(line.as_bytes()) {
            Line::Entry(entry) => entry,
            other => panic!("{line}: {other:?}"),
        }
    }

    /// RFC 3659, 7.7.4 has facts in any order and case; 7.5.2 the other types.
    #[test]
    fn facts_come_in_any_order_and_case() {
        let file = entry("Size=1024990;Perm=r;MODIFY=19990929003355.237;Type=FILE; cap60.pl198.tar.gz");
        assert_eq!(file.size, ListedSize::Exact(1_024_990));
        assert_eq!(file.time.expect("time").at.to_string(), "1999-09-29T00:33:55.237Z");
        assert_eq!(file.what, What::File);
        assert_eq!(entry("type=dir;sizd=4096;modify=20261124221547; 00000014").what, What::Folder);
        for nothing in ["type=cdir;perm=el; .", "Type=pdir;Perm=e; ..", "type=OS.unix=slink:/a;size=1; l"] {
            assert_eq!(parse(nothing.as_bytes()), Line::Nothing, "{nothing}");
        }
    }

    #[test]
    fn a_name_is_everything_behind_the_first_separator() {
        assert_eq!(entry("type=file;size=1;  lead; x.mf4").name, b" lead; x.mf4");
        assert_eq!(entry("type=file;size=1; trail ").name, b"trail ");
    }

    #[test]
    fn what_is_not_told_is_unknown_and_never_zero() {
        let file = entry("type=file; a");
        assert_eq!((file.size, file.time), (ListedSize::Unknown, None));
        assert_eq!(entry("type=file;size=-1;modify=yesterday; a").size, ListedSize::Unknown);
        for unknown in ["", "garbage", " a", "size=1; a", "type=; a", "type=file;size=1; "] {
            assert_eq!(parse(unknown.as_bytes()), Line::Unknown, "{unknown:?}");
        }
    }

    proptest! {
        #[test]
        fn no_line_makes_it_panic(line in prop::collection::vec(any::<u8>(), 0..200)) {
            parse(&line);
            time_value(&line);
        }

        #[test]
        fn no_near_line_makes_it_panic(line in "(type|size|modify)=[a-z0-9.=]{0,20};( [ -~]{0,9})?") {
            parse(line.as_bytes());
        }
    }
}
