//! One run: a depot is drawn from a seed, and things happen to it until everything is well again.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::SignedDuration;
use tokio_util::sync::CancellationToken;
use yarder::clock::Clock as _;
use yarder::config::{Checked, Loaded, Pair, RealEnv, check};
use yarder::edges::{Edges, Inline, Random};
use yarder::network::Network;
use yarder::progress::Progress;
use yarder::service::{self, RunOptions, ServiceError};

use crate::clock::Virtual;
use crate::disk::{Faults, Memory, Part};
use crate::log::Log;
use crate::loggers::{Air, Deed, Manner, Ranges, Shared, Tag, Trouble, Unit, Yard};
use crate::model::{Book, Broken, Coverage, Model, STATE};
use crate::vfs;

/// A file that listings showed unchanged for so long is closed.
pub const CLOSED: Duration = Duration::from_secs(4 * 60);
/// Between two looks whether all has come home.
const LOOK: Duration = Duration::from_secs(600);
/// All comes home in so much time once nothing is wrong any more.
const HEALS: Duration = Duration::from_secs(6 * 3600);
/// Between two things that happen, in seconds, at most.
const PAUSE: u64 = 240;
const DEPOT: &str = "/etc/yarder.toml";
const DAY: i64 = 24 * 3600;

/// What came of a run.
pub struct Outcome {
    pub broken: Option<Broken>,
    pub log: String,
    pub coverage: Coverage,
}

/// How a life of the service ended.
#[derive(Debug)]
enum End {
    Killed,
    PowerCut,
    Stopped,
    /// By itself: what it could not go on without.
    Failed(ServiceError),
    /// All is well, and was checked.
    Over,
}

#[derive(Debug)]
struct Up;
impl Network for Up {
    fn up(&self) -> bool {
        true
    }
}

struct World {
    rng: fastrand::Rng,
    clock: Arc<Virtual>,
    disk: Memory,
    shared: Shared,
    log: Log,
    model: Model,
    socket: PathBuf,
    roots: Vec<(&'static str, bool)>,
    /// Things that are still to happen.
    left: u32,
    /// What is written to happen, with the seconds before it.
    scene: VecDeque<(u64, Act)>,
    /// Whether every file is read twice.
    rereads: bool,
    loaded: Loaded,
    seed: u64,
    lives: u64,
    /// The ledger and its log as they once were.
    old_ledger: Option<Vec<(String, Vec<u8>)>>,
}

/// How a depot is set up.
struct Setting {
    start: &'static str,
    one_device: bool,
    links: bool,
    roots: Vec<(&'static str, bool)>,
    proof: &'static str,
    open_file: &'static str,
    order: &'static str,
    spool_limit: u64,
    manners: [Manner; 2],
    /// Files that the cards have from the beginning, at most.
    cards: u32,
    /// Things that happen.
    acts: u32,
}

impl Setting {
    /// One that nothing is special about.
    fn plain() -> Self {
        let manner = Manner {
            ranges: Ranges::Serves,
            tag: Tag::None,
            coarse: false,
            times: true,
            digests: false,
            follows: false,
            rate: 3_000_000,
        };
        Self {
            start: "2026-10-14T16:00:00Z",
            one_device: false,
            links: true,
            roots: vec![("/central", true)],
            proof: "length",
            open_file: "newest",
            order: "name",
            spool_limit: 1_000_000_000,
            manners: [manner.clone(), manner],
            cards: 0,
            acts: 0,
        }
    }

