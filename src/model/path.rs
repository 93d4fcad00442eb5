//! A log file's path on its logger: bytes, relative, and harmless.

use std::fmt;
use std::sync::Arc;

/// Longest path in bytes that is believed.
const MAX_PATH: usize = 4096;
/// Longest segment in bytes (the limit of every file system a logger might use).
const MAX_SEGMENT: usize = 255;
/// Deepest nesting that is believed; a link to `.` makes listings that never end.
pub(crate) const MAX_DEPTH: usize = 32;

/// Why bytes cannot be a path.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{shown:?} is no path that a log file may have: {why}")]
pub struct BadPath {
    /// The offered name, made printable.
    pub shown: String,
    /// What is wrong with it.
    pub why: &'static str,
}

/// Segments joined by `/`, none of them empty, `.`, `..`, or holding NUL, CR, LF or a backslash
/// (a line break would forge a protocol command, a backslash is a separator on some servers).
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RemotePath(Arc<[u8]>);

impl RemotePath {
    /// Checks and takes a path.
    pub fn new(bytes: &[u8]) -> Result<Self, BadPath> {
        let bad = |why| BadPath { shown: shown(bytes), why };
        if bytes.is_empty() || bytes.len() > MAX_PATH {
            return Err(bad("it is empty or longer than 4096 bytes"));
        }
        let mut depth = 0;
        for segment in bytes.split(|b| *b == b'/') {
            depth += 1;
            if segment.is_empty() || segment == b"." || segment == b".." {
                return Err(bad("a part of it is empty, `.` or `..`"));
            }
            if segment.len() > MAX_SEGMENT {
                return Err(bad("a part of it is longer than 255 bytes"));
            }
            if segment.iter().any(|b| matches!(b, 0 | b'\r' | b'\n' | b'\\')) {
                return Err(bad("it holds a NUL, a line break or a backslash"));
            }
        }
        if depth > MAX_DEPTH {
            return Err(bad("it is nested deeper than 32 folders"));
        }
        Ok(Self(Arc::from(bytes)))
    }

    /// This folder's child of that name.
    pub fn child(&self, name: &[u8]) -> Result<Self, BadPath> {
        let mut joined = self.0.to_vec();
        joined.push(b'/');
        joined.extend_from_slice(name);
        if name.contains(&b'/') {
            return Err(BadPath { shown: shown(name), why: "one part holds a `/`" });
        }
        Self::new(&joined)
    }

    /// The whole path.
    pub fn as_bytes(&self) -> &[u8] {
        &self.0
    }

    /// Its parts, outermost first.
    pub fn segments(&self) -> impl Iterator<Item = &[u8]> {
        self.0.split(|b| *b == b'/')
    }

    /// The last part.
    pub fn name(&self) -> &[u8] {
        self.segments().last().unwrap_or(&self.0)
    }

    /// The folder it lies in (empty at the top): the stream it belongs to.
    pub fn folder(&self) -> &[u8] {
        match self.0.iter().rposition(|b| *b == b'/') {
            Some(at) => &self.0[..at],
            None => &[],
        }
    }

    /// How many parts it has.
    pub fn depth(&self) -> usize {
        self.segments().count()
    }
}

/// Printable and reversible enough for a person: UTF-8 stays, everything else is escaped.
fn shown(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c.is_control() {
                text.extend(c.escape_default());
            } else {
                text.push(c);
            }
        }
        for b in chunk.invalid() {
            text.push_str(&format!("\\x{b:02x}"));
        }
    }
    text
}

impl fmt::Display for RemotePath {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&shown(&self.0))
    }
}

impl fmt::Debug for RemotePath {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", shown(&self.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hostile_paths_are_refused() {
        for bad in ["", "/etc/passwd", "a/../b", "a//b", ".", "a\0b", "a\nDELE b", "a\\b", "a/"] {
            assert!(RemotePath::new(bad.as_bytes()).is_err(), "{bad:?}");
        }
        assert!(RemotePath::new(&[b'x'; 256]).is_err());
        assert!(RemotePath::new("a/".repeat(40).trim_end_matches('/').as_bytes()).is_err());
    }

    #[test]
    fn odd_names_stay_as_they_are() {
        for good in ["a b/ä#1?.log", "%41", "colon:name", "-rf", "a;b", "\u{fffd}"] {
            let path = RemotePath::new(good.as_bytes()).expect(good);
            assert_eq!(path.as_bytes(), good.as_bytes());
        }
        let raw = RemotePath::new(b"\xe9\xff").expect("bytes");
        assert_eq!(raw.to_string(), "\\xe9\\xff");
    }
}
