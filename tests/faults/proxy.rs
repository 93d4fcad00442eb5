//! A line between logger and depot that breaks where it is told to.

use std::collections::VecDeque;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::tcp::OwnedReadHalf;
use tokio::net::{TcpListener, TcpStream};

/// The side of the depot; the loggers are at 127.0.0.1, so that their ports are free here.
const HERE: IpAddr = IpAddr::V4(Ipv4Addr::new(127, 0, 0, 2));

/// How the line breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// As if the logger had said all.
    Fin,
    /// With a reset; what has not been read yet is gone.
    Rst,
}

/// What a logger says, passed on until the next cut.
#[derive(Debug)]
struct Line {
    cuts: VecDeque<u64>,
    passed: u64,
    ending: Ending,
}

/// Stands before one logger and counts what that sends: all of HTTP, the data of FTP.
#[derive(Debug)]
pub struct Proxy {
    addr: SocketAddr,
    line: Arc<Mutex<Line>>,
}

impl Proxy {
    /// Before the logger at `to`; breaks after each of these counts of bytes.
    pub async fn start(to: SocketAddr, ftp: bool, mut cuts: Vec<u64>, ending: Ending) -> Self {
        cuts.sort_unstable();
        let line = Arc::new(Mutex::new(Line { cuts: cuts.into(), passed: 0, ending }));
        let listener = TcpListener::bind((HERE, 0)).await.expect("loopback");
        let addr = listener.local_addr().expect("address");
        let shared = line.clone();
        tokio::spawn(async move {
            while let Ok((depot, _)) = listener.accept().await {
                let line = shared.clone();
                tokio::spawn(async move {
                    let logger = TcpStream::connect(to).await?;
                    if ftp { control(depot, logger, line).await } else { data(depot, logger, line).await }
                });
            }
        });
        Self { addr, line }
    }

    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// Bytes that the depot's side was given.
    pub fn passed(&self) -> u64 {
        self.line.lock().expect("line").passed
    }

    /// Cuts that are still to come.
    pub fn cuts_left(&self) -> usize {
        self.line.lock().expect("line").cuts.len()
    }
}

/// Passes an FTP control connection on, and opens a way for each data connection that it names.
async fn control(depot: TcpStream, logger: TcpStream, line: Arc<Mutex<Line>>) -> io::Result<()> {
    let (mut from_depot, mut to_depot) = depot.into_split();
    let (from_logger, mut to_logger) = logger.into_split();
    tokio::spawn(async move {
        let _ = tokio::io::copy(&mut from_depot, &mut to_logger).await;
        let _ = to_logger.shutdown().await;
    });
    let mut from_logger = BufReader::new(from_logger);
    loop {
        let mut reply = Vec::new();
        if from_logger.read_until(b'\n', &mut reply).await? == 0 {
            return to_depot.shutdown().await;
        }
        if let Some(port) = passive_port(&reply) {
            // The same port on this side: the reply need not be changed (RFC 2428, 3).
            let listener = TcpListener::bind((HERE, port)).await?;
            let line = line.clone();
            tokio::spawn(async move {
                let (depot, _) = listener.accept().await?;
                let logger = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).await?;
                data(depot, logger, line).await
            });
        }
        to_depot.write_all(&reply).await?;
    }
}

/// `229 ... (|||port|)`.
fn passive_port(reply: &[u8]) -> Option<u16> {
    let text = std::str::from_utf8(reply).ok()?;
    text.strip_prefix("229 ")?.split_once("(|||")?.1.split_once("|)")?.0.parse().ok()
}

async fn data(depot: TcpStream, logger: TcpStream, line: Arc<Mutex<Line>>) -> io::Result<()> {
    let (mut from_depot, mut to_depot) = depot.into_split();
    let (mut from_logger, mut to_logger) = logger.into_split();
    let asking = tokio::spawn(async move {
        let _ = tokio::io::copy(&mut from_depot, &mut to_logger).await;
        let _ = to_logger.shutdown().await;
        from_depot
    });
    let mut buffer = vec![0; 64 * 1024];
    loop {
        let read = from_logger.read(&mut buffer).await?;
        if read == 0 {
            return to_depot.shutdown().await;
        }
        let (pass, cut) = {
            let mut line = line.lock().expect("line");
            let room = line.cuts.front().map_or(u64::MAX, |at| at.saturating_sub(line.passed));
            let pass = read.min(usize::try_from(room).unwrap_or(usize::MAX));
            line.passed += pass as u64;
            let cut = line.cuts.front().is_some_and(|at| *at <= line.passed);
            if cut {
                line.cuts.pop_front();
            }
            (pass, cut.then_some(line.ending))
        };
        to_depot.write_all(&buffer[..pass]).await?;
        match cut {
            None => {}
            Some(Ending::Fin) => return to_depot.shutdown().await,
            Some(Ending::Rst) => return reset(to_depot, asking).await,
        }
    }
}

async fn reset(
    to_depot: tokio::net::tcp::OwnedWriteHalf,
    asking: tokio::task::JoinHandle<OwnedReadHalf>,
) -> io::Result<()> {
    to_depot.as_ref().set_zero_linger()?;
    asking.abort();
    let _ = asking.await;
    // The socket goes with its last half, and its reset with it.
    to_depot.forget();
    Ok(())
}
