//! Rounds with simulated loggers on loopback, a real spool and a real archive folder.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures_util::future::BoxFuture;
use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;

use super::{Round, RunOptions, ServiceError};
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, load};
use crate::control::{self, Request};
use crate::durable::{Disk, DiskFile, Entry, FsKind, Held, Locked, OsDisk, Space, Stat};
use crate::edges::Edges;
use crate::ledger::state::State;
use crate::ledger::{self, FileRow, Ledger, Query};
use crate::link::NetDialer;
use crate::progress::Progress;
use crate::sim::{Content, Effect, Options, Point, SimLogger};

mod dropping;
mod elsewhere;
mod exchanging;
mod groups;
mod keeping;
mod removing;
mod reporting;
mod seeing;

/// A clock that can be set, and waits only a part of what it is told to.
#[derive(Debug)]
struct Shifted {
    clock: SystemClock,
    by: AtomicI64,
    /// Seconds that went by besides, for those who wait.
    lived: AtomicU32,
    /// Seconds that the machine slept.
    slept: AtomicU32,
    faster: AtomicU32,
}

impl Clock for Shifted {
    fn now(&self) -> Timestamp {
        self.clock.now() + SignedDuration::from_secs(self.by.load(Ordering::SeqCst))
    }

    fn mono(&self) -> Duration {
        self.clock.mono() + Duration::from_secs(self.lived.load(Ordering::SeqCst).into())
    }

    fn boot(&self) -> Duration {
        self.mono() + Duration::from_secs(self.slept.load(Ordering::SeqCst).into())
    }

    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()> {
        self.clock.sleep(span / self.faster.load(Ordering::SeqCst))
    }
}

/// A disk on which so many flushes of the spool fail from now on, and one part may hang.
#[derive(Debug, Default)]
struct Failing {
    disk: OsDisk,
    flushes: Arc<AtomicU32>,
    hung: Arc<Hung>,
    refused: Refused,
}

/// What is asked below this part of a path fails with that error number; how often it was.
#[derive(Debug, Default)]
struct Refused {
    part: Mutex<Option<(String, i32)>>,
    times: AtomicU32,
}

impl Refused {
    fn pass(&self, path: &Path) -> io::Result<()> {
        let part = self.part.lock().expect("lock").clone();
        match part.filter(|(part, _)| path.iter().any(|p| p == part.as_str())) {
            Some((_, number)) => {
                self.times.fetch_add(1, Ordering::SeqCst);
                Err(io::Error::from_raw_os_error(number))
            }
            None => Ok(()),
        }
    }

    fn set(&self, part: &str, number: i32) {
        *self.part.lock().expect("lock") = Some((part.to_owned(), number));
    }

    fn nothing(&self) {
        *self.part.lock().expect("lock") = None;
    }
}

/// Nobody comes back who opens or flushes a file with this part in its path, while it is set.
#[derive(Debug, Default)]
struct Hung {
    part: Mutex<Option<&'static str>>,
    waiting: AtomicU32,
    /// What was opened or flushed, in order.
    passed: Mutex<Vec<PathBuf>>,
}

impl Hung {
    fn pass(&self, path: &Path) {
        self.passed.lock().expect("lock").push(path.to_owned());
        let hangs = || {
            let part = *self.part.lock().expect("lock");
            part.is_some_and(|part| path.iter().any(|p| p == part))
        };
        if hangs() {
            self.waiting.fetch_add(1, Ordering::SeqCst);
        }
        while hangs() {
            std::thread::park_timeout(Duration::from_millis(5));
        }
    }

    fn set(&self, part: Option<&'static str>) {
        *self.part.lock().expect("lock") = part;
    }

    /// Until somebody hangs there.
    async fn someone(&self) {
        while self.waiting.load(Ordering::SeqCst) == 0 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
}

fn trip(left: &AtomicU32) -> io::Result<()> {
    match left.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1)) {
        Ok(_) => Err(io::Error::from_raw_os_error(5)),
        Err(_) => Ok(()),
    }
}

#[derive(Debug)]
struct FailingFile(Box<dyn DiskFile>, Arc<AtomicU32>, PathBuf, Arc<Hung>);

