//! Several depots, one archive, and everything that can come between.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;

use super::*;
use crate::archive::{FileArchive, IDENTITY, Verified, mark};
use crate::edges::{Edges, Inline, Random};
use crate::forward::records::tests::sample;

/// An archive in memory that other depots use at the same time, and that fails before or after it
/// has done what it was asked.
struct Faulty {
    objects: Arc<Mutex<BTreeMap<String, Vec<u8>>>>,
    random: Arc<Random>,
    /// One call in so many fails.
    fails: usize,
}

impl Faulty {
    /// Others go first for a while.
    async fn others(&self) {
        for _ in 0..self.random.below(4) {
            tokio::task::yield_now().await;
        }
    }

    fn trip(&self) -> Result<(), ArchiveError> {
        match self.random.below(self.fails) {
            0 => Err(ArchiveError::new(ArchiveFailure::Away, "as the seed says")),
            _ => Ok(()),
        }
    }

    fn insert(&self, key: String, bytes: Vec<u8>) -> bool {
        let mut objects = self.objects.lock().expect("objects");
        let free = !objects.contains_key(&key);
        if free {
            objects.insert(key, bytes);
        }
        free
    }

    fn object(&self, key: &str) -> Option<Vec<u8>> {
        self.objects.lock().expect("objects").get(key).cloned()
    }
}

#[async_trait]
impl Archive for Faulty {
    async fn identify(&self) -> Result<Option<Vec<u8>>, ArchiveError> {
        Ok(Some(Vec::new()))
    }

    fn accept(&self, _identity: &[u8]) {}

    async fn create(&self, objects: Vec<(String, Vec<u8>)>) -> Result<Vec<Created>, ArchiveError> {
        self.trip()?;
        let mut created = Vec::new();
        for (key, bytes) in objects {
            self.others().await;
            created.push(if self.insert(key, bytes) { Created::New } else { Created::Exists });
        }
        self.trip()?;
        Ok(created)
    }

    async fn get(&self, keys: Vec<String>) -> Result<Vec<Option<Vec<u8>>>, ArchiveError> {
        self.trip()?;
        let mut got = Vec::new();
        for key in keys {
            self.others().await;
            got.push(self.object(&key));
        }
        Ok(got)
    }

    async fn store(&self, items: Vec<StoreItem>) -> Result<Vec<Stored>, ArchiveError> {
        self.trip()?;
        let mut stored = Vec::new();
        for item in items {
            self.others().await;
            let bytes =
                std::fs::read(&item.source).map_err(|e| ArchiveError::new(ArchiveFailure::Source, e))?;
            let new = self.insert(item.key, bytes);
            stored.push(if new { Stored::New { shared: false } } else { Stored::Exists });
        }
        self.trip()?;
        Ok(stored)
    }

    async fn read_back(&self, keys: Vec<String>) -> Result<Vec<Option<ReadBack>>, ArchiveError> {
        self.trip()?;
        let mut read = Vec::new();
        for key in keys {
            self.others().await;
            read.push(self.object(&key).map(|bytes| ReadBack {
                size: bytes.len() as u64,
                sha256: Digest::of(&bytes),
                how: Verified::DiskRead,
            }));
        }
        Ok(read)
    }

    async fn replace(&self, key: String, _bytes: Vec<u8>) -> Result<(), ArchiveError> {
        panic!("{key} is replaced in no step");
    }

    async fn list(&self, _: String, _: String, _: usize) -> Result<Vec<(String, u64)>, ArchiveError> {
        panic!("no step lists")
    }
}

/// A file that a depot has whole, with what its ledger knows of it.
struct Owed {
    source: PathBuf,
    claim: Claim,
    receipt: Receipt,
    location: Option<String>,
}

struct Depot {
    name: &'static str,
    files: Vec<Owed>,
}

