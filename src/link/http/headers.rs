//! What response headers say of a file. Pure.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use reqwest::StatusCode;
use reqwest::header::{
    CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_RANGE, CONTENT_TYPE, DATE, ETAG, HeaderMap, HeaderName,
    LAST_MODIFIED,
};

use crate::link::{LinkError, LinkFailure, parse_http_date};
use crate::model::{DigestKind, Look, OfferedDigest, RemotePath};

fn text(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    headers.get(name)?.to_str().ok().map(str::trim)
}

/// The announced length. An unreadable one is none.
pub(super) fn content_length(headers: &HeaderMap) -> Option<u64> {
    number(text(headers, CONTENT_LENGTH)?)
}

/// The media type in lower case, without parameters.
pub(super) fn media_type(headers: &HeaderMap) -> Option<String> {
    let value = text(headers, CONTENT_TYPE)?;
    Some(value.split(';').next().unwrap_or("").trim().to_ascii_lowercase())
}

/// The logger's clock.
pub(super) fn date(headers: &HeaderMap) -> Option<jiff::Timestamp> {
    text(headers, DATE).and_then(parse_http_date)
}

/// What a reply says of a file of that size.
pub(super) fn look(headers: &HeaderMap, size: Option<u64>) -> Look {
    let tag = text(headers, ETAG).filter(|tag| !tag.is_empty());
    let weak = tag.is_some_and(|tag| tag.starts_with("W/"));
    let validator = tag.map(|tag| tag.strip_prefix("W/").unwrap_or(tag).to_owned());
    let quoted = validator.as_ref().is_some_and(|v| v.len() >= 2 && v.starts_with('"') && v.ends_with('"'));
    let time = text(headers, LAST_MODIFIED).and_then(parse_http_date);
    // Apache tells the moment of the reply for a file whose own time lies ahead (RFC 9110, 8.8.2.1
    // asks for it), new in each reply, with a weak tag that stays: then the tag alone says something.
    let clamped = weak && time.zip(date(headers)).is_some_and(|(time, date)| time >= date);
    Look { size, time: time.filter(|_| !clamped), validator, strong: quoted && !weak }
}

/// `bytes 5-9/10` (RFC 9110, 14.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ContentRange {
    pub start: u64,
    /// The last byte's offset.
    pub end: u64,
    /// `None` where it is not told (`*`).
    pub total: Option<u64>,
}

pub(super) fn content_range(headers: &HeaderMap) -> Option<ContentRange> {
    let (unit, rest) = text(headers, CONTENT_RANGE)?.split_once(' ')?;
    let (range, total) = rest.trim().split_once('/')?;
    let (start, end) = range.split_once('-')?;
    let (start, end) = (number(start)?, number(end)?);
    let total = if total.trim() == "*" { None } else { Some(number(total)?) };
    let sane = start <= end && end < u64::MAX && total.is_none_or(|total| end < total);
    (unit.eq_ignore_ascii_case("bytes") && sane).then_some(ContentRange { start, end, total })
}

/// The total of a 416's `Content-Range: bytes */10`.
pub(super) fn unsatisfied_total(headers: &HeaderMap) -> Option<u64> {
    number(text(headers, CONTENT_RANGE)?.strip_prefix("bytes")?.trim().strip_prefix("*/")?)
}

fn number(text: &str) -> Option<u64> {
    let text = text.trim();
    // `parse` alone would take a sign.
    text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse().ok()).flatten()
}

/// A digest of the whole file: `Repr-Digest` (RFC 9530, 3), else `Digest` (RFC 3230, 4.3.2), else, in
/// a reply that holds the whole file, `Content-MD5` (RFC 1864). The strongest algorithm of a field wins.
pub(super) fn offered_digest(headers: &HeaderMap, whole: bool) -> Option<OfferedDigest> {
    let repr = fields(headers, "repr-digest").filter_map(|(name, value)| {
        // A byte sequence stands between colons (RFC 9651, 3.3.5).
        let value = value.split(';').next()?.trim().strip_prefix(':')?.strip_suffix(':')?;
        stated(name, value, "Repr-Digest")
    });
    let digest = fields(headers, "digest").filter_map(|(name, value)| stated(name, value, "Digest"));
    let strongest = |offers: Vec<OfferedDigest>| offers.into_iter().min_by_key(|offer| rank(offer.kind));
    strongest(repr.collect()).or_else(|| strongest(digest.collect())).or_else(|| {
        let value = text(headers, HeaderName::from_static("content-md5")).filter(|_| whole)?;
        stated("md5", value, "Content-MD5")
    })
}

fn fields<'a>(headers: &'a HeaderMap, name: &'static str) -> impl Iterator<Item = (&'a str, &'a str)> {
    let values = headers.get_all(name).into_iter().filter_map(|value| value.to_str().ok());
    values.flat_map(|value| value.split(',')).filter_map(|member| member.trim().split_once('='))
}

