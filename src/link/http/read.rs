//! Files: looks, reads from an offset, short ranges, side files. One attempt each.

use std::collections::BTreeSet;

use bytes::{Bytes, BytesMut};
use reqwest::header::{HeaderMap, HeaderName, HeaderValue, IF_RANGE, LOCATION, RANGE};
use reqwest::{Method, Response, StatusCode};

use super::body::Body;
use super::client::Conversation;
use super::headers::{
    check_identity, check_no_page, content_length, content_range, look as told, media_type, offered_digest,
    refusal, unsatisfied_total,
};
use super::list::SIDE;
use crate::config::SerialFrom;
use crate::link::{LinkError, LinkFailure, MAX_SAYS, Opened};
use crate::model::amount::length;
use crate::model::{DigestKind, Look, OfferedDigest, RemotePath};

/// Bytes of one range read.
const MAX_RANGE: u64 = 64 * 1024;
/// Bytes read in vain to get at a range from a server that sends more than was asked for.
const MAX_SKIP: u64 = 1024 * 1024;
/// Bytes of a side file.
const MAX_SIDE: u64 = 4096;

/// A read that is open.
pub(super) struct Open {
    body: Body,
    /// Whether this is a part of the file (206), and not the whole.
    part: bool,
    /// The last byte of the file is the last of this body; a part may end before it.
    reaches_end: bool,
    /// What the body must come to, where its framing alone does not prove that.
    expected: Option<u64>,
}

impl Open {
    /// Whether the reply is a part of the file (206).
    pub fn is_part(&self) -> bool {
        self.part
    }

    pub async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let bytes = self.body.next().await?;
        let received = self.body.received();
        let short = !self.reaches_end || self.expected.is_some_and(|expected| received < expected);
        if self.expected.is_some_and(|expected| received > expected) {
            Err(LinkError::protocol("more bytes came than the reply's range or the file's size has"))
        } else if bytes.is_none() && short {
            Err(LinkError::cut(format!("after {} of this reply, before the file's end", length(received))))
        } else {
            Ok(bytes)
        }
    }
}

pub(super) async fn look(talk: &mut Conversation, path: &RemotePath) -> Result<Look, LinkError> {
    let response = talk.send(Method::HEAD, talk.url(path.as_bytes()), HeaderMap::new()).await?;
    let size = content_length(response.headers());
    match response.status() {
        StatusCode::OK if size.is_some() => {
            check_no_page(response.headers(), path)?;
            check_identity(response.headers(), path)?;
            Ok(told(response.headers(), size))
        }
        // Apache tells no length of an empty file, some servers know no HEAD.
        StatusCode::OK | StatusCode::METHOD_NOT_ALLOWED | StatusCode::NOT_IMPLEMENTED => {
            look_by_range(talk, path).await
        }
        _ => Err(refused(&response, talk, path)),
    }
}

/// Asks for the first byte and reads what is said of the rest.
async fn look_by_range(talk: &mut Conversation, path: &RemotePath) -> Result<Look, LinkError> {
    let mut headers = HeaderMap::new();
    headers.insert(RANGE, HeaderValue::from_static("bytes=0-0"));
    let response = talk.send(Method::GET, talk.url(path.as_bytes()), headers).await?;
    let told_of = response.headers();
    let size = match response.status() {
        StatusCode::PARTIAL_CONTENT => content_range(told_of).and_then(|range| range.total),
        StatusCode::OK => {
            check_no_page(told_of, path)?;
            content_length(told_of)
        }
        StatusCode::RANGE_NOT_SATISFIABLE => match unsatisfied_total(told_of) {
            Some(0) => Some(0),
            _ => return Err(refused(&response, talk, path)),
        },
        _ => return Err(refused(&response, talk, path)),
    };
    check_identity(told_of, path)?;
    let look = told(told_of, size);
    // A body of a 416 may be the whole file: never read.
    if response.status() == StatusCode::PARTIAL_CONTENT || size == Some(0) {
        Body::new(response, talk.idle).drain(MAX_RANGE).await;
    }
    Ok(look)
}

/// Who the logger says it is.
pub(super) async fn says(talk: &mut Conversation, from: &SerialFrom) -> Result<String, LinkError> {
    match from {
        SerialFrom::Header(name) => {
            let response = talk.send(Method::HEAD, talk.url(b""), HeaderMap::new()).await?;
            let value = response.headers().get(name.as_str()).map(HeaderValue::as_bytes).unwrap_or_default();
            Ok(String::from_utf8_lossy(value).into_owned())
        }
        SerialFrom::File(path) => {
            let response = talk.send(Method::GET, talk.on_server(path), HeaderMap::new()).await?;
            if response.status() != StatusCode::OK {
                return Err(refusal(response.status()));
            }
            let mut body = Body::new(response, talk.idle);
            let mut text = BytesMut::new();
            while let Some(bytes) = body.next().await? {
                text.extend_from_slice(&bytes);
                if text.len() as u64 >= MAX_SAYS {
                    text.truncate(usize::try_from(MAX_SAYS).unwrap_or(usize::MAX));
                    break;
                }
            }
            Ok(String::from_utf8_lossy(&text).into_owned())
        }
    }
}