impl DiskFile for FailingFile {
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        self.0.read_at(buffer, offset)
    }
    fn write_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.0.write_at(bytes, offset)
    }
    fn set_len(&self, len: u64) -> io::Result<()> {
        self.0.set_len(len)
    }
    fn flush(&self) -> io::Result<()> {
        self.3.pass(&self.2);
        trip(&self.1).and_then(|()| self.0.flush())
    }
    fn write_out(&self, offset: u64, len: u64) {
        self.0.write_out(offset, len);
    }
    fn drop_cache(&self) {
        self.0.drop_cache();
    }
    fn len(&self) -> io::Result<u64> {
        self.0.len()
    }
}

impl Failing {
    fn file(&self, path: &Path, file: Box<dyn DiskFile>) -> Box<dyn DiskFile> {
        let spool = path.iter().any(|part| part == "spool");
        if !spool {
            return file;
        }
        Box::new(FailingFile(file, self.flushes.clone(), path.to_owned(), self.hung.clone()))
    }
}

impl Disk for Failing {
    fn create_new(&self, path: &Path, mode: u32) -> io::Result<Box<dyn DiskFile>> {
        Ok(self.file(path, self.disk.create_new(path, mode)?))
    }
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(self.file(path, self.disk.open_write(path)?))
    }
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.hung.pass(path);
        self.refused.pass(path)?;
        Ok(self.file(path, self.disk.open_read(path)?))
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.refused.pass(to)?;
        self.disk.rename(from, to)
    }
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.refused.pass(to)?;
        self.disk.rename_new(from, to)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.refused.pass(to)?;
        self.disk.link(from, to)
    }
    fn reflink(&self, from: &dyn DiskFile, to: &dyn DiskFile) -> io::Result<()> {
        self.disk.reflink(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.disk.remove(path)
    }
    fn create_dir(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.disk.create_dir(path, mode)
    }
    fn flush_dir(&self, path: &Path) -> io::Result<()> {
        self.hung.passed.lock().expect("lock").push(path.to_owned());
        self.disk.flush_dir(path)
    }
    fn flush_files(&self, files: &[&dyn DiskFile]) -> io::Result<()> {
        files.iter().try_for_each(|f| f.flush())
    }
    fn read_dir(&self, path: &Path, limit: usize) -> io::Result<Vec<Entry>> {
        self.disk.read_dir(path, limit)
    }
    fn stat(&self, path: &Path) -> io::Result<Option<Stat>> {
        self.disk.stat(path)
    }
    fn space(&self, path: &Path) -> io::Result<Space> {
        self.disk.space(path)
    }
    fn fs_kind(&self, path: &Path) -> io::Result<FsKind> {
        self.disk.fs_kind(path)
    }
    fn set_mode(&self, path: &Path, mode: u32) -> io::Result<()> {
        self.disk.set_mode(path, mode)
    }
    fn lock(&self, path: &Path, line: &str) -> io::Result<Result<Box<dyn Locked>, String>> {
        self.disk.lock(path, line)
    }
    fn hold(&self, path: &Path) -> io::Result<Held> {
        self.disk.hold(path)
    }
}

/// One logger, one archive, and what a depot keeps.
struct Depot {
    dir: TempDir,
    logger: SimLogger,
    /// Further lines of the kind.
    kind: &'static str,
    /// Further lines of the logger.
    more: &'static str,
    /// The archives' names.
    archives: Vec<&'static str>,
    /// Under which id the list has the logger.
    listed: &'static str,
    /// Further loggers, each of a vehicle of its own.
    others: Vec<SimLogger>,
    /// `spool_limit`.
    limit: &'static str,
    clock: Arc<Shifted>,
    disk: Arc<Failing>,
}

impl Depot {
    async fn new(kind: &'static str) -> Self {
        Self::with(Options::http(), kind).await
    }

    async fn with(options: Options, kind: &'static str) -> Self {
        let dir = tempfile::tempdir().expect("dir");
        std::fs::create_dir(dir.path().join("state")).expect("state");
        let logger = SimLogger::start(options).await.expect("logger");
        let clock = Arc::new(Shifted {
            clock: SystemClock::new(),
            by: AtomicI64::new(0),
            lived: AtomicU32::new(0),
            slept: AtomicU32::new(0),
            faster: AtomicU32::new(1),
        });
        let archives = vec!["central"];
        let (others, limit) = (Vec::new(), "200 GB");
        Self {
            dir,
            logger,
            kind,
            more: "",
            archives,
            listed: "L-0101",
            others,
            limit,
            clock,
            disk: Arc::default(),
        }
    }

    /// Puts a closed file on the card, changed at that second of the year 2025.
    fn add(&self, path: &str, content: Content, second: i64) {
        self.logger.card().add(path, content, at(second));
    }

