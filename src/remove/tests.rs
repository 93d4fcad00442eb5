//! What removal is tried with: a logger, an archive, and a depot that has archived what the logger holds.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;
use bytes::Bytes;
use futures_util::future::BoxFuture;
use jiff::Timestamp;
use serde_json::json;

use super::*;
use crate::archive::{
    Archive, ArchiveError, ArchiveFailure, Archives, Created, ReadBack, StoreItem, Stored, Verified,
};
use crate::clock::{Clock, SystemClock};
use crate::config::{Remove, Serial, SerialFrom};
use crate::edges::Edges;
use crate::ledger::state::State;
use crate::ledger::{Change, Grant, Kept, Ledger, LoggerRow, Removable, Seen, VersionId, WholeFacts};
use crate::link::{Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, Opened};
use crate::model::{Digest, EDGE, Edges as FileEdges, Look, OfferedDigest, Proof, RemotePath, RunningHash};

mod guards;
mod outcomes;
mod swapped;

const CENTRAL: &str = "central";

/// A logger: who it says it is, and what its card holds.
#[derive(Debug, Clone, Default)]
struct Unit {
    serial: String,
    files: BTreeMap<RemotePath, Vec<u8>>,
}

/// A conversation in which another logger may take over before the `swap`-th call.
struct Wire {
    units: [Unit; 2],
    now: usize,
    swap: Option<usize>,
    calls: usize,
    resumes: bool,
    reading: Option<(RemotePath, usize)>,
    /// Reads of whole files.
    opened: usize,
    /// Hashes of what was deleted.
    deleted: Vec<Digest>,
}

impl Wire {
    fn new(first: Unit, second: Unit) -> Self {
        let units = [first, second];
        Self {
            units,
            now: 0,
            swap: None,
            calls: 0,
            resumes: true,
            reading: None,
            opened: 0,
            deleted: Vec::new(),
        }
    }

    fn unit(&mut self) -> &mut Unit {
        if self.swap == Some(self.calls) {
            self.now = 1;
        }
        self.calls += 1;
        &mut self.units[self.now]
    }

    fn bytes(&mut self, path: &RemotePath) -> Result<Vec<u8>, LinkError> {
        let file = self.unit().files.get(path).cloned();
        file.ok_or_else(|| LinkError::new(LinkFailure::NotFound, "404"))
    }
}

fn time() -> Timestamp {
    "2026-11-20T06:00:00Z".parse().expect("moment")
}

fn look(bytes: &[u8]) -> Look {
    Look { size: Some(bytes.len() as u64), time: Some(time()), ..Look::default() }
}

#[async_trait]
impl Link for Wire {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: Some(self.resumes) }
    }
    async fn list(&mut self, _: &ListCaps) -> Result<Listing, LinkError> {
        Err(LinkError::protocol("no listing"))
    }
    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        self.bytes(path).map(|bytes| look(&bytes))
    }
    async fn open(&mut self, path: &RemotePath, from: u64, _: &Look) -> Result<Opened, LinkError> {
        let bytes = self.bytes(path)?;
        self.opened += 1;
        self.reading = Some((path.clone(), from as usize));
        Ok(Opened { from, look: look(&bytes), digest: None })
    }
    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let Some((path, at)) = self.reading.clone() else { return Ok(None) };
        let bytes = self.bytes(&path)?;
        let end = bytes.len().min(at + 50_000);
        self.reading = (at < end).then_some((path, end));
        Ok((at < end).then(|| bytes[at..end].to_vec().into()))
    }
    async fn stop(&mut self) {
        self.reading = None;
    }
    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        let bytes = self.bytes(path)?;
        let end = bytes.len().min((from + len) as usize);
        Ok(bytes[from as usize..end].to_vec().into())
    }
    async fn digest(&mut self, _: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        Ok(None)
    }
    async fn says(&mut self, _: &SerialFrom) -> Result<String, LinkError> {
        Ok(self.unit().serial.clone())
    }
    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        let bytes = self.unit().files.remove(permit.path());
        let bytes = bytes.ok_or_else(|| LinkError::new(LinkFailure::NotFound, "404"))?;
        self.deleted.push(Digest::of(&bytes));
        Ok(())
    }
}

