//! The service's ear: one JSON line in, one JSON line out, over a Unix socket in the state folder.
//!
//! Owns the socket and the two forms. What a request does is the handler's; who may ask is a matter
//! of file rights (mode 0600). A request is one line of at most [`MAX_LINE`] bytes and a
//! conversation is one request; silence for [`PATIENCE`] ends it. A request that takes long is
//! answered with a space now and then first, which JSON passes over: a sign of life.
//!
//! # Crash
//! A socket that a killed service left is removed at the next start, by the process that holds the
//! state folder's lock.

use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::net::UnixStream as BlockingStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{UnixListener, UnixStream};
use tokio::task::JoinSet;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

/// The socket's name in the state folder.
pub const SOCKET: &str = "control.sock";
/// Longest line in bytes, its break included.
pub const MAX_LINE: u64 = 64 * 1024;
/// Silence after which either side gives up.
pub const PATIENCE: Duration = Duration::from_secs(10);
/// The service gives a sign of life this often while it does what was asked.
const SIGN: Duration = Duration::from_secs(3);
/// Conversations at a time; further ones wait in the socket's queue.
const AT_ONCE: usize = 8;

/// What a command asks of the running service.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Take the edited configuration.
    Reload {
        /// Also where it drops many loggers or moves an archive.
        accept: bool,
    },
    /// Accept a new or exchanged archive.
    Adopt {
        /// Its name.
        archive: String,
    },
    /// Keep a held file.
    Keep {
        /// Its number, as `yarder held` shows it.
        id: i64,
        /// Why.
        reason: String,
    },
    /// Drop a held file.
    Drop {
        /// Its number, as `yarder held` shows it.
        id: i64,
        /// Why.
        reason: String,
    },
    /// Write down that something is known, or end that.
    Note {
        /// A vehicle, a logger, or a finding as it is printed.
        id: String,
        /// The last day for which it holds; none for an open end.
        until: Option<jiff::civil::Date>,
        /// Why; none to end the note.
        reason: Option<String>,
        /// Who says so.
        by: String,
    },
    /// Write down that a copy in an archive was repaired.
    Repaired {
        /// The archive.
        archive: String,
        /// Where in it.
        location: String,
        /// Its SHA-256, 64 hexadecimal digits.
        sha256: String,
        /// Where the right bytes came from.
        from: String,
    },
    /// How the service is.
    Status,
}

/// What the service answers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// Whether it was done.
    pub ok: bool,
    /// What was done, or why not and what to do: a sentence.
    pub text: String,
    /// Facts, for `--json`; null where there are none.
    #[serde(default)]
    pub facts: Value,
}

impl Answer {
    /// It was done.
    pub fn done(text: impl Into<String>) -> Self {
        Self { ok: true, text: text.into(), facts: Value::Null }
    }

    /// It was not done.
    pub fn refused(text: impl Into<String>) -> Self {
        Self { ok: false, text: text.into(), facts: Value::Null }
    }
}

/// Why the service could not be asked, although it seems to run.
#[derive(Debug, thiserror::Error)]
pub enum ControlError {
    /// This user may not ask; whether a service runs is not known.
    #[error("{} may not be used by this user: run the command as the service's user, or as root", .0.display())]
    Denied(PathBuf),
    /// The socket cannot be used.
    #[error("the service's socket {} cannot be used: {source}", path.display())]
    Socket {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The service said nothing in time.
    #[error("the service did not answer within 10 seconds: look at its log")]
    Silent,
    /// The service ended meanwhile.
    #[error("the service ended before it had answered: start it, see what was done, and ask again")]
    Ended,
    /// The service's answer makes no sense.
    #[error("the service answered in no form that this program knows: is it of another version?")]
    Garbled,
}

/// Does what requests ask.
#[async_trait]
pub trait Handler: Send + Sync {
    /// Does it and says what came of it.
    async fn handle(&self, request: Request) -> Answer;
}

/// Opens the socket of a state folder and answers until the token is cancelled, then removes it.
/// The caller holds the folder's lock.
pub async fn serve(
    path: PathBuf,
    token: CancellationToken,
    handler: Arc<dyn Handler>,
) -> Result<(), ControlError> {
    let failed = |source| ControlError::Socket { path: path.clone(), source };
    remove(&path).map_err(failed)?;
    let listener = listen(&path).map_err(failed)?;
    let mut open = JoinSet::new();
    loop {
        tokio::select! {
            biased;
            () = token.cancelled() => break,
            Some(_) = open.join_next(), if !open.is_empty() => {}
            taken = listener.accept(), if open.len() < AT_ONCE => match taken {
                Ok((stream, _)) => {
                    let handler = handler.clone();
                    open.spawn(async move { converse(stream, &*handler).await });
                }
                Err(e) => {
                    // Out of file descriptors, most likely; an endless fast loop would not help.
                    tracing::warn!("the control socket could not take a connection: {e}");
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
            },
        }
    }
    drop(listener);
    // What is being done is done to its end, and its answer told.
    let _ = timeout(PATIENCE, async { while open.join_next().await.is_some() {} }).await;
    remove(&path).map_err(failed)
}

/// A listening socket that only its owner may use from its first moment.
fn listen(path: &Path) -> io::Result<UnixListener> {
    let socket = tokio::net::UnixSocket::new_stream()?;
    // On Linux the socket's own mode becomes that of the name it is bound to.
    #[cfg(target_os = "linux")]
    rustix::fs::fchmod(&socket, rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR)?;
    socket.bind(path)?;
    #[cfg(not(target_os = "linux"))]
    std::fs::set_permissions(path, std::os::unix::fs::PermissionsExt::from_mode(0o600))?;
    socket.listen(16)
}

#[expect(clippy::disallowed_methods, reason = "a socket holds no data, and no order of flushes concerns it")]
fn remove(path: &Path) -> io::Result<()> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
        _ => Ok(()),
    }
}

