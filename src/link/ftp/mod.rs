//! FTP (RFC 959 with the extensions of RFC 2389, 2428 and 3659), in clear text and passive mode.
//!
//! Owns the conversation with one logger: login, listings, reads from an offset. Decides nothing
//! about what is fetched or when, and never sends anything while a transfer is open.
//!
//! The `suppaftp` crate writes every command, the password among them, to the `trace` level of
//! its log: whoever sets up logging adds [`LOG_CAP`] to its filter.

mod digest;
mod entry;
#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
mod lines;
mod ls;
mod mlsd;
mod session;
#[cfg(test)]
pub(super) mod tests;
mod walk;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use bytes::{Bytes, BytesMut};
use futures_util::future::BoxFuture;
use secrecy::SecretString;
use tokio::io::AsyncReadExt as _;
use tokio::net::TcpStream;
use url::Url;

use self::mlsd::{decimal, time_value};
use self::session::{Habits, Session, Started, wire, within};
use super::{Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, MAX_SAYS, Opened};
use crate::clock::Clock;
use crate::config::{Logger, SerialFrom};
use crate::model::amount::length;
use crate::model::{DigestKind, Look, OfferedDigest, RemotePath};
use crate::remove::Permit;

/// The directive that keeps passwords out of the log (`tracing_subscriber`'s `EnvFilter` syntax).
pub const LOG_CAP: &str = "suppaftp=debug";

/// Most bytes of one chunk.
const CHUNK: usize = 256 * 1024;
/// A look this old is no longer taken for the one that an open needs.
const LOOK_FRESH: Duration = Duration::from_secs(2);
/// A session unused for so long is asked whether it lives: servers end idle ones, some without a word.
const SESSION_FRESH: Duration = Duration::from_secs(5);

/// One logger's FTP server. Connects at the first call, and again after every failure that was not
/// a clean refusal. The path of its address is the folder whose content is offered; file names are
/// bytes and are sent as they were listed.
pub struct FtpLink {
    logger: Arc<Logger>,
    base: Url,
    /// The path of `base` as bytes, with a `/` at its end.
    root: Vec<u8>,
    idle: Duration,
    connect: Duration,
    clock: Arc<dyn Clock>,
    habits: Habits,
    session: Option<(Session, Duration)>,
    reading: Option<Reading>,
    looked: Option<(RemotePath, Look, Duration)>,
    /// Files named `.sha256` or `.md5` in the last listing.
    side_files: BTreeSet<RemotePath>,
    features: Option<Vec<String>>,
}

/// An open read; the session belongs to it until its end.
#[expect(clippy::large_enum_variant, reason = "a link has one of them, and it moves rarely")]
enum Reading {
    /// Bytes still come.
    Data {
        session: Session,
        data: TcpStream,
        buf: BytesMut,
        /// Bytes that must still come, as far as the size is known.
        due: u64,
    },
    /// The closing reply is awaited. Kept here, since whoever asks for a chunk may give up waiting
    /// and ask again, and a reply of which a part was read is lost otherwise.
    Closing(BoxFuture<'static, Result<Session, LinkError>>),
}

impl FtpLink {
    /// A link to one address; connects at the first call. A host name, a connection and a data
    /// connection may take `connect_timeout` each, every answer and every read `idle_timeout`.
    pub fn new(
        logger: Arc<Logger>,
        base: Url,
        idle_timeout: Duration,
        connect_timeout: Duration,
        clock: Arc<dyn Clock>,
    ) -> Self {
        let mut root = unescape(base.path());
        if !root.ends_with(b"/") {
            root.push(b'/');
        }
        Self {
            logger,
            base,
            root,
            idle: idle_timeout,
            connect: connect_timeout,
            clock,
            habits: Habits::default(),
            session: None,
            reading: None,
            looked: None,
            side_files: BTreeSet::new(),
            features: None,
        }
    }

