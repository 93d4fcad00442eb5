//! One control connection: login, commands with their whole replies, passive data connections.
//!
//! A session has no way back from an unanswered command: a late reply would be taken for the
//! next command's. So its owner drops it after every error that is not a clean refusal, and
//! after a cancelled call.

use std::net::SocketAddr;
use std::time::Duration;

use secrecy::{ExposeSecret as _, SecretString};
use suppaftp::tokio::AsyncFtpStream;
use suppaftp::types::Response;
use suppaftp::{Encoding, FtpError, FtpResult};
use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::link::{LinkError, LinkFailure};
use crate::model::amount;

/// Some servers answer a login only after a pause that grows with each wrong password
/// (up to 20 s were seen).
const LOGIN_TIMEOUT: Duration = Duration::from_secs(30);
/// Longest reply that is read; the client bounds each of its parts to the same.
const MAX_REPLY: usize = 256 * 1024;

/// One whole reply (RFC 959, 4.2).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Reply {
    /// The code of its last line, 0 if that has none.
    pub code: u16,
    /// Every line with its code, lossily decoded.
    pub text: String,
}

impl Reply {
    pub fn new(body: &[u8]) -> Self {
        Self { code: last_code(body), text: String::from_utf8_lossy(body).trim_end().to_owned() }
    }

    /// The transfer is over and all of it went out.
    pub fn is_complete(&self) -> bool {
        matches!(self.code, 226 | 250)
    }

    /// Whether a command is not known at all, as against refused for this file.
    pub fn is_unknown_command(&self) -> bool {
        matches!(self.code, 500 | 502 | 504)
    }

    /// What follows the code in the last line.
    pub fn value(&self) -> &str {
        let last = self.text.lines().next_back().unwrap_or_default();
        last.get(4..).unwrap_or_default().trim()
    }

    /// What a refusal says to do. `BeyondEnd` is for a transfer alone.
    pub fn refusal(&self) -> LinkError {
        let lower = self.text.to_ascii_lowercase();
        let failure = match self.code {
            421 | 450 | 452 => LinkFailure::Busy,
            425 | 426 | 451 => LinkFailure::Cut,
            430 | 530 | 532 => LinkFailure::Login,
            550 | 551 | 553 if lower.contains("denied") || lower.contains("permi") => LinkFailure::Forbidden,
            550 | 551 | 553 => LinkFailure::NotFound,
            554 => LinkFailure::BeyondEnd,
            _ => LinkFailure::Protocol,
        };
        LinkError::new(failure, &self.text)
    }

    /// What a refused greeting or login says to do: a limit on clients may come with the code of
    /// a wrong password (530 from ProFTPD 1.3.8).
    fn login_refusal(&self, otherwise: LinkFailure) -> LinkError {
        let lower = self.text.to_ascii_lowercase();
        let full = matches!(self.code, 120 | 421)
            || ["too many", "maximum", "max client", "try again later", "limit"]
                .iter()
                .any(|w| lower.contains(w));
        LinkError::new(if full { LinkFailure::Busy } else { otherwise }, &self.text)
    }
}

/// What this logger was seen to do; outlives its sessions.
#[derive(Debug, Clone, Copy)]
pub(super) struct Habits {
    /// EPSV was not refused, and the connection it led to was taken.
    pub epsv: bool,
    /// MLSD is known.
    pub mlsd: bool,
    /// Whether REST was taken; `None` before it was tried.
    pub rest: Option<bool>,
}

impl Default for Habits {
    fn default() -> Self {
        Self { epsv: true, mlsd: true, rest: None }
    }
}

/// How a data command began.
pub(super) enum Started {
    /// Bytes follow, from that offset on.
    Data(TcpStream, u64),
    /// The closing reply came at once: there are none.
    Empty(u64),
    /// Refused; the session is good.
    Refused(Reply),
}