fn stated(name: &str, base64: &str, stated_by: &'static str) -> Option<OfferedDigest> {
    // The names of RFC 9530, 7.2, and of RFC 3230, 6.1.
    let kind = match &*name.trim().to_ascii_lowercase() {
        "sha-256" => DigestKind::Sha256,
        "sha-512" => DigestKind::Sha512,
        "sha" => DigestKind::Sha1,
        "md5" => DigestKind::Md5,
        "crc32c" => DigestKind::Crc32c,
        _ => return None,
    };
    let value = STANDARD.decode(base64.trim()).ok().filter(|value| value.len() == kind.bytes())?;
    Some(OfferedDigest { kind, value, stated_by })
}

/// SHA-256 first, since it is computed anyway.
fn rank(kind: DigestKind) -> u8 {
    match kind {
        DigestKind::Sha256 => 0,
        DigestKind::Sha512 => 1,
        DigestKind::Sha1 => 2,
        DigestKind::Md5 => 3,
        DigestKind::Crc32 | DigestKind::Crc32c => 4,
    }
}

/// Whether a reply's body is the file's own bytes. Apache labels a stored `.gz` as encoded.
pub(super) fn check_identity(headers: &HeaderMap, path: &RemotePath) -> Result<(), LinkError> {
    let stored_gz = path.name().to_ascii_lowercase().ends_with(b"gz");
    for value in headers.get_all(CONTENT_ENCODING) {
        let fits = match &*value.as_bytes().trim_ascii().to_ascii_lowercase() {
            b"identity" | b"" => true,
            b"gzip" | b"x-gzip" => stored_gz,
            _ => false,
        };
        if !fits {
            return Err(LinkError::protocol("it sends the file in another encoding than the one asked for"));
        }
    }
    Ok(())
}

/// Whether a whole reply is a page instead of the file: a folder behind a link, a login page, a
/// captive portal. A status of 206 with a fitting range is no such page, whatever its type.
pub(super) fn check_no_page(headers: &HeaderMap, path: &RemotePath) -> Result<(), LinkError> {
    let name = path.name().to_ascii_lowercase();
    let is_page =
        media_type(headers).is_some_and(|kind| kind == "text/html" || kind == "application/xhtml+xml");
    if is_page && ![&b".html"[..], b".htm", b".xhtml"].iter().any(|end| name.ends_with(end)) {
        return Err(LinkError::new(LinkFailure::NotFound, "a text/html page came instead of the file"));
    }
    Ok(())
}

