//! A relay that counts what a server sends: a witness beside the command's own figures.

use std::io::{BufRead as _, BufReader, Read, Write};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

/// A relay on a port of its own. Its threads end with the connections, or the process.
pub struct Proxy {
    pub addr: SocketAddr,
    bytes: Arc<AtomicU64>,
}

impl Proxy {
    /// Relays to a server. Of FTP the extended passive replies are changed (RFC 2428, 3), so that the
    /// data comes this way, too.
    pub fn start(server: SocketAddr, ftp: bool) -> Self {
        let bytes = Arc::new(AtomicU64::new(0));
        Self { addr: relay(server, ftp, usize::MAX, &bytes), bytes }
    }

    /// Bytes from the server since the last call.
    pub fn take(&self) -> u64 {
        self.bytes.swap(0, Ordering::SeqCst)
    }
}

/// Takes that many connections and no more.
fn relay(server: SocketAddr, ftp: bool, most: usize, bytes: &Arc<AtomicU64>) -> SocketAddr {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("loopback");
    let addr = listener.local_addr().expect("address");
    let bytes = bytes.clone();
    thread::spawn(move || {
        for client in listener.incoming().flatten().take(most) {
            let Ok(upstream) = TcpStream::connect(server) else { continue };
            let (Ok(client_in), Ok(upstream_out)) = (client.try_clone(), upstream.try_clone()) else {
                continue;
            };
            // Small replies would wait for each other otherwise.
            let _ = client.set_nodelay(true).and(upstream.set_nodelay(true));
            thread::spawn(move || copy(client_in, upstream_out, |_| {}));
            let bytes = bytes.clone();
            thread::spawn(move || match ftp {
                true => replies(server, upstream, client, &bytes),
                false => copy(upstream, client, |n| {
                    bytes.fetch_add(n, Ordering::SeqCst);
                }),
            });
        }
    });
    addr
}

/// Copies until either side ends, then ends the other.
fn copy(mut from: TcpStream, mut to: TcpStream, count: impl Fn(u64)) {
    let mut buf = [0; 16 * 1024];
    while let Ok(n @ 1..) = from.read(&mut buf) {
        if to.write_all(&buf[..n]).is_err() {
            let _ = from.shutdown(Shutdown::Both);
            break;
        }
        count(n as u64);
    }
    let _ = to.shutdown(Shutdown::Write);
}

/// Copies a control connection's replies.
fn replies(server: SocketAddr, upstream: TcpStream, mut client: TcpStream, bytes: &Arc<AtomicU64>) {
    let mut lines = BufReader::new(upstream);
    let mut line = Vec::new();
    while lines.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
        bytes.fetch_add(line.len() as u64, Ordering::SeqCst);
        let text = String::from_utf8_lossy(&line).into_owned();
        if text.starts_with("229 ")
            && let Some(port) = text.split('|').nth(3).and_then(|port| port.parse().ok())
        {
            let ours = relay(SocketAddr::new(server.ip(), port), false, 1, bytes).port();
            line = format!("229 Entering Extended Passive Mode (|||{ours}|)\r\n").into_bytes();
        }
        if client.write_all(&line).is_err() {
            break;
        }
        line.clear();
    }
    let _ = client.shutdown(Shutdown::Write);
}