    /// The session of the last call, or a new one. Ends a read that was left open.
    async fn ready(&mut self) -> Result<Session, LinkError> {
        self.reading = None;
        self.looked = None;
        if let Some((mut session, used)) = self.session.take() {
            let fresh = self.clock.mono().saturating_sub(used) < SESSION_FRESH;
            let lives = fresh
                || session.command_within("NOOP", self.connect).await.is_ok_and(|reply| reply.code != 421);
            if lives {
                return Ok(session);
            }
        }
        let stream = super::dialer::connect(&self.base, self.connect).await?;
        let guest = SecretString::from("anonymous");
        let (user, password) = match &self.logger.login {
            Some(login) => (&login.user[..], &login.password),
            None => ("anonymous", &guest),
        };
        Session::begin(stream, user, password, self.idle, self.connect).await
    }

    fn put_back(&mut self, session: Session) {
        self.session = Some((session, self.clock.mono()));
    }

    /// Keeps the session after a success or a clean refusal, and drops it after anything else.
    fn keep<T>(&mut self, session: Session, result: Result<T, LinkError>) -> Result<T, LinkError> {
        if !session.spoiled && result.as_ref().map_or_else(LinkError::is_answer, |_| true) {
            self.put_back(session);
        }
        result
    }

    fn full(&self, path: &RemotePath) -> Vec<u8> {
        [&self.root, path.as_bytes()].concat()
    }

    /// A folder's own path; `None` is the top.
    fn folder(&self, folder: Option<&RemotePath>) -> Vec<u8> {
        match folder {
            Some(folder) => self.full(folder),
            None if self.root.len() > 1 => self.root[..self.root.len() - 1].to_vec(),
            None => self.root.clone(),
        }
    }

    /// A whole small file, at most `len` bytes of it.
    async fn side_file(&mut self, path: &RemotePath, end: &[u8]) -> Result<Option<Bytes>, LinkError> {
        let side = RemotePath::new(&[path.as_bytes(), end].concat());
        match side {
            Ok(side) if self.side_files.contains(&side) => {
                self.read_range(&side, 0, digest::SIDE_FILE).await.map(Some)
            }
            _ => Ok(None),
        }
    }
}

#[async_trait]
impl Link for FtpLink {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: self.habits.rest }
    }

    async fn list(&mut self, caps: &ListCaps) -> Result<Listing, LinkError> {
        self.walk(caps).await
    }

    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        let mut session = self.ready().await?;
        let result = look(&mut session, &self.full(path)).await;
        let look = self.keep(session, result)?;
        self.looked = Some((path.clone(), look.clone(), self.clock.mono()));
        Ok(look)
    }

    async fn open(&mut self, path: &RemotePath, from: u64, expect: &Look) -> Result<Opened, LinkError> {
        let now = self.clock.mono();
        let looked =
            self.looked.take().filter(|(of, _, at)| of == path && now.saturating_sub(*at) < LOOK_FRESH);
        let mut session = self.ready().await?;
        let full = self.full(path);
        let looked = looked.map(|(_, look, _)| look);
        let begun = begin(&mut session, &mut self.habits, &full, from, expect, looked).await;
        match begun {
            Ok((data, from, look)) => {
                let due = look.size.or(expect.size).unwrap_or(0).saturating_sub(from);
                self.reading = Some(match data {
                    Some(data) => Reading::Data { session, data, buf: BytesMut::new(), due },
                    None => Reading::Closing(Box::pin(close(session, None, due))),
                });
                Ok(Opened { from, look, digest: None })
            }
            Err(e) => self.keep(session, Err(e)),
        }
    }

    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        if let Some(Reading::Data { data, buf, due, .. }) = &mut self.reading {
            if buf.capacity() < CHUNK / 4 {
                *buf = BytesMut::with_capacity(CHUNK);
            }
            match within(self.idle, "no byte", data.read_buf(buf)).await {
                Ok(Ok(0)) => {}
                Ok(Ok(n)) => {
                    *due = due.saturating_sub(n as u64);
                    return Ok(Some(buf.split().freeze()));
                }
                Ok(Err(e)) => {
                    self.reading = None;
                    return Err(LinkError::cut(e));
                }
                Err(e) => {
                    self.reading = None;
                    return Err(e);
                }
            }
        }
        if let Some(Reading::Data { session, data, due, .. }) =
            self.reading.take_if(|reading| matches!(reading, Reading::Data { .. }))
        {
            self.reading = Some(Reading::Closing(Box::pin(close(session, Some(data), due))));
        }
        let Some(Reading::Closing(closing)) = &mut self.reading else {
            return Err(LinkError::protocol("no read is open"));
        };
        let closed = closing.await;
        self.reading = None;
        self.put_back(closed?);
        Ok(None)
    }

    async fn stop(&mut self) {
        // The replies to a transfer that was broken off differ from server to server.
        self.reading = None;
    }

    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        let mut session = self.ready().await?;
        let full = self.full(path);
        let result = range(&mut session, &mut self.habits, &full, from, len, self.idle).await;
        self.keep(session, result)
    }

    async fn digest(&mut self, path: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        if self.features.as_ref().is_none_or(|named| !named.is_empty()) {
            let mut session = self.ready().await?;
            if self.features.is_none() {
                let result = digest::features(&mut session).await;
                match result {
                    Ok(named) => self.features = Some(named),
                    Err(e) => return self.keep(session, Err(e)),
                }
            }
            let named = self.features.clone().unwrap_or_default();
            let result = digest::ask(&mut session, &named, &self.full(path)).await;
            if let Some(stated) = self.keep(session, result)? {
                return Ok(Some(stated));
            }
        }
        for (ending, kind) in [(&b".sha256"[..], DigestKind::Sha256), (b".md5", DigestKind::Md5)] {
            if let Some(text) = self.side_file(path, ending).await?
                && let Some(stated) = digest::side_file(&text, path.name(), kind)
            {
                return Ok(Some(stated));
            }
        }
        Ok(None)
    }

    async fn says(&mut self, from: &SerialFrom) -> Result<String, LinkError> {
        let SerialFrom::File(path) = from else { return Err(LinkError::protocol("FTP has no headers")) };
        let mut session = self.ready().await?;
        let result = range(&mut session, &mut self.habits, path.as_bytes(), 0, MAX_SAYS, self.idle).await;
        self.keep(session, result).map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
    }

    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        let mut session = self.ready().await?;
        let result = remove(&mut session, &self.full(permit.path())).await;
        self.keep(session, result)
    }
}

