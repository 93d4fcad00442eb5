//! A depot on temporary folders, the command as a process, and what lies in ledger and archive.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures_util::future::BoxFuture;
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;
use yarder::clock::{Clock, SystemClock};
use yarder::edges::Edges;
use yarder::forward::records::Receipt;
use yarder::ledger::{FileRow, FindingRow, Query};
use yarder::link::NetDialer;
use yarder::model::{Day, Digest, LoggerId};
use yarder::progress::Progress;
use yarder::report::{Facts, Report};
use yarder::service::Round;
use yarder::sim::{Content, Options, SimLogger};

/// Random numbers of one test, whose seed is printed and can be given.
pub fn dice(test: &str) -> fastrand::Rng {
    let given = std::env::var("YARDER_TEST_SEED").ok().and_then(|seed| seed.parse().ok());
    let seed = given.unwrap_or_else(|| fastrand::u64(..));
    println!("{test}: YARDER_TEST_SEED={seed}");
    fastrand::Rng::with_seed(seed)
}

/// Bytes without pattern, at hand: cheap to send.
pub fn content(dice: &mut fastrand::Rng, len: usize) -> Content {
    let mut bytes = vec![0; len];
    dice.fill(&mut bytes);
    Content::bytes(bytes)
}

/// The moment at which the `n`-th file of a card was last changed.
pub fn recorded(n: i64) -> Timestamp {
    let start: Timestamp = "2026-11-20T06:00:00Z".parse().expect("moment");
    start + SignedDuration::from_mins(n)
}

/// A logger with these files, recorded one after the other.
pub async fn logger(options: Options, files: &[(&str, Content)]) -> SimLogger {
    let logger = SimLogger::start(options).await.expect("loopback");
    for (n, (name, content)) in files.iter().enumerate() {
        logger.card().add(name, content.clone(), recorded(n as i64));
    }
    logger
}

/// Looks until there is something to see, a minute at most.
pub fn eventually<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    for _ in 0..1200 {
        if let Some(seen) = look() {
            return seen;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("it never came: {what}");
}

/// Goes on from a moment of its own at the machine's pace, and can be set forward.
#[derive(Debug)]
pub struct TestClock {
    inner: SystemClock,
    start: Timestamp,
    ahead: Mutex<SignedDuration>,
    /// So many times the machine's pace.
    pace: u32,
}

impl TestClock {
    /// In the evening, with the whole day of the depot before it.
    pub fn new() -> Arc<Self> {
        Self::fast(1)
    }

    /// One that goes so many times faster than the machine's.
    pub fn fast(pace: u32) -> Arc<Self> {
        let start = "2026-11-24T13:00:00Z".parse().expect("moment");
        Arc::new(Self { inner: SystemClock::new(), start, ahead: Mutex::default(), pace })
    }

    /// So many minutes pass at once.
    pub fn pass(&self, minutes: i64) {
        *self.ahead.lock().expect("clock") += SignedDuration::from_mins(minutes);
    }
}

impl Clock for TestClock {
    fn now(&self) -> Timestamp {
        let since = SignedDuration::try_from(self.mono()).expect("short");
        self.start + since + *self.ahead.lock().expect("clock")
    }

    fn mono(&self) -> Duration {
        self.inner.mono() * self.pace
    }

    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()> {
        self.inner.sleep(span / self.pace)
    }
}

/// One file in the archive.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stored {
    pub location: String,
    pub sha256: String,
    pub len: u64,
}

/// A depot with one archive; its loggers are vehicles of their own.
pub struct Depot {
    dir: TempDir,
    pub archive: PathBuf,
    _archive: Option<TempDir>,
    kind: BTreeMap<String, String>,
    poll: &'static str,
    serial: Option<&'static str>,
}

impl Depot {
    /// Its archive lies on the file system of its state folder.
    pub fn new() -> Self {
        let dir = TempDir::with_prefix("yarder-faults-").expect("folder");
        let archive = dir.path().join("archive");
        fs::create_dir(&archive).expect("folder");
        Self { dir, archive, _archive: None, kind: settings(), poll: "", serial: None }
    }

    /// Its archive lies on another file system, so that files are copied there.
    pub fn with_archive_elsewhere() -> Self {
        let elsewhere = TempDir::with_prefix_in("yarder-faults-", "/dev/shm").expect("a memory disk");
        let depot = Self::new();
        fs::remove_dir(&depot.archive).expect("folder");
        Self { archive: elsewhere.path().to_owned(), _archive: Some(elsewhere), ..depot }
    }

    /// Sets a key of the loggers' kind, as TOML.
    pub fn kind(mut self, key: &str, value: &str) -> Self {
        self.kind.insert(key.to_owned(), value.to_owned());
        self
    }

    /// Sets a key of `[poll]`, as TOML.
    pub fn poll(self, poll: &'static str) -> Self {
        Self { poll, ..self }
    }

    /// The serial number that its loggers ought to tell.
    pub fn serial(self, serial: &'static str) -> Self {
        Self { serial: Some(serial), ..self }
    }

