//! A small FTP server over one card (RFC 959, RFC 2428, RFC 3659), passive only.
//!
//! One command at a time, as most servers do: what comes during a transfer is answered after it.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};

use super::logger::{DEVICE, Shared, until_closed};
use super::page::{self, Frame};
use super::script::{ListingFault, RemovalFault};
use super::transfer::{Ending, Step, Transfer};

/// The longest command that is read.
const MAX_LINE: u64 = 8 * 1024;
/// How long a client may take to open its data connection.
const DATA_WAIT: Duration = Duration::from_secs(10);

/// What kind of server it is.
#[derive(Debug, Clone)]
pub struct FtpOptions {
    /// Whether it knows `MLSD`; else it answers 500, as vsftpd 3.0.3 does.
    pub mlsd: bool,
    /// Whether it knows `EPSV`; else only `PASV`.
    pub epsv: bool,
}

impl Default for FtpOptions {
    fn default() -> Self {
        Self { mlsd: true, epsv: true }
    }
}

/// Serves one control connection to its end.
pub(super) async fn serve(
    mut stream: TcpStream,
    shared: Arc<Shared>,
    options: &FtpOptions,
) -> io::Result<()> {
    let (silent, busy) = {
        let faults = shared.faults();
        (faults.silent, faults.busy)
    };
    if silent {
        until_closed(&mut stream).await;
        return Ok(());
    }
    if busy {
        stream.write_all(b"421 Too many connections.\r\n").await?;
        return stream.shutdown().await;
    }
    let local = stream.local_addr()?;
    let mut session = Session {
        control: BufReader::new(stream),
        local,
        shared,
        options,
        user: String::new(),
        inside: false,
        binary: false,
        folder: Vec::new(),
        rest: 0,
        passive: None,
    };
    session.say("220 ready.").await?;
    while let Some((verb, argument)) = session.command().await? {
        session.shared.counters().requests += 1;
        if session.shared.faults().silent {
            until_closed(session.control.get_mut()).await;
            return Ok(());
        }
        if !session.answer(&verb, &argument).await? {
            break;
        }
    }
    session.control.get_mut().shutdown().await
}

struct Session<'a> {
    control: BufReader<TcpStream>,
    local: SocketAddr,
    shared: Arc<Shared>,
    options: &'a FtpOptions,
    user: String,
    inside: bool,
    binary: bool,
    /// The working folder, without slashes at its ends.
    folder: Vec<u8>,
    rest: u64,
    passive: Option<TcpListener>,
}

