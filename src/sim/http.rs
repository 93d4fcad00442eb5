//! A small HTTP/1.1 server over one card (RFC 9110, RFC 9112), as nginx behaves.
//!
//! It must not help the client more than a real server would: it sends what was asked for in the
//! form that nginx 1.22.1 was seen to use, and everything else is an error status.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::auth;
use super::card::{CardFile, Opened};
use super::logger::{DEVICE, Shared, until_closed};
use super::page::{self, Frame};
use super::script::{ListingFault, RemovalFault};
use super::transfer::{Ending, Step, Transfer};

/// The longest request head that is read.
const MAX_HEAD: usize = 16 * 1024;

/// The form of the index.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Index {
    /// nginx's pages.
    #[default]
    NginxHtml,
    /// nginx's JSON.
    NginxJson,
}

/// How entity tags are made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum EtagStyle {
    /// From time (seconds) and size, strong, as nginx makes them: a change within the second that
    /// keeps the size keeps the tag.
    #[default]
    TimeSize,
    /// The same, weak.
    Weak,
    /// Another one for each change.
    Unique,
    /// None.
    None,
}

/// How a login is asked for, where the logger wants one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum HttpAuth {
    /// Basic.
    #[default]
    Basic,
    /// Digest, MD5, `auth`.
    Digest,
}

/// What kind of server it is.
#[derive(Debug, Clone)]
pub struct HttpOptions {
    /// The path of the card's top folder; begins and ends with `/`.
    pub root: String,
    /// The form of the index.
    pub index: Index,
    /// Entity tags.
    pub etag: EtagStyle,
    /// How a login is asked for.
    pub auth: HttpAuth,
    /// Requests after which a connection is closed without notice; `None` keeps it.
    pub requests_per_connection: Option<u64>,
    /// Whether a wish to delete a file is held against its `If-Match` (RFC 9110, 13.1.1).
    pub if_match: bool,
}

impl Default for HttpOptions {
    fn default() -> Self {
        Self {
            root: "/".to_owned(),
            index: Index::default(),
            etag: EtagStyle::default(),
            auth: HttpAuth::default(),
            requests_per_connection: None,
            if_match: false,
        }
    }
}

/// A request without a body.
struct Request {
    method: String,
    target: String,
    head: String,
}

impl Request {
    fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().skip(1).find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }

    fn is_head(&self) -> bool {
        self.method == "HEAD"
    }
}

/// Serves one connection to its end.
pub(super) async fn serve(
    mut stream: TcpStream,
    shared: Arc<Shared>,
    options: &HttpOptions,
) -> io::Result<()> {
    let mut buffer = Vec::new();
    let mut served = 0;
    while let Some(request) = read_request(&mut stream, &mut buffer).await? {
        shared.counters().requests += 1;
        if shared.faults().silent {
            until_closed(&mut stream).await;
            return Ok(());
        }
        let close = request.header("connection").is_some_and(|v| v.eq_ignore_ascii_case("close"));
        let keep = Reply { stream: &mut stream, shared: &shared, options, request }.send().await?;
        served += 1;
        if !keep || close || options.requests_per_connection.is_some_and(|most| served >= most) {
            break;
        }
    }
    stream.shutdown().await
}

/// The next request; `None` at the end of the connection.
async fn read_request(stream: &mut TcpStream, buffer: &mut Vec<u8>) -> io::Result<Option<Request>> {
    loop {
        if let Some(end) = buffer.windows(4).position(|w| w == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&buffer[..end]).into_owned();
            buffer.drain(..end + 4);
            let mut words = head.lines().next().unwrap_or_default().split(' ');
            let method = words.next().unwrap_or_default().to_owned();
            let target = words.next().unwrap_or_default().to_owned();
            return Ok(Some(Request { method, target, head }));
        }
        if buffer.len() > MAX_HEAD || stream.read_buf(buffer).await? == 0 {
            return Ok(None);
        }
    }
}

/// What follows a head.
enum Body {
    Text(Vec<u8>),
    File(Box<Transfer>),
}

struct Reply<'a> {
    stream: &'a mut TcpStream,
    shared: &'a Arc<Shared>,
    options: &'a HttpOptions,
    request: Request,
}