pub(super) async fn open(
    talk: &mut Conversation,
    path: &RemotePath,
    from: u64,
    expect: &Look,
) -> Result<(Open, Opened), LinkError> {
    let mut headers = HeaderMap::new();
    headers.insert(HeaderName::from_static("want-repr-digest"), HeaderValue::from_static("sha-256=1"));
    if from > 0 {
        headers.insert(RANGE, range_value(from, None)?);
        // RFC 9110, 13.1.5: only a strong tag may stand here.
        let tag = expect.validator.as_ref().filter(|_| expect.strong);
        if let Some(value) = tag.and_then(|tag| HeaderValue::from_str(tag).ok()) {
            headers.insert(IF_RANGE, value);
        }
    }
    let response = talk.send(Method::GET, talk.url(path.as_bytes()), headers).await?;
    match response.status() {
        StatusCode::OK => {
            check_no_page(response.headers(), path)?;
            check_identity(response.headers(), path)?;
            let look = told(response.headers(), content_length(response.headers()));
            let digest = offered_digest(response.headers(), true);
            let body = Body::new(response, talk.idle);
            // Only a size known before makes anything of a body that ends with its connection.
            let expected = expect.size.filter(|_| !body.tells_its_end());
            if !body.tells_its_end() && expected.is_none() {
                return Err(LinkError::protocol("it tells neither the file's length nor its end"));
            }
            let open = Open { body, part: false, reaches_end: true, expected };
            Ok((open, Opened { from: 0, look, digest }))
        }
        StatusCode::PARTIAL_CONTENT if from > 0 => {
            check_identity(response.headers(), path)?;
            let part = part(&response, expect)?;
            if part.start > from {
                return Err(LinkError::protocol(format!(
                    "asked from byte {from}, it sends from {}",
                    part.start
                )));
            }
            let look = told(response.headers(), part.total);
            if !look.agrees(expect) {
                return Err(changed(expect, &look));
            }
            let digest = offered_digest(response.headers(), false);
            let reaches_end = part.total.is_some_and(|total| part.end + 1 == total);
            let length = part.end + 1 - part.start;
            let body = Body::new(response, talk.idle);
            if body.length().is_some_and(|told| told != length) {
                return Err(LinkError::protocol("the range's length and the body's differ"));
            }
            let open = Open { body, part: true, reaches_end, expected: Some(length) };
            Ok((open, Opened { from: part.start, look, digest }))
        }
        _ => Err(refused(&response, talk, path)),
    }
}

fn range_value(from: u64, end: Option<u64>) -> Result<HeaderValue, LinkError> {
    let end = end.map_or_else(String::new, |end| end.to_string());
    HeaderValue::from_str(&format!("bytes={from}-{end}")).map_err(LinkError::protocol)
}

/// The range of a 206, its total filled in from what is expected where the reply tells none.
fn part(response: &Response, expect: &Look) -> Result<super::headers::ContentRange, LinkError> {
    if media_type(response.headers()).is_some_and(|kind| kind == "multipart/byteranges") {
        return Err(LinkError::protocol("it sends several ranges where one was asked for"));
    }
    let mut range = content_range(response.headers())
        .ok_or_else(|| LinkError::protocol("a 206 without a usable Content-Range"))?;
    range.total = range.total.or(expect.size);
    if range.total.is_some_and(|total| range.end >= total) {
        return Err(LinkError::protocol("a range beyond the file's expected end"));
    }
    Ok(range)
}

fn changed(expect: &Look, now: &Look) -> LinkError {
    let what = match (expect.size, now.size) {
        (Some(old), Some(new)) if old != new => format!("{} then, {} now", length(old), length(new)),
        _ => "another tag or time than before".to_owned(),
    };
    LinkError::new(LinkFailure::Changed, what)
}

/// What a reply that brings nothing means. A redirect to the same address with a slash says that
/// this is a folder.
fn refused(response: &Response, talk: &Conversation, path: &RemotePath) -> LinkError {
    let status = response.status();
    if status == StatusCode::UNAUTHORIZED || !status.is_redirection() {
        return match status {
            StatusCode::PARTIAL_CONTENT => LinkError::protocol("a part came where the whole was asked for"),
            _ => refusal(status),
        };
    }
    let target = response.headers().get(LOCATION).and_then(|value| value.to_str().ok());
    let own = talk.url(path.as_bytes());
    match target.and_then(|target| own.join(target).ok()) {
        Some(target) if target.path().strip_suffix('/') == Some(own.path()) => {
            LinkError::new(LinkFailure::NotFound, "it is a folder")
        }
        _ => LinkError::protocol(format!("status {status}: redirects of files are not followed")),
    }
}

