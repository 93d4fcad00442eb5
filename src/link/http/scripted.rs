//! A server on loopback that answers what a test tells it to, and keeps what it was asked.

use std::collections::VecDeque;
use std::io::ErrorKind;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use url::Url;

use super::{HttpDialer, HttpLink};
use crate::config::{Kind, Logger, Login, Poll};
use crate::model::{LoggerId, VehicleId};

/// What the server does about one request.
#[derive(Clone)]
pub(super) enum Reply {
    /// Sends this and keeps the connection.
    Keep(Vec<u8>),
    /// Sends this and closes.
    Close(Vec<u8>),
    /// Sends this, then nothing more until the other side leaves.
    Stall(Vec<u8>),
}

/// What a script has seen.
#[derive(Default)]
struct Seen {
    /// Heads of requests, in order.
    heads: Vec<String>,
    connections: usize,
}

pub(super) struct Server {
    pub url: Url,
    seen: Arc<Mutex<Seen>>,
}

impl Server {
    /// Answers requests in order from a list; a request beyond it is answered with a closed connection.
    pub async fn new(replies: Vec<Reply>) -> Self {
        let replies = Mutex::new(VecDeque::from(replies));
        Self::answering(move |_| replies.lock().expect("replies").pop_front()).await
    }

    /// Answers each request by its head.
    pub async fn answering(answer: impl Fn(&str) -> Option<Reply> + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bind");
        let url = format!("http://{}/logs/", listener.local_addr().expect("address"));
        let seen = Arc::new(Mutex::new(Seen::default()));
        let (answer, log) = (Arc::new(answer), seen.clone());
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                log.lock().expect("log").connections += 1;
                let (answer, log) = (answer.clone(), log.clone());
                tokio::spawn(async move { serve(stream, &*answer, &log).await });
            }
        });
        Self { url: Url::parse(&url).expect("url"), seen }
    }

    pub fn link(&self) -> HttpLink {
        self.link_as(None)
    }

    pub fn link_as(&self, login: Option<Login>) -> HttpLink {
        let poll = Poll {
            every: Duration::from_secs(20),
            connect_timeout: Duration::from_millis(600),
            list_every: Duration::from_secs(60),
            idle_timeout: Duration::from_millis(400),
            max_transfers: 1,
        };
        HttpDialer::default().link(&Arc::new(logger(login)), &self.url, &poll).expect("link")
    }

    pub fn heads(&self) -> Vec<String> {
        self.seen.lock().expect("log").heads.clone()
    }

    pub fn connections(&self) -> usize {
        self.seen.lock().expect("log").connections
    }
}

async fn serve(mut stream: TcpStream, answer: &(dyn Fn(&str) -> Option<Reply> + Sync), log: &Mutex<Seen>) {
    loop {
        let mut head = Vec::new();
        while !head.ends_with(b"\r\n\r\n") {
            match stream.read_u8().await {
                Ok(byte) => head.push(byte),
                Err(e) => {
                    return assert!(matches!(
                        e.kind(),
                        ErrorKind::UnexpectedEof | ErrorKind::ConnectionReset
                    ));
                }
            }
        }
        let head = String::from_utf8(head).expect("head");
        log.lock().expect("log").heads.push(head.clone());
        let (bytes, keep) = match answer(&head) {
            Some(Reply::Keep(bytes)) => (bytes, true),
            Some(Reply::Close(bytes)) => (bytes, false),
            Some(Reply::Stall(bytes)) => {
                if stream.write_all(&bytes).await.is_ok() {
                    // Ends when the other side gives up.
                    let _ = stream.read_u8().await;
                }
                return;
            }
            None => return,
        };
        if stream.write_all(&bytes).await.is_err() || !keep {
            return;
        }
    }
}

fn logger(login: Option<Login>) -> Logger {
    let kind = Kind::of_files(&["**/*.mf4", "**/*.gz", "!System Volume Information/**"]);
    Logger {
        id: LoggerId::new("L-0421").expect("id"),
        vehicle: VehicleId::new("PLOW-03").expect("id"),
        kind: Arc::new(kind),
        addresses: Vec::new(),
        login,
        access_point: None,
        serial: None,
    }
}

pub(super) fn reply(status: &str, headers: &[&str], body: &[u8]) -> Vec<u8> {
    let mut out = format!("HTTP/1.1 {status}\r\n");
    for header in headers {
        out.push_str(header);
        out.push_str("\r\n");
    }
    out.push_str("\r\n");
    [out.as_bytes(), body].concat()
}

pub(super) fn ok(headers: &[&str], body: &[u8]) -> Vec<u8> {
    let length = format!("Content-Length: {}", body.len());
    reply("200 OK", &[&[&*length], headers].concat(), body)
}