    fn draw(rng: &mut fastrand::Rng) -> Self {
        let proof = ["length", "length", "reread"][rng.usize(..3)];
        let mut manner = || {
            let times = rng.u32(..5) > 0;
            Manner {
                ranges: [Ranges::Serves, Ranges::Serves, Ranges::Ignores, Ranges::Early][rng.usize(..4)],
                tag: [Tag::None, Tag::Weak, Tag::Strong][rng.usize(..3)],
                coarse: times && rng.u32(..3) == 0,
                times,
                digests: proof == "length" && rng.u32(..3) == 0,
                follows: rng.bool(),
                rate: [8_000, 40_000, 3_000_000][rng.usize(..3)],
            }
        };
        let manners = [manner(), manner()];
        let mut roots = vec![("/central", true)];
        if rng.u32(..4) == 0 {
            roots.push(("/copy", rng.bool()));
        }
        Self {
            // A common evening, the night in which summer time ends, and one before which it begins.
            start: ["2026-10-14T16:00:00Z", "2026-10-24T21:00:00Z", "2027-03-27T21:30:00Z"][rng.usize(..3)],
            one_device: rng.bool(),
            links: rng.bool(),
            roots,
            proof,
            open_file: ["newest", "settled", "none"][rng.usize(..3)],
            order: ["name", "time"][rng.usize(..2)],
            spool_limit: if rng.u32(..4) == 0 { 200_000 } else { 1_000_000_000 },
            manners,
            cards: 4,
            acts: rng.u32(8..24),
        }
    }

    /// `yarder.toml` and `vehicles.toml`.
    fn files(&self) -> (String, String) {
        let Self { proof, open_file, order, .. } = self;
        let mut depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"Europe/Oslo\"\nday_starts = \"12:00\"\nstate_dir = \"{STATE}\"\n\
             vehicles = \"vehicles.toml\"\nworks = \"Mon-Sun\"\nspool_reserve = \"1 kB\"\n\
             [poll]\nevery = \"60s\"\nlist_every = \"60s\"\nmax_transfers = 2\n[report]\nat = [\"05:00\"]\n"
        );
        for (root, required) in &self.roots {
            let name = &root[1..];
            depot +=
                &format!("[[archive]]\nname = \"{name}\"\nurl = \"file://{root}\"\nrequired = {required}\n");
        }
        let mut vehicles = format!(
            "[kind.wifi]\nfiles = [\"**/*.log\"]\nopen_file = \"{open_file}\"\norder = \"{order}\"\nsettle = \"60s\"\n\
             closed_after = \"3min\"\nproof = \"{proof}\"\nquiet_when_done = \"5min\"\nurl = \"http://{{host}}/\"\n"
        );
        for n in 1..=2 {
            vehicles += &format!(
                "[[vehicle]]\nid = \"PLOW-0{n}\"\n[[logger]]\nid = \"L-{n}\"\nvehicle = \"PLOW-0{n}\"\nkind = \"wifi\"\n\
                 host = \"plow-0{n}.yard.example\"\n"
            );
        }
        (depot, vehicles)
    }
}

/// Something that a scene lets happen.
pub type Act = fn(&Shared);

/// Plays one seed. `keep` writes the event log.
pub fn run(seed: u64, keep: bool, folder: &Path) -> Outcome {
    let mut rng = fastrand::Rng::with_seed(seed);
    let setting = Setting::draw(&mut rng);
    World::new(seed, rng, setting, keep, folder).whole()
}

/// Plays what is written, each act so many seconds after the one before it, in a plain depot with one
/// file on neither card; then all that a run ends with.
pub fn scene(acts: &[(u64, Act)], folder: &Path) -> Outcome {
    let mut world = World::new(0, fastrand::Rng::with_seed(0), Setting::plain(), true, folder);
    world.scene = acts.iter().copied().collect();
    world.whole()
}

impl World {
    fn new(seed: u64, mut rng: fastrand::Rng, setting: Setting, keep: bool, folder: &Path) -> Self {
        let clock = Virtual::new(setting.start.parse().expect("moment"));
        let log = Log::new(clock.clone(), keep);
        let disk = Memory::new(rng.u64(..), setting.one_device, setting.links, log.clone());
        vfs::lie_on(&disk);
        let (depot, vehicles) = setting.files();
        disk.place(DEPOT, depot.as_bytes());
        disk.place("/etc/vehicles.toml", vehicles.as_bytes());
        let units = setting.manners.into_iter().zip(1..).map(|(manner, n)| Unit::new(n, manner)).collect();
        let yard = Yard { units, rng: fastrand::Rng::with_seed(rng.u64(..)), fuse: None, calls: 0 };
        let shared = Shared::new(yard, clock.clone(), disk.clone(), log.clone());
        // The cards have something on them when the depot PC is first switched on.
        for at in 0..2 {
            for _ in 0..rng.u32(0..=setting.cards) {
                shared.deed(at, Deed::Record);
            }
        }
        disk.boot();
        let pair = Pair::read(&disk, Path::new(DEPOT)).map_err(|e| e.to_string()).expect("configuration");
        let checked = check(&pair, &RealEnv).map_err(|e| e.to_string()).expect("configuration");
        let Checked { mut config, warnings } = checked;
        // Less than the configuration lets anybody set: it is for a yard of small files.
        config.depot.spool_limit = setting.spool_limit;
        Self {
            model: Model::new(disk.clone(), setting.roots.clone()),
            socket: folder.join(format!("{seed}-{:?}.sock", std::thread::current().id())),
            rng,
            clock,
            disk,
            shared,
            log,
            roots: setting.roots,
            left: setting.acts,
            scene: VecDeque::new(),
            rereads: setting.proof == "reread",
            loaded: Loaded { config, warnings, pair },
            seed,
            lives: 0,
            old_ledger: None,
        }
    }