impl Session<'_> {
    async fn say(&mut self, line: &str) -> io::Result<()> {
        self.control.get_mut().write_all(format!("{line}\r\n").as_bytes()).await
    }

    /// The next command, its verb in capitals; `None` at the end of the connection.
    async fn command(&mut self) -> io::Result<Option<(String, Vec<u8>)>> {
        let mut line = Vec::new();
        (&mut self.control).take(MAX_LINE).read_until(b'\n', &mut line).await?;
        let Some(text) = line.strip_suffix(b"\n") else { return Ok(None) };
        let text = text.strip_suffix(b"\r").unwrap_or(text);
        let (verb, argument) = match text.iter().position(|b| *b == b' ') {
            Some(at) => (&text[..at], &text[at + 1..]),
            None => (text, &[][..]),
        };
        Ok(Some((String::from_utf8_lossy(verb).to_ascii_uppercase(), argument.to_vec())))
    }

    /// Answers; `false` where the connection ends.
    async fn answer(&mut self, verb: &str, argument: &[u8]) -> io::Result<bool> {
        let text = String::from_utf8_lossy(argument).into_owned();
        // A restart offset holds for the next transfer, whatever asks in between.
        match verb {
            "USER" => {
                self.user = text;
                self.inside = false;
                self.say("331 Username ok, send password.").await?;
            }
            "PASS" => return self.login(&text).await,
            "QUIT" => {
                self.say("221 Goodbye.").await?;
                return Ok(false);
            }
            "FEAT" => self.features().await?,
            "NOOP" => self.say("200 NOOP ok.").await?,
            "SYST" => self.say("215 UNIX Type: L8").await?,
            _ if !self.inside => self.say("530 Log in with USER and PASS first.").await?,
            "TYPE" => {
                self.binary = text.to_ascii_uppercase().starts_with('I');
                self.say("200 Type set.").await?;
            }
            "OPTS" => self.say("200 OPTS ok.").await?,
            "PWD" => {
                // RFC 959, 5.4 and appendix II: quotes are doubled.
                let folder = String::from_utf8_lossy(&self.folder).replace('"', "\"\"");
                self.say(&format!("257 \"/{folder}\" is the current directory.")).await?;
            }
            "CWD" | "CDUP" => self.enter(if verb == "CDUP" { b".." } else { argument }).await?,
            "EPSV" if self.options.epsv => {
                let port = self.listen().await?;
                self.say(&format!("229 Entering Extended Passive Mode (|||{port}|)")).await?;
            }
            "PASV" => {
                let port = self.listen().await?;
                let ip = self.local.ip().to_string().replace('.', ",");
                self.say(&format!("227 Entering Passive Mode ({ip},{},{}).", port >> 8, port & 255)).await?;
            }
            "REST" => match text.parse() {
                Ok(offset) => {
                    self.rest = offset;
                    self.say(&format!("350 Restarting at {offset}.")).await?;
                }
                Err(_) => self.say("501 Bad offset.").await?,
            },
            "SIZE" if !self.binary => self.say("550 SIZE is not allowed in ASCII mode.").await?,
            "SIZE" | "MDTM" | "HASH" => self.look(verb, argument).await?,
            "MLST" if self.options.mlsd => self.look(verb, argument).await?,
            "MLSD" if self.options.mlsd => self.list(verb, argument).await?,
            "LIST" => self.list(verb, argument).await?,
            "RETR" => return self.retrieve(argument).await,
            "DELE" => return self.delete(argument).await,
            _ => self.say("500 Unknown command.").await?,
        }
        Ok(true)
    }

    async fn login(&mut self, password: &str) -> io::Result<bool> {
        self.inside = match &self.shared.login {
            Some((user, secret)) => *user == self.user && secret == password,
            None => true,
        };
        if self.inside {
            self.say("230 Login successful.").await?;
        } else {
            self.shared.counters().refused += 1;
            self.say("530 Login incorrect.").await?;
        }
        Ok(true)
    }

    async fn features(&mut self) -> io::Result<()> {
        let digest = self.shared.faults().digest != super::DigestOffer::None;
        let mut text = "211-Features supported:\r\n".to_owned();
        for (has, name) in [
            (self.options.epsv, "EPSV"),
            (digest, "HASH SHA-256*"),
            (true, "MDTM"),
            (self.options.mlsd, "MLST type*;size*;modify*;"),
            (true, "REST STREAM"),
            (true, "SIZE"),
            (true, "UTF8"),
        ] {
            if has {
                text += &format!(" {name}\r\n");
            }
        }
        self.say(&(text + "211 End FEAT.")).await
    }

    /// The path on the card that a client means.
    fn path(&self, argument: &[u8]) -> Vec<u8> {
        let mut parts: Vec<&[u8]> = Vec::new();
        let base = if argument.starts_with(b"/") { &[][..] } else { &self.folder };
        for part in base.split(|b| *b == b'/').chain(argument.split(|b| *b == b'/')) {
            match part {
                b"" | b"." => {}
                b".." => {
                    parts.pop();
                }
                _ => parts.push(part),
            }
        }
        parts.join(&b'/')
    }

    async fn enter(&mut self, argument: &[u8]) -> io::Result<()> {
        let path = self.path(argument);
        let fails = self.shared.faults().failing_folders.contains(&path);
        let known = self.shared.card().entries(&path).is_some();
        if fails || !known {
            return self.say("550 Failed to change directory.").await;
        }
        self.folder = path;
        self.say("250 Directory changed.").await
    }

    async fn listen(&mut self) -> io::Result<u16> {
        let listener = TcpListener::bind((self.local.ip(), 0)).await?;
        let port = listener.local_addr()?.port();
        self.passive = Some(listener);
        Ok(port)
    }

    /// The data connection, after its 150; `None` where none came, which was then said.
    async fn data(&mut self) -> io::Result<Option<TcpStream>> {
        let Some(listener) = self.passive.take() else {
            self.say("425 Use EPSV or PASV first.").await?;
            return Ok(None);
        };
        self.say("150 Opening data connection.").await?;
        match tokio::time::timeout(DATA_WAIT, listener.accept()).await {
            Ok(Ok((stream, _))) => Ok(Some(stream)),
            _ => {
                self.say("425 No data connection came.").await?;
                Ok(None)
            }
        }
    }

    async fn look(&mut self, verb: &str, argument: &[u8]) -> io::Result<()> {
        let path = self.path(argument);
        let file = self.shared.card().file(&path).cloned();
        let Some(file) = file else { return self.say("550 No such file.").await };
        let line = match verb {
            "SIZE" => format!("213 {}", file.content.len()),
            "MDTM" => format!("213 {}", page::ftp_time(file.time)),
            "MLST" => {
                let name = String::from_utf8_lossy(&path);
                let facts = page::mlst_facts(&file);
                format!("250-Listing\r\n {facts} /{name}\r\n250 End")
            }
            _ => {
                let offer = self.shared.faults().next_digest();
                if let Some(right) = offer {
                    let size = file.content.len();
                    let mut value = tokio::task::spawn_blocking(move || file.content.sha256()).await?.0;
                    value[0] ^= u8::from(!right);
                    let name = String::from_utf8_lossy(argument);
                    format!("213 SHA-256 0-{size} {} {name}", hex::encode(value))
                } else {
                    "500 Unknown command.".to_owned()
                }
            }
        };
        self.say(&line).await
    }

    async fn list(&mut self, verb: &str, argument: &[u8]) -> io::Result<()> {
        let path = self.path(argument);
        let (fails, shift, fault) = {
            let faults = self.shared.faults();
            (faults.failing_folders.contains(&path), faults.listing_shift, faults.listing)
        };
        let (entries, now) = {
            let card = self.shared.card();
            (card.entries(&path), card.clock(self.shared.clock.now()))
        };
        let Some(mut entries) = entries.filter(|_| !fails && fault != ListingFault::Error) else {
            self.passive = None;
            return self.say("550 Cannot open the directory.").await;
        };
        self.shared.counters().listings += 1;
        if fault == ListingFault::Empty {
            entries.clear();
        }
        let frame = Frame { folder: &path, now, shift };
        let mut text = match (fault, verb) {
            (ListingFault::LoginPage, _) => page::LOGIN.to_vec(),
            (_, "MLSD") => page::mlsd(&frame, &entries),
            _ => page::list(&frame, &entries),
        };
        if fault == ListingFault::Truncated {
            text.truncate(text.len() / 2);
        }
        if let Some(mut data) = self.data().await? {
            data.write_all(&text).await?;
            data.shutdown().await?;
            self.say("226 Transfer complete.").await?;
        }
        Ok(())
    }

    async fn delete(&mut self, argument: &[u8]) -> io::Result<bool> {
        self.shared.counters().removals += 1;
        let (path, fault) = (self.path(argument), self.shared.faults().removal);
        let says = match fault {
            RemovalFault::Unknown => "502 No such command.",
            RemovalFault::Refused => "550 Permission denied.",
            RemovalFault::Lie => "250 Delete operation successful.",
            RemovalFault::Failed { done } => {
                if done {
                    self.shared.card().remove(&path);
                }
                "451 Local error in processing."
            }
            RemovalFault::None | RemovalFault::Unanswered => match self.shared.card().remove(&path) {
                true => "250 Delete operation successful.",
                false => "550 Delete operation failed.",
            },
        };
        if fault == RemovalFault::Unanswered {
            return Ok(false);
        }
        self.say(says).await?;
        Ok(true)
    }

    async fn retrieve(&mut self, argument: &[u8]) -> io::Result<bool> {
        let path = self.path(argument);
        let mut from = std::mem::take(&mut self.rest);
        if let Some(device) = self.shared.device().filter(|_| *path == DEVICE.as_bytes()[1..]) {
            if let Some(mut data) = self.data().await? {
                data.write_all(&device).await?;
                data.shutdown().await?;
                self.say("226 Transfer complete.").await?;
            }
            return Ok(true);
        }
        if self.shared.faults().ignore_ranges {
            from = 0;
        }
        let opened = self.shared.card().open(&path);
        let Some(opened) = opened else {
            self.passive = None;
            self.say("550 No such file.").await?;
            return Ok(true);
        };
        let end = opened.file.content.len();
        if from > end {
            self.passive = None;
            self.say("554 The offset lies beyond the end.").await?;
            return Ok(true);
        }
        let Some(mut data) = self.data().await? else { return Ok(true) };
        let mut transfer = Transfer::new(self.shared.clone(), opened, from, end);
        let ending = loop {
            match transfer.next().await {
                Step::End => break Ending::Short,
                Step::Break(ending) => break ending,
                Step::Send(bytes) => {
                    let sent = if self.binary {
                        data.write_all(&bytes).await
                    } else {
                        data.write_all(&ascii(&bytes)).await
                    };
                    if sent.is_err() {
                        break Ending::Fin;
                    }
                    transfer.delivered(bytes.len());
                }
            }
        };
        // The counters must tell the end of the transfer before the client can.
        if ending == Ending::Stall {
            until_closed(&mut data).await;
        }
        drop(transfer);
        match ending {
            Ending::Short => {
                data.shutdown().await?;
                self.say("226 Transfer complete.").await?;
            }
            Ending::Fin | Ending::Stall => {
                drop(data);
                self.say("426 Connection closed; transfer aborted.").await?;
            }
            Ending::Rst => {
                data.set_zero_linger()?;
                self.control.get_ref().set_zero_linger()?;
                return Err(io::ErrorKind::ConnectionReset.into());
            }
        }
        Ok(true)
    }
}

/// Line feeds become CR LF (RFC 959, 3.1.1.1): what happens to a log when the client forgets
/// `TYPE I`, as seen with three of six servers.
fn ascii(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len() + bytes.len() / 32);
    for byte in bytes {
        if *byte == b'\n' {
            out.push(b'\r');
        }
        out.push(*byte);
    }
    out
}

#[cfg(test)]
#[path = "ftp_tests.rs"]
mod tests;