/// What a status that brings nothing means (RFC 9110, 15).
pub(super) fn refusal(status: StatusCode) -> LinkError {
    let failure = match status.as_u16() {
        401 => LinkFailure::Login,
        // lighttpd answers 400 to names that it lists and does not like (a tab, bytes that are no UTF-8).
        400 | 403 => LinkFailure::Forbidden,
        404 | 410 => LinkFailure::NotFound,
        412 => LinkFailure::Changed,
        416 => LinkFailure::BeyondEnd,
        421 | 429 | 503 => LinkFailure::Busy,
        _ => LinkFailure::Protocol,
    };
    LinkError::new(failure, format!("status {status}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn headers(lines: &[(&'static str, &str)]) -> HeaderMap {
        let pairs = lines.iter().map(|(name, value)| {
            (HeaderName::from_static(name), reqwest::header::HeaderValue::from_str(value).expect("value"))
        });
        pairs.collect()
    }

    /// The forms of RFC 9110, 14.4, and forms that servers were seen to get wrong.
    #[test]
    fn content_ranges_are_believed_only_when_they_add_up() {
        let parse = |value: &str| content_range(&headers(&[("content-range", value)]));
        assert_eq!(
            parse("bytes 42-1233/1234"),
            Some(ContentRange { start: 42, end: 1233, total: Some(1234) })
        );
        assert_eq!(parse("bytes 42-1233/*"), Some(ContentRange { start: 42, end: 1233, total: None }));
        for bad in
            ["bytes */1234", "bytes 5-4/10", "bytes 0-10/10", "lines 0-5/10", "bytes -1-5/10", "bytes 0-5/x"]
        {
            assert_eq!(parse(bad), None, "{bad}");
        }
        assert_eq!(unsatisfied_total(&headers(&[("content-range", "bytes */47022")])), Some(47022));
    }

    /// RFC 9110, 8.8.3: the weak mark is no part of the tag.
    #[test]
    fn weak_marks_are_no_part_of_a_validator() {
        let weak = look(&headers(&[("etag", "W/\"7-e9\"")]), Some(7));
        let strong = look(&headers(&[("etag", "\"7-e9\"")]), Some(7));
        assert!(weak.agrees(&strong));
        assert!(strong.strong && !weak.strong);
        assert!(!look(&headers(&[("etag", "7-e9")]), None).strong, "an unquoted tag is no entity tag");
    }

    /// Seen with Apache 2.4.71 and a file dated 2100: each reply tells its own moment.
    #[test]
    fn a_time_that_is_the_replys_own_is_none() {
        let at = |date: &str| {
            look(&headers(&[("etag", "W/\"7-e9\""), ("date", date), ("last-modified", date)]), Some(7))
        };
        let (first, second) = (at("Tue, 24 Nov 2026 22:15:49 GMT"), at("Tue, 24 Nov 2026 22:17:12 GMT"));
        assert!(first.agrees(&second) && first.time.is_none());
        let plain = headers(&[("last-modified", "Tue, 24 Nov 2026 22:15:49 GMT")]);
        assert!(look(&plain, None).time.is_some());
    }

    /// The example values of RFC 9530, B.1 (`{"hello": "world"}` and a line feed), in each header.
    #[test]
    fn digests_of_all_headers_are_read() {
        let value = "RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=";
        let sha = crate::model::Digest::of(b"{\"hello\": \"world\"}\n").hex();
        for (name, field) in [
            ("repr-digest", format!("sha-512=:AA==:, sha-256=:{value}:")),
            ("digest", format!("MD5=AA==,SHA-256={value}")),
        ] {
            let got = offered_digest(&headers(&[(name, &field)]), false).expect("digest");
            assert_eq!((got.kind, hex::encode(&got.value)), (DigestKind::Sha256, sha.clone()));
        }
        // RFC 1864's form; only where the body is the whole file.
        let md5 = headers(&[("content-md5", "Q2hlY2sgSW50ZWdyaXR5IQ==")]);
        assert_eq!(offered_digest(&md5, true).map(|d| d.kind), Some(DigestKind::Md5));
        assert_eq!(offered_digest(&md5, false), None);
        assert_eq!(offered_digest(&headers(&[("repr-digest", "sha-256=:AAAA:")]), true), None);
        // `123456789` by the catalogue of CRCs; anything stronger goes before it.
        let crc = headers(&[("repr-digest", "crc32c=:4waSgw==:")]);
        let got = offered_digest(&crc, false).expect("digest");
        assert_eq!((got.kind, hex::encode(got.value)), (DigestKind::Crc32c, "e3069283".to_owned()));
        let both = headers(&[("repr-digest", "crc32c=:4waSgw==:, md5=:Q2hlY2sgSW50ZWdyaXR5IQ==:")]);
        assert_eq!(offered_digest(&both, false).map(|d| d.kind), Some(DigestKind::Md5));
    }

    /// `rfc9530`: the examples of RFC 9530, 2 and B. `Content-Digest` is of this reply's bytes, and tells nothing of the file.
    #[test]
    fn published_digests_are_those_of_their_contents() {
        use crate::inspect::check_values::{bytes, text, topic};
        use sha2::Digest as _;
        for entry in topic("rfc9530", 6) {
            let whole = b"{\"hello\": \"world\"}\n";
            let content = match text(&entry, "/id") {
                "range-10-18" => whole[10..=18].to_vec(),
                // Brotli's frame around the text.
                "brotli-trap" => [&bytes("0B0980")[..], whole, &[3]].concat(),
                _ => text(&entry, "/input").as_bytes().to_vec(),
            };
            let expected = &entry["expected"];
            let of_it =
                [expected, &expected["content_digest"]].into_iter().find_map(serde_json::Value::as_str);
            let of_all = expected["repr_digest"].as_str();
            for (value, content) in
                of_it.map(|v| (v, &content[..])).into_iter().chain(of_all.map(|v| (v, &whole[..])))
            {
                let offer = offered_digest(&headers(&[("repr-digest", value)]), false).expect("digest");
                let ours = match offer.kind {
                    DigestKind::Sha512 => sha2::Sha512::digest(content).to_vec(),
                    _ => crate::model::Digest::of(content).0.to_vec(),
                };
                assert_eq!(offer.value, ours, "{entry}");
                assert_eq!(offered_digest(&headers(&[("content-digest", value)]), true), None);
            }
        }
        // As the editors' text has it once: what is no base64 is no digest.
        let padded = "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg==:";
        assert_eq!(offered_digest(&headers(&[("repr-digest", padded)]), true), None);
    }

    #[test]
    fn encodings_other_than_a_stored_gz_are_refused() {
        let path = |name: &str| RemotePath::new(name.as_bytes()).expect("path");
        let gzip = headers(&[("content-encoding", "x-gzip")]);
        assert!(check_identity(&gzip, &path("packed.mf4.gz")).is_ok());
        assert!(check_identity(&gzip, &path("a.mf4")).is_err());
        assert!(check_identity(&headers(&[("content-encoding", "br")]), &path("a.gz")).is_err());
        assert!(check_identity(&HeaderMap::new(), &path("a.mf4")).is_ok());
    }

    proptest! {
        #[test]
        fn no_header_can_make_us_fail(value in "[ -~]{0,60}") {
            for name in ["content-range", "etag", "repr-digest", "digest", "content-md5", "content-length"] {
                let headers = headers(&[(name, &value)]);
                content_range(&headers);
                unsatisfied_total(&headers);
                offered_digest(&headers, true);
                look(&headers, content_length(&headers));
            }
        }
    }
}