    /// The whole run, whatever becomes of it.
    fn whole(mut self) -> Outcome {
        let played = catch_unwind(AssertUnwindSafe(|| self.play()));
        let broken = match played {
            Ok(played) => played.err(),
            Err(panic) => {
                let text = panic.downcast_ref::<String>().cloned();
                let text = text.or_else(|| panic.downcast_ref::<&str>().map(|s| (*s).to_owned()));
                Some(format!("a panic: {}", text.unwrap_or_default()))
            }
        };
        if let Some(broken) = &broken {
            self.log.note(|| format!("BROKEN: {broken}"));
        }
        Outcome { broken, log: self.log.text(), coverage: self.model.coverage }
    }

    fn play(&mut self) -> Result<(), Broken> {
        loop {
            self.lives += 1;
            if self.lives > 60 {
                return Err("it did not come to rest in sixty lives".to_owned());
            }
            self.disk.boot();
            let idle = self.clock.clone();
            let mut runtime = tokio::runtime::Builder::new_current_thread();
            let runtime = runtime.enable_all().on_thread_park(move || idle.idle()).build().expect("runtime");
            let ended = runtime.block_on(self.live());
            // What still runs is a dead process.
            if !self.disk.is_dead() {
                self.disk.kill(0);
            }
            drop(runtime);
            match ended? {
                End::Over => return Ok(()),
                End::Killed => {
                    if self.rng.bool() {
                        self.disk.forget_clean();
                    }
                    self.between();
                }
                End::PowerCut => {
                    self.disk.cut_power();
                    self.model.power_was_cut = true;
                }
                End::Stopped => self.between(),
                End::Failed(e) if self.disk.met() == 0 => {
                    return Err(format!("the service ended by itself, and nothing was wrong: {e}"));
                }
                // Somebody sees to the disk, sooner or later.
                End::Failed(_) if self.rng.u32(..3) == 0 => self.disk_is_well(),
                End::Failed(_) => {}
            }
        }
    }

    /// Nobody runs: the ledger may go back to an older state.
    fn between(&mut self) {
        let (file, wal) = (format!("{STATE}/ledger.sqlite"), format!("{STATE}/ledger.sqlite-wal"));
        match self.rng.u32(..12) {
            0..3 => {
                let read = |path: &String| Some((path.clone(), self.disk.seen(Path::new(path))?));
                self.old_ledger = Some([&file, &wal].into_iter().filter_map(read).collect());
            }
            3..5 => {
                let Some(old) = self.old_ledger.take() else { return };
                self.disk.remove_durably(&file);
                self.disk.remove_durably(&wal);
                for (path, bytes) in old {
                    self.disk.put_durably(&path, &bytes);
                }
                self.rolled_back("ledger rolled back");
            }
            // Where a fold into the database failed half-way, the database without it is no database.
            5 if self.disk.met() == 0 => {
                self.disk.remove_durably(&wal);
                self.rolled_back("ledger's log is gone");
            }
            _ => {}
        }
    }