impl Reply<'_> {
    /// Answers; `false` where the connection must end.
    async fn send(&mut self) -> io::Result<bool> {
        if self.shared.faults().busy {
            self.text(503, "", b"busy\n".to_vec(), "text/plain").await?;
            return Ok(false);
        }
        let deletes =
            self.request.method == "DELETE" && self.shared.faults().removal != RemovalFault::Unknown;
        if !deletes && !matches!(self.request.method.as_str(), "GET" | "HEAD") {
            self.text(405, "Allow: GET, HEAD\r\n", Vec::new(), "text/plain").await?;
            return Ok(false);
        }
        if !self.may_enter() {
            self.shared.counters().refused += 1;
            let challenge = match self.options.auth {
                HttpAuth::Basic => format!("Basic realm=\"{}\"", auth::REALM),
                HttpAuth::Digest => auth::digest_challenge(),
            };
            let header = format!("WWW-Authenticate: {challenge}\r\n");
            return self.text(401, &header, b"login needed\n".to_vec(), "text/plain").await;
        }
        let listing = self.shared.faults().listing;
        if listing == ListingFault::LoginPage {
            return self.text(200, "", page::LOGIN.to_vec(), "text/html").await;
        }
        let raw = self.request.target.split(['?', '#']).next().unwrap_or_default();
        let path = unescape(raw);
        if let Some(device) = self.shared.device().filter(|_| path == DEVICE.as_bytes()) {
            return self.text(200, "", device, "application/json").await;
        }
        let Some(path) = path.strip_prefix(self.options.root.as_bytes()) else {
            return self.not_found().await;
        };
        let (path, folder) = match path.strip_suffix(b"/") {
            Some(folder) => (folder.to_vec(), true),
            None => (path.to_vec(), path.is_empty()),
        };
        if deletes {
            return self.delete(&path).await;
        }
        if folder {
            return self.listing(&path, listing).await;
        }
        let opened = self.shared.card().open(&path);
        if let Some(opened) = opened {
            return self.file(opened).await;
        }
        if self.shared.card().entries(&path).is_some() {
            // nginx builds an absolute address from what the client called it.
            let host = self.request.header("host").unwrap_or("localhost");
            let header = format!("Location: http://{host}{raw}/\r\n");
            return self.text(301, &header, b"moved\n".to_vec(), "text/html").await;
        }
        self.not_found().await
    }

    fn may_enter(&self) -> bool {
        let Some(login) = &self.shared.login else { return true };
        let Some(given) = self.request.header("authorization") else { return false };
        match self.options.auth {
            HttpAuth::Basic => auth::basic_fits(given, login),
            HttpAuth::Digest => auth::digest_fits(given, login, &self.request.method, &self.request.target),
        }
    }

    /// As nginx's `dav_methods DELETE` does it; that does not look at `If-Match`.
    async fn delete(&mut self, path: &[u8]) -> io::Result<bool> {
        self.shared.counters().removals += 1;
        let fault = self.shared.faults().removal;
        if fault == RemovalFault::Refused {
            return self.text(403, "", b"forbidden\n".to_vec(), "text/html").await;
        }
        if let Some(wanted) = self.request.header("if-match").filter(|_| self.options.if_match) {
            let opened = self.shared.card().open(path);
            if opened.and_then(|opened| self.tag(&opened.file)).as_deref() != Some(wanted) {
                return self.text(412, "", Vec::new(), "text/plain").await;
            }
        }
        let stays = matches!(fault, RemovalFault::Lie | RemovalFault::Failed { done: false });
        if !stays && !self.shared.card().remove(path) {
            return self.not_found().await;
        }
        if matches!(fault, RemovalFault::Failed { .. }) {
            return self.text(500, "", b"card error\n".to_vec(), "text/plain").await;
        }
        if fault == RemovalFault::Unanswered {
            return Ok(false);
        }
        self.text(204, "", Vec::new(), "text/plain").await
    }

    async fn not_found(&mut self) -> io::Result<bool> {
        self.text(404, "", b"<html><body>404 Not Found</body></html>\r\n".to_vec(), "text/html").await
    }

    async fn listing(&mut self, folder: &[u8], fault: ListingFault) -> io::Result<bool> {
        let (fails, shift) = {
            let faults = self.shared.faults();
            (faults.failing_folders.contains(folder), faults.listing_shift)
        };
        if fails || fault == ListingFault::Error {
            return self.text(500, "", b"cannot read the card\n".to_vec(), "text/plain").await;
        }
        let (entries, now) = {
            let card = self.shared.card();
            (card.entries(folder), card.clock(self.shared.clock.now()))
        };
        let Some(mut entries) = entries else { return self.not_found().await };
        self.shared.counters().listings += 1;
        if fault == ListingFault::Empty {
            entries.clear();
        }
        let mut asked = self.options.root.clone().into_bytes();
        if !folder.is_empty() {
            asked.extend_from_slice(folder);
            asked.push(b'/');
        }
        let frame = Frame { folder: &asked, now, shift };
        let (mut page, kind) = match self.options.index {
            Index::NginxHtml => (page::nginx_html(&frame, &entries), "text/html"),
            Index::NginxJson => (page::nginx_json(&frame, &entries), "application/json"),
        };
        if fault == ListingFault::Truncated {
            page.truncate(page.len() / 2);
        }
        if fault == ListingFault::Drip {
            return self.drip(&page, kind).await;
        }
        self.text(200, "", page, kind).await
    }

    async fn drip(&mut self, page: &[u8], kind: &str) -> io::Result<bool> {
        self.head(200, "", page.len() as u64, kind).await?;
        for byte in page {
            self.stream.write_all(&[*byte]).await?;
            if self.shared.faults().listing == ListingFault::Drip {
                self.shared.clock.sleep(Duration::from_secs(1)).await;
            }
        }
        Ok(true)
    }

    async fn file(&mut self, opened: Opened) -> io::Result<bool> {
        let file = &opened.file;
        let size = file.content.len();
        let tag = self.tag(file);
        let (ignore, ignore_if, wrong, digest) = {
            let mut faults = self.shared.faults();
            let digest = faults.next_digest();
            (faults.ignore_ranges, faults.ignore_if_range, faults.wrong_content_range, digest)
        };
        let mut headers = format!("Last-Modified: {}\r\n", page::http_date(file.time));
        if let Some(tag) = &tag {
            headers += &format!("ETag: {tag}\r\n");
        }
        if !ignore {
            headers += "Accept-Ranges: bytes\r\n";
        }
        if let Some(right) = digest {
            let content = file.content.clone();
            let mut value = tokio::task::spawn_blocking(move || content.sha256()).await?.0;
            value[0] ^= u8::from(!right);
            // RFC 9530, 3.
            headers += &format!("Repr-Digest: sha-256=:{}:\r\n", STANDARD.encode(value));
        }
        let asked = match self.request.header("range") {
            Some(range) if !ignore && !self.request.is_head() => parse_range(range, size),
            _ => Asked::Whole,
        };
        let asked = if ignore_if || self.if_range_holds(tag.as_deref(), file) { asked } else { Asked::Whole };
        let (status, at, end) = match asked {
            Asked::Whole => (200, 0, size),
            Asked::Part(at, end) => {
                let told = if wrong { (at + 1, end) } else { (at, end - 1) };
                headers += &format!("Content-Range: bytes {}-{}/{size}\r\n", told.0, told.1);
                (206, at, end)
            }
            Asked::Beyond => {
                headers += &format!("Content-Range: bytes */{size}\r\n");
                return self.text(416, &headers, b"416\n".to_vec(), "text/html").await;
            }
        };
        let length = end - at;
        let kind = "application/octet-stream";
        if self.request.is_head() {
            return self.head(status, &headers, length, kind).await.map(|()| true);
        }
        let transfer = Transfer::new(self.shared.clone(), opened, at, end);
        self.head(status, &headers, length, kind).await?;
        self.body(Body::File(Box::new(transfer))).await
    }

    fn tag(&self, file: &CardFile) -> Option<String> {
        match self.options.etag {
            EtagStyle::TimeSize => Some(format!("\"{}\"", page::nginx_tag(file))),
            EtagStyle::Weak => Some(format!("W/\"{}\"", page::nginx_tag(file))),
            EtagStyle::Unique => Some(format!("\"{:x}-{:x}\"", file.change, file.content.len())),
            EtagStyle::None => None,
        }
    }

    /// Whether `Range` applies (RFC 9110, 13.1.5): no `If-Range`, an equal strong tag, or the
    /// exact date.
    fn if_range_holds(&self, tag: Option<&str>, file: &CardFile) -> bool {
        match self.request.header("if-range") {
            None => true,
            Some(given) if given.starts_with('"') => tag == Some(given),
            Some(given) if given.starts_with("W/") => false,
            Some(given) => given == page::http_date(file.time),
        }
    }

    async fn text(&mut self, status: u16, headers: &str, body: Vec<u8>, kind: &str) -> io::Result<bool> {
        self.head(status, headers, body.len() as u64, kind).await?;
        if self.request.is_head() { Ok(true) } else { self.body(Body::Text(body)).await }
    }

    async fn head(&mut self, status: u16, headers: &str, length: u64, kind: &str) -> io::Result<()> {
        let reason = match status {
            200 => "OK",
            204 => "No Content",
            206 => "Partial Content",
            301 => "Moved Permanently",
            401 => "Unauthorized",
            403 => "Forbidden",
            404 => "Not Found",
            405 => "Not Allowed",
            416 => "Requested Range Not Satisfiable",
            503 => "Service Temporarily Unavailable",
            _ => "Internal Server Error",
        };
        let date = page::http_date(self.shared.card().clock(self.shared.clock.now()));
        let head = format!(
            "HTTP/1.1 {status} {reason}\r\nDate: {date}\r\nContent-Type: {kind}\r\n\
             Content-Length: {length}\r\n{headers}\r\n"
        );
        self.stream.write_all(head.as_bytes()).await
    }

    async fn body(&mut self, body: Body) -> io::Result<bool> {
        let mut transfer = match body {
            Body::Text(bytes) => {
                self.stream.write_all(&bytes).await?;
                return Ok(true);
            }
            Body::File(transfer) => transfer,
        };
        loop {
            match transfer.next().await {
                Step::End => return Ok(true),
                Step::Send(bytes) => {
                    self.stream.write_all(&bytes).await?;
                    transfer.delivered(bytes.len());
                }
                Step::Break(Ending::Stall) => {
                    until_closed(self.stream).await;
                    return Ok(false);
                }
                Step::Break(Ending::Rst) => {
                    self.stream.set_zero_linger()?;
                    return Err(io::ErrorKind::ConnectionReset.into());
                }
                Step::Break(Ending::Fin | Ending::Short) => return Ok(false),
            }
        }
    }
}

