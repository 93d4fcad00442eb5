//! Names that every share can hold.
//!
//! A logger's names are bytes; a stored name is text that Linux, Windows and the servers between
//! them take as it is. What they would not take is written `=XX` (two upper-case hexadecimal
//! digits), and so is `=` itself, so that the original can be had back. `%` is escaped too: BagIt
//! (RFC 8493, 2.1.3) reads `%25` in a manifest as `%`, and `sha256sum -c` does not.

use crate::model::Digest;

/// Longest part of a key in bytes: most file systems allow 255, and a mark may be added.
const MAX_PART: usize = 180;
/// Longest suffix that is kept as one when a name is marked or shortened.
const MAX_SUFFIX: usize = 16;
/// Longest key in bytes.
pub const MAX_KEY: usize = 900;

/// Makes one part of a path (not empty) safe, reversibly.
///
/// Reserved characters, device names, and the trailing dot or space that Windows drops: Microsoft,
/// "Naming Files, Paths, and Namespaces". A leading space is escaped because some programs trim
/// it, and `.yarder` because it is the archive's own keeping.
pub fn safe_part(part: &[u8]) -> String {
    let mut safe = String::with_capacity(part.len());
    let last = part.len().saturating_sub(1);
    let escape_first = is_device(part) || starts_as_own(part);
    let mut at = 0;
    for chunk in part.utf8_chunks() {
        for c in chunk.valid().chars() {
            let reserved = c.is_ascii_control() || r#"<>:"/\|?*=%"#.contains(c);
            let edge = (at == 0 && (c == ' ' || escape_first)) || (at == last && matches!(c, '.' | ' '));
            if reserved || edge {
                escape(&mut safe, c as u8);
            } else {
                safe.push(c);
            }
            at += c.len_utf8();
        }
        for byte in chunk.invalid() {
            escape(&mut safe, *byte);
            at += 1;
        }
    }
    safe
}

fn escape(text: &mut String, byte: u8) {
    text.push_str(&format!("={byte:02X}"));
}

/// The bytes that [`safe_part`] made this text of; `None` for a text that it does not make.
pub fn unsafe_part(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((first, tail)) = rest.split_first() {
        if *first == b'=' {
            let (digits, tail) = tail.split_at_checked(2)?;
            bytes.extend(hex::decode(digits).ok()?);
            rest = tail;
        } else {
            bytes.push(*first);
            rest = tail;
        }
    }
    (safe_part(&bytes) == text).then_some(bytes)
}

/// Whether Windows takes the part for a device, with or without a suffix.
fn is_device(part: &[u8]) -> bool {
    let stem = part.split(|b| *b == b'.').next().unwrap_or_default();
    let stem = String::from_utf8_lossy(stem).trim_end().to_ascii_uppercase();
    if matches!(stem.as_str(), "CON" | "PRN" | "AUX" | "NUL" | "CONIN$" | "CONOUT$") {
        return true;
    }
    let number = stem.strip_prefix("COM").or_else(|| stem.strip_prefix("LPT"));
    let mut number = number.unwrap_or_default().chars();
    // The superscript digits count as digits there.
    let digit = number.next().is_some_and(|c| c.is_ascii_digit() || matches!(c, '¹' | '²' | '³'));
    digit && number.next().is_none()
}

fn starts_as_own(part: &[u8]) -> bool {
    part.get(..7).is_some_and(|start| start.eq_ignore_ascii_case(b".yarder"))
}

/// [`safe_part`], shortened where it is too long: the receipt holds the original.
pub fn fit_part(part: &[u8]) -> String {
    let safe = safe_part(part);
    if safe.len() <= MAX_PART { safe } else { mark(&safe, &Digest::of(part).short()) }
}

/// The name with `~` and the tag before its suffix, its stem cut where it would be too long.
/// Given a whole key, its last part is marked.
pub fn mark(key: &str, tag: &str) -> String {
    let (folder, name) = match key.rsplit_once('/') {
        Some((folder, name)) => (Some(folder), name),
        None => (None, key),
    };
    let (stem, suffix) = match name.rfind('.') {
        Some(dot) if dot > 0 && name.len() - dot <= MAX_SUFFIX => name.split_at(dot),
        _ => (name, ""),
    };
    let room = MAX_PART.saturating_sub(tag.len() + 1 + suffix.len());
    let marked = format!("{}~{tag}{suffix}", cut(stem, room));
    match folder {
        Some(folder) => format!("{folder}/{marked}"),
        None => marked,
    }
}