/// An archive in memory that can only be read.
#[derive(Default)]
struct Shelf {
    copies: Mutex<BTreeMap<String, Vec<u8>>>,
    fails: Mutex<Option<ArchiveFailure>>,
    /// A copy that cannot be read, whoever is read beside it.
    unreadable: Mutex<Option<String>>,
    /// It tells lengths alone.
    lengths: AtomicBool,
}

fn unused<T>() -> Result<T, ArchiveError> {
    Err(ArchiveError::new(ArchiveFailure::Refused, "nothing is written here"))
}

#[async_trait]
impl Archive for Shelf {
    async fn identify(&self) -> Result<Option<Vec<u8>>, ArchiveError> {
        unused()
    }
    fn accept(&self, _: &[u8]) {}
    async fn create(&self, _: Vec<(String, Vec<u8>)>) -> Result<Vec<Created>, ArchiveError> {
        unused()
    }
    async fn get(&self, _: Vec<String>) -> Result<Vec<Option<Vec<u8>>>, ArchiveError> {
        unused()
    }
    async fn store(&self, _: Vec<StoreItem>) -> Result<Vec<Stored>, ArchiveError> {
        unused()
    }
    async fn read_back(&self, keys: Vec<String>) -> Result<Vec<Option<ReadBack>>, ArchiveError> {
        if let Some(failure) = *self.fails.lock().expect("lock") {
            return Err(ArchiveError::new(failure, "as told"));
        }
        if self.unreadable.lock().expect("lock").as_ref().is_some_and(|key| keys.contains(key)) {
            return Err(ArchiveError::new(ArchiveFailure::Broken, "as told"));
        }
        let how = match self.lengths.load(Ordering::SeqCst) {
            true => Verified::Length,
            false => Verified::DiskRead,
        };
        let copies = self.copies.lock().expect("lock");
        let read = |key: &String| {
            copies.get(key).map(|bytes| ReadBack { size: bytes.len() as u64, sha256: Digest::of(bytes), how })
        };
        Ok(keys.iter().map(read).collect())
    }
    async fn replace(&self, _: String, _: Vec<u8>) -> Result<(), ArchiveError> {
        unused()
    }
    async fn list(&self, _: String, _: String, _: usize) -> Result<Vec<(String, u64)>, ArchiveError> {
        unused()
    }
}

fn path(text: &str) -> RemotePath {
    RemotePath::new(text.as_bytes()).expect("path")
}

/// A depot that has archived what a logger holds.
struct Home {
    ledger: Ledger,
    row: LoggerRow,
    shelf: Arc<Shelf>,
    archives: Archives,
    clock: Arc<dyn Clock>,
    earlier: BTreeSet<RemotePath>,
    serial: Serial,
    remove: Remove,
    required: Vec<&'static str>,
    named: bool,
    credible: bool,
}

