//! What every link promises, tried on every server: the real ones and the simulated loggers.

use std::collections::BTreeMap;
use std::fs;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use futures_util::FutureExt as _;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use secrecy::SecretString;
use yarder::clock::SystemClock;
use yarder::config::{Backlog, Kind, Logger, Login, OpenFile, Order, Poll};
use yarder::link::{Dialer as _, Link, LinkError, LinkFailure, ListCaps, Listing, NetDialer, Patterns};
use yarder::model::{ListedSize, LoggerId, Look, Precision, Proof, RemotePath, VehicleId};
use yarder::sim::{Content, FtpOptions, HttpOptions, Index, Options, Protocol, SimLogger};

use crate::servers::{Program, Running};
use crate::tree::{self, Truth};

/// Who answers.
pub enum Server {
    Real(Program),
    Sim(Protocol),
}

/// What answers, and what it is known to offer.
struct Place {
    url: String,
    login: Option<(&'static str, &'static str)>,
    /// Files that it lists and serves, by the names that it tells.
    files: BTreeMap<Vec<u8>, &'static Truth>,
    /// Names in its listing besides, which lead to nothing.
    dead: Vec<Vec<u8>>,
    resumes: bool,
    _real: Option<Running>,
    _sim: Option<SimLogger>,
}

impl Place {
    async fn start(server: Server) -> Self {
        let tree = tree::odd();
        let all = tree.files.iter().map(|file| (file.path.clone(), file));
        match server {
            Server::Real(program) => {
                let running = Running::start(program, &tree.dir);
                let listed: BTreeMap<_, _> = all.filter(|(path, _)| !program.hides(path)).collect();
                let told = listed.into_iter().map(|(path, file)| (program.tells(&path), file));
                let (dead, files): (BTreeMap<_, _>, _) =
                    told.partition(|(_, file)| program.refuses(&file.path));
                Self {
                    url: format!("{}://{}/", program.scheme(), running.addr),
                    login: program.login(),
                    files,
                    dead: dead.into_keys().collect(),
                    resumes: program.resumes(),
                    _real: Some(running),
                    _sim: None,
                }
            }
            Server::Sim(protocol) => {
                let logger = SimLogger::start(Options { protocol, ..Options::http() }).await.expect("start");
                let url = logger.url();
                // Over HTTP it is an nginx, and hides as one; over FTP it takes names as vsftpd does.
                let ftp = url.starts_with("ftp");
                let hides = |path: &[u8]| !ftp && Program::NginxHtml.hides(path);
                let listed: BTreeMap<_, _> = all.filter(|(path, _)| !hides(path)).collect();
                logger.card().add_folder("empty-folder");
                for (path, file) in &listed {
                    let mut card = logger.card();
                    card.add(path, Content::bytes(bytes_of(file)), time_of(file));
                }
                let (dead, files): (BTreeMap<_, _>, _) =
                    listed.into_iter().partition(|(path, _)| ftp && Program::Vsftpd.refuses(path));
                Self {
                    url,
                    login: None,
                    files,
                    dead: dead.into_keys().collect(),
                    resumes: true,
                    _real: None,
                    _sim: Some(logger),
                }
            }
        }
    }

    async fn dial(&self) -> Box<dyn Link> {
        self.dial_to(&self.url).await
    }

    async fn dial_to(&self, url: &str) -> Box<dyn Link> {
        dial(url, self.login).await
    }

    /// The file of 2 MB.
    fn big(&self) -> (&'static Truth, Bytes, Look) {
        let file = self.files[&b"big.log"[..]];
        let look = Look { size: Some(file.size), ..Look::default() };
        (file, bytes_of(file), look)
    }
}

/// A link to an address.
pub async fn dial(url: &str, login: Option<(&str, &str)>) -> Box<dyn Link> {
    let kind = Kind {
        name: "real".to_owned(),
        files: Patterns::new(&["**"]).expect("patterns"),
        files_text: Vec::new(),
        order: Order::Name,
        open_file: OpenFile::None,
        settle: Duration::ZERO,
        closed_after: Duration::ZERO,
        time_zone: TimeZone::UTC,
        proof: Proof::Length,
        quiet_when_done: Duration::ZERO,
        backlog: Backlog::All,
        content: yarder::inspect::Known::default(),
        limits: yarder::config::Limits::default(),
        card_size: None,
        remove: None,
    };
    let login =
        login.map(|(user, password)| Login { user: user.to_owned(), password: SecretString::from(password) });
    let logger = Arc::new(Logger {
        id: LoggerId::new("L-0001").expect("id"),
        vehicle: VehicleId::new("PLOW-01").expect("id"),
        kind: Arc::new(kind),
        addresses: vec![url.parse().expect("address")],
        login,
        access_point: None,
        serial: None,
    });
    let poll = Poll {
        every: Duration::ZERO,
        connect_timeout: Duration::from_secs(10),
        list_every: Duration::ZERO,
        idle_timeout: Duration::from_secs(20),
        max_transfers: 1,
    };
    let dialer = NetDialer::new(Arc::new(SystemClock::new()));
    assert_eq!(dialer.knock(&logger, &poll).await, Ok(0));
    dialer.dial(&logger, 0, &poll).await.expect("dial")
}

