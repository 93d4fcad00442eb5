//! One run: a depot is drawn from a seed, and things happen to it until everything is well again.

mod acts;
mod depot;
mod setting;

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::SignedDuration;
use tokio_util::sync::CancellationToken;
use yarder::clock::Clock as _;
use yarder::config::{Checked, Loaded, Pair, Problems, RealEnv, check};
use yarder::edges::{Edges, Inline, Random};
use yarder::ledger::FileRow;
use yarder::ledger::state::State;
use yarder::network::Network;
use yarder::progress::Progress;
use yarder::service::{self, RunOptions, ServiceError};

use crate::clock::Virtual;
use crate::disk::Memory;
use crate::log::Log;
use crate::loggers::{Air, Deed, Shared, Trouble, Unit, Yard};
use crate::model::{Book, Broken, Coverage, Model};
use crate::vfs;
use setting::{Edits, Mood, Setting};

/// A file that listings showed unchanged for so long is closed.
pub const CLOSED: Duration = Duration::from_secs(4 * 60);
/// Between two looks whether all has come home.
const LOOK: Duration = Duration::from_secs(600);
/// All comes home in so much time once nothing is wrong any more.
const HEALS: Duration = Duration::from_secs(6 * 3600);
/// Between two things that happen, in seconds, at most.
const PAUSE: u64 = 240;
const DEPOT: &str = "/depot/etc/yarder.toml";
const VEHICLES: &str = "/depot/etc/vehicles.toml";

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
    setting: Setting,
    edits: Edits,
    clock_is_wrong: bool,
    /// From when on the archives must have what leaves a logger, after an edit.
    required_from: Option<(Duration, Vec<&'static str>)>,
    /// How many ledgers were put aside.
    aside: usize,
    /// The ledger's log is gone after a kill.
    torn: bool,
    /// The ledger as it was last read.
    last: Option<Book>,
    /// Things that are still to happen.
    left: u32,
    /// And some more, where files stand as they seldom do.
    more: u32,
    /// What is written to happen, with the seconds before it.
    scene: VecDeque<(u64, Act)>,
    loaded: Loaded,
    /// What is wrong with the files as they stand.
    problems: Option<Problems>,
    seed: u64,
    lives: u64,
    /// The ledger and its log as they once were.
    old_ledger: Option<Vec<(String, Vec<u8>)>>,
}

/// Something that a scene lets happen.
pub type Act = fn(&Shared);

/// Plays one seed. `keep` writes the event log.
pub fn run(seed: u64, keep: bool, folder: &Path) -> Outcome {
    let mut rng = fastrand::Rng::with_seed(seed);
    let setting = Setting::draw(&mut rng, Mood::of(seed));
    World::new(seed, rng, setting, keep, folder).whole()
}

/// Plays what is written, each act so many seconds after the one before it, in a plain depot with one
/// file on neither card; then all that a run ends with.
pub fn scene(acts: &[(u64, Act)], folder: &Path) -> Outcome {
    let mut world = World::new(0, fastrand::Rng::with_seed(0), Setting::plain(), true, folder);
    world.scene = acts.iter().copied().collect();
    world.whole()
}

/// The configuration as it stands in the files.
fn load(disk: &Memory, setting: &Setting) -> Result<Loaded, Problems> {
    let pair = Pair::read(disk, Path::new(DEPOT))?;
    let Checked { mut config, warnings } = check(&pair, &RealEnv)?;
    // Less than the configuration lets anybody set: it is for a yard of small files.
    config.depot.spool_limit = setting.spool_limit;
    Ok(Loaded { config, warnings, pair })
}

/// A runtime of one thread, in which time moves when nothing else does.
fn runtime(clock: &Arc<Virtual>) -> tokio::runtime::Runtime {
    let idle = clock.clone();
    let mut runtime = tokio::runtime::Builder::new_current_thread();
    runtime.enable_all().on_thread_park(move || idle.idle()).build().expect("runtime")
}