/// File names and commands as bytes: each `char` is one byte, in both directions.
#[derive(Debug)]
struct RawBytes;

impl Encoding for RawBytes {
    fn decode(&self, bytes: &[u8]) -> String {
        wire(bytes)
    }

    fn encode(&self, text: &str) -> std::io::Result<Vec<u8>> {
        text.chars().map(|c| u8::try_from(c).map_err(std::io::Error::other)).collect()
    }
}

/// Bytes in the form in which the client takes them.
pub(super) fn wire(bytes: &[u8]) -> String {
    bytes.iter().map(|b| char::from(*b)).collect()
}

/// A logged-in control connection, in binary type.
pub(super) struct Session {
    ftp: AsyncFtpStream,
    peer: SocketAddr,
    idle: Duration,
    connect: Duration,
    /// Whether `OPTS HASH SHA-256` was sent.
    pub hash_set: bool,
    /// In a state from which the next command is not safe, although the last one was answered.
    pub spoiled: bool,
}

impl Session {
    /// Takes a fresh connection through greeting, login and `TYPE I`.
    pub async fn begin(
        stream: TcpStream,
        user: &str,
        password: &SecretString,
        idle: Duration,
        connect: Duration,
    ) -> Result<Self, LinkError> {
        let peer = stream.peer_addr().map_err(LinkError::cut)?;
        stream.set_nodelay(true).map_err(LinkError::cut)?;
        let ftp = match within(idle, "no greeting", AsyncFtpStream::connect_with_stream(stream)).await? {
            Ok(ftp) => ftp,
            Err(FtpError::UnexpectedResponse(greeting)) => {
                return Err(Reply::new(&greeting.body).login_refusal(LinkFailure::Protocol));
            }
            Err(e) => return Err(broken(&e)),
        };
        let mut session = Self { ftp, peer, idle, connect, hash_set: false, spoiled: false };
        session.ftp.set_encoding(RawBytes).await;
        session.log_in(user, password).await?;
        // Most servers begin in ASCII type, in which three of six change the bytes (RFC 959, 3.1.1.1).
        let reply = session.command("TYPE I").await?;
        if reply.code / 100 != 2 {
            return Err(LinkError::protocol(format!("binary type refused: {}", reply.text)));
        }
        Ok(session)
    }

    async fn log_in(&mut self, user: &str, password: &SecretString) -> Result<(), LinkError> {
        let secret = password.expose_secret();
        if [user, secret].iter().any(|text| text.contains(['\r', '\n', '\0'])) {
            return Err(LinkError::new(LinkFailure::Login, "user or password holds a line break"));
        }
        let login = self.ftp.login(wire(user.as_bytes()), wire(secret.as_bytes()));
        match within(self.idle.max(LOGIN_TIMEOUT), "no answer to the login", login).await? {
            Ok(()) => Ok(()),
            Err(FtpError::UnexpectedResponse(refused)) => {
                let mut refused = Reply::new(&refused.body);
                // A server may repeat what it was sent.
                if !secret.is_empty() {
                    refused.text = refused.text.replace(secret, "***");
                }
                Err(refused.login_refusal(LinkFailure::Login))
            }
            Err(e) => Err(broken(&e)),
        }
    }

    /// Sends one line and takes its whole reply, whatever its code. The line is logged: no secret.
    pub async fn command(&mut self, line: &str) -> Result<Reply, LinkError> {
        self.command_within(line, self.idle).await
    }

    /// The same for a command that may take longer, a digest for example.
    pub async fn command_within(&mut self, line: &str, span: Duration) -> Result<Reply, LinkError> {
        let answer = async {
            let first = said(self.ftp.custom_command(line, &[]).await)?;
            self.rest_of(first).await
        };
        within(span, "no answer", answer).await?
    }

    /// A command on a file or folder.
    pub async fn on(&mut self, verb: &str, path: &[u8]) -> Result<Reply, LinkError> {
        self.command(&format!("{verb} {}", wire(path))).await
    }

