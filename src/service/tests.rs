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

mod auditing;
mod batches;
mod dropping;
mod elsewhere;
mod exchanging;
mod fetching;
mod groups;
mod keeping;
mod refusing;
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
            .map(|copy| std::fs::read(self.dir.path().join(archive).join(&copy.location)).expect("stored"))
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