pub(super) async fn range(
    talk: &mut Conversation,
    path: &RemotePath,
    from: u64,
    len: u64,
) -> Result<Bytes, LinkError> {
    if len == 0 {
        return Ok(Bytes::new());
    }
    if len > MAX_RANGE {
        return Err(LinkError::protocol(format!("a range read of {} is too long", length(len))));
    }
    let mut headers = HeaderMap::new();
    let end = from.saturating_add(len - 1);
    headers.insert(RANGE, range_value(from, Some(end))?);
    let response = talk.send(Method::GET, talk.url(path.as_bytes()), headers).await?;
    check_identity(response.headers(), path)?;
    let start = match response.status() {
        StatusCode::PARTIAL_CONTENT => {
            let part = part(&response, &Look::default())?;
            let short = part.end < end && part.total.is_some_and(|total| part.end + 1 < total);
            if part.start > from || short {
                return Err(LinkError::protocol("it sends another range than the one asked for"));
            }
            part.start
        }
        StatusCode::OK => {
            check_no_page(response.headers(), path)?;
            0
        }
        _ => return Err(refused(&response, talk, path)),
    };
    let skip = from - start;
    if skip.saturating_add(len) > MAX_SKIP {
        return Err(LinkError::protocol("it begins too far before the range asked for"));
    }
    take(Body::new(response, talk.idle), skip, len).await
}

/// Bytes of a body behind `skip`. The body is read on to its end where that costs little.
async fn take(mut body: Body, skip: u64, len: u64) -> Result<Bytes, LinkError> {
    let mut kept = BytesMut::new();
    while body.received() < skip + len {
        let before = body.received();
        let Some(chunk) = body.next().await? else {
            if !body.tells_its_end() {
                return Err(LinkError::cut("nothing tells whether the range came to its end"));
            }
            return Ok(kept.freeze());
        };
        let at = |offset: u64| {
            let offset = offset.saturating_sub(before).min(chunk.len() as u64);
            usize::try_from(offset).unwrap_or(chunk.len())
        };
        kept.extend_from_slice(chunk.get(at(skip)..at(skip + len)).unwrap_or_default());
    }
    body.drain(MAX_RANGE).await;
    Ok(kept.freeze())
}

/// The digest in a side file, where the last listing showed one.
pub(super) async fn side_file(
    talk: &mut Conversation,
    path: &RemotePath,
    seen: &BTreeSet<RemotePath>,
) -> Result<Option<OfferedDigest>, LinkError> {
    for end in SIDE {
        let side = [path.as_bytes(), end.as_bytes()].concat();
        let Some(side) = RemotePath::new(&side).ok().filter(|side| seen.contains(side)) else { continue };
        let text = match range(talk, &side, 0, MAX_SIDE).await {
            Ok(text) => text,
            Err(error) if error.is_answer() => continue,
            Err(error) => return Err(error),
        };
        let (kind, len) = if end == ".md5" { (DigestKind::Md5, 16) } else { (DigestKind::Sha256, 32) };
        if let Some(value) = stated(&text, path.name(), len) {
            return Ok(Some(OfferedDigest { kind, value, stated_by: "side file" }));
        }
    }
    Ok(None)
}

/// Reads the forms that `sha256sum` and `md5sum` write (`<hex>  <name>`, `<hex> *<name>`), and a bare
/// digest. A digest that is said of another name is none.
fn stated(text: &[u8], name: &[u8], len: usize) -> Option<Vec<u8>> {
    text.split(|b| *b == b'\n').find_map(|line| {
        let line = line.trim_ascii();
        let end = line.iter().position(u8::is_ascii_whitespace).unwrap_or(line.len());
        let (digits, rest) = line.split_at(end);
        let of = rest.trim_ascii();
        let of = of.strip_prefix(b"*").unwrap_or(of);
        let own = of.is_empty() || of == name || of.strip_suffix(name).is_some_and(|dir| dir.ends_with(b"/"));
        hex::decode(digits).ok().filter(|value| own && value.len() == len)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn side_files_of_the_usual_tools_are_read() {
        let md5 = "d41d8cd98f00b204e9800998ecf8427e";
        let value = hex::decode(md5).expect("hex");
        for text in
            [format!("{md5}\n"), format!("{md5}  a.mf4\n"), format!("{md5} *./a.mf4\r\n"), md5.to_uppercase()]
        {
            assert_eq!(stated(text.as_bytes(), b"a.mf4", 16), Some(value.clone()), "{text}");
        }
        for text in [format!("{md5}  b.mf4"), "<html>".to_owned(), String::new(), md5[..30].to_owned()] {
            assert_eq!(stated(text.as_bytes(), b"a.mf4", 16), None, "{text}");
        }
    }
}
