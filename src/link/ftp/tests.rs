//! What the link does against servers that answer as real ones were seen to.

mod listings;
mod reads;
mod recordings;
mod removals;
mod server;
mod sessions;

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use secrecy::SecretString;

use self::server::{Say, Script, Server};
use super::*;
use crate::clock::SystemClock;
use crate::config::{Kind, Login};
use crate::model::{ListedSize, LoggerId, Precision, VehicleId};

/// The day of the recordings; its monotonic time is ahead of the machine's by that much.
#[derive(Debug)]
struct RecordedDay(SystemClock, Duration);

impl Clock for RecordedDay {
    fn now(&self) -> Timestamp {
        "2026-11-24T22:20:00Z".parse().expect("moment")
    }
    fn mono(&self) -> Duration {
        self.0.mono() + self.1
    }
    fn sleep(&self, span: Duration) -> futures_util::future::BoxFuture<'static, ()> {
        self.0.sleep(span)
    }
}

/// A logger with a login and no address.
pub(in crate::link) fn logger(files: &[&str], zone: TimeZone) -> Arc<Logger> {
    let kind = Kind { time_zone: zone, ..Kind::of_files(files) };
    Arc::new(Logger {
        id: LoggerId::new("L-1").expect("id"),
        vehicle: VehicleId::new("PLOW-1").expect("id"),
        kind: Arc::new(kind),
        addresses: Vec::new(),
        login: Some(Login { user: "depot".to_owned(), password: SecretString::from("s3cret-word") }),
        access_point: None,
        serial: None,
    })
}

fn link_to(url: &Url) -> FtpLink {
    link_with(url, &["**"], TimeZone::UTC, Duration::from_secs(5))
}

fn link_with(url: &Url, files: &[&str], zone: TimeZone, idle: Duration) -> FtpLink {
    let clock = Arc::new(RecordedDay(SystemClock::new(), Duration::ZERO));
    FtpLink::new(logger(files, zone), url.clone(), idle, Duration::from_secs(5), clock)
}

/// A link whose patience ends at once, for servers that fall silent.
fn impatient(url: &Url) -> FtpLink {
    link_with(url, &["**"], TimeZone::UTC, Duration::from_millis(50))
}

fn path(text: &str) -> RemotePath {
    RemotePath::new(text.as_bytes()).expect("path")
}

async fn list(link: &mut FtpLink) -> Result<Listing, LinkError> {
    link.list(&ListCaps::default()).await
}

fn names(listing: &Listing) -> Vec<String> {
    listing.files.iter().map(|f| f.path.to_string()).collect()
}

fn failure<T>(result: Result<T, LinkError>) -> LinkFailure {
    match result {
        Ok(_) => panic!("it went well"),
        Err(e) => e.failure,
    }
}

/// A whole file by way of open and chunk.
async fn fetch(link: &mut FtpLink, name: &str, from: u64) -> Result<(u64, Vec<u8>), LinkError> {
    let opened = link.open(&path(name), from, &Look::default()).await?;
    let mut bytes = Vec::new();
    while let Some(chunk) = link.chunk().await? {
        assert!(chunk.len() <= CHUNK);
        bytes.extend_from_slice(&chunk);
    }
    Ok((opened.from, bytes))
}

const MLSD: &str = "type=cdir;modify=20231114221321; .
type=file;size=5;modify=20231114221321.25;unique=1; b.log
type=file;size=3;modify=20231114221321; a.log
type=dir;modify=20231114221321; sub
";
const LIST: &str = "-rw-r--r--    1 0        0               5 Nov 14  2023 a.log\n";

fn plain() -> Script {
    Script::default()
        .folder("/", MLSD)
        .folder("/sub", "type=file;size=4;modify=20231114221321; c.log\n")
        .file("/a.log", b"abc")
        .file("/b.log", b"hello")
}