impl Depot {
    fn new(spool: &Path, name: &'static str, day: &str, files: &[(&str, &[u8])]) -> Self {
        let owed = |(n, (path, content)): (usize, &(&str, &[u8]))| {
            let source = spool.join(format!("{name}-{n}"));
            std::fs::write(&source, content).expect("spool");
            let (mut claim, receipt) = sample(path, content, name);
            claim.k0 = format!("P/{day}/{path}");
            claim.k1 = mark(&claim.k0, &claim.sha256.short());
            Owed { source, claim, receipt, location: None }
        };
        Self { name, files: files.iter().enumerate().map(owed).collect() }
    }

    fn done(&self) -> bool {
        self.files.iter().all(|file| file.location.is_some())
    }

    /// Goes through the steps from the start, up to and with that one.
    async fn attempt(&mut self, archive: &dyn Archive, last: usize) -> Result<(), ArchiveError> {
        let logger = sample("a", b"", "x").0.logger;
        let known = read_receipts(archive, &logger, 1, 1000).await?;
        if last == 0 {
            return Ok(());
        }
        let mut open: Vec<&mut Owed> = self.files.iter_mut().filter(|f| f.location.is_none()).collect();
        let wanted: Vec<Claim> = open.iter().map(|file| file.claim.clone()).collect();
        let staked = stake(archive, &wanted).await;
        for (file, staked) in open.iter_mut().zip(staked) {
            file.claim = match staked {
                Err(Unclaimed::Archive(e)) => return Err(e),
                staked => staked.expect("readable").claim,
            };
        }
        if last == 1 {
            return Ok(());
        }
        let wanted: Vec<PutWanted> = open
            .iter()
            .map(|file| PutWanted {
                source: file.source.clone(),
                at: 0,
                own: true,
                claim: file.claim.clone(),
                again: true,
            })
            .collect();
        let mut receipts = Vec::new();
        for (file, put) in open.iter().zip(put(archive, &wanted).await) {
            let location = match put? {
                Put::Stored { location, .. } | Put::Found { location, .. } => location,
                Put::Blocked => panic!("{} has no place", file.claim.k0),
            };
            receipts.push(Receipt { location, ..file.receipt.clone() });
        }
        if last == 2 {
            return Ok(());
        }
        let wanted: Vec<VerifyWanted> = receipts
            .iter()
            .map(|r| VerifyWanted { location: r.location.clone(), size: r.size, sha256: r.sha256 })
            .collect();
        for verdict in verify(archive, &wanted).await {
            assert!(matches!(verdict?, Verdict::Good(_)));
        }
        if last == 3 {
            return Ok(());
        }
        let received = receive(archive, &logger, known.next, &known.receipts, &receipts).await?;
        assert!(received.done && received.theirs.unreadable.is_empty());
        if last == 4 {
            return Ok(());
        }
        let all = known.receipts.iter().chain(&received.theirs.receipts).chain(&received.written);
        for receipt in all {
            for file in &mut open {
                if file.receipt.key == receipt.key && file.receipt.path == receipt.path {
                    file.location = Some(receipt.location.clone());
                }
            }
        }
        Ok(())
    }
}

const LARGE: &[u8] = &[b'x'; 5000];
const OTHER: &[u8] = &[b'y'; 5000];

fn depots(spool: &Path) -> [Depot; 3] {
    [
        Depot::new(spool, "east", "day-1", &[("a.log", LARGE), ("s.log", b"small")]),
        // Equal bytes on another day, and once more under another name.
        Depot::new(spool, "west", "day-2", &[("a.log", LARGE), ("b.log", LARGE), ("s.log", b"small")]),
        // Another content of an equal path on an equal day; small content under two names.
        Depot::new(spool, "north", "day-1", &[("a.log", OTHER), ("s.log", b"small"), ("t.log", b"small")]),
    ]
}