    fn rolled_back(&mut self, what: &'static str) {
        self.did(what, None);
        self.roots.iter().for_each(|(root, _)| self.disk.bring_back(root));
        self.model.rolled_back = true;
        self.model.known.clear();
        // What it forgets and no card has any more is forgotten.
        self.shared.lock().units.iter_mut().for_each(|unit| unit.shown.clear());
    }

    /// One life of the service, up to its end.
    async fn live(&mut self) -> Result<End, Broken> {
        let pause = self.rng.u64(1..120);
        self.clock.sleep(Duration::from_secs(pause)).await;
        self.log.note(|| format!("the service starts, its clock shows {}", self.clock.now()));
        let until = CancellationToken::new();
        let options = self.options(until.clone());
        let mut run = tokio::spawn(service::run(options));
        loop {
            let written = self.scene.pop_front();
            let pause = written.map_or_else(|| self.rng.u64(1..=PAUSE), |(pause, _)| pause);
            let pause = Duration::from_secs(pause);
            let wait = self.clock.sleep(pause);
            tokio::select! {
                biased;
                () = self.disk.died() => return Ok(if self.rng.u32(..3) > 0 { End::Killed } else { End::PowerCut }),
                ended = &mut run => return self.ended(ended),
                () = wait => {}
            }
            let book = self.check()?;
            if let Some((_, act)) = written {
                act(&self.shared);
                continue;
            }
            if self.left == 0 {
                self.heal();
                return self.settle(run, until).await;
            }
            self.left -= 1;
            if let Some(stop) = self.something(book) {
                match stop {
                    End::Stopped => {
                        until.cancel();
                        let ended = tokio::select! {
                            biased;
                            () = self.disk.died() => return Ok(End::Killed),
                            ended = &mut run => ended,
                        };
                        return match self.ended(ended)? {
                            End::Failed(e) if self.disk.met() > 0 => {
                                self.log.note(|| format!("it stopped with: {e}"));
                                Ok(End::Stopped)
                            }
                            other => Ok(other),
                        };
                    }
                    other => {
                        self.disk.kill(0);
                        return Ok(other);
                    }
                }
            }
        }
    }

    fn options(&self, until: CancellationToken) -> RunOptions {
        RunOptions {
            edges: Edges {
                clock: self.clock.clone(),
                disk: Arc::new(self.disk.clone()),
                work: Arc::new(Inline),
                random: Arc::new(Random::from_seed(self.seed.wrapping_mul(1000) + self.lives)),
                network: Arc::new(Up),
            },
            dialer: Arc::new(Air(self.shared.clone())),
            path: DEPOT.into(),
            loaded: Loaded {
                config: self.loaded.config.clone(),
                warnings: self.loaded.warnings.clone(),
                pair: self.loaded.pair.clone(),
            },
            broken: None,
            last_good: None,
            progress: Progress::default(),
            until,
            socket: Some(self.socket.clone()),
        }
    }

    fn ended(&self, ended: Result<Result<(), ServiceError>, tokio::task::JoinError>) -> Result<End, Broken> {
        match ended {
            Err(e) => Err(format!("the service panicked: {e}")),
            // What a dead process does is nobody's concern.
            Ok(_) if self.disk.is_dead() => Ok(End::Killed),
            Ok(Ok(())) => Ok(End::Stopped),
            Ok(Err(ServiceError::Panic(e))) => Err(format!("a task panicked: {e}")),
            Ok(Err(e)) => {
                self.log.note(|| format!("the service ends: {e}"));
                Ok(End::Failed(e))
            }
        }
    }

    fn check(&mut self) -> Result<Option<Book>, Broken> {
        let book = self.model.book();
        self.model.step(&self.shared, book.as_ref())?;
        if let Some(book) = &book
            && self.rng.u32(..3) == 0
        {
            self.model.report(&self.shared, &self.loaded.config, book)?;
        }
        Ok(book)
    }

    /// Counts what happened, and in which states files were.
    fn did(&mut self, what: &'static str, book: Option<&Book>) {
        self.log.note(|| format!("== {what}"));
        *self.model.coverage.acts.entry(what.to_owned()).or_default() += 1;
        for row in book.iter().flat_map(|book| &book.rows) {
            *self.model.coverage.pairs.entry((what, row.state)).or_default() += 1;
        }
    }