impl Home {
    async fn of(unit: &Unit, proof: Proof) -> Self {
        let ledger = Ledger::in_memory(&Edges::real()).expect("ledger");
        ledger.follow_archives(vec![(CENTRAL.to_owned(), true)]).await.expect("archives");
        let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
        let shelf = Arc::new(Shelf::default());
        let archives = Archives::default();
        archives.put(CENTRAL, shelf.clone());
        for (path, bytes) in &unit.files {
            let seen = Seen { path: path.clone(), listed: "as listed".into(), look: look(bytes) };
            let new = Change::New { seen, backlog: false, same_as: None, why: "listed" };
            ledger.apply(&row, "PLOW-01", true, vec![new]).await.expect("applied");
        }
        for item in ledger.pending(row.key).await.expect("pending") {
            let bytes = &unit.files[&item.path];
            let name = item.path.to_string();
            ledger.grant(Grant { id: item.id, spool: name.clone(), reserved: 0 }).expect("granted");
            let mut hash = RunningHash::default();
            hash.update(bytes);
            let (sha256, blocks) = hash.finish();
            let edge = bytes.len().min(EDGE as usize);
            let edges = FileEdges {
                head: Digest::of(&bytes[..edge]),
                tail: Digest::of(&bytes[bytes.len() - edge..]),
            };
            let facts = WholeFacts {
                id: item.id,
                spool: name.clone(),
                look: look(bytes),
                size: bytes.len() as u64,
                sha256,
                edges,
                blocks,
                proof,
                extends: None,
                owed: vec![CENTRAL.to_owned()],
                detail: json!({}),
            };
            ledger.whole(vec![(facts, false)]).await.expect("whole");
            let kept = Kept {
                id: item.id,
                location: name.clone(),
                seq: item.id.0,
                verified: "disk-read",
                folder: None,
                note: "",
            };
            ledger.verified(CENTRAL, vec![kept], Vec::new()).await.expect("verified");
            shelf.copies.lock().expect("lock").insert(name, bytes.clone());
        }
        // All but the last are closed by order.
        let mut earlier: BTreeSet<_> = unit.files.keys().cloned().collect();
        earlier.pop_last();
        Self {
            ledger,
            row,
            shelf,
            archives,
            clock: Arc::new(SystemClock::new()),
            earlier,
            serial: Serial { number: unit.serial.clone(), from: SerialFrom::File("/device.json".into()) },
            remove: Remove { after: Duration::ZERO, proof: Proof::Reread },
            required: vec![CENTRAL],
            named: true,
            credible: true,
        }
    }

    /// Where the latest version of a file stands.
    async fn state(&self, name: &str) -> State {
        let known = self.ledger.known(&self.row, vec![path(name)], false).await.expect("known");
        known.iter().find(|known| known.path == path(name)).expect("known").state
    }

    async fn items(&self) -> Vec<Removable> {
        self.ledger.removable(&self.row, Duration::ZERO, VersionId(0), 1000).await.expect("removable")
    }

    fn policy(&self) -> Policy<'_> {
        Policy {
            remove: self.remove,
            required: self.required.clone(),
            closed: &self.earlier,
            named: self.named,
        }
    }

    fn guard<'a>(&'a self, policy: &'a Policy<'a>) -> Guard<'a> {
        Guard {
            policy,
            serial: &self.serial,
            credible: self.credible,
            archives: &self.archives,
            clock: &*self.clock,
        }
    }

    /// Tries one file, as a visit does.
    async fn try_one(&self, wire: &mut Wire, item: &Removable) -> Result<(), Stays> {
        let policy = self.policy();
        let guard = self.guard(&policy);
        let copies = guard.copies(std::slice::from_ref(item)).await;
        let idle = std::future::pending();
        let clearance = guard.clear(wire, item, &copies, &mut 0, idle).await.expect("no cut")?;
        let whole = clearance.compared() == Compared::Whole;
        let intent = self.ledger.intend_removal(item.id, whole, clearance.detail()).await.expect("ledger");
        let intent = intent.expect("archived");
        let permit = clearance.permit(&intent).expect("of this version");
        wire.remove(permit).await.expect("deleted");
        Ok(())
    }

    /// What becomes of the first file.
    async fn first(&self, wire: &mut Wire) -> Result<(), Stays> {
        let items = self.items().await;
        self.try_one(wire, &items[0]).await
    }
}

fn unit(serial: &str, files: &[(&str, &[u8])]) -> Unit {
    Unit { serial: serial.into(), files: files.iter().map(|(n, b)| (path(n), b.to_vec())).collect() }
}

fn noise(dice: &mut fastrand::Rng, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    dice.fill(&mut bytes);
    bytes
}

/// A logger with two files, of which the first may go, and the depot that has both.
async fn safe() -> (Home, Wire) {
    let mut dice = fastrand::Rng::with_seed(7);
    let (one, two) = (noise(&mut dice, 300_000), noise(&mut dice, 1000));
    let unit = unit("00421", &[("00001.log", &one), ("00002.log", &two)]);
    let home = Home::of(&unit, Proof::Reread).await;
    (home, Wire::new(unit, Unit::default()))
}