/// Every content once, every name with one receipt, and all of it where the receipts say.
async fn assert_once(archive: &dyn Archive, depots: &[Depot], keys: &[String]) {
    let data: Vec<_> = keys.iter().filter(|key| !key.starts_with(".yarder/")).cloned().collect();
    let back = archive.read_back(data.clone()).await.expect("read");
    let mut hashes: Vec<_> = back.into_iter().flatten().map(|b| b.sha256).collect();
    hashes.sort();
    let mut expected = vec![Digest::of(LARGE), Digest::of(OTHER), Digest::of(b"small"), Digest::of(b"small")];
    expected.sort();
    assert_eq!(hashes, expected, "{data:?}");
    let logger = sample("a", b"", "x").0.logger;
    let found = read_receipts(archive, &logger, 1, 1000).await.expect("receipts");
    let mut told: Vec<_> = found
        .receipts
        .iter()
        .map(|r| format!("{:?} {} {}", r.kind, &r.sha256.short()[..2], r.path))
        .collect();
    told.sort();
    let of = |bytes: &[u8]| Digest::of(bytes).short()[..2].to_owned();
    let (large, other, small) = (of(LARGE), of(OTHER), of(b"small"));
    // Whichever of the two names came first.
    let (first, second) = if told[0].ends_with("b.log") { ("a.log", "b.log") } else { ("b.log", "a.log") };
    let mut want = vec![
        format!("Alias {large} {second}"),
        format!("Stored {large} {first}"),
        format!("Stored {other} a.log"),
        format!("Stored {small} s.log"),
        format!("Stored {small} t.log"),
    ];
    want.sort();
    assert_eq!(told, want);
    for alias in found.receipts.iter().filter(|r| r.kind == ReceiptKind::Alias) {
        let named =
            |r: &&Receipt| Some(r.seq) == alias.of && r.key == alias.key && r.kind == ReceiptKind::Stored;
        let of = found.receipts.iter().find(named);
        assert_eq!(of.map(|r| &r.location), Some(&alias.location));
    }
    for depot in depots {
        for file in &depot.files {
            let location = file.location.clone().expect("done");
            let back = archive.read_back(vec![location]).await.expect("read").remove(0).expect("there");
            assert_eq!(back.sha256, file.claim.sha256, "{} {}", depot.name, file.claim.path);
        }
    }
}

/// A single run of three depots at once under a seed.
async fn race(seed: u64, spool: &Path) {
    let objects = Arc::new(Mutex::new(BTreeMap::new()));
    let random = Arc::new(Random::from_seed(seed));
    let archive = |fails| Faulty { objects: objects.clone(), random: random.clone(), fails };
    let mut depots = depots(spool);
    let runs = depots.iter_mut().map(|depot| {
        let (archive, random) = (archive(12), random.clone());
        async move {
            while !depot.done() {
                // A kill: whatever the attempt knew is gone, the ledger's claim and place are not.
                let life = 20 + random.below(200);
                let kill = async {
                    for _ in 0..life {
                        tokio::task::yield_now().await;
                    }
                };
                tokio::select! {
                    biased;
                    _ = depot.attempt(&archive, 5) => {}
                    () = kill => {}
                }
            }
        }
    });
    futures_util::future::join_all(runs).await;
    let keys: Vec<_> = objects.lock().expect("objects").keys().cloned().collect();
    assert_once(&archive(usize::MAX), &depots, &keys).await;
}

#[tokio::test]
async fn three_depots_that_fail_and_die_archive_each_content_once() {
    let spool = tempfile::tempdir().expect("spool");
    let seeds = match std::env::var("YARDER_SEED").ok().and_then(|seed| seed.parse().ok()) {
        Some(seed) => seed..seed + 1,
        None => 0..200,
    };
    for seed in seeds {
        eprintln!("YARDER_SEED={seed}");
        race(seed, spool.path()).await;
    }
}

