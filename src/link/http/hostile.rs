//! What pages and heads keep to, whatever they are.

use bytes::Bytes;
use jiff::tz::TimeZone;
use reqwest::header::{HeaderMap, HeaderName, HeaderValue};
use url::Url;

use super::auth::Auth;
use super::client::below;
use super::headers;
use super::list::join;
use super::page::{PageError, Place, Reading, percent_decode};
use super::{html, json};
use crate::config::Login;
use crate::hostile::chosen;
use crate::model::{ListedSize, Look, RemotePath};

/// A page: the same entries in whatever pieces it comes, no more of them than may be, and none that leads elsewhere.
pub(crate) fn page(bytes: &[u8], is_json: bool) {
    let base = Url::parse("http://127.0.0.1:8080/logs/").expect("address");
    let place = Place::new(&base);
    let zone = TimeZone::posix("TST-5:30").expect("zone");
    for (max_entries, overflow) in [(1000, false), (3, true)] {
        let reading = Reading { place: &place, zone: &zone, max_entries, overflow };
        let parse = |chunks: &[Bytes]| match is_json {
            true => json::parse(chunks, &reading),
            false => html::parse(chunks, &reading),
        };
        let whole = parse(&[Bytes::copy_from_slice(bytes)]);
        let piece = 1 + chosen(bytes, 300);
        let pieces: Vec<_> = bytes.chunks(piece).map(Bytes::copy_from_slice).collect();
        let pieces = parse(&pieces);
        match (&whole, &pieces) {
            (Ok(whole), Ok(pieces)) => assert_eq!(whole.entries, pieces.entries, "in pieces of {piece}"),
            (Err(PageError::NotAListing(_)), Err(PageError::NotAListing(_)))
            | (Err(PageError::Cut), Err(PageError::Cut)) => {}
            _ => panic!("{whole:?} and, in pieces of {piece}, {pieces:?}"),
        }
        let page = match whole {
            Ok(page) => page,
            Err(PageError::NotAListing(title)) => return is_title(&title),
            Err(PageError::Cut) => return,
        };
        is_title(&page.title);
        assert!(page.entries.len() <= max_entries);
        assert!(page.partial || !overflow);
        for entry in page.entries {
            assert!(
                !matches!(&entry.size, ListedSize::Rounded(text) if text.chars().count() > html::MAX_TEXT),
                "{:?}",
                entry.size
            );
            for folder in [None, Some(RemotePath::new(b"day one").expect("path"))] {
                let Ok(path) = join(folder.as_ref(), &entry.name) else { continue };
                leads_below(&base, &path);
                assert_eq!(path.name(), &*entry.name);
            }
        }
    }
}

fn is_title(title: &str) {
    assert!(title.chars().count() <= 80 && !title.chars().any(char::is_control), "{title:?}");
}

/// What is asked for is what was listed, and lies below the logger's address.
fn leads_below(base: &Url, path: &RemotePath) {
    assert!(
        path.segments()
            .all(|part| !matches!(part, b"" | b"." | b"..") && !part.iter().any(|b| b"\0\r\n\\".contains(b)))
    );
    let url = below(base, path.as_bytes());
    assert_eq!((url.origin(), url.query(), url.fragment()), (base.origin(), None, None), "{url}");
    let asked = percent_decode(url.path().as_bytes());
    assert_eq!(asked.strip_prefix(base.path().as_bytes()), Some(path.as_bytes()), "{url}");
}

/// The heads of replies, one field a line.
pub(crate) fn heads(bytes: &[u8]) {
    let mut fields = HeaderMap::new();
    for line in bytes.split(|b| *b == b'\n').take(100) {
        let Some(at) = line.iter().position(|b| *b == b':') else { continue };
        let name = HeaderName::from_bytes(line[..at].trim_ascii());
        let value = HeaderValue::from_bytes(line[at + 1..].trim_ascii());
        if let (Ok(name), Ok(value)) = (name, value) {
            fields.append(name, value);
        }
    }
    if let Some(range) = headers::content_range(&fields) {
        assert!(range.start <= range.end && range.total.is_none_or(|total| range.end < total));
        assert_eq!(headers::unsatisfied_total(&fields), None);
    }
    let length = headers::content_length(&fields);
    let look = headers::look(&fields, length);
    assert!(
        !look.strong || look.validator.as_ref().is_some_and(|tag| tag.len() >= 2 && tag.starts_with('"'))
    );
    let kept = Look { size: look.size, time: look.time, ..Look::default() }
        .with_validator_text(look.validator_text());
    assert!(kept.agrees(&look) && (!kept.strong || look.strong), "{look:?} was kept as {kept:?}");
    for whole in [false, true] {
        if let Some(offer) = headers::offered_digest(&fields, whole) {
            assert_eq!(offer.value.len(), offer.kind.bytes());
        }
    }
    headers::date(&fields);
    headers::media_type(&fields);
    let path = RemotePath::new(b"a.log").expect("path");
    let _ = (headers::check_identity(&fields, &path), headers::check_no_page(&fields, &path));
    let login = Login { user: "depot".into(), password: "a password".into() };
    let mut auth = Auth::default();
    for _ in 0..4 {
        if !auth.challenged(&fields) {
            break;
        }
        let Some(answer) = auth.header(&login, "GET", "/logs/") else { break };
        assert!(answer.is_sensitive() && !answer.as_bytes().iter().any(|b| b"\r\n".contains(b)));
        assert!(!answer.as_bytes().windows(10).any(|w| w == b"a password"));
    }
}