    /// Something happens. Gives how the life ends by it, where it does.
    fn something(&mut self, book: Option<Book>) -> Option<End> {
        let at = self.rng.usize(..2);
        let (what, end) = self.draw(at);
        self.did(what, book.as_ref());
        end
    }

    fn draw(&mut self, at: usize) -> (&'static str, Option<End>) {
        let some = |rng: &mut fastrand::Rng, most: u32| rng.u32(1..=most);
        match self.rng.u32(..44) {
            0..10 => {
                self.shared.deed(at, Deed::Record);
                ("record", None)
            }
            10..18 => {
                let deed = Deed::ALL[self.rng.usize(..Deed::ALL.len())];
                self.shared.deed(at, deed);
                (name_of(deed), None)
            }
            18..23 => {
                // In the middle of whatever is under way.
                let deed = Deed::ALL[self.rng.usize(..Deed::ALL.len())];
                let calls = some(&mut self.rng, 30);
                self.shared.lock().fuse = Some((calls, at, Some(deed)));
                ("in a transfer", None)
            }
            23..26 => {
                let of = some(&mut self.rng, 200);
                let safe = {
                    let yard = self.shared.lock();
                    yard.units[at].manner.digests
                } || self.rereads;
                let trouble = match self.rng.u32(..8) {
                    0 => Trouble { cut: of, ..Trouble::default() },
                    1 => Trouble { stall: of, ..Trouble::default() },
                    2 if safe => Trouble { flip: of, ..Trouble::default() },
                    3 => Trouble { refuse: of, ..Trouble::default() },
                    4 => Trouble { cut_listing: 5 * of, ..Trouble::default() },
                    5 => Trouble { no_listing: 5 * of, ..Trouble::default() },
                    6 => Trouble { lies: 5 * of, ..Trouble::default() },
                    _ => Trouble { cut: of, cut_listing: of, ..Trouble::default() },
                };
                self.shared.lock().units[at].trouble = trouble;
                ("trouble on the air", None)
            }
            26 => {
                self.shared.lock().units[at].trouble = Trouble::default();
                ("no trouble on the air", None)
            }
            27..29 => {
                let (root, _) = self.roots[self.rng.usize(..self.roots.len())];
                match self.rng.u32(..4) {
                    // An archive that the ledger has forgotten begins anew wherever its folder is empty.
                    0 if !self.model.rolled_back => {
                        self.disk.unmount(root);
                        ("archive unmounted", None)
                    }
                    1 => {
                        self.disk.take_away(root);
                        ("archive away", None)
                    }
                    2 => {
                        self.disk.set_full(if root == "/copy" { 3 } else { 2 }, true);
                        ("archive full", None)
                    }
                    _ => {
                        self.disk.bring_back(root);
                        self.disk.set_full(2, false);
                        self.disk.set_full(3, false);
                        ("archive back", None)
                    }
                }
            }
            29..31 => {
                let of = some(&mut self.rng, 60);
                let part = [Part::Archive, Part::Spool, Part::Ledger][self.rng.usize(..3)];
                let faults = match self.rng.u32(..4) {
                    0 => Faults { read: of, ..Faults::default() },
                    1 => Faults { write: of, ..Faults::default() },
                    2 if part == Part::Archive => {
                        self.log.note(|| "== the archive's medium writes other bytes".to_owned());
                        self.model.rots = true;
                        Faults { rot: of, ..Faults::default() }
                    }
                    _ => Faults { flush: of, ..Faults::default() },
                };
                self.disk.set_faults(part, faults);
                ("disk fails", None)
            }
            31 => {
                self.disk.set_full(1, true);
                ("disk full", None)
            }
            32 => {
                self.disk_is_well();
                ("disk well", None)
            }
            33..36 => {
                let within = u64::from(some(&mut self.rng, 400));
                self.disk.kill(within);
                ("kill in the middle", None)
            }
            36 => {
                let calls = some(&mut self.rng, 40);
                self.shared.lock().fuse = Some((calls, at, None));
                ("kill in a transfer", None)
            }
            37 => ("kill", Some(End::Killed)),
            38..40 => ("power cut", Some(End::PowerCut)),
            40 => ("stop", Some(End::Stopped)),
            41..43 => {
                // A report is made for each day that was leapt over: a year of them now and then.
                let ahead = if self.rng.u32(..8) == 0 { 365 } else { 5 };
                let jumps = [1, -3600, 3600, -5 * 3600, ahead * DAY, -46 * 365 * DAY];
                let seconds = jumps[self.rng.usize(..6)];
                self.clock.set_wrong(SignedDuration::from_secs(seconds));
                // Stillness is counted by that clock.
                self.model.known.clear();
                ("clock jumps", None)
            }
            _ => {
                self.clock.set_wrong(SignedDuration::ZERO);
                self.model.known.clear();
                ("clock is right", None)
            }
        }
    }