    /// The reply that closes a transfer, once the data connection has ended.
    pub async fn closing(&mut self) -> Result<Reply, LinkError> {
        let idle = self.idle;
        let answer = async {
            let first = said(self.ftp.read_response_in(&[]).await)?;
            self.rest_of(first).await
        };
        within(idle, "no closing reply", answer).await?
    }

    /// The client takes any line of the form `ddd text` for the end of a reply. The standard
    /// (RFC 959, 4.2) has a reply that begins `ddd-` end with the same code alone.
    async fn rest_of(&mut self, first: Vec<u8>) -> Result<Reply, LinkError> {
        let mut body = first;
        while body.get(3) == Some(&b'-') && code(&body) != last_code(&body) {
            body.extend(said(self.ftp.read_response_in(&[]).await)?);
            if body.len() > MAX_REPLY {
                return Err(LinkError::protocol("an endless reply"));
            }
        }
        Ok(Reply::new(&body))
    }

    /// Begins a data command, at an offset if `from` is not 0. A refused offset begins at 0.
    pub async fn transfer(
        &mut self,
        habits: &mut Habits,
        line: &str,
        mut from: u64,
    ) -> Result<Started, LinkError> {
        let data = self.passive(habits).await?;
        if from > 0 {
            // Right before the transfer (RFC 3659, 5.3): some servers forget it otherwise.
            let reply = self.command(&format!("REST {from}")).await?;
            match reply.code {
                350 => habits.rest = Some(true),
                400..=599 if reply.code != 421 => {
                    habits.rest = Some(false);
                    from = 0;
                }
                _ => return Err(reply.refusal()),
            }
        }
        let reply = self.command(line).await?;
        match reply.code {
            125 | 150 => Ok(Started::Data(data, from)),
            226 | 250 => Ok(Started::Empty(from)),
            400..=599 if reply.code != 421 => {
                // Nothing says whether the offset that was taken waits for the next transfer.
                self.spoiled = from > 0;
                Ok(Started::Refused(reply))
            }
            _ => Err(reply.refusal()),
        }
    }

    /// A data connection to the control connection's own peer: the address in a PASV reply is
    /// not believed, it may be a private one or somebody else's.
    async fn passive(&mut self, habits: &mut Habits) -> Result<TcpStream, LinkError> {
        let mut port = None;
        if habits.epsv {
            let reply = self.command("EPSV").await?;
            port = (reply.code == 229).then(|| epsv_port(&reply.text)).flatten();
            if reply.code == 421 {
                return Err(reply.refusal());
            }
            habits.epsv = port.is_some();
        }
        let port = match port {
            Some(port) => port,
            None => {
                let reply = self.command("PASV").await?;
                let refused = || LinkError::protocol(format!("no passive mode: {}", reply.text));
                if reply.code != 227 {
                    return Err(if reply.code == 421 { reply.refusal() } else { refused() });
                }
                pasv_port(&reply.text).ok_or_else(refused)?
            }
        };
        let to = SocketAddr::new(self.peer.ip(), port);
        let connected = match timeout(self.connect, TcpStream::connect(to)).await {
            Ok(Ok(stream)) => return Ok(stream),
            Ok(Err(e)) => e.to_string(),
            Err(_) => "no answer".to_owned(),
        };
        // The next attempt tries the other command: one of the two may be broken.
        habits.epsv = !habits.epsv;
        Err(LinkError::cut(format!("data connection to port {port}: {connected}")))
    }
}

/// Any reply is taken here; only a broken conversation is an error.
fn said(result: FtpResult<Response>) -> Result<Vec<u8>, LinkError> {
    match result {
        Ok(reply) | Err(FtpError::UnexpectedResponse(reply)) => Ok(reply.body),
        Err(e) => Err(broken(&e)),
    }
}