/// `DELE` (RFC 959, 4.1.3 and 5.4).
async fn remove(session: &mut Session, path: &[u8]) -> Result<(), LinkError> {
    let reply = session.on("DELE", path).await?;
    if reply.code / 100 == 2 {
        return Ok(());
    }
    let refusal = reply.refusal();
    // It passes, as it says itself, and whether the file went before it is not said.
    if reply.code / 100 == 4 {
        return Err(LinkError::new(LinkFailure::Busy, refusal.detail));
    }
    let lower = reply.text.to_ascii_lowercase();
    // Only 550 is about the file; other codes are about the command, whatever words they use.
    let unknown =
        reply.code == 550 && ["no such", "not found", "not exist"].iter().any(|words| lower.contains(words));
    Err(match refusal.failure {
        // A server that does not know the command, or says no more than that it failed.
        LinkFailure::Protocol | LinkFailure::NotFound if !unknown && reply.code / 100 == 5 => {
            LinkError::new(LinkFailure::Forbidden, refusal.detail)
        }
        _ => refusal,
    })
}

/// `SIZE` and `MDTM` (RFC 3659, 3 and 4). Either may be unknown to a server, or answer with words.
async fn look(session: &mut Session, path: &[u8]) -> Result<Look, LinkError> {
    let reply = session.on("SIZE", path).await?;
    let size = match reply.code {
        213 => decimal(reply.value().as_bytes()),
        500..=504 => None,
        _ => return Err(reply.refusal()),
    };
    let reply = session.on("MDTM", path).await?;
    let time = match reply.code {
        213 => time_value(reply.value().as_bytes()),
        421 => return Err(reply.refusal()),
        550..=553 if size.is_none() => return Err(reply.refusal()),
        _ => None,
    };
    Ok(Look { size, time, validator: None, strong: false })
}