fn bytes_of(file: &Truth) -> Bytes {
    use std::os::unix::ffi::OsStrExt as _;
    let path = tree::odd().dir.join(std::ffi::OsStr::from_bytes(&file.path));
    fs::read(path).expect("file").into()
}

fn time_of(file: &Truth) -> Timestamp {
    Timestamp::from_second(file.mtime).expect("time")
}

pub fn path(bytes: impl AsRef<[u8]>) -> RemotePath {
    RemotePath::new(bytes.as_ref()).expect("path")
}

/// The rest of an open read.
async fn rest(link: &mut dyn Link) -> Result<Vec<u8>, LinkError> {
    let mut bytes = Vec::new();
    while let Some(chunk) = link.chunk().await? {
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// Reads from an offset, and gives what belongs there.
async fn read(link: &mut dyn Link, of: &RemotePath, from: u64, expect: &Look) -> Vec<u8> {
    let opened = link.open(of, from, expect).await.expect("open");
    assert!(opened.from <= from, "{} lies behind {from}", opened.from);
    let bytes = rest(link).await.expect("bytes");
    bytes[(from - opened.from) as usize..].to_vec()
}

pub fn failure<T: std::fmt::Debug>(result: Result<T, LinkError>) -> LinkFailure {
    result.expect_err("no failure").failure
}

async fn list(link: &mut dyn Link) -> Listing {
    link.list(&ListCaps::default()).await.expect("listing")
}

async fn a_listing_is_whole_and_true(place: Place) {
    let mut link = place.dial().await;
    let listing = list(&mut *link).await;
    assert!(listing.is_whole(), "{:?}", listing.missing);
    let mut expected: Vec<_> = place.files.keys().chain(&place.dead).cloned().collect();
    expected.sort();
    let came: Vec<_> = listing.files.iter().map(|file| file.path.as_bytes().to_vec()).collect();
    assert_eq!(came, expected);
    for listed in &listing.files {
        let Some(file) = place.files.get(listed.path.as_bytes()) else { continue };
        if let ListedSize::Exact(size) = listed.size {
            assert_eq!(size, file.size, "{}", listed.path);
        }
        let Some(time) = listed.time else { continue };
        let grain = match time.precision {
            Precision::Second => 1,
            Precision::Minute => 60,
            Precision::Day => 86_400,
        };
        assert_eq!(time.at.as_second(), file.mtime - file.mtime % grain, "{}", listed.path);
    }
    // Again over the same conversation: nothing was left over from the first one.
    assert_eq!(list(&mut *link).await.files, listing.files);
}

async fn a_look_is_true(place: Place) {
    let mut link = place.dial().await;
    for (name, file) in &place.files {
        let look = link.look(&path(name)).await.expect("look");
        assert_eq!(look.size, Some(file.size), "{}", path(name));
        assert_eq!(look.time.map(|time| time.as_second()), Some(file.mtime), "{}", path(name));
    }
}

async fn every_file_comes_whole(place: Place) {
    let mut link = place.dial().await;
    for (name, file) in &place.files {
        let bytes = read(&mut *link, &path(name), 0, &Look::default()).await;
        assert_eq!(bytes, bytes_of(file), "{}", path(name));
    }
}

async fn a_read_begins_anywhere(place: Place) {
    let mut link = place.dial().await;
    let (file, bytes, expect) = place.big();
    let name = path(&file.path);
    for from in [0, 1, 65_536, file.size / 2, file.size - 1] {
        let came = read(&mut *link, &name, from, &expect).await;
        assert!(came == bytes[from as usize..], "from {from}");
    }
    assert_eq!(link.caps().resumes, Some(place.resumes));
    // With the look that the logger itself gives, as a resumed transfer has it.
    let look = link.look(&name).await.expect("look");
    assert!(read(&mut *link, &name, file.size / 2, &look).await == bytes[file.size as usize / 2..]);
}

async fn a_range_is_exact(place: Place) {
    let mut link = place.dial().await;
    let (file, bytes, _) = place.big();
    let name = path(&file.path);
    // In a server without ranges all that lies before one must be sent, too.
    let middle = if place.resumes { file.size / 2 } else { 100_000 };
    let tail = if place.resumes { file.size - 1000 } else { 200_000 };
    for (from, len) in [(0, 65_536), (0, 1), (middle, 65_536), (tail, 1000)] {
        let came = link.read_range(&name, from, len).await.expect("range");
        assert!(came == bytes[from as usize..(from + len) as usize], "{len} bytes from {from}");
    }
    if place.resumes {
        let came = link.read_range(&name, tail, 65_536).await.expect("range");
        assert!(came == bytes[tail as usize..], "fewer at the end");
    }
}

async fn a_stopped_read_goes_on_where_it_stood(place: Place) {
    let mut link = place.dial().await;
    let (file, bytes, expect) = place.big();
    let name = path(&file.path);
    link.open(&name, 0, &expect).await.expect("open");
    let first = link.chunk().await.expect("chunk").expect("bytes");
    link.stop().await;
    assert!(!matches!(link.chunk().await, Ok(Some(_))), "no read is open");
    let at = first.len();
    assert!(first == bytes[..at]);
    assert!(read(&mut *link, &name, at as u64, &expect).await == bytes[at..]);
    // A read that was left open without a word ends with the next call.
    link.open(&name, 0, &expect).await.expect("open");
    link.chunk().await.expect("chunk");
    assert_eq!(link.look(&name).await.expect("look").size, Some(file.size));
    assert_eq!(list(&mut *link).await.files.len(), place.files.len() + place.dead.len());
}

async fn a_chunk_may_be_given_up_and_asked_for_again(place: Place) {
    let mut link = place.dial().await;
    for name in ["big.log", "00000001/00000001.log", "empty-file.log"] {
        let file = place.files[name.as_bytes()];
        for _ in 0..5 {
            link.open(&path(name), 0, &Look::default()).await.expect("open");
            let mut bytes = Vec::new();
            loop {
                match link.chunk().now_or_never() {
                    Some(Ok(Some(chunk))) => bytes.extend_from_slice(&chunk),
                    Some(end) => break assert_eq!(end, Ok(None), "{name}"),
                    None => tokio::task::yield_now().await,
                }
            }
            assert!(bytes == bytes_of(file), "{name}");
        }
    }
}

async fn what_is_not_there_is_not_found(place: Place) {
    let mut link = place.dial().await;
    for name in ["no-such-file.log", "no-such-folder/00000001.log"] {
        assert_eq!(failure(link.look(&path(name)).await), LinkFailure::NotFound);
        assert_eq!(failure(link.open(&path(name), 0, &Look::default()).await), LinkFailure::NotFound);
        assert_eq!(failure(link.read_range(&path(name), 0, 10).await), LinkFailure::NotFound);
    }
    for name in &place.dead {
        let refused = link.look(&path(name)).await.expect_err("it is refused");
        assert!(refused.is_answer(), "{refused}");
    }
    // The conversation goes on.
    assert_eq!(list(&mut *link).await.files.len(), place.files.len() + place.dead.len());
}

async fn a_missing_folder_is_no_empty_listing(place: Place) {
    let mut link = place.dial_to(&format!("{}no-such-folder/", place.url)).await;
    let missing = link.list(&ListCaps::default()).await;
    assert_eq!(failure(missing), LinkFailure::NotFound);
    for (folder, files) in [("00000001", 4), ("empty-folder", 0)] {
        let mut link = place.dial_to(&format!("{}{folder}/", place.url)).await;
        let listing = list(&mut *link).await;
        assert!(listing.is_whole(), "{folder}");
        assert_eq!(listing.files.len(), files, "{folder}");
    }
}

async fn a_capped_listing_is_not_whole(place: Place) {
    let mut link = place.dial().await;
    let whole = list(&mut *link).await;
    let caps = ListCaps::default();
    let few =
        [ListCaps { entries: 20, ..caps }, ListCaps { bytes: 2500, ..caps }, ListCaps { depth: 2, ..caps }];
    for caps in few {
        let listing = link.list(&caps).await.expect("a part");
        assert!(!listing.is_whole(), "{caps:?}");
        assert!(listing.files.len() < whole.files.len(), "{caps:?}");
        assert!(listing.files.iter().all(|file| whole.files.contains(file)), "{caps:?}: nothing is invented");
    }
    assert_eq!(list(&mut *link).await.files, whole.files);
}

link_conformance! {
    [
        a_listing_is_whole_and_true a_look_is_true every_file_comes_whole a_read_begins_anywhere
        a_range_is_exact a_stopped_read_goes_on_where_it_stood
        a_chunk_may_be_given_up_and_asked_for_again what_is_not_there_is_not_found
        a_missing_folder_is_no_empty_listing a_capped_listing_is_not_whole
    ]
    nginx_html: Server::Real(Program::NginxHtml);
    nginx_local: Server::Real(Program::NginxLocal);
    nginx_json: Server::Real(Program::NginxJson);
    lighttpd: Server::Real(Program::Lighttpd);
    python_http: Server::Real(Program::PythonHttp);
    vsftpd: Server::Real(Program::Vsftpd);
    pyftpdlib: Server::Real(Program::Pyftpdlib);
    sim_http: Server::Sim(Protocol::Http(HttpOptions::default()));
    sim_http_json: Server::Sim(Protocol::Http(HttpOptions { index: Index::NginxJson, ..HttpOptions::default() }));
    sim_ftp: Server::Sim(Protocol::Ftp(FtpOptions::default()));
    sim_ftp_list: Server::Sim(Protocol::Ftp(FtpOptions { mlsd: false, ..FtpOptions::default() }));
    sim_ftp_pasv: Server::Sim(Protocol::Ftp(FtpOptions { epsv: false, ..FtpOptions::default() }));
}
