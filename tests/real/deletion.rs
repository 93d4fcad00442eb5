//! What every link promises of deletion, tried on every server: the real ones and the simulated loggers.
//! A permit takes a whole ledger and an archive, as everywhere.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use serde_json::json;
use tempfile::TempDir;
use yarder::archive::{Archive as _, Archives, FileArchive};
use yarder::clock::SystemClock;
use yarder::config::{Remove, Serial, SerialFrom};
use yarder::edges::Edges;
use yarder::ledger::{Change, Grant, Kept, Ledger, Seen, VersionId, WholeFacts};
use yarder::link::{Link, LinkFailure, ListCaps};
use yarder::model::{Digest, EDGE, Edges as FileEdges, Proof, RunningHash};
use yarder::remove::{Guard, Permit, Policy};
use yarder::sim::{Content, EtagStyle, FtpOptions, HttpOptions, Options, Protocol, RemovalFault, SimLogger};

use crate::conformance::{Server, dial, failure, path};
use crate::servers::{Program, Running};

const NAME: &str = "a log.log";
const CENTRAL: &str = "central";

fn bytes() -> Vec<u8> {
    (0..100_000_u32).map(|n| (n % 251) as u8).collect()
}

/// A server with one log file, and who it is in another.
struct Place {
    url: String,
    login: Option<(&'static str, &'static str)>,
    deletes: bool,
    card: TempDir,
    sim: Option<SimLogger>,
    _real: Option<Running>,
}

impl Place {
    async fn start(server: Server) -> Self {
        let card = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("folder");
        // A server that gives up its rights must be able to read it.
        fs::set_permissions(card.path(), fs::Permissions::from_mode(0o755)).expect("mode");
        match server {
            Server::Real(program) => {
                fs::write(card.path().join("device.json"), "{\"serial\": \"00421\"}\n").expect("write");
                fs::write(card.path().join(NAME), bytes()).expect("write");
                let running = Running::start(program, card.path());
                let url = format!("{}://{}/", program.scheme(), running.addr);
                let (login, deletes) = (program.login(), program.deletes());
                Self { url, login, deletes, card, sim: None, _real: Some(running) }
            }
            Server::Sim(protocol) => {
                let logger = SimLogger::start(Options { protocol, ..Options::http() }).await.expect("start");
                logger.set_serial(Some("00421"));
                logger.card().add(NAME, Content::bytes(bytes()), time(0));
                let url = logger.url();
                Self { url, login: None, deletes: true, card, sim: Some(logger), _real: None }
            }
        }
    }

    async fn dial(&self) -> Box<dyn Link> {
        dial(&self.url, self.login).await
    }

    fn has(&self) -> bool {
        match &self.sim {
            Some(logger) => logger.card().files().any(|(path, _)| path == NAME.as_bytes()),
            None => self.card.path().join(NAME).exists(),
        }
    }

    /// Somebody else deletes it.
    fn take(&self) {
        match &self.sim {
            Some(logger) => assert!(logger.card().remove(NAME)),
            None => fs::remove_file(self.card.path().join(NAME)).expect("removed"),
        }
    }

    /// That the conversation goes on.
    async fn goes_on(&self, link: &mut dyn Link) {
        let listing = link.list(&ListCaps::default()).await.expect("listing");
        assert_eq!(listing.files.iter().any(|file| file.path == path(NAME)), self.has());
    }
}

fn time(second: i64) -> Timestamp {
    Timestamp::from_second(1_750_000_000 + second).expect("time")
}