async fn converse(stream: UnixStream, handler: &dyn Handler) {
    let mut stream = tokio::io::BufReader::new(stream);
    let mut line = Vec::new();
    let read = async { (&mut stream).take(MAX_LINE).read_until(b'\n', &mut line).await };
    let answer = match timeout(PATIENCE, read).await {
        Ok(Ok(0)) | Ok(Err(_)) | Err(_) => return,
        Ok(Ok(_)) if !line.ends_with(b"\n") => Answer::refused("the request is cut or too long"),
        Ok(Ok(_)) => match serde_json::from_slice(&line) {
            Ok(request) => {
                let mut handling = handler.handle(request);
                loop {
                    tokio::select! {
                        biased;
                        answer = &mut handling => break answer,
                        () = tokio::time::sleep(SIGN) => {
                            let _ = timeout(PATIENCE, stream.get_mut().write_all(b" ")).await;
                        }
                    }
                }
            }
            Err(e) => Answer::refused(format!("the request is not understood: {e}")),
        },
    };
    let mut bytes = serde_json::to_vec(&answer).unwrap_or_default();
    if bytes.len() as u64 >= MAX_LINE {
        let short = Answer { text: answer.text.chars().take(1000).collect(), facts: Value::Null, ..answer };
        bytes = serde_json::to_vec(&short).unwrap_or_default();
    }
    bytes.push(b'\n');
    // Whoever asked may be gone; what was asked is done all the same.
    let _ = timeout(PATIENCE, stream.get_mut().write_all(&bytes)).await;
}