    fn config(&self) -> Config {
        let dir = self.dir.path();
        let mut depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\nworks = \"Mon-Sun\"\nstate_dir = {:?}\nspool_reserve = \"1 kB\"\n\
             spool_limit = \"{}\"\n\
             [poll]\nidle_timeout = \"2s\"\n",
            dir.join("state"),
            self.limit
        );
        for name in &self.archives {
            let root = dir.join(name);
            if !root.exists() {
                std::fs::create_dir(&root).expect("archive");
            }
            depot += &format!("[[archive]]\nname = \"{name}\"\nurl = \"file://{}\"\n", root.display());
        }
        let vehicles = format!(
            "[kind.wifi]\nopen_file = \"none\"\n{}\n[[vehicle]]\nid = \"PLOW-01\"\n\
             [[logger]]\nid = \"{}\"\nvehicle = \"PLOW-01\"\nkind = \"wifi\"\nurl = \"{}\"\n{}\n",
            self.kind,
            self.listed,
            self.logger.url(),
            self.more
        );
        let other = |(n, logger): (usize, &SimLogger)| {
            format!(
                "[[vehicle]]\nid = \"SWEEP-0{n}\"\n[[logger]]\nid = \"L-030{n}\"\nvehicle = \"SWEEP-0{n}\"\nkind = \"wifi\"\nurl = \"{}\"\n",
                logger.url()
            )
        };
        let vehicles = vehicles + &self.others.iter().enumerate().map(other).collect::<String>();
        let vehicles = if self.kind.contains("open_file") {
            vehicles.replace("open_file = \"none\"\n", "")
        } else {
            vehicles
        };
        std::fs::write(dir.join("yarder.toml"), depot).expect("written");
        std::fs::write(dir.join("vehicles.toml"), vehicles).expect("written");
        load(&dir.join("yarder.toml")).map_err(|e| e.to_string()).expect("configuration").config
    }

    fn edges(&self) -> Edges {
        Edges { clock: self.clock.clone(), disk: self.disk.clone(), ..Edges::real() }
    }

    /// Time passes, or the clock is set back.
    fn pass(&self, seconds: i64) {
        self.clock.by.fetch_add(seconds, Ordering::SeqCst);
    }

    /// The bytes of every data file in an archive, by path below it.
    fn stored(&self, archive: &str) -> Vec<Vec<u8>> {
        let rows = self.ledger().copies(archive, "", 1000).expect("copies");
        rows.iter()
            .map(|(at, ..)| std::fs::read(self.dir.path().join(archive).join(at)).expect("stored"))
            .collect()
    }

    fn findings(&self) -> Vec<String> {
        let rows = self.ledger().findings(i64::MAX).expect("findings");
        rows.into_iter().map(|f| f.code).filter(|code| code != "archive-first-use").collect()
    }

    async fn try_once(&self) -> Result<Round, ServiceError> {
        let edges = self.edges();
        let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
        super::once(edges, dialer, Progress::default(), self.config(), CancellationToken::new()).await
    }

    async fn once(&self) -> Round {
        self.try_once().await.expect("the round ends well")
    }

    /// The service; the token ends it. It goes ten times as fast.
    fn run(&self) -> (CancellationToken, tokio::task::JoinHandle<Result<(), ServiceError>>) {
        self.config();
        self.clock.faster.store(10, Ordering::SeqCst);
        let (edges, path, until) =
            (self.edges(), self.dir.path().join("yarder.toml"), CancellationToken::new());
        let options = RunOptions {
            dialer: Arc::new(NetDialer::new(edges.clock.clone())),
            loaded: load(&path).map_err(|e| e.to_string()).expect("configuration"),
            edges,
            path,
            broken: None,
            last_good: None,
            progress: Progress::default(),
            until: until.clone(),
            socket: None,
        };
        (until, tokio::spawn(super::run(options)))
    }

    /// Until all files are in that state.
    async fn until(&self, state: State, files: usize) {
        loop {
            if let Ok(query) = ledger::read(&self.dir.path().join("state")) {
                let mut found = 0;
                query
                    .files(None, Some(state), |_| {
                        found += 1;
                        true
                    })
                    .expect("files");
                if found == files {
                    return;
                }
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    fn ledger(&self) -> Query {
        ledger::read(&self.dir.path().join("state")).expect("ledger")
    }

    fn files(&self) -> Vec<FileRow> {
        let mut all = Vec::new();
        self.ledger()
            .files(None, None, |row| {
                all.push(row);
                true
            })
            .expect("files");
        all
    }

    /// Path, state and size of every version, as text.
    fn states(&self) -> Vec<String> {
        self.files().iter().map(|f| format!("{} {} {}", f.path, f.state, f.size.unwrap_or(0))).collect()
    }
}

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(1_750_000_000 + second).expect("time")
}

#[tokio::test]
async fn old_stock_that_stays_where_it_is_ends_nothing_and_is_wanted_once_it_grows() {
    let depot = Depot::new("open_file = \"newest\"\nsettle = \"1s\"\nbacklog = \"none\"").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log skipped 5000", "00002.log skipped 5000"]);
    depot.logger.card().grow("00002.log", 1000, at(60));
    depot.once().await;
    let grown = depot.files().into_iter().find(|f| f.path.as_bytes() == b"00002.log").expect("known");
    assert_ne!(grown.state, State::Skipped, "what is recorded from now on is wanted");
}

#[tokio::test]
async fn a_file_that_was_lost_with_a_partial_and_comes_back_goes_on() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 300_000), 1);
    depot.add("00002.log", Content::noise(2, 300), 2);
    depot.logger.faults().always(Point::file("00001.log", 200_000), Effect::Fin);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log fetching 300000", "00002.log archived 300"]);
    let gone = depot.logger.card().file("00001.log").cloned().expect("there");
    depot.logger.card().remove("00001.log");
    depot.once().await;
    depot.pass(601);
    depot.once().await;
    assert_eq!(depot.states()[0], "00001.log lost 300000");
    depot.logger.card().add("00001.log", gone.content, at(1));
    depot.once().await;
    depot.logger.faults().clear_incidents();
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 300000", "00002.log archived 300"]);
}