async fn folder_archive(root: &Path) -> FileArchive {
    let edges = Edges { work: Arc::new(Inline), random: Arc::new(Random::from_seed(3)), ..Edges::real() };
    let archive = FileArchive::new(edges, root.to_owned(), 0o640, Duration::from_secs(30));
    archive.create(vec![(IDENTITY.to_owned(), b"id".to_vec())]).await.expect("begin");
    archive.accept(b"id");
    archive
}

#[tokio::test]
async fn a_depot_killed_after_any_step_and_begun_again_archives_once() {
    for step in 0..5 {
        let folder = tempfile::tempdir().expect("folder");
        let root = folder.path().join("archive");
        std::fs::create_dir(&root).expect("root");
        let archive = folder_archive(&root).await;
        let mut depots = depots(folder.path());
        for depot in &mut depots {
            depot.attempt(&archive, step).await.expect("step");
        }
        for depot in &mut depots {
            depot.attempt(&archive, 5).await.expect("all");
            assert!(depot.done());
        }
        let listed = archive.list(String::new(), String::new(), 1000).await.expect("list");
        let keys: Vec<_> = listed.into_iter().map(|(key, _)| key).collect();
        assert_once(&archive, &depots, &keys).await;
    }
}

fn memory() -> Faulty {
    Faulty { objects: Arc::default(), random: Arc::new(Random::from_seed(1)), fails: usize::MAX }
}

#[tokio::test]
async fn other_content_at_both_places_blocks_that_file_alone() {
    let spool = tempfile::tempdir().expect("spool");
    let archive = memory();
    let depot = Depot::new(spool.path(), "east", "d", &[("a.log", LARGE), ("b.log", OTHER)]);
    let claim = &depot.files[0].claim;
    for key in [&claim.k0, &claim.k1] {
        assert!(archive.insert(key.clone(), b"foreign".to_vec()));
    }
    let put_of = |file: &Owed| PutWanted {
        source: file.source.clone(),
        at: 0,
        own: true,
        claim: file.claim.clone(),
        again: false,
    };
    let wanted: Vec<_> = depot.files.iter().map(put_of).collect();
    let outcome = put(&archive, &wanted).await;
    assert_eq!(outcome[0], Ok(Put::Blocked));
    assert_eq!(outcome[1], Ok(Put::Stored { location: "P/d/b.log".to_owned(), shared: false }));
    assert_eq!(archive.object(&claim.k0), Some(b"foreign".to_vec()), "nothing is overwritten");
}

#[tokio::test]
async fn one_unreadable_file_keeps_no_other_back() {
    let spool = tempfile::tempdir().expect("spool");
    let depot = Depot::new(spool.path(), "east", "d", &[("a.log", LARGE), ("b.log", OTHER)]);
    std::fs::write(spool.path().join("east-0"), "x").expect("write");
    let mut wanted: Vec<_> = depot
        .files
        .iter()
        .map(|file| PutWanted {
            source: file.source.clone(),
            at: 0,
            own: true,
            claim: file.claim.clone(),
            again: false,
        })
        .collect();
    wanted[0].source = spool.path().join("missing");
    let outcome = put(&memory(), &wanted).await;
    assert_eq!(outcome[0].as_ref().map_err(|e| e.failure), Err(ArchiveFailure::Source));
    assert!(matches!(outcome[1], Ok(Put::Stored { .. })));
}

#[tokio::test]
async fn big_content_goes_straight_to_its_second_place() {
    let spool = tempfile::tempdir().expect("spool");
    let mut depot = Depot::new(spool.path(), "east", "d", &[("a.log", LARGE)]);
    let file = &mut depot.files[0];
    file.claim.big = true;
    let wanted =
        PutWanted { source: file.source.clone(), at: 0, own: true, claim: file.claim.clone(), again: false };
    let location = file.claim.k1.clone();
    assert_eq!(put(&memory(), &[wanted]).await, [Ok(Put::Stored { location, shared: false })]);
}