/// Asks the service of a state folder; `None` when none runs. Blocks for [`PATIENCE`] at most
/// between two signs of life.
pub fn ask(state_dir: &Path, request: &Request) -> Result<Option<Answer>, ControlError> {
    let path = state_dir.join(SOCKET);
    let failed = |source: io::Error| match source.kind() {
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => ControlError::Silent,
        io::ErrorKind::PermissionDenied => ControlError::Denied(path.clone()),
        _ => ControlError::Socket { path: path.clone(), source },
    };
    let stream = match BlockingStream::connect(&path) {
        Ok(stream) => stream,
        Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused) => {
            return Ok(None);
        }
        Err(e) => return Err(failed(e)),
    };
    stream.set_read_timeout(Some(PATIENCE)).map_err(failed)?;
    stream.set_write_timeout(Some(PATIENCE)).map_err(failed)?;
    let mut line = serde_json::to_vec(request).map_err(|_| ControlError::Garbled)?;
    line.push(b'\n');
    (&stream).write_all(&line).map_err(failed)?;
    let mut answer = Vec::new();
    // Twice: the signs of life come on top.
    BufReader::new(stream).take(2 * MAX_LINE).read_until(b'\n', &mut answer).map_err(failed)?;
    if answer.trim_ascii().is_empty() {
        return Err(ControlError::Ended);
    }
    serde_json::from_slice(&answer).map(Some).map_err(|_| ControlError::Garbled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    struct Echo;

    #[async_trait]
    impl Handler for Echo {
        async fn handle(&self, request: Request) -> Answer {
            match request {
                Request::Status => Answer { facts: Value::from("x".repeat(100_000)), ..Answer::done("long") },
                other => Answer::done(format!("{other:?}")),
            }
        }
    }

    struct Service {
        dir: tempfile::TempDir,
        token: CancellationToken,
        task: tokio::task::JoinHandle<Result<(), ControlError>>,
    }

    async fn service() -> Service {
        let dir = tempfile::tempdir().expect("dir");
        // What a killed service leaves.
        drop(std::os::unix::net::UnixListener::bind(dir.path().join(SOCKET)).expect("stale"));
        let token = CancellationToken::new();
        let task = tokio::spawn(serve(dir.path().join(SOCKET), token.clone(), Arc::new(Echo)));
        let service = Service { dir, token, task };
        while service.ask(&Request::Reload { accept: false }).await.expect("asked").is_none() {
            tokio::task::yield_now().await;
        }
        service
    }

    impl Service {
        async fn ask(&self, request: &Request) -> Result<Option<Answer>, ControlError> {
            let (dir, request) = (self.dir.path().to_owned(), request.clone());
            tokio::task::spawn_blocking(move || ask(&dir, &request)).await.expect("joined")
        }

        async fn raw(&self, bytes: &[u8]) -> Answer {
            let mut stream = UnixStream::connect(self.dir.path().join(SOCKET)).await.expect("connected");
            stream.write_all(bytes).await.expect("written");
            stream.shutdown().await.expect("ended");
            let mut answer = Vec::new();
            stream.read_to_end(&mut answer).await.expect("read");
            serde_json::from_slice(&answer).expect("an answer")
        }
    }

    #[tokio::test]
    async fn a_request_is_answered_and_only_the_owner_may_ask() {
        let service = service().await;
        let answer = service.ask(&Request::Keep { id: 7, reason: "\"fine\"\n".into() }).await.expect("asked");
        let answer = answer.expect("runs");
        assert!(answer.ok && answer.text.contains("id: 7") && answer.text.contains("fine"), "{answer:?}");
        let path = service.dir.path().join(SOCKET);
        let mode = std::fs::metadata(&path).expect("there").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        service.token.cancel();
        service.task.await.expect("joined").expect("ended");
        assert!(!path.exists());
    }

    #[tokio::test]
    async fn no_service_is_an_answer_too() {
        let dir = tempfile::tempdir().expect("dir");
        assert_eq!(ask(dir.path(), &Request::Status).expect("absent"), None);
        drop(std::os::unix::net::UnixListener::bind(dir.path().join(SOCKET)).expect("stale"));
        assert_eq!(ask(dir.path(), &Request::Status).expect("refused"), None);
    }

    #[tokio::test]
    async fn nonsense_and_endless_lines_are_refused_and_the_service_goes_on() {
        let service = service().await;
        for bad in [&b"{\n"[..], b"{\"ask\":\"format\"}\n", b"{\"ask\":\"reload\",\"accept\":true,\"x\":1}\n"]
        {
            assert!(!service.raw(bad).await.ok);
        }
        let mut endless = vec![b'x'; MAX_LINE as usize];
        assert!(!service.raw(&endless).await.ok);
        endless.truncate(10);
        assert!(!service.raw(&endless).await.ok, "a cut line");
        assert!(service.ask(&Request::Reload { accept: true }).await.expect("asked").expect("runs").ok);
    }

    /// Answers when it is told to.
    struct Slow(tokio::sync::Semaphore);

    #[async_trait]
    impl Handler for Slow {
        async fn handle(&self, _: Request) -> Answer {
            let _told = self.0.acquire().await.expect("open");
            Answer::done("at last")
        }
    }

    #[tokio::test]
    async fn what_takes_long_gives_signs_of_life_and_is_answered() {
        let (ours, theirs) = UnixStream::pair().expect("pair");
        let slow = Arc::new(Slow(tokio::sync::Semaphore::new(0)));
        let handler = slow.clone();
        let conversing = tokio::spawn(async move { converse(theirs, &*handler).await });
        let mut ours = ours;
        ours.write_all(b"{\"ask\":\"status\"}\n").await.expect("asked");
        assert_eq!(ours.read_u8().await.expect("a sign"), b' ');
        slow.0.add_permits(1);
        let mut answer = Vec::new();
        ours.read_to_end(&mut answer).await.expect("read");
        assert_eq!(serde_json::from_slice::<Answer>(&answer).expect("an answer").text, "at last");
        conversing.await.expect("joined");
    }

    #[tokio::test]
    async fn an_end_without_an_answer_is_told_as_that() {
        let dir = tempfile::tempdir().expect("dir");
        let listener = UnixListener::bind(dir.path().join(SOCKET)).expect("bound");
        let state = dir.path().to_owned();
        let asking = tokio::task::spawn_blocking(move || ask(&state, &Request::Status));
        let (mut stream, _) = listener.accept().await.expect("accepted");
        stream.write_all(b"  ").await.expect("a sign");
        let mut line = String::new();
        tokio::io::BufReader::new(&mut stream).read_line(&mut line).await.expect("read");
        drop(stream);
        assert!(matches!(asking.await.expect("joined"), Err(ControlError::Ended)));
    }

    #[tokio::test]
    async fn an_answer_that_is_too_long_loses_its_facts_alone() {
        let service = service().await;
        let answer = service.ask(&Request::Status).await.expect("asked").expect("runs");
        assert_eq!((answer.ok, answer.text.as_str(), answer.facts), (true, "long", Value::Null));
    }
}
