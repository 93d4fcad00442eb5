//! One folder's index page: what it says of each entry, whatever its dialect. Pure.
//!
//! Names come from links alone, since shown names are cut by several servers.

use jiff::tz::TimeZone;
use url::Url;

use crate::model::{ListedSize, ListedTime};

/// What a page says of one entry. The name is as the server meant it: bytes, not yet checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub name: Vec<u8>,
    pub folder: bool,
    pub size: ListedSize,
    pub time: Option<ListedTime>,
}

/// A page that may be a listing.
#[derive(Debug)]
pub(super) struct Page {
    pub dialect: &'static str,
    pub entries: Vec<Entry>,
    /// Its form alone says that it is an index; otherwise its entries must look like one.
    pub sure: bool,
    /// It told its own end, so that even a body without a length is whole.
    pub closed: bool,
    /// It had more entries than were taken, or its bytes were cut short by our own bound.
    pub partial: bool,
    /// Title or first words.
    pub title: String,
}

/// Why a page is none.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum PageError {
    /// Title or first words of what came instead.
    NotAListing(String),
    /// It ended before its closing mark.
    Cut,
}

/// How to read one page.
pub(super) struct Reading<'a> {
    /// The folder's own address, against which links are told.
    pub place: &'a Place,
    /// Zone of times whose form tells none.
    pub zone: &'a TimeZone,
    /// Entries taken at most.
    pub max_entries: usize,
    /// The bytes at hand are only the first part of the page.
    pub overflow: bool,
}

/// A folder's address: origin, and path decoded to bytes, beginning and ending with `/`.
pub(super) struct Place {
    origin: url::Origin,
    path: Vec<u8>,
}

impl Place {
    pub fn new(folder: &Url) -> Self {
        Self { origin: folder.origin(), path: percent_decode(folder.path().as_bytes()) }
    }
}

/// What a link on an index page is.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Href {
    /// An entry of the folder.
    Child { name: Vec<u8>, folder: bool },
    /// The folder itself or one above it.
    Up,
    /// The same folder in another order.
    Sort,
    /// Another host, or no address at all.
    Elsewhere,
    /// Something else on the same server.
    Foreign,
}

/// Schemes that pages use; any other word before a colon is part of a name.
const SCHEMES: [&str; 8] = ["mailto", "javascript", "ftp", "ftps", "data", "tel", "about", "file"];

/// Tells what a link is (RFC 3986, 5.2, as far as index pages use it). `href` is the attribute's
/// value after character references were undone.
pub(super) fn classify(href: &[u8], place: &Place) -> Href {
    let href = href.trim_ascii();
    match href {
        [] | [b'#', ..] => return Href::Up,
        [b'?', ..] => return Href::Sort,
        [b'/', b'/', ..] => return Href::Elsewhere,
        _ => {}
    }
    if let Some(scheme) = scheme(href) {
        if scheme.eq_ignore_ascii_case("http") || scheme.eq_ignore_ascii_case("https") {
            let url = std::str::from_utf8(href).ok().and_then(|text| Url::parse(text).ok());
            return match url {
                Some(url) if url.origin() == place.origin && url.query().is_none() => {
                    absolute(url.path().as_bytes(), place)
                }
                _ => Href::Elsewhere,
            };
        }
        if SCHEMES.iter().any(|known| scheme.eq_ignore_ascii_case(known)) {
            return Href::Elsewhere;
        }
    }
    if href.iter().any(|b| matches!(b, b'?' | b'#')) {
        return Href::Foreign;
    }
    if href.starts_with(b"/") {
        return absolute(href, place);
    }
    let mut rest = href;
    while let Some(inner) = rest.strip_prefix(b"./") {
        rest = inner;
    }
    if rest.is_empty() || rest == b".." || rest.starts_with(b"../") {
        return Href::Up;
    }
    let (name, folder) = match rest.strip_suffix(b"/") {
        Some(name) => (name, true),
        None => (rest, false),
    };
    if name.contains(&b'/') {
        return Href::Foreign;
    }
    child(percent_decode(name), folder)
}

/// The word before the colon, where it could be a scheme (RFC 3986, 3.1).
fn scheme(href: &[u8]) -> Option<&str> {
    let end = href.iter().position(|b| !b.is_ascii_alphanumeric() && !matches!(b, b'+' | b'-' | b'.'))?;
    let word = href.get(..end).filter(|_| href.get(end) == Some(&b':'))?;
    std::str::from_utf8(word).ok().filter(|word| word.starts_with(|c: char| c.is_ascii_alphabetic()))
}

fn absolute(path: &[u8], place: &Place) -> Href {
    let path = percent_decode(path);
    if place
        .path
        .strip_prefix(&*path)
        .is_some_and(|rest| rest.is_empty() || path.ends_with(b"/") || rest.starts_with(b"/"))
    {
        return Href::Up;
    }
    let Some(rest) = path.strip_prefix(&*place.path) else { return Href::Foreign };
    let (name, folder) = match rest.strip_suffix(b"/") {
        Some(name) => (name, true),
        None => (rest, false),
    };
    if name.is_empty() || name.contains(&b'/') { Href::Foreign } else { child(name.to_vec(), folder) }
}