fn broken(error: &FtpError) -> LinkError {
    use std::io::ErrorKind::{InvalidData, InvalidInput};
    match error {
        FtpError::ConnectionError(e) if !matches!(e.kind(), InvalidData | InvalidInput) => LinkError::cut(e),
        other => LinkError::protocol(other),
    }
}

/// Waits that long; silence is a cut.
pub(super) async fn within<T>(
    span: Duration,
    what: &str,
    job: impl Future<Output = T>,
) -> Result<T, LinkError> {
    timeout(span, job)
        .await
        .map_err(|_| LinkError::cut(format!("{what} for {}", amount::span(span.as_secs_f64()))))
}

/// The three digits at the beginning.
fn code(line: &[u8]) -> u16 {
    let digits = line.get(..3).filter(|d| d.iter().all(u8::is_ascii_digit));
    digits.map_or(0, |d| d.iter().fold(0, |n, b| n * 10 + u16::from(b - b'0')))
}

fn last_code(body: &[u8]) -> u16 {
    let lines = body.strip_suffix(b"\n").unwrap_or(body);
    code(lines.rsplit(|b| *b == b'\n').next().unwrap_or_default())
}

/// `229 Entering Extended Passive Mode (|||6446|)`, the delimiter being any character (RFC 2428, 3).
fn epsv_port(text: &str) -> Option<u16> {
    let (_, rest) = text.split_once('(')?;
    let delimiter = rest.chars().next()?;
    rest.split(delimiter).nth(3)?.parse().ok().filter(|port| *port != 0)
}

/// `227 Entering Passive Mode (h1,h2,h3,h4,p1,p2)`; the parentheses may be missing (RFC 1123, 4.1.2.6).
fn pasv_port(text: &str) -> Option<u16> {
    let numbers = text.get(4..)?.split(|c: char| !c.is_ascii_digit() && c != ',');
    let six: Vec<u8> = numbers
        .filter_map(|run| run.split(',').map(|n| n.parse().ok()).collect::<Option<Vec<u8>>>())
        .find(|run| run.len() == 6)?;
    Some(u16::from_be_bytes([six[4], six[5]])).filter(|port| *port != 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ports_are_found_in_every_form() {
        assert_eq!(epsv_port("229 Entering Extended Passive Mode (|||6446|)"), Some(6446));
        assert_eq!(epsv_port("229 Extended Passive mode OK (!!!6446!)"), Some(6446));
        assert_eq!(epsv_port("229 (|||0|)"), None);
        assert_eq!(pasv_port("227 Entering Passive Mode (10,0,0,1,25,46)."), Some(25 * 256 + 46));
        assert_eq!(pasv_port("227 Entering Passive Mode 10,0,0,1,25,46"), Some(25 * 256 + 46));
        assert_eq!(pasv_port("227 Entering Passive Mode (10,0,0,1,999,46)."), None);
    }

    #[test]
    fn a_client_limit_is_no_wrong_password() {
        let said = |text: &str| Reply::new(text.as_bytes()).login_refusal(LinkFailure::Login).failure;
        assert_eq!(said("530 Sorry, the maximum number of clients (1) from your host"), LinkFailure::Busy);
        assert_eq!(said("421 There are too many connected users"), LinkFailure::Busy);
        assert_eq!(said("530 Login incorrect."), LinkFailure::Login);
    }

    #[test]
    fn names_travel_as_bytes() {
        let all: Vec<u8> = (0..=255).collect();
        assert_eq!(RawBytes.encode(&wire(&all)).expect("bytes"), all);
        assert!(RawBytes.encode("\u{100}").is_err());
    }

    proptest! {
        #[test]
        fn no_reply_makes_it_panic(body in prop::collection::vec(any::<u8>(), 0..100)) {
            let reply = Reply::new(&body);
            reply.value();
            epsv_port(&reply.text);
            pasv_port(&reply.text);
        }
    }
}