#[tokio::test]
async fn a_file_rewritten_in_place_between_two_transfers_is_not_spliced() {
    let depot = Depot::with(Options::ftp(), "").await;
    let mut bytes = vec![0; 300_000];
    depot.add("00001.log", Content::bytes(bytes.clone()), 1);
    depot.logger.faults().always(Point::file("00001.log", 200_000), Effect::Fin);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log fetching 300000"]);
    depot.logger.faults().clear_incidents();
    bytes[1000] = 1;
    depot.logger.card().overwrite("00001.log", Content::bytes(bytes.clone()), at(9));
    depot.once().await;
    assert!(depot.stored("central") == [bytes], "the overlap alone would not have shown it");
}

#[tokio::test]
async fn a_failed_flush_is_a_finding_and_the_bytes_are_fetched_again_from_the_last_mark() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 300_000), 1);
    depot.add("00002.log", Content::noise(2, 300_000), 2);
    depot.once().await;
    depot.add("00003.log", Content::noise(3, 300_000), 3);
    depot.logger.faults().once(Point::file("00003.log", 100_000), Effect::Fin);
    // The flush of the cut, and the group's own.
    depot.disk.flushes.store(2, Ordering::SeqCst);
    depot.once().await;
    assert_eq!(depot.findings(), ["spool-failed"]);
    depot.disk.flushes.store(0, Ordering::SeqCst);
    let edges = depot.edges();
    let spool = crate::spool::Spool::open(edges.clone(), &depot.dir.path().join("state"), 1 << 30, 0)
        .await
        .expect("spool");
    let ledger = Ledger::open(&edges, &depot.dir.path().join("state")).expect("ledger");
    spool.recover(&ledger, false).await.expect("recovered");
    drop(ledger);
    depot.once().await;
    assert_eq!(depot.states()[2], "00003.log archived 300000");
    assert!(depot.findings().is_empty(), "it is over once a file becomes whole");
}

#[tokio::test]
async fn a_first_listing_of_a_new_card_that_was_cut_short_fetches_nothing_twice() {
    let depot = Depot::new("").await;
    for n in 1..4 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 300_000), n as i64);
    }
    depot.once().await;
    let before = depot.logger.counters().bytes();
    let ledger = Ledger::open(&depot.edges(), &depot.dir.path().join("state")).expect("ledger");
    let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
    ledger.new_card(&row, "numbers fell back").await.expect("card");
    drop(ledger);
    depot.once().await;
    let read = depot.logger.counters().bytes() - before;
    assert!(read <= 3 * 2 * 65_536 * 2, "{read} bytes");
    assert!(depot.files().iter().all(|f| f.state == State::Archived));
    assert_eq!(depot.stored("central").len(), 3);
}