impl World {
    fn new(seed: u64, mut rng: fastrand::Rng, setting: Setting, keep: bool, folder: &Path) -> Self {
        let clock = Virtual::new(setting.start.parse().expect("moment"));
        let log = Log::new(clock.clone(), keep);
        let disk = Memory::new(rng.u64(..), setting.one_device, setting.links, log.clone());
        vfs::lie_on(&disk);
        let edits = Edits::default();
        let (depot, vehicles) = setting.files(&edits);
        disk.place(DEPOT, depot.as_bytes());
        disk.place(VEHICLES, vehicles.as_bytes());
        let units =
            setting.manners.iter().cloned().zip(1..).map(|(manner, n)| Unit::new(n, manner)).collect();
        let yard = Yard {
            units,
            rng: fastrand::Rng::with_seed(rng.u64(..)),
            fuse: None,
            required: setting.required(&edits),
            keeps_from: setting.remove_after.is_none().then_some(Duration::ZERO),
            harmed_at: None,
            broken: None,
            met: Vec::new(),
        };
        let shared = Shared::new(yard, clock.clone(), disk.clone(), log.clone());
        // The cards have something on them when the depot PC is first switched on.
        for at in 0..2 {
            for _ in 0..rng.u32(0..=setting.cards) {
                shared.deed(at, Deed::Record);
            }
        }
        disk.boot();
        let loaded = load(&disk, &setting).map_err(|e| e.to_string()).expect("configuration");
        // Archives that were always there.
        let steady = setting.roots.iter().copied().take(
            if setting.mood.is_seldom() || matches!(setting.mood, Mood::Edits | Mood::Removal) {
                1
            } else {
                2
            },
        );
        // A person will have to decide something.
        if matches!(setting.mood, Mood::Decided | Mood::Asked | Mood::Anew) {
            shared.spoiled(0, 20_000, 9_000);
            shared.lock().units[0].trouble.flip = 400;
        }
        // What is not read yet can be lost.
        if setting.mood == Mood::Anew {
            shared.lock().units[1].trouble.refuse = 1000;
        }
        Self {
            model: Model::new(disk.clone(), setting.roots.clone(), steady.collect()),
            socket: folder.join(format!("{seed}-{:?}.sock", std::thread::current().id())),
            rng,
            clock,
            disk,
            shared,
            log,
            left: setting.acts,
            more: if setting.mood.is_seldom() { 2 * setting.acts } else { setting.acts },
            setting,
            edits,
            clock_is_wrong: false,
            required_from: None,
            aside: 0,
            torn: false,
            last: None,
            scene: VecDeque::new(),
            loaded,
            problems: None,
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
            self.disk.boot();
            self.model.tell(&self.shared);
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
            let runtime = runtime(&self.clock);
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
                    self.between()?;
                }
                End::PowerCut => {
                    self.disk.cut_power();
                    self.model.power_was_cut = true;
                }
                End::Stopped => self.between()?,
                // A kill in the middle of a fold leaves a database that is damaged without its log.
                End::Failed(e) if self.torn && e.to_string().contains("is damaged") => self.torn = false,
                End::Failed(e) if self.disk.met() == 0 => {
                    return Err(format!("the service ended by itself, and nothing was wrong: {e}"));
                }
                // Somebody sees to the disk, sooner or later.
                End::Failed(_) if self.rng.u32(..3) == 0 => self.disk_is_well(),
                End::Failed(_) => {}
            }
        }
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
            let most = if self.is_rare(State::Removing) { PAUSE / 6 } else { PAUSE };
            let pause = written.map_or_else(|| self.rng.u64(1..=most), |(pause, _)| pause);
            let pause = Duration::from_secs(pause);
            let wait = self.clock.sleep(pause);
            tokio::select! {
                biased;
                () = self.disk.died() => {
                    let kept = self.rng.u32(..3) > 0 && !self.disk.is_powerless();
                    return Ok(if kept { End::Killed } else { End::PowerCut });
                }
                ended = &mut run => return self.ended(ended),
                () = wait => {}
            }
            self.check()?;
            if let Some((_, act)) = written {
                act(&self.shared);
                continue;
            }
            if self.left == 0 {
                self.heal();
                return self.settle(run, until).await;
            }
            // More happens while files stand as they seldom do.
            let rare = [State::Held, State::Dropped, State::Removing, State::Lost, State::Skipped];
            if self.more > 0 && rare.iter().any(|state| self.is_rare(*state)) {
                self.more -= 1;
            } else {
                self.left -= 1;
            }
            if let Some(stop) = self.something() {
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

    fn is_rare(&self, state: State) -> bool {
        self.last.as_ref().is_some_and(|book| book.rows.iter().any(|row| row.state == state))
    }

    fn edges(&self) -> Edges {
        Edges {
            clock: self.clock.clone(),
            disk: Arc::new(self.disk.clone()),
            work: Arc::new(Inline),
            random: Arc::new(Random::from_seed(self.seed.wrapping_mul(1000) + self.lives)),
            network: Arc::new(Up),
        }
    }

    fn options(&self, until: CancellationToken) -> RunOptions {
        RunOptions {
            edges: self.edges(),
            dialer: Arc::new(Air(self.shared.clone())),
            path: DEPOT.into(),
            loaded: Loaded {
                config: self.loaded.config.clone(),
                warnings: self.loaded.warnings.clone(),
                pair: self.loaded.pair.clone(),
            },
            broken: self.problems.clone(),
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

    /// Compares the promises with what is so. Gives whether the ledger could be read.
    fn check(&mut self) -> Result<bool, Broken> {
        if self.is_set_aside() {
            self.rolled_back("ledger put aside");
        }
        let book = self.model.book()?;
        self.model.step(&self.shared, book.as_ref())?;
        if let Some((_, required)) = self.required_from.take_if(|(from, _)| *from <= self.clock.mono()) {
            self.shared.lock().required = required;
        }
        let Some(book) = book else { return Ok(false) };
        for wrong in self.wrong() {
            self.model.coverage.meets(wrong, &book);
        }
        if self.rng.u32(..3) == 0 {
            self.model.report(&self.shared, &self.loaded.config, &book)?;
        }
        self.last = Some(book);
        Ok(true)
    }

    /// Nothing is wrong any more, and everybody is at home.
    fn heal(&mut self) {
        self.disk.heal();
        self.edit(Edits::default());
        self.shared.put_right();
        self.clock.set_wrong(SignedDuration::ZERO);
        self.clock_is_wrong = false;
        let mut yard = self.shared.lock();
        yard.fuse = None;
        for unit in &mut yard.units {
            unit.trouble = Trouble::default();
            unit.reset_clock = false;
            unit.card.files.values_mut().for_each(|file| file.bad = None);
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
            if !self.check()? {
                continue;
            }
            let home = self.shared.lock().units.iter().all(|unit| unit.here);
            let Some(book) = &self.last else { continue };
            owed = self.model.owed(&self.shared, book);
            if owed.is_empty() && home {
                (self.model.rolled_back, self.model.exchanged) = (false, false);
                self.model.step(&self.shared, Some(book))?;
                self.model.end(&self.shared, book)?;
                until.cancel();
                return match self.ended((&mut run).await)? {
                    End::Stopped => Ok(End::Over),
                    other => Err(format!("it did not end in order: {other:?}")),
                };
            }
        }
        // What a person has to decide first, and is told.
        let held = |row: &FileRow| row.state == State::Held;
        let waits = |book: &Book| {
            let told = |code: &str| book.findings.iter().any(|f| f.gone.is_none() && f.id.starts_with(code));
            told("archive-other:") && self.model.rolled_back
                || told("spool-full:") && book.rows.iter().any(held)
        };
        if self.last.as_ref().is_some_and(waits) {
            until.cancel();
            self.ended((&mut run).await)?;
            return Ok(End::Over);
        }
        owed.truncate(5);
        for finding in self.last.iter().flat_map(|book| &book.findings).filter(|f| f.gone.is_none()) {
            self.log.note(|| format!("{}: {}", finding.id, finding.cause));
        }
        Err(format!("not home {} h after all was well: {}", HEALS.as_secs() / 3600, owed.join("; ")))
    }
}