/// The permit to delete the file, by way of a ledger and an archive that have it.
async fn permit(link: &mut dyn Link) -> Permit {
    let (edges, bytes) = (Edges::real(), bytes());
    let folder = tempfile::tempdir().expect("folder");
    let archive = FileArchive::new(edges.clone(), folder.path().to_owned(), 0o640, Duration::from_secs(20));
    archive.create(vec![(".yarder/archive.json".into(), b"{}".to_vec())]).await.expect("identity");
    archive.accept(b"{}");
    fs::write(folder.path().join("kept.log"), &bytes).expect("copy");
    let archives = Archives::default();
    archives.put(CENTRAL, Arc::new(archive));

    let ledger = Ledger::in_memory(&edges).expect("ledger");
    ledger.follow_archives(vec![(CENTRAL.to_owned(), true)]).await.expect("archives");
    let row = ledger.logger("L-0001", "PLOW-01").await.expect("row");
    let look = link.look(&path(NAME)).await.expect("look");
    let seen = Seen { path: path(NAME), listed: "as listed".into(), look: look.clone() };
    let new = Change::New { seen, backlog: false, same_as: None, why: "listed" };
    ledger.apply(&row, "PLOW-01", true, vec![new]).await.expect("applied");
    let id = ledger.pending(row.key).await.expect("pending")[0].id;
    ledger.grant(Grant { id, spool: NAME.into(), reserved: 0 }).expect("granted");
    let mut hash = RunningHash::default();
    hash.update(&bytes);
    let (sha256, blocks) = hash.finish();
    let edge = EDGE as usize;
    let ends = FileEdges { head: Digest::of(&bytes[..edge]), tail: Digest::of(&bytes[bytes.len() - edge..]) };
    let facts = WholeFacts {
        id,
        spool: NAME.into(),
        look,
        size: bytes.len() as u64,
        sha256,
        edges: ends,
        blocks,
        proof: Proof::Reread,
        extends: None,
        owed: vec![CENTRAL.to_owned()],
        detail: json!({}),
    };
    ledger.whole(vec![(facts, false)]).await.expect("whole");
    let location = "kept.log".to_owned();
    let kept = Kept { id, location, seq: 1, verified: "disk-read", folder: None, note: "" };
    ledger.verified(CENTRAL, vec![kept], Vec::new()).await.expect("verified");

    let items = ledger.removable(&row, Duration::ZERO, VersionId(0), 10).await.expect("removable");
    let closed = BTreeSet::from([path(NAME)]);
    let remove = Remove { after: Duration::ZERO, proof: Proof::Reread };
    let policy = Policy { remove, required: vec![CENTRAL], closed: &closed, named: true };
    let serial = Serial { number: "00421".into(), from: SerialFrom::File("/device.json".into()) };
    let clock = SystemClock::new();
    let guard =
        Guard { policy: &policy, serial: &serial, credible: true, archives: &archives, clock: &clock };
    let copies = guard.copies(&items).await;
    let cleared = guard.clear(link, &items[0], &copies, &mut 0, std::future::pending()).await;
    let clearance = cleared.expect("no cut").expect("nothing holds it back");
    let intent =
        ledger.intend_removal(id, false, clearance.detail()).await.expect("ledger").expect("archived");
    clearance.permit(&intent).expect("of this version")
}

async fn a_file_is_deleted_or_that_is_refused(place: Place) {
    let mut link = place.dial().await;
    let permit = permit(&mut *link).await;
    let deleted = link.remove(permit).await;
    if place.deletes {
        assert_eq!(deleted, Ok(()));
        assert!(!place.has());
    } else {
        assert_eq!(failure(deleted), LinkFailure::Forbidden);
        assert!(place.has());
    }
    place.goes_on(&mut *link).await;
}

async fn what_is_gone_already_is_answered(place: Place) {
    let mut link = place.dial().await;
    let permit = permit(&mut *link).await;
    place.take();
    let refused = link.remove(permit).await.expect_err("it is gone");
    assert!(refused.is_answer(), "{refused}");
    place.goes_on(&mut *link).await;
}

/// What a simulated logger can be told to do.
async fn a_fault_is_a_refusal_or_leaves_it_open(place: Place) {
    let logger = place.sim.as_ref().expect("simulated");
    for (fault, refuses, stays) in [
        (RemovalFault::Refused, true, true),
        (RemovalFault::Unknown, true, true),
        (RemovalFault::Failed { done: true }, false, false),
        (RemovalFault::Failed { done: false }, false, true),
        (RemovalFault::Unanswered, false, false),
    ] {
        logger.card().add(NAME, Content::bytes(bytes()), time(0));
        let mut link = place.dial().await;
        let permit = permit(&mut *link).await;
        logger.faults().removal = fault;
        let failed = link.remove(permit).await.expect_err("a failure");
        assert_eq!((failed.is_answer(), place.has()), (refuses, stays), "{fault:?}: {failed}");
        logger.faults().removal = RemovalFault::None;
        place.goes_on(&mut *link).await;
    }
}

link_conformance! {
    [a_file_is_deleted_or_that_is_refused what_is_gone_already_is_answered]
    nginx_html: Server::Real(Program::NginxHtml);
    nginx_json: Server::Real(Program::NginxJson);
    nginx_dav: Server::Real(Program::NginxDav);
    lighttpd: Server::Real(Program::Lighttpd);
    python_http: Server::Real(Program::PythonHttp);
    vsftpd: Server::Real(Program::Vsftpd);
    pyftpdlib: Server::Real(Program::Pyftpdlib);
    sim_http: Server::Sim(Protocol::Http(HttpOptions::default()));
    sim_http_if_match: Server::Sim(Protocol::Http(comparing()));
    sim_ftp: Server::Sim(Protocol::Ftp(FtpOptions::default()));
}

link_conformance! {
    [a_fault_is_a_refusal_or_leaves_it_open]
    sim_http_fails: Server::Sim(Protocol::Http(HttpOptions::default()));
    sim_ftp_fails: Server::Sim(Protocol::Ftp(FtpOptions::default()));
}

fn comparing() -> HttpOptions {
    HttpOptions { etag: EtagStyle::Unique, if_match: true, ..HttpOptions::default() }
}

#[tokio::test]
async fn what_is_replaced_in_between_stays_on_a_logger_that_compares_tags() {
    let place = Place::start(Server::Sim(Protocol::Http(comparing()))).await;
    let logger = place.sim.as_ref().expect("simulated");
    let mut link = place.dial().await;
    let permit = permit(&mut *link).await;
    logger.card().add(NAME, Content::noise(9, 100_000), time(0));
    assert_eq!(failure(link.remove(permit).await), LinkFailure::Changed);
    assert!(place.has());
}