#[tokio::test]
async fn a_whole_file_that_the_spool_cannot_give_holds_up_no_other() {
    let mut depot = Depot::new("").await;
    depot.archives = vec!["central"];
    std::fs::write(depot.dir.path().join("central"), "not mounted").expect("in the way");
    depot.add("00001.log", Content::noise(1, 50_000), 1);
    depot.once().await;
    let lost = depot.files()[0].spool.clone().expect("in the spool");
    depot.disk.remove(&depot.dir.path().join(format!("state/spool/{lost}.log"))).expect("removed");
    depot.disk.remove(&depot.dir.path().join("central")).expect("out of the way");
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let round = depot.once().await;
    assert_eq!(depot.states(), ["00001.log whole 50000", "00002.log archived 5000"]);
    assert!(round.away.is_empty(), "the archive is not to blame: {:?}", round.away);
    assert!(depot.findings().iter().all(|code| code == "spool-failed"), "{:?}", depot.findings());
}

#[tokio::test]
async fn a_copy_that_went_before_its_receipt_is_stored_again() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.once().await;
    // As a kill between the data and its receipt leaves it, and the data went meanwhile.
    let copies = depot.ledger().copies("central", "", 10).expect("copies");
    let root = depot.dir.path().join("central");
    let stored = root.join(&copies[0].0);
    let bytes = std::fs::read(&stored).expect("stored");
    depot.disk.remove(&stored).expect("removed");
    depot.disk.remove(&root.join(".yarder/receipts/L-0101/000000000001")).expect("no receipt");
    let state = depot.dir.path().join("state");
    std::fs::write(state.join("spool/again.log"), &bytes).expect("in the spool");
    let db = rusqlite::Connection::open(state.join(ledger::FILE)).expect("ledger");
    db.execute_batch(
        "DELETE FROM receipts; UPDATE obligations SET state = 'stored';
         UPDATE versions SET state = 'whole', spool = 'again'",
    )
    .expect("set back");
    drop(db);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 5000"]);
    assert!(depot.stored("central") == [bytes]);
}

#[tokio::test]
async fn a_file_written_on_within_its_fixed_size_is_fetched_again_where_its_end_cannot_be_read() {
    let depot = Depot::new("").await;
    depot.logger.faults().ignore_ranges = true;
    let mut bytes = vec![7; 9_000_000];
    depot.add("00001.log", Content::bytes(bytes.clone()), 1);
    depot.once().await;
    bytes[8_990_000] = 1;
    depot.logger.card().overwrite("00001.log", Content::bytes(bytes.clone()), at(90));
    depot.once().await;
    assert!(depot.stored("central").contains(&bytes), "{:?}", depot.states());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_share_that_hangs_is_no_failed_end_and_its_work_goes_on_at_the_next_start() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    depot.disk.hung.set(Some("archive.json"));
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.until(State::Whole, 1).await;
    // A call that has only just begun: its own deadline is later than the drain's.
    depot.disk.hung.waiting.store(0, Ordering::SeqCst);
    depot.disk.hung.someone().await;
    until.cancel();
    service.await.expect("joined").expect("nothing is undone that the ledger does not know");
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log whole 5000"]);
    depot.disk.hung.set(None);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log archived 5000"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_flushed_before_the_end_is_a_failed_end() {
    let depot = Depot::new("").await;
    depot.disk.hung.set(Some("spool"));
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.disk.hung.someone().await;
    until.cancel();
    let end = service.await.expect("joined");
    depot.disk.hung.set(None);
    assert!(matches!(end, Err(ServiceError::Drain(_))), "{end:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_command_that_hangs_keeps_neither_status_nor_another_nor_the_end_waiting() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    let ask = |request: Request| {
        let state = depot.dir.path().join("state");
        tokio::task::spawn_blocking(move || control::ask(&state, &request))
    };
    depot.disk.hung.set(Some("archive.json"));
    let adopt = ask(Request::Adopt { archive: "central".into() });
    depot.disk.hung.someone().await;
    for request in [Request::Status, Request::Reload { accept: false }] {
        let answer = ask(request.clone()).await.expect("joined").expect("asked").expect("runs");
        assert!(answer.ok, "{request:?}: {answer:?}");
    }
    let none = ask(Request::Drop { id: 99, reason: "test".into() }).await.expect("joined").expect("asked");
    assert!(none.expect("runs").text.contains("No file number 99"));
    until.cancel();
    let told = adopt.await.expect("joined").expect("asked").expect("runs");
    assert!(!told.ok && told.text.contains("Ask again"), "{told:?}");
    service.await.expect("joined").expect("ends in order");
    depot.disk.hung.set(None);
}