/// At most that many bytes of a safe text, without tearing a character or an escape.
fn cut(safe: &str, room: usize) -> &str {
    if safe.len() <= room {
        return safe;
    }
    let mut end = room;
    while !safe.is_char_boundary(end) {
        end -= 1;
    }
    match safe[..end].rfind('=') {
        Some(escape) if end - escape < 3 => &safe[..escape],
        _ => &safe[..end],
    }
}

/// A key as a share without a difference of case sees it. Lower-case is enough: NTFS and SMB compare
/// by a table of upper-case letters and do not compose accents, so that two spellings of one accent
/// are two names there as well.
pub fn fold(key: &str) -> String {
    key.to_lowercase()
}

/// Whether a text may be a key at all: relative, no part empty, `.` or `..`, no control character
/// and no backslash. A key can come from what another depot wrote.
pub fn is_key(key: &str) -> bool {
    let plain = !key.chars().any(|c| c.is_ascii_control() || c == '\\');
    let parts = key.split('/').all(|part| !matches!(part, "" | "." | ".."));
    plain && parts && key.len() <= 2 * MAX_KEY
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_windows_would_not_take_is_escaped() {
        for (name, safe) in [
            ("a:b", "a=3Ab"),
            ("a<>\"|?*\\/", "a=3C=3E=22=7C=3F=2A=5C=2F"),
            ("100%", "100=25"),
            ("a=b", "a=3Db"),
            ("a.", "a=2E"),
            ("a ", "a=20"),
            (" a", "=20a"),
            (".", "=2E"),
            ("..", ".=2E"),
            ("\u{7f}\n\r\t", "=7F=0A=0D=09"),
            ("con", "=63on"),
            ("Nul.tar.gz", "=4Eul.tar.gz"),
            ("CON .log", "=43ON .log"),
            ("com0", "=63om0"),
            ("LPT¹.log", "=4CPT¹.log"),
            ("conin$", "=63onin$"),
            (".Yarder", "=2EYarder"),
            // And what needs nothing stays as it is.
            ("COM10.log", "COM10.log"),
            ("console.log", "console.log"),
            (".hidden", ".hidden"),
            ("Größe~1 -x.log", "Größe~1 -x.log"),
        ] {
            assert_eq!(safe_part(name.as_bytes()), safe);
            assert_eq!(unsafe_part(safe).as_deref(), Some(name.as_bytes()), "{safe}");
        }
        assert_eq!(safe_part(b"\xe9.log"), "=E9.log");
    }

    #[test]
    fn texts_that_no_name_gives_are_refused() {
        for bad in ["=", "=4", "=zz", "=41", "=3a", "a:b", "con", "a."] {
            assert_eq!(unsafe_part(bad), None, "{bad}");
        }
    }

    #[test]
    fn long_names_are_cut_and_told_apart_by_a_hash() {
        let long = |end: &str| fit_part(format!("{}{end}.log", "ä=".repeat(120)).as_bytes());
        let (a, b) = (long("a"), long("b"));
        assert_ne!(a, b);
        for name in [&a, &b] {
            assert!(name.len() <= MAX_PART && name.ends_with(".log"), "{name}");
            assert!(is_key(name));
        }
    }

    #[test]
    fn a_mark_stands_before_the_suffix() {
        assert_eq!(mark("a/b.c/d.tar.gz", "00ff"), "a/b.c/d.tar~00ff.gz");
        assert_eq!(mark("a.b/c", "00ff"), "a.b/c~00ff");
        assert_eq!(mark(".hidden", "00ff"), ".hidden~00ff");
    }

    #[test]
    fn keys_that_leave_the_archive_are_none() {
        for bad in ["", "/etc", "a/../b", "a//b", "a/", "./a", "a\\b", "a\nb"] {
            assert!(!is_key(bad), "{bad:?}");
        }
    }

    proptest! {
        #[test]
        fn the_original_can_be_had_back(part in prop::collection::vec(any::<u8>(), 1..40)) {
            let safe = safe_part(&part);
            prop_assert_eq!(unsafe_part(&safe), Some(part));
        }

        #[test]
        fn a_name_of_awkward_bytes_is_harmless(name in r#"(CON|nul|com1|\.yarder|[ .=%:a/\\]|é|\n){1,12}"#) {
            let safe = fit_part(name.as_bytes());
            prop_assert!(is_key(&safe) && !is_device(safe.as_bytes()), "{}", safe);
            prop_assert!(!safe.contains(['/', '\\', ':', '%', '\n']) && !safe.ends_with(['.', ' ']));
            prop_assert!(!safe.starts_with(' ') && !fold(&safe).starts_with(".yarder"));
            prop_assert_eq!(unsafe_part(&safe).expect("short"), name.into_bytes());
        }
    }
}