/// What a `Range` asks of a file.
#[derive(Debug, PartialEq, Eq)]
enum Asked {
    Whole,
    /// From the first offset up to the second, not included.
    Part(u64, u64),
    Beyond,
}

/// One range in bytes (RFC 9110, 14.1.2); whatever else it says is ignored, as it may be (14.2).
fn parse_range(value: &str, size: u64) -> Asked {
    let Some((from, to)) = value.trim().strip_prefix("bytes=").and_then(|spec| spec.split_once('-')) else {
        return Asked::Whole;
    };
    let (at, end) = match (from.parse::<u64>(), to.parse::<u64>()) {
        (Ok(at), Ok(last)) if last >= at => (at, last.saturating_add(1).min(size)),
        (Ok(at), Err(_)) if to.is_empty() => (at, size),
        (Err(_), Ok(last)) if from.is_empty() => (size.saturating_sub(last), size),
        _ => return Asked::Whole,
    };
    if at >= end { Asked::Beyond } else { Asked::Part(at, end) }
}

fn unescape(path: &str) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = path.as_bytes();
    while let Some((byte, tail)) = rest.split_first() {
        let coded = tail.get(..2).filter(|_| *byte == b'%').and_then(|two| hex::decode(two).ok());
        match coded {
            Some(decoded) => {
                out.extend_from_slice(&decoded);
                rest = &tail[2..];
            }
            None => {
                out.push(*byte);
                rest = tail;
            }
        }
    }
    out
}

#[cfg(test)]
#[path = "http_tests.rs"]
mod tests;
