//! One simulated logger: a listener that comes and goes, a card, faults and counters.

use std::fmt;
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::card::Card;
use super::content::Content;
use super::ftp::{self, FtpOptions};
use super::http::{self, HttpOptions};
use super::script::{Counters, Faults};
use crate::clock::{Clock, SystemClock};

/// Connections that wait to be taken; more than any test opens at once.
const BACKLOG: u32 = 128;

/// Where a logger tells its serial number, as an absolute path; it is not listed.
pub const DEVICE: &str = "/device.json";

/// What a logger speaks.
#[derive(Debug, Clone)]
pub enum Protocol {
    /// HTTP/1.1 with a directory index.
    Http(HttpOptions),
    /// FTP, passive only.
    Ftp(FtpOptions),
}

/// How a logger is made.
#[derive(Clone)]
pub struct Options {
    /// What it speaks.
    pub protocol: Protocol,
    /// Where it listens; port 0 lets the system choose.
    pub addr: SocketAddr,
    /// Whom it lets in; everybody where it is `None`.
    pub login: Option<(String, String)>,
    /// Dates its replies and paces its transfers.
    pub clock: Arc<dyn Clock>,
    /// Whether it can be reached at once; else it waits for [`SimLogger::arrive`].
    pub present: bool,
}

impl Options {
    fn new(protocol: Protocol) -> Self {
        let addr = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        Self { protocol, addr, login: None, clock: Arc::new(SystemClock::new()), present: true }
    }

    /// HTTP as nginx does it, on a port of the system's choice, for everybody.
    pub fn http() -> Self {
        Self::new(Protocol::Http(HttpOptions::default()))
    }

    /// FTP with `MLSD`, on a port of the system's choice, for everybody.
    pub fn ftp() -> Self {
        Self::new(Protocol::Ftp(FtpOptions::default()))
    }

    /// Lets in that user alone.
    pub fn login(mut self, user: &str, password: &str) -> Self {
        self.login = Some((user.to_owned(), password.to_owned()));
        self
    }

    /// Takes time from that clock.
    pub fn clock(mut self, clock: Arc<dyn Clock>) -> Self {
        self.clock = clock;
        self
    }
}

impl fmt::Debug for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options").field("protocol", &self.protocol).field("addr", &self.addr).finish()
    }
}

/// What the servers of one logger share.
pub(super) struct Shared {
    pub clock: Arc<dyn Clock>,
    pub login: Option<(String, String)>,
    pub protocol: Protocol,
    card: Mutex<Card>,
    faults: Mutex<Faults>,
    counters: Mutex<Counters>,
    serial: Mutex<Option<String>>,
    /// The moment of the monotonic clock at which the airtime is free again.
    free: Mutex<Duration>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Shared {
    pub fn card(&self) -> MutexGuard<'_, Card> {
        lock(&self.card)
    }

    pub fn faults(&self) -> MutexGuard<'_, Faults> {
        lock(&self.faults)
    }

    pub fn counters(&self) -> MutexGuard<'_, Counters> {
        lock(&self.counters)
    }

    /// What stands in [`DEVICE`].
    pub fn device(&self) -> Option<Vec<u8>> {
        lock(&self.serial).as_ref().map(|serial| format!("{{\"serial\": \"{serial}\"}}\n").into_bytes())
    }

    pub fn free_at(&self) -> MutexGuard<'_, Duration> {
        lock(&self.free)
    }
}

/// Where the logger is.
enum Presence {
    /// Its port is kept so that nobody else gets it, but not listened on: connections are refused.
    Away(Option<TcpSocket>),
    /// It listens.
    Here { stop: CancellationToken, tasks: TaskTracker },
}

/// A logger on loopback. Dropping it takes it away.
pub struct SimLogger {
    shared: Arc<Shared>,
    addr: SocketAddr,
    presence: Mutex<Presence>,
}

impl SimLogger {
    /// Binds its port and, where it is present, begins to listen. Fails where the port is taken.
    pub async fn start(options: Options) -> io::Result<Self> {
        let socket = hold(options.addr)?;
        let addr = socket.local_addr()?;
        let shared = Arc::new(Shared {
            clock: options.clock,
            login: options.login,
            protocol: options.protocol,
            card: Mutex::default(),
            faults: Mutex::default(),
            counters: Mutex::default(),
            serial: Mutex::default(),
            free: Mutex::default(),
        });
        let logger = Self { shared, addr, presence: Mutex::new(Presence::Away(Some(socket))) };
        if options.present {
            logger.arrive()?;
        }
        Ok(logger)
    }

    /// Its address.
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// The address of its card's top folder, ending with `/` and without a login.
    pub fn url(&self) -> String {
        match &self.shared.protocol {
            Protocol::Http(options) => format!("http://{}{}", self.addr, options.root),
            Protocol::Ftp(_) => format!("ftp://{}/", self.addr),
        }
    }

