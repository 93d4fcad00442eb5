//! nginx's index in JSON: an array of flat objects, read one by one.
//!
//! The objects are cut out before they are parsed, since nginx writes a name's raw bytes: one that
//! is not UTF-8 makes the document as a whole unparsable.

use bytes::Bytes;
use serde::Deserialize;
use serde::de::{Deserializer, Visitor};

use super::page::{Entry, Page, PageError, Reading, title};
use crate::link::time::parse_http_date;
use crate::model::{ListedSize, ListedTime, Precision};

/// Bytes that one object may have.
const MAX_OBJECT: usize = 16 * 1024;

#[derive(Deserialize)]
struct Object {
    name: Raw,
    #[serde(rename = "type")]
    kind: String,
    mtime: Option<String>,
    size: Option<u64>,
}

/// A JSON string's bytes, UTF-8 or not.
struct Raw(Vec<u8>);

impl<'de> Deserialize<'de> for Raw {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Take;
        impl Visitor<'_> for Take {
            type Value = Raw;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a string")
            }
            fn visit_bytes<E>(self, bytes: &[u8]) -> Result<Raw, E> {
                Ok(Raw(bytes.to_vec()))
            }
            fn visit_str<E>(self, text: &str) -> Result<Raw, E> {
                Ok(Raw(text.as_bytes().to_vec()))
            }
        }
        from.deserialize_bytes(Take)
    }
}

/// Where in the document the next byte lies.
#[derive(Clone, Copy, PartialEq, Eq)]
enum At {
    Start,
    Between,
    Object,
    End,
}

/// Reads a page.
pub(super) fn parse(chunks: &[Bytes], reading: &Reading<'_>) -> Result<Page, PageError> {
    let first: Vec<u8> = chunks.iter().flatten().copied().take(80).collect();
    let none = || PageError::NotAListing(title(&String::from_utf8_lossy(&first)));
    let (mut at, mut object, mut depth) = (At::Start, Vec::new(), 0_usize);
    let (mut quoted, mut escaped) = (false, false);
    let (mut entries, mut full) = (Vec::new(), false);
    for byte in chunks.iter().flatten().copied() {
        match (at, byte) {
            (At::Object, _) => {
                if object.len() >= MAX_OBJECT {
                    return Err(none());
                }
                object.push(byte);
                match byte {
                    _ if escaped => escaped = false,
                    b'\\' if quoted => escaped = true,
                    b'"' => quoted = !quoted,
                    b'{' if !quoted => depth += 1,
                    b'}' if !quoted => depth -= 1,
                    _ => {}
                }
                if depth == 0 {
                    match entry(&object).ok_or_else(none)? {
                        Some(_) if entries.len() >= reading.max_entries => full = true,
                        found => entries.extend(found),
                    }
                    object.clear();
                    at = At::Between;
                }
            }
            (_, b' ' | b'\t' | b'\r' | b'\n') => {}
            (At::Start, b'[') => at = At::Between,
            (At::Between, b',') => {}
            (At::Between, b'{') => {
                object.push(byte);
                depth = 1;
                at = At::Object;
            }
            (At::Between, b']') => at = At::End,
            _ => return Err(none()),
        }
    }
    if at == At::Start {
        return Err(none());
    }
    if at != At::End && !reading.overflow {
        return Err(PageError::Cut);
    }
    Ok(Page {
        dialect: "nginx JSON",
        entries,
        sure: true,
        closed: true,
        partial: full || reading.overflow,
        title: "JSON".to_owned(),
    })
}

/// `None` when this is no entry of an index, `Some(None)` for one that is neither file nor folder
/// (a link that leads nowhere).
fn entry(object: &[u8]) -> Option<Option<Entry>> {
    let object: Object = serde_json::from_slice(object).ok()?;
    let folder = match &*object.kind {
        "file" => false,
        "directory" => true,
        _ => return Some(None),
    };
    let time = object.mtime.as_deref().and_then(parse_http_date);
    Some(Some(Entry {
        name: object.name.0,
        folder,
        size: object.size.filter(|_| !folder).map_or(ListedSize::Unknown, ListedSize::Exact),
        time: time.map(|at| ListedTime { at, precision: Precision::Second, zone_told: true }),
    }))
}