/// Looks, compares, and begins a read. Three of six servers answer an offset beyond the end with
/// no bytes and a 226, so the size decides before it is sent.
async fn begin(
    session: &mut Session,
    habits: &mut Habits,
    path: &[u8],
    from: u64,
    expect: &Look,
    looked: Option<Look>,
) -> Result<(Option<TcpStream>, u64, Look), LinkError> {
    let look = match looked {
        Some(look) => look,
        None => look(session, path).await?,
    };
    if let Some(size) = look.size {
        if size < from {
            return Err(LinkError::new(
                LinkFailure::BeyondEnd,
                format!("it has {}, read from {} on", length(size), length(from)),
            ));
        }
        if expect.size.is_some_and(|expected| expected != size) {
            return Err(LinkError::new(LinkFailure::Changed, format!("it has {} now", length(size))));
        }
    }
    let from = if habits.rest == Some(false) { 0 } else { from };
    match session.transfer(habits, &format!("RETR {}", wire(path)), from).await? {
        Started::Data(data, from) => Ok((Some(data), from, look)),
        Started::Empty(from) => Ok((None, from, look)),
        Started::Refused(reply) => Err(reply.refusal()),
    }
}

/// Ends a transfer whose data has ended: the closing reply must say that it is complete.
async fn end(session: &mut Session, data: Option<TcpStream>) -> Result<(), LinkError> {
    drop(data);
    let reply = session.closing().await?;
    if reply.is_complete() { Ok(()) } else { Err(LinkError::cut(format!("closed with: {}", reply.text))) }
}

/// Ends a read; the session can be used again.
async fn close(mut session: Session, data: Option<TcpStream>, due: u64) -> Result<Session, LinkError> {
    if data.is_some() {
        end(&mut session, data).await?;
    }
    if due > 0 {
        // Four of six servers close a file that was cut short with a 226 all the same.
        return Err(LinkError::cut(format!("{} short of its size, closed as if whole", length(due))));
    }
    Ok(session)
}

/// Reads a part. Unless the part reaches the end of the file the transfer is broken off, and with it
/// the session.
async fn range(
    session: &mut Session,
    habits: &mut Habits,
    path: &[u8],
    from: u64,
    len: u64,
    idle: Duration,
) -> Result<Bytes, LinkError> {
    let start = if habits.rest == Some(false) { 0 } else { from };
    let (mut data, start) = match session.transfer(habits, &format!("RETR {}", wire(path)), start).await? {
        Started::Data(data, start) => (data, start),
        Started::Empty(_) => return Ok(Bytes::new()),
        Started::Refused(reply) => return Err(reply.refusal()),
    };
    // A logger that cannot resume sends what lies before the part, too, however much that is.
    let mut before = from.saturating_sub(start);
    let want = usize::try_from(len).unwrap_or(usize::MAX);
    let mut out = BytesMut::new();
    let mut buf = BytesMut::with_capacity(CHUNK);
    loop {
        buf.clear();
        if within(idle, "no byte", data.read_buf(&mut buf)).await?.map_err(LinkError::cut)? == 0 {
            end(session, Some(data)).await?;
            return Ok(out.freeze());
        }
        if out.len() == want {
            session.spoiled = true;
            return Ok(out.freeze());
        }
        let skip = buf.len().min(usize::try_from(before).unwrap_or(usize::MAX));
        before -= skip as u64;
        let take = (buf.len() - skip).min(want - out.len());
        out.extend_from_slice(&buf[skip..skip + take]);
        if skip + take < buf.len() {
            session.spoiled = true;
            return Ok(out.freeze());
        }
    }
}

/// Percent-escapes of an address' path, decoded once (RFC 3986, 2.1).
fn unescape(path: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(path.len());
    let mut rest = path.as_bytes();
    while let Some((first, tail)) = rest.split_first() {
        let escaped = tail.get(..2).filter(|_| *first == b'%').and_then(|two| hex::decode(two).ok());
        match escaped.as_deref() {
            Some([byte]) => {
                out.push(*byte);
                rest = &tail[2..];
            }
            _ => {
                out.push(*first);
                rest = tail;
            }
        }
    }
    out
}