fn child(name: Vec<u8>, folder: bool) -> Href {
    if name == b"." || name == b".." { Href::Up } else { Href::Child { name, folder } }
}

/// Undoes percent-encoding once, to bytes; what is no escape stays as it is (RFC 3986, 2.1).
pub(super) fn percent_decode(text: &[u8]) -> Vec<u8> {
    let digit = |b: Option<&u8>| b.and_then(|b| char::from(*b).to_digit(16));
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text;
    while let [first, tail @ ..] = rest {
        if let (b'%', Some(high), Some(low)) = (first, digit(tail.first()), digit(tail.get(1))) {
            out.push(u8::try_from(high * 16 + low).unwrap_or(b'%'));
            rest = tail.get(2..).unwrap_or(&[]);
        } else {
            out.push(*first);
            rest = tail;
        }
    }
    out
}

/// Escapes everything but unreserved characters and `/` (RFC 3986, 2.3).
pub(super) fn percent_encode(path: &[u8]) -> String {
    use std::fmt::Write as _;
    let mut out = String::with_capacity(path.len() + 16);
    for b in path {
        if b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b'_' | b'~' | b'/') {
            out.push(char::from(*b));
        } else {
            // Writing to a String does not fail.
            let _ = write!(out, "%{b:02X}");
        }
    }
    out
}

/// A size column: bare digits are bytes, everything else that begins with a digit was rounded.
pub(super) fn listed_size(word: Option<&str>) -> ListedSize {
    match word {
        Some(word) if word.starts_with(|c: char| c.is_ascii_digit()) => {
            match word.bytes().all(|b| b.is_ascii_digit()).then(|| word.parse().ok()).flatten() {
                Some(exact) => ListedSize::Exact(exact),
                None => ListedSize::Rounded(word.chars().take(24).collect()),
            }
        }
        _ => ListedSize::Unknown,
    }
}

/// Printable, single-spaced, at most 80 characters.
pub(super) fn title(text: &str) -> String {
    let words = text.split(|c: char| c.is_whitespace() || c.is_control()).filter(|word| !word.is_empty());
    words.collect::<Vec<_>>().join(" ").chars().take(80).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn place() -> Place {
        Place::new(&Url::parse("http://10.0.0.9:8080/logs/00000012/").expect("url"))
    }

    fn file(name: &[u8]) -> Href {
        Href::Child { name: name.to_vec(), folder: false }
    }

    #[test]
    fn only_links_one_segment_below_the_folder_are_entries() {
        for (href, want) in [
            ("a.mf4", file(b"a.mf4")),
            ("./a.mf4", file(b"a.mf4")),
            ("./colon:name.mf4", file(b"colon:name.mf4")),
            ("log:1.mf4", file(b"log:1.mf4")),
            ("pct%2541.mf4", file(b"pct%41.mf4")),
            ("%c3%a9%FF", file(b"\xc3\xa9\xff")),
            ("a%2Fb", file(b"a/b")),
            ("er/", Href::Child { name: b"er".to_vec(), folder: true }),
            ("/logs/00000012/a.mf4", file(b"a.mf4")),
            ("http://10.0.0.9:8080/logs/00000012/a.mf4", file(b"a.mf4")),
            ("../", Href::Up),
            ("..", Href::Up),
            ("./../", Href::Up),
            ("%2e%2e/", Href::Up),
            ("/", Href::Up),
            ("/logs", Href::Up),
            ("/logs/00000012/", Href::Up),
            ("/log", Href::Foreign),
            ("/logs/00000013/", Href::Foreign),
            ("a/b", Href::Foreign),
            ("a.mf4?download=1", Href::Foreign),
            ("?C=N;O=D", Href::Sort),
            ("#top", Href::Up),
            ("//other/a.mf4", Href::Elsewhere),
            ("https://10.0.0.9:8080/logs/00000012/a.mf4", Href::Elsewhere),
            ("http://other/logs/00000012/a.mf4", Href::Elsewhere),
            ("mailto:someone@depot.example", Href::Elsewhere),
        ] {
            assert_eq!(classify(href.as_bytes(), &place()), want, "{href}");
        }
    }

    #[test]
    fn only_bare_digits_are_a_size() {
        assert_eq!(listed_size(Some("5242880")), ListedSize::Exact(5_242_880));
        assert_eq!(listed_size(Some("5.0M")), ListedSize::Rounded("5.0M".into()));
        assert_eq!(listed_size(Some("0.1K")), ListedSize::Rounded("0.1K".into()));
        assert_eq!(
            listed_size(Some("99999999999999999999")),
            ListedSize::Rounded("99999999999999999999".into())
        );
        assert_eq!(listed_size(Some("-")), ListedSize::Unknown);
        assert_eq!(listed_size(None), ListedSize::Unknown);
    }

    proptest! {
        #[test]
        fn an_encoded_name_comes_back_as_it_was(name in prop::collection::vec(any::<u8>(), 1..64)) {
            prop_assert_eq!(percent_decode(percent_encode(&name).as_bytes()), name);
        }

        #[test]
        fn no_link_can_make_the_classifier_fail(href in prop::collection::vec(any::<u8>(), 0..80)) {
            classify(&href, &place());
        }
    }
}