    /// Its card. Hold it for a moment only: transfers wait.
    pub fn card(&self) -> MutexGuard<'_, Card> {
        self.shared.card()
    }

    /// Its faults. Hold them for a moment only: transfers wait.
    pub fn faults(&self) -> MutexGuard<'_, Faults> {
        self.shared.faults()
    }

    /// Tells this serial number in [`DEVICE`], which is no file of its card; `None` tells none.
    pub fn set_serial(&self, serial: Option<&str>) {
        *lock(&self.shared.serial) = serial.map(str::to_owned);
    }

    /// What it counted up to now.
    pub fn counters(&self) -> Counters {
        self.shared.counters().clone()
    }

    /// Begins to listen on its port; nothing where it does already.
    pub fn arrive(&self) -> io::Result<()> {
        let mut presence = lock(&self.presence);
        let Presence::Away(held) = &mut *presence else { return Ok(()) };
        let socket = match held.take() {
            Some(socket) => socket,
            None => hold(self.addr)?,
        };
        let listener = socket.listen(BACKLOG)?;
        let stop = CancellationToken::new();
        let tasks = TaskTracker::new();
        tasks.spawn(listen(listener, self.shared.clone(), stop.clone(), tasks.clone()));
        tasks.close();
        *presence = Presence::Here { stop, tasks };
        Ok(())
    }

    /// Drives off: all connections end, further ones are refused. Its port stays its own.
    pub async fn leave(&self) {
        let left = std::mem::replace(&mut *lock(&self.presence), Presence::Away(None));
        let held = match left {
            Presence::Here { stop, tasks } => {
                stop.cancel();
                tasks.wait().await;
                // Failing that, `arrive` tries again.
                hold(self.addr).ok()
            }
            Presence::Away(held) => held,
        };
        if let Presence::Away(place) = &mut *lock(&self.presence) {
            *place = held;
        }
    }

    /// Whether it listens.
    pub fn is_here(&self) -> bool {
        matches!(&*lock(&self.presence), Presence::Here { .. })
    }
}

impl fmt::Debug for SimLogger {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SimLogger").field("url", &self.url()).finish_non_exhaustive()
    }
}

impl Drop for SimLogger {
    fn drop(&mut self) {
        if let Presence::Here { stop, .. } = &*lock(&self.presence) {
            stop.cancel();
        }
    }
}

/// A socket bound to that address.
///
/// While it is bound the system gives the port to nobody, neither to a server nor to a client:
/// a client that got it and called this address would be connected to itself.
fn hold(addr: SocketAddr) -> io::Result<TcpSocket> {
    let socket = if addr.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    socket.set_reuseaddr(true)?;
    socket.bind(addr)?;
    Ok(socket)
}

async fn listen(listener: TcpListener, shared: Arc<Shared>, stop: CancellationToken, tasks: TaskTracker) {
    loop {
        let taken = tokio::select! {
            biased;
            () = stop.cancelled() => return,
            taken = listener.accept() => taken,
        };
        let Ok((stream, _)) = taken else {
            // No descriptor is free; some connection must end first.
            shared.clock.sleep(Duration::from_millis(50)).await;
            continue;
        };
        shared.counters().connections += 1;
        let (shared, stop) = (shared.clone(), stop.clone());
        tasks.spawn(async move {
            // An error is a connection that ended, which is all that a server can do about it.
            let _ = stop.run_until_cancelled(serve(stream, shared)).await;
        });
    }
}

async fn serve(stream: TcpStream, shared: Arc<Shared>) -> io::Result<()> {
    stream.set_nodelay(true)?;
    match shared.protocol.clone() {
        Protocol::Http(options) => http::serve(stream, shared, &options).await,
        Protocol::Ftp(options) => ftp::serve(stream, shared, &options).await,
    }
}

/// Waits until the other side closes.
pub(super) async fn until_closed(stream: &mut TcpStream) {
    use tokio::io::AsyncReadExt as _;
    let mut sink = [0; 1024];
    while matches!(stream.read(&mut sink).await, Ok(n) if n > 0) {}
}

/// That many present HTTP loggers with three small files each: one task a listener, no threads.
pub async fn idle_loggers(count: usize, clock: Arc<dyn Clock>) -> io::Result<Vec<SimLogger>> {
    let mut loggers = Vec::with_capacity(count);
    for number in 0..count {
        let logger = SimLogger::start(Options::http().clock(clock.clone())).await?;
        for file in 1..=3 {
            let content = Content::noise((number * 3 + file) as u64, 4096);
            logger.card().add(format!("{file:08}.log"), content, clock.now());
        }
        loggers.push(logger);
    }
    Ok(loggers)
}
