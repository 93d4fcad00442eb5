//! A small FTP server on loopback that does what a test tells it.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};
use url::Url;

/// What is said to a command instead of the usual.
#[derive(Debug, Clone)]
pub enum Say {
    /// These lines; a data connection that was asked for is dropped.
    Reply(&'static str),
    /// `150`, these bytes, an end of data, these lines.
    Data(Vec<u8>, &'static str),
    /// `150`, these bytes, then nothing more, the data connection staying open.
    Stall(Vec<u8>),
    /// Nothing, the connection staying open.
    Silence,
    /// The connection ends.
    HangUp,
}

/// Files and folders, and what is different from a usual server.
#[derive(Debug, Clone, Default)]
pub struct Script {
    pub greeting: Option<&'static str>,
    pub files: BTreeMap<&'static str, Vec<u8>>,
    /// Folders' data of `LIST` and `MLSD`, by path; what is not here does not exist.
    pub folders: BTreeMap<&'static str, Vec<u8>>,
    /// Used up one after the other, by command.
    pub once: BTreeMap<&'static str, VecDeque<Say>>,
    /// Used each time, by command or by command and argument.
    pub always: BTreeMap<&'static str, Say>,
}

impl Script {
    pub fn file(mut self, path: &'static str, bytes: &[u8]) -> Self {
        self.files.insert(path, bytes.to_vec());
        self
    }

    pub fn folder(mut self, path: &'static str, listing: &'static str) -> Self {
        self.folders.insert(path, listing.replace('\n', "\r\n").into_bytes());
        self
    }

    pub fn always(mut self, command: &'static str, say: Say) -> Self {
        self.always.insert(command, say);
        self
    }

    pub fn once(mut self, command: &'static str, say: Say) -> Self {
        self.once.entry(command).or_default().push_back(say);
        self
    }
}

pub struct Server {
    pub url: Url,
    log: Arc<Mutex<Vec<Vec<u8>>>>,
}

impl Server {
    pub async fn start(script: Script) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("loopback");
        let url = format!("ftp://{}/", listener.local_addr().expect("address")).parse().expect("address");
        let log = Arc::new(Mutex::new(Vec::new()));
        let (script, heard) = (Arc::new(Mutex::new(script)), log.clone());
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(serve(stream, script.clone(), heard.clone()));
            }
        });
        Self { url, log }
    }

    /// Every command since the last call, login and `TYPE` aside.
    pub fn heard(&self) -> Vec<String> {
        let heard = std::mem::take(&mut *self.log.lock().expect("log"));
        let text = heard.iter().map(|line| String::from_utf8_lossy(line).into_owned());
        text.filter(|line| !["USER", "PASS", "TYPE"].iter().any(|verb| line.starts_with(verb))).collect()
    }

    /// Ends when that command has come.
    pub async fn hears(&self, command: &str) {
        while !self.heard_raw().iter().any(|line| line == command.as_bytes()) {
            tokio::task::yield_now().await;
        }
    }

    /// The raw lines.
    pub fn heard_raw(&self) -> Vec<Vec<u8>> {
        self.log.lock().expect("log").clone()
    }
}