    fn disk_is_well(&self) {
        self.disk.set_full(1, false);
        for part in [Part::Archive, Part::Spool, Part::Ledger] {
            self.disk.set_faults(part, Faults::default());
        }
    }

    /// Nothing is wrong any more, and everybody is at home.
    fn heal(&mut self) {
        self.disk.heal();
        self.clock.set_wrong(SignedDuration::ZERO);
        let mut yard = self.shared.lock();
        yard.fuse = None;
        for unit in &mut yard.units {
            unit.trouble = Trouble::default();
            unit.reset_clock = false;
        }
        drop(yard);
        self.log.note(|| "== all is well again".to_owned());
    }

    /// Lets the service finish, and checks everything.
    async fn settle(
        &mut self,
        mut run: tokio::task::JoinHandle<Result<(), ServiceError>>,
        until: CancellationToken,
    ) -> Result<End, Broken> {
        let end = self.clock.mono() + HEALS;
        let mut owed = Vec::new();
        while self.clock.mono() < end {
            let wait = self.clock.sleep(LOOK);
            tokio::select! {
                biased;
                ended = &mut run => {
                    let ended = self.ended(ended)?;
                    // What failed before may show now; it is started again.
                    return Ok(ended);
                }
                () = self.disk.died() => return Ok(End::Killed),
                () = wait => {}
            }
            for at in 0..2 {
                self.shared.deed(at, Deed::Arrive);
            }
            let Some(book) = self.check()? else { continue };
            let home = self.shared.lock().units.iter().all(|unit| unit.here);
            owed = self.model.owed(&self.shared, &book);
            if owed.is_empty() && home {
                self.model.rolled_back = false;
                self.model.step(&self.shared, Some(&book))?;
                self.model.end(&self.shared, &book)?;
                until.cancel();
                return match self.ended((&mut run).await)? {
                    End::Stopped => Ok(End::Over),
                    other => Err(format!("it did not end in order: {other:?}")),
                };
            }
        }
        owed.truncate(5);
        if let Some(book) = self.check()? {
            for row in &book.rows {
                let (of, at) = (&row.logger, &row.path);
                self.log.note(|| format!("{of} {at}: {} in {:?}, {:?}", row.state, row.spool, row.copies));
            }
            for finding in book.findings.iter().filter(|f| f.gone.is_none()) {
                self.log.note(|| format!("{}: {}", finding.id, finding.cause));
            }
        }
        Err(format!("not home {} h after all was well: {}", HEALS.as_secs() / 3600, owed.join("; ")))
    }
}

fn name_of(deed: Deed) -> &'static str {
    match deed {
        Deed::Record => "record",
        Deed::Grow => "grow",
        Deed::Replace => "replace",
        Deed::ReplaceShorter => "replace by a shorter one",
        Deed::Rename => "rename",
        Deed::DropOldest => "overwrite the oldest",
        Deed::Leave => "leave",
        Deed::Arrive => "arrive",
        Deed::Format => "format",
        Deed::FormatAlike => "format with equal names, sizes and times",
        Deed::Copy => "copy",
        Deed::ResetClock => "reset the logger's clock",
    }
}