#[tokio::test]
async fn what_came_to_its_second_place_does_not_come_to_the_first_when_that_is_free_again() {
    let spool = tempfile::tempdir().expect("spool");
    let depot = Depot::new(spool.path(), "east", "d", &[("a.log", LARGE)]);
    let (file, archive) = (&depot.files[0], memory());
    assert!(archive.insert(file.claim.k1.clone(), LARGE.to_vec()));
    let wanted =
        PutWanted { source: file.source.clone(), at: 0, own: true, claim: file.claim.clone(), again: true };
    let put = put(&archive, &[wanted]).await;
    assert!(matches!(&*put, [Ok(Put::Found { location, .. })] if *location == file.claim.k1), "{put:?}");
    assert_eq!(archive.object(&file.claim.k0), None);
}

#[tokio::test]
async fn a_wrong_copy_is_told_from_a_missing_one() {
    let archive = memory();
    archive.insert("P/a".to_owned(), b"wrong".to_vec());
    let want = |key: &str| VerifyWanted { location: key.to_owned(), size: 5, sha256: Digest::of(b"right") };
    let verdicts = verify(&archive, &[want("P/a"), want("P/b")]).await;
    assert!(matches!(verdicts[..], [Ok(Verdict::Corrupt(_)), Ok(Verdict::Missing)]), "{verdicts:?}");
}

#[tokio::test]
async fn a_claim_or_receipt_that_cannot_be_read_stops_nothing_else() {
    let archive = memory();
    let (one, receipt) = sample("a", LARGE, "east");
    let (two, _) = sample("b", OTHER, "east");
    archive.insert(claim_object(&one.logger, &one.key), b"{\"schema\":2}".to_vec());
    let staked = stake(&archive, &[one.clone(), two]).await;
    assert_eq!(staked[0], Err(Unclaimed::Bad(BadRecord::Schema(2))));
    assert!(staked[1].as_ref().is_ok_and(|s| s.new));
    archive.insert(receipt_object(&one.logger, 1), b"junk".to_vec());
    let received = receive(&archive, &one.logger, 1, &[], &[receipt]).await.expect("receive");
    assert_eq!(received.written.iter().map(|r| r.seq).collect::<Vec<_>>(), [2]);
    let found = read_receipts(&archive, &one.logger, 1, 100).await.expect("read");
    assert_eq!((found.receipts.len(), found.next, found.unreadable.len(), found.ended), (1, 3, 1, true));
}

#[tokio::test]
async fn receipts_are_read_in_portions() {
    let archive = memory();
    let (claim, receipt) = sample("a", LARGE, "east");
    for seq in 1..=70 {
        let (batch, _) = Receipt::batch(seq, std::slice::from_ref(&receipt));
        archive.insert(receipt_object(&claim.logger, seq), batch);
    }
    let found = read_receipts(&archive, &claim.logger, 1, 40).await.expect("read");
    assert_eq!((found.receipts.len(), found.next, found.ended), (40, 41, false));
    let found = read_receipts(&archive, &claim.logger, 41, 40).await.expect("read");
    assert_eq!((found.receipts.len(), found.next, found.ended), (30, 71, true));
}

#[tokio::test]
async fn more_receipts_than_one_object_holds_take_several() {
    let archive = memory();
    let (_, receipt) = sample("a", LARGE, "east");
    let path = |n: usize| crate::model::RemotePath::new(format!("{n}").as_bytes()).expect("path");
    let all: Vec<_> = (0..300).map(|n| Receipt { path: path(n), ..receipt.clone() }).collect();
    let first = receive(&archive, &receipt.logger, 1, &[], &all).await.expect("receive");
    assert_eq!((first.written.len(), first.theirs.next, first.done), (256, 2, false));
    let second = receive(&archive, &receipt.logger, 2, &first.written, &all).await.expect("receive");
    assert_eq!((second.written.len(), second.done), (44, true));
    assert!(second.written.iter().all(|r| r.kind == ReceiptKind::Alias && r.of == Some(1)));
}