    /// Its folder.
    pub fn path(&self) -> &Path {
        self.dir.path()
    }

    pub fn state_dir(&self) -> PathBuf {
        self.path().join("state")
    }

    pub fn config(&self) -> PathBuf {
        self.path().join("yarder.toml")
    }

    /// Writes both files, for these loggers (id and address).
    pub fn write(&self, loggers: &[(&str, String)]) {
        let depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\nworks = \"Mon-Sun\"\nstate_dir = \"{}\"\n\
             vehicles = \"vehicles.toml\"\nspool_reserve = \"10 MB\"\n\n\
             [poll]\nevery = \"200ms\"\nlist_every = \"200ms\"\n{}\n\n\
             [[archive]]\nname = \"central\"\nurl = \"file://{}\"\n",
            self.state_dir().display(),
            self.poll,
            self.archive.display()
        );
        fs::write(self.config(), depot).expect("yarder.toml");
        fs::write(self.path().join("vehicles.toml"), self.vehicles(loggers)).expect("vehicles.toml");
    }

    /// The text of `vehicles.toml` for these loggers.
    pub fn vehicles(&self, loggers: &[(&str, String)]) -> String {
        let mut text = "[kind.sim]\n".to_owned();
        for (key, value) in &self.kind {
            text += &format!("{key} = {value}\n");
        }
        for (id, url) in loggers {
            text += &format!(
                "\n[[vehicle]]\nid = \"PLOW-{id}\"\n\n[[logger]]\nid = \"L-{id}\"\nvehicle = \"PLOW-{id}\"\nkind = \"sim\"\nurl = \"{url}\"\n"
            );
            if let Some(serial) = self.serial {
                text += &format!("serial = \"{serial}\"\nserial_from = \"{}\"\n", yarder::sim::DEVICE);
            }
        }
        text
    }

    /// The command with this depot's configuration.
    pub fn yarder(&self, args: &[&str]) -> Command {
        self.yarder_of(&self.config(), args)
    }

    /// The command with another configuration.
    pub fn yarder_of(&self, config: &Path, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_yarder"));
        command.arg("--config").arg(config).args(args);
        command.env_remove("YARDER_CONFIG").env_remove("YARDER_LOG").env_remove("YARDER_KILL_AT");
        command.env("LC_ALL", "C.UTF-8").env("STATE_DIRECTORY", self.state_dir());
        command
    }

    /// One round of the binary; its report.
    pub fn once(&self) -> Value {
        let output = self.yarder(&["once", "--json"]).output().expect("start");
        assert!(
            matches!(output.status.code(), Some(0 | 3)),
            "once: {} {}",
            output.status,
            String::from_utf8_lossy(&output.stderr)
        );
        json(&output)
    }

    /// One round in process under that clock.
    pub async fn round(&self, clock: &Arc<TestClock>) -> Round {
        let edges = Edges { clock: clock.clone(), ..Edges::real() };
        let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
        let config = yarder::config::load(&self.config()).expect("configuration").config;
        let stop = CancellationToken::new();
        yarder::service::once(edges, dialer, Progress::default(), config, stop).await.expect("round")
    }

    /// The report of the running day at that clock.
    pub fn report(&self, clock: &TestClock) -> Report {
        let config = yarder::config::load(&self.config()).expect("configuration").config;
        let now = clock.now();
        let day = Day::at(now, config.depot.day_starts, &config.depot.time_zone).expect("day");
        let facts = Facts::read(&self.ledger(), &config, &day, now).expect("facts");
        yarder::report::build(&config, &facts, &day, now)
    }

    pub fn ledger(&self) -> Query {
        yarder::ledger::read(&self.state_dir()).expect("ledger")
    }

    /// Every version that the ledger has.
    pub fn files(&self) -> Vec<FileRow> {
        let mut all = Vec::new();
        // A service that has just been started has made none yet.
        let Ok(ledger) = yarder::ledger::read(&self.state_dir()) else { return all };
        let each = |row| {
            all.push(row);
            true
        };
        ledger.files(None, None, each).expect("files");
        all
    }

    /// How many versions are in each state.
    pub fn states(&self) -> BTreeMap<&'static str, usize> {
        let mut states = BTreeMap::new();
        for row in self.files() {
            *states.entry(row.state.as_str()).or_default() += 1;
        }
        states
    }

    /// How many versions are archived.
    pub fn archived(&self) -> usize {
        self.states().get("archived").copied().unwrap_or(0)
    }

    /// How many wait in the spool.
    pub fn whole(&self) -> usize {
        self.states().get("whole").copied().unwrap_or(0)
    }

    /// The findings of that code that are there.
    pub fn findings(&self, code: &str) -> Vec<FindingRow> {
        let all = self.ledger().findings(i64::MAX).expect("findings");
        all.into_iter().filter(|finding| finding.code == code).collect()
    }

    /// Log files in the archive, by location.
    pub fn stored(&self) -> Vec<Stored> {
        let mut all = Vec::new();
        walk(&self.archive, &mut |path| {
            let location =
                path.strip_prefix(&self.archive).expect("below").to_str().expect("text").to_owned();
            if !location.starts_with(".yarder") && path.file_name().is_some_and(|n| n != MANIFEST) {
                let (sha256, len) = hash(path);
                all.push(Stored { location, sha256, len });
            }
        });
        all.sort();
        all
    }

    /// Their hashes, sorted.
    pub fn hashes(&self) -> Vec<String> {
        let mut all: Vec<_> = self.stored().into_iter().map(|s| s.sha256).collect();
        all.sort();
        all
    }

    /// Files in the spool, by name.
    pub fn spool(&self) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.state_dir().join("spool")) else { return Vec::new() };
        entries.map(|e| e.expect("entry").file_name().to_string_lossy().into_owned()).collect()
    }

    /// All receipts of a logger, in their order.
    pub fn receipts(&self, logger: &str) -> Vec<Receipt> {
        let dir = self.archive.join(".yarder/receipts").join(logger);
        let count = fs::read_dir(&dir).expect("receipts").count();
        let logger = LoggerId::new(logger).expect("id");
        let mut all = Vec::new();
        for seq in 1..=count {
            let bytes = fs::read(dir.join(format!("{seq:012}"))).expect("numbers without holes");
            all.extend(Receipt::parse_batch(&bytes, &logger, seq as u64).expect("receipts"));
        }
        all
    }

    /// Exactly these contents are archived, each once, and everything that tells of them agrees.
    pub fn assert_archived(&self, logger: &str, contents: &[Content]) {
        let mut wanted: Vec<_> = contents.iter().map(|c| c.sha256().hex()).collect();
        wanted.sort();
        assert_eq!(self.hashes(), wanted, "{:?}", self.stored());
        let told: Vec<_> = self.receipts(logger).iter().map(|r| r.sha256.hex()).collect();
        let once: BTreeSet<_> = told.iter().cloned().collect();
        assert_eq!((once.len(), once.into_iter().collect::<Vec<_>>()), (told.len(), wanted), "receipts");
        assert_eq!(self.manifests(), contents.len(), "files named by manifests");
        let ahead = self.states().get("fetching").copied().unwrap_or(0);
        assert_eq!(self.spool().len(), ahead, "the spool: {:?}", self.spool());
        let left = fs::read_dir(self.archive.join(".yarder/tmp")).map_or(0, Iterator::count);
        assert_eq!(left, 0, "temporary files in the archive");
        let audit = self.yarder(&["audit"]).output().expect("start");
        assert_eq!(audit.status.code(), Some(0), "audit: {}", String::from_utf8_lossy(&audit.stdout));
    }

    /// Lets `sha256sum` check every manifest; gives how many files they name.
    fn manifests(&self) -> usize {
        let mut named = 0;
        walk(&self.archive, &mut |path| {
            if path.file_name().is_some_and(|name| name == MANIFEST) {
                let folder = path.parent().expect("folder");
                let mut check = Command::new("sha256sum");
                let output = check.args(["--strict", "-c", MANIFEST]).current_dir(folder).output();
                let output = output.expect("sha256sum");
                assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
                named += fs::read_to_string(path).expect("manifest").lines().count();
            }
        });
        named
    }
}