async fn serve(
    stream: TcpStream,
    script: Arc<Mutex<Script>>,
    log: Arc<Mutex<Vec<Vec<u8>>>>,
) -> std::io::Result<()> {
    let mut control = BufReader::new(stream);
    let greeting = script.lock().expect("script").greeting.unwrap_or("220 ready");
    say(&mut control, greeting).await?;
    let (mut passive, mut cwd, mut rest) = (None::<TcpListener>, "/".to_owned(), 0);
    loop {
        let mut raw = Vec::new();
        if control.read_until(b'\n', &mut raw).await? == 0 {
            return Ok(());
        }
        let raw = raw.trim_ascii_end().to_vec();
        log.lock().expect("log").push(raw.clone());
        let line = String::from_utf8_lossy(&raw).into_owned();
        let (verb, argument) = line.split_once(' ').unwrap_or((&line, ""));
        let told = {
            let mut script = script.lock().expect("script");
            let once = script.once.get_mut(verb).and_then(VecDeque::pop_front);
            once.or_else(|| script.always.get(&*line).or(script.always.get(verb)).cloned())
        };
        let told = told.unwrap_or_else(|| {
            let script = script.lock().expect("script");
            let file = script.files.get(argument);
            match verb {
                "USER" => Say::Reply("331 password"),
                "PASS" => Say::Reply("230 in"),
                "TYPE" | "NOOP" => Say::Reply("200 ok"),
                "REST" => Say::Reply("350 ok"),
                "CWD" if script.folders.contains_key(argument) => Say::Reply("250 ok"),
                "MLSD" | "LIST" => match script.folders.get(&*cwd) {
                    Some(listing) => Say::Data(listing.clone(), "226 done"),
                    None => Say::Reply("550 no such folder"),
                },
                "MDTM" if file.is_some() => Say::Reply("213 20231114221321.250"),
                "SIZE" if file.is_some() => Say::Data(file.cloned().unwrap_or_default(), ""),
                "RETR" if file.is_some() => {
                    let bytes = file.cloned().unwrap_or_default();
                    let from = std::mem::take(&mut rest).min(bytes.len());
                    Say::Data(bytes[from..].to_vec(), "226 done")
                }
                "CWD" | "MDTM" | "SIZE" | "RETR" => Say::Reply("550 not there"),
                _ => Say::Reply("502 unknown"),
            }
        });
        match (verb, told) {
            ("EPSV" | "PASV", Say::Reply("502 unknown")) => {
                let listener = TcpListener::bind("127.0.0.1:0").await?;
                let port = listener.local_addr()?.port();
                passive = Some(listener);
                // The address of a PASV reply leads nowhere: it must not be used.
                let (high, low) = (port / 256, port % 256);
                let pasv = format!("227 Entering Passive Mode (192,0,2,1,{high},{low})");
                let epsv = format!("229 Entering Extended Passive Mode (|||{port}|)");
                say(&mut control, if verb == "EPSV" { &epsv } else { &pasv }).await?;
            }
            ("SIZE", Say::Data(bytes, _)) => say(&mut control, &format!("213 {}", bytes.len())).await?,
            (_, Say::Reply(reply)) => {
                match verb {
                    "CWD" if reply.starts_with('2') => cwd = argument.to_owned(),
                    "REST" if reply.starts_with('3') => rest = argument.parse().unwrap_or(0),
                    _ => {}
                }
                say(&mut control, reply).await?;
            }
            (_, Say::Data(bytes, closing)) => {
                let mut data = accept(&mut control, &mut passive).await?;
                data.write_all(&bytes).await?;
                data.shutdown().await?;
                drop(data);
                if !closing.is_empty() {
                    say(&mut control, closing).await?;
                }
            }
            (_, Say::Stall(bytes)) => {
                let mut data = accept(&mut control, &mut passive).await?;
                data.write_all(&bytes).await?;
                std::future::pending::<()>().await;
            }
            (_, Say::Silence) => std::future::pending().await,
            (_, Say::HangUp) => return Ok(()),
        }
    }
}

async fn accept(
    control: &mut BufReader<TcpStream>,
    passive: &mut Option<TcpListener>,
) -> std::io::Result<TcpStream> {
    let Some(listener) = passive.take() else {
        say(control, "425 no data connection").await?;
        return Err(std::io::ErrorKind::NotConnected.into());
    };
    let (data, _) = listener.accept().await?;
    say(control, "150 here it comes").await?;
    Ok(data)
}

async fn say(control: &mut BufReader<TcpStream>, text: &str) -> std::io::Result<()> {
    let text = format!("{}\r\n", text.replace('\n', "\r\n"));
    control.get_mut().write_all(text.as_bytes()).await
}