const EACCES: i32 = 13;
const EIO: i32 = 5;

/// A part of the path at which the archive fails, which of two files that holds up, and how.
async fn refuses(part: &str, number: i32, held_up: &[&str]) {
    let depot = Depot::new("").await;
    depot.disk.refused.set(part, number);
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let round = depot.once().await;
    assert!(round.away.is_empty(), "{part}: the archive is not away: {:?}", round.away);
    for row in depot.files() {
        let held_up = held_up.contains(&row.path.to_string().as_str());
        let wanted = if held_up { State::Whole } else { State::Archived };
        assert_eq!(row.state, wanted, "{part}: {}", row.path);
    }
    let findings = depot.ledger().findings(i64::MAX).expect("findings");
    let told: Vec<_> = findings.iter().filter(|f| f.code == "not-archived").collect();
    assert_eq!(told.len(), held_up.len().max(1), "{part}: {findings:?}");
    for (finding, file) in told.iter().zip(held_up) {
        assert!(finding.cause.contains(file) && finding.cause.contains("central"), "{finding:?}");
    }
    depot.disk.refused.nothing();
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log archived 5000"], "{part}");
    assert!(depot.findings().is_empty(), "{part}: {:?}", depot.findings());
}

/// The name of the claim on such a file's content.
fn claim_on(seed: u64, len: u64) -> String {
    Content::noise(seed, len).sha256().hex()
}

#[tokio::test]
async fn a_file_that_the_archive_refuses_or_fails_at_holds_up_itself_alone() {
    for number in [EACCES, EIO] {
        refuses("00001.log", number, &["00001.log"]).await;
        refuses(&claim_on(1, 5000), number, &["00001.log"]).await;
        refuses("manifest-sha256.txt", number, &[]).await;
    }
}

#[tokio::test]
async fn a_logger_whose_receipts_cannot_be_had_is_no_archive_that_is_away() {
    // There is one logger here: its files wait, and the archive is not said to be away.
    refuses("receipts", EIO, &["00001.log", "00002.log"]).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_share_that_fails_as_a_whole_is_away_and_no_file_is_blamed() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    depot.disk.refused.set(".yarder", EIO);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    while !depot.findings().contains(&"archive-away".to_owned()) {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    depot.until(State::Whole, 1).await;
    assert_eq!(depot.findings(), ["archive-away"]);
    depot.disk.refused.nothing();
    depot.until(State::Archived, 2).await;
    assert!(depot.findings().is_empty(), "{:?}", depot.findings());
    until.cancel();
    service.await.expect("joined").expect("ends in order");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_file_is_not_tried_with_every_other_one() {
    let depot = Depot::new("").await;
    depot.disk.refused.set("00001.log", EACCES);
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    let tried = depot.disk.refused.times.load(Ordering::SeqCst);
    for n in 3..5 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 5000), n as i64);
        depot.until(State::Archived, n as usize - 1).await;
    }
    assert_eq!(depot.disk.refused.times.load(Ordering::SeqCst), tried);
    // Its time comes.
    depot.pass(61);
    depot.disk.refused.nothing();
    depot.until(State::Archived, 4).await;
    until.cancel();
    service.await.expect("joined").expect("ends in order");
}

#[tokio::test]
async fn an_archive_that_cannot_be_used_has_one_reason_at_a_time() {
    let depot = Depot::new("").await;
    depot.once().await;
    let central = depot.dir.path().join("central");
    let own = std::fs::read_to_string(central.join(".yarder/archive.json")).expect("identity");
    let at = own.find("\"id\":\"").expect("an id") + 6;
    let other = format!("{}f00d{}", &own[..at], &own[at + 4..]);
    std::fs::write(central.join(".yarder/archive.json"), other).expect("exchanged");
    depot.once().await;
    assert_eq!(depot.findings(), ["archive-other"]);
    depot.disk.rename(&central, &depot.dir.path().join("elsewhere")).expect("moved");
    std::fs::write(&central, "in the way").expect("written");
    depot.once().await;
    assert_eq!(depot.findings(), ["archive-away"]);
}