const MANIFEST: &str = "manifest-sha256.txt";

fn settings() -> BTreeMap<String, String> {
    let plain = [
        ("open_file", "\"none\""),
        ("settle", "\"0s\""),
        ("closed_after", "\"0s\""),
        ("backlog", "\"all\""),
        ("quiet_when_done", "\"200ms\""),
    ];
    plain.map(|(key, value)| (key.to_owned(), value.to_owned())).into()
}

/// What a command printed, as JSON.
pub fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("JSON")
}

/// Calls for every file below a folder.
pub fn walk(dir: &Path, each: &mut impl FnMut(&Path)) {
    for entry in fs::read_dir(dir).expect("folder") {
        let path = entry.expect("entry").path();
        if path.is_dir() { walk(&path, each) } else { each(&path) }
    }
}

fn hash(path: &Path) -> (String, u64) {
    let mut file = fs::File::open(path).expect("file");
    let (mut hash, mut len, mut buffer) = (Sha256::new(), 0, vec![0; 1 << 20]);
    loop {
        match file.read(&mut buffer).expect("read") {
            0 => return (Digest(hash.finalize().into()).hex(), len),
            read => {
                hash.update(&buffer[..read]);
                len += read as u64;
            }
        }
    }
}

/// A process that is killed when the test ends before it does.
pub struct Running(Option<Child>);

impl Running {
    /// Starts a command; what it says goes to that file.
    pub fn start(mut command: Command, log: &Path) -> Self {
        let said = fs::File::create(log).expect("log");
        let child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(said).spawn().expect("start");
        Self(Some(child))
    }

    pub fn pid(&self) -> u32 {
        self.0.as_ref().expect("runs").id()
    }

    /// Asks it to end, and gives its exit code.
    pub fn terminate(mut self) -> Option<i32> {
        let mut child = self.0.take().expect("runs");
        let pid = rustix::process::Pid::from_child(&child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("signal");
        child.wait().expect("end").code()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(mut child) = self.0.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
