//! Every guard by itself, and loggers that are swapped while files are removed.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicU64, Ordering};
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
use crate::ledger::{Change, Grant, Kept, Ledger, LoggerRow, Removable, Seen, VersionId, WholeFacts};
use crate::link::{Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, Opened};
use crate::model::{Digest, EDGE, Edges as FileEdges, Look, OfferedDigest, Proof, RemotePath, RunningHash};

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
        let copies = self.copies.lock().expect("lock");
        let read = |key: &String| {
            copies.get(key).map(|bytes| ReadBack {
                size: bytes.len() as u64,
                sha256: Digest::of(bytes),
                how: Verified::DiskRead,
            })
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

    async fn items(&self) -> Vec<Removable> {
        self.ledger.removable(&self.row, VersionId(0), 1000).await.expect("removable")
    }

    /// Tries one file, as a visit does.
    async fn try_one(&self, wire: &mut Wire, item: &Removable) -> Result<(), Stays> {
        let policy = Policy {
            remove: self.remove,
            required: self.required.clone(),
            closed: &self.earlier,
            named: self.named,
        };
        let guard = Guard {
            policy: &policy,
            serial: &self.serial,
            credible: self.credible,
            archives: &self.archives,
            clock: &*self.clock,
        };
        let clearance = guard.clear(wire, item, &mut 0).await.expect("no cut")?;
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

fn noise_of_any(dice: &mut fastrand::Rng, sizes: &[usize]) -> Vec<u8> {
    let len = sizes[dice.usize(..sizes.len())];
    noise(dice, len)
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

#[tokio::test]
async fn a_file_that_is_safe_goes_and_the_last_of_its_stream_stays() {
    let (home, mut wire) = safe().await;
    let items = home.items().await;
    assert_eq!(home.try_one(&mut wire, &items[0]).await, Ok(()));
    assert_eq!(wire.deleted, [items[0].sha256]);
    assert_eq!(home.try_one(&mut wire, &items[1]).await, Err(Stays::Last));
    assert_eq!(home.items().await.len(), 1, "what is on its way out is not offered again");
}

#[tokio::test]
async fn every_guard_holds_a_file_back_by_itself() {
    type Break = fn(&mut Home, &mut Wire);
    let cases: [(&str, Break, Stays); 17] = [
        ("its logger tells no serial number", |home, _| home.named = false, Stays::Nameless),
        ("it says another number", |_, wire| wire.units[0].serial = "00422".into(), Stays::Nameless),
        ("no later file is there", |home, _| home.earlier.clear(), Stays::Last),
        (
            "it was archived too short a time ago",
            |home, _| home.remove.after = Duration::from_secs(3600),
            Stays::Waits(Duration::from_secs(3600)),
        ),
        (
            "a stronger proof is asked for",
            |home, _| home.remove.proof = Proof::Digest,
            Stays::Proof(Proof::Reread),
        ),
        (
            "a second required archive has no copy",
            |home, _| home.required.push("mirror"),
            Stays::NoCopy("mirror".into()),
        ),
        (
            "the archive is not in use",
            |home, _| home.archives = Archives::default(),
            Stays::ArchiveAway(CENTRAL.into()),
        ),
        (
            "the archive is away",
            |home, _| *home.shelf.fails.lock().expect("lock") = Some(ArchiveFailure::Away),
            Stays::ArchiveAway(CENTRAL.into()),
        ),
        (
            "the archive cannot read the copy",
            |home, _| *home.shelf.fails.lock().expect("lock") = Some(ArchiveFailure::Broken),
            Stays::CopyUnread(CENTRAL.into()),
        ),
        (
            "the copy is missing",
            |home, _| home.shelf.copies.lock().expect("lock").clear(),
            Stays::CopyWrong(CENTRAL.into()),
        ),
        (
            "a bit of the copy is wrong",
            |home, _| {
                home.shelf.copies.lock().expect("lock").get_mut("00001.log").expect("copy")[150_000] ^= 1
            },
            Stays::CopyWrong(CENTRAL.into()),
        ),
        (
            "it grew",
            |_, wire| wire.units[0].files.get_mut(&path("00001.log")).expect("file").push(0),
            Stays::Changed,
        ),
        ("its first bytes are others", |_, wire| flip(wire, 0), Stays::Differs),
        ("its last bytes are others", |_, wire| flip(wire, 299_999), Stays::Differs),
        (
            "the times say nothing, and its middle is another",
            |home, wire| {
                home.credible = false;
                flip(wire, 150_000);
            },
            Stays::Differs,
        ),
        (
            "no read begins at its end, and its middle is another",
            |_, wire| {
                wire.resumes = false;
                flip(wire, 150_000);
            },
            Stays::Differs,
        ),
        ("it is not there", |_, wire| drop(wire.units[0].files.remove(&path("00001.log"))), Stays::Changed),
    ];
    for (what, spoil, why) in cases {
        let (mut home, mut wire) = safe().await;
        spoil(&mut home, &mut wire);
        assert_eq!(home.first(&mut wire).await, Err(why), "{what}");
        assert!(wire.deleted.is_empty(), "{what}");
        let in_whole = what.contains("middle");
        assert_eq!(wire.opened > 0, in_whole, "{what}: what shows earlier is not read in whole");
    }
}

fn flip(wire: &mut Wire, at: usize) {
    wire.units[0].files.get_mut(&path("00001.log")).expect("file")[at] ^= 1;
}

#[tokio::test]
async fn what_is_known_by_its_ends_goes_after_it_was_read_in_whole_and_what_has_gaps_never() {
    for (right, why) in [(true, Ok(())), (false, Err(Stays::Differs))] {
        let (home, mut wire) = safe().await;
        let mut item = home.items().await.remove(0);
        item.presumed = true;
        if !right {
            flip(&mut wire, 150_000);
        }
        assert_eq!(home.try_one(&mut wire, &item).await, why);
    }
    let (home, mut wire) = safe().await;
    let mut item = home.items().await.remove(0);
    item.gapped = true;
    assert_eq!(home.try_one(&mut wire, &item).await, Err(Stays::Gapped));
}

#[tokio::test]
async fn neither_the_length_nor_the_channel_is_proof_enough_whatever_is_asked() {
    for proof in [Proof::None, Proof::Length, Proof::Secured] {
        let (mut home, mut wire) = safe().await;
        home.remove.proof = Proof::None;
        let mut item = home.items().await.remove(0);
        item.proof = proof;
        assert_eq!(home.try_one(&mut wire, &item).await, Err(Stays::Proof(proof)));
    }
}

#[tokio::test]
async fn at_least_one_archive_has_it_whatever_the_configuration_says() {
    let (mut home, mut wire) = safe().await;
    home.required.clear();
    let mut item = home.items().await.remove(0);
    item.copies.clear();
    assert_eq!(home.try_one(&mut wire, &item).await, Err(Stays::NoCopy(String::new())));
    home.shelf.copies.lock().expect("lock").clear();
    assert_eq!(home.first(&mut wire).await, Err(Stays::CopyWrong(CENTRAL.into())), "it is looked at too");
}

/// An hour and a second go by with each look at it.
#[derive(Debug, Default)]
struct Slow(AtomicU64);

impl Clock for Slow {
    fn now(&self) -> Timestamp {
        time()
    }
    fn mono(&self) -> Duration {
        Duration::from_secs(self.0.fetch_add(3601, Ordering::SeqCst))
    }
    fn sleep(&self, _: Duration) -> BoxFuture<'static, ()> {
        Box::pin(std::future::ready(()))
    }
}

#[tokio::test]
async fn a_look_at_an_archive_holds_for_an_hour() {
    let (mut home, mut wire) = safe().await;
    home.clock = Arc::new(Slow::default());
    assert_eq!(home.first(&mut wire).await, Err(Stays::Stale));
}

#[tokio::test]
async fn nothing_goes_whose_copy_is_owed_again_meanwhile() {
    let (home, _) = safe().await;
    let item = home.items().await.remove(0);
    home.ledger.wrong_elsewhere(&item.copies[0], "found wrong").await.expect("told");
    let intent = home.ledger.intend_removal(item.id, false, json!({})).await.expect("ledger");
    assert!(intent.is_none());
}

/// How the contents of two swapped loggers differ.
#[derive(Debug, Clone, Copy)]
enum Unlike {
    Wholly,
    Head,
    Tail,
    /// Only behind the first and before the last 64 KiB, on a card whose times say nothing.
    Middle,
}

/// Another logger's file of the same name, size and time.
fn other(dice: &mut fastrand::Rng, bytes: &[u8], unlike: Unlike) -> Vec<u8> {
    let edge = EDGE as usize;
    let mut other = bytes.to_vec();
    let range = match unlike {
        Unlike::Wholly => 0..bytes.len(),
        Unlike::Head => 0..bytes.len().min(edge),
        Unlike::Tail => bytes.len().saturating_sub(edge)..bytes.len(),
        Unlike::Middle => edge..bytes.len() - edge,
    };
    match unlike {
        Unlike::Wholly => dice.fill(&mut other),
        _ => other[dice.usize(range)] ^= 1 << dice.u8(..8),
    }
    other
}

/// Two loggers whose files have equal names, sizes and times change places, or their cards do, before
/// or between the files, and within the comparison of one: nothing is deleted that is not archived.
#[tokio::test]
async fn of_swapped_loggers_nothing_is_removed_that_is_not_archived() {
    let given = std::env::var("YARDER_TEST_SEED").ok().and_then(|seed| seed.parse().ok());
    let first = given.unwrap_or_else(|| fastrand::u64(..1 << 40));
    println!("swapped: YARDER_TEST_SEED={first}");
    let (mut wrong, mut right, mut stayed) = (0, 0, 0);
    for seed in first..first + 1000 {
        let mut dice = fastrand::Rng::with_seed(seed);
        let unlike = [Unlike::Wholly, Unlike::Head, Unlike::Tail, Unlike::Middle][dice.usize(..4)];
        let sizes: &[usize] = match unlike {
            Unlike::Middle => &[131_073, 200_000],
            _ => &[1, 500, 65_536, 65_537, 100_000, 200_000],
        };
        let files: Vec<(String, Vec<u8>)> =
            (0..dice.usize(2..5)).map(|n| (format!("{n:05}.log"), noise_of_any(&mut dice, sizes))).collect();
        let named: Vec<(&str, &[u8])> = files.iter().map(|(n, b)| (&**n, &**b)).collect();
        let ours = unit("00421", &named);
        // A card alone is swapped in half of the cases: the logger is still who it says it is.
        let mut theirs = unit(["00421", "00422"][dice.usize(..2)], &[]);
        for (name, bytes) in &files {
            theirs.files.insert(path(name), other(&mut dice, bytes, unlike));
        }
        let mut home = Home::of(&ours, Proof::Reread).await;
        home.credible = !matches!(unlike, Unlike::Middle);
        let archived: BTreeSet<Digest> = files.iter().map(|(_, bytes)| Digest::of(bytes)).collect();
        let mut wire = Wire::new(ours, theirs);
        let at = dice.usize(..files.len());
        for (n, item) in home.items().await.iter().enumerate() {
            if n == at {
                // Who it is, a look, its head: the comparison has begun, and what differs is still to come.
                wire.swap = Some(wire.calls + dice.usize(..3));
            }
            match home.try_one(&mut wire, item).await {
                Ok(()) => {}
                Err(_) => stayed += 1,
            }
        }
        wrong += wire.deleted.iter().filter(|hash| !archived.contains(hash)).count();
        right += wire.deleted.len();
    }
    println!("swapped: {right} removed, {stayed} stayed");
    assert_eq!(wrong, 0);
    assert!(right > 500 && stayed > 1000, "the test tries both: {right}, {stayed}");
}
