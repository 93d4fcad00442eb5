//! Plays the plot, and gives the reports that were stored.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, OnceLock};

use jiff::SignedDuration;
use jiff::civil::date;
use serde_json::Value;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use yarder::config::{Checked, Loaded, RealEnv, check, load, load_good};
use yarder::control::{self, Request};
use yarder::durable::OsDisk;
use yarder::edges::{Edges, Inline, Random};
use yarder::ledger;
use yarder::ledger::state::State;
use yarder::progress::Progress;
use yarder::report::Report;
use yarder::service::{self, RunOptions, ServiceError};

use crate::Disk;
use crate::clock::Virtual;
use crate::loggers::{Air, Shared};
use crate::plot::{Act, LOGS, Plot, Stage, at, depot, list, loggers};

/// What was told of one day.
#[derive(Debug)]
pub struct Told {
    /// The report that the operator read in the morning.
    pub morning: Report,
    /// Its JSON form, as it was stored.
    pub json: Value,
    /// The day's last report.
    pub last: Report,
    /// Reports stored of the day.
    pub stored: usize,
}

/// The fortnight's reports by the day of October 2026; played once for all tests.
pub fn play() -> &'static BTreeMap<i8, Told> {
    static TOLD: OnceLock<BTreeMap<i8, Told>> = OnceLock::new();
    TOLD.get_or_init(|| {
        let clock = Virtual::new(at(11, "12:30"));
        let idle = clock.clone();
        let mut runtime = tokio::runtime::Builder::new_current_thread();
        let runtime = runtime.enable_all().on_thread_park(move || idle.idle()).build().expect("runtime");
        // Twenty thousand minutes are some flushes each: in memory, where the machine has such a folder.
        let memory = Path::new("/dev/shm");
        let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
        let dir = dir.expect("dir");
        runtime.block_on(whole(dir.path(), clock));
        read(dir.path())
    })
}

async fn whole(dir: &Path, clock: Arc<Virtual>) {
    for folder in ["state", "central", "copy"] {
        std::fs::create_dir(dir.join(folder)).expect("folder");
    }
    std::fs::write(dir.join("yarder.toml"), depot(dir)).expect("written");
    std::fs::write(dir.join("vehicles.toml"), list(LOGS)).expect("written");
    let world = Shared::default();
    loggers(&world);
    let disk = Arc::new(Disk::default());
    let edges = Edges {
        clock: clock.clone(),
        disk: disk.clone(),
        work: Arc::new(Inline),
        random: Arc::new(Random::from_seed(12)),
        ..Edges::real()
    };
    let air = Arc::new(Air { world: world.clone(), clock: clock.clone() });
    let config = load(&dir.join("yarder.toml")).map_err(|e| e.to_string()).expect("configuration").config;
    for archive in ["central", "copy"] {
        service::adopt(edges.clone(), &config, archive).await.expect("accepted by its administrator");
    }
    let mut runs: Option<(JoinHandle<Result<(), ServiceError>>, CancellationToken)> = None;
    for (when, act) in Plot::new().0 {
        clock.until(when).await;
        if let Some((run, _)) = &runs {
            assert!(!run.is_finished(), "the service ended by itself before {when}");
        }
        match act {
            Act::World(act) => act(&Stage { world: &world, dir, disk: &disk }),
            Act::Start(wrong) => {
                clock.set_wrong(wrong);
                let until = CancellationToken::new();
                let path = dir.join("yarder.toml");
                let last_good = dir.join("last-good");
                // As `yarder run` does.
                let (loaded, broken) = match load(&path) {
                    Ok(loaded) => (loaded, None),
                    Err(problems) => (good(&last_good), Some(problems)),
                };
                let options = RunOptions {
                    edges: edges.clone(),
                    dialer: air.clone(),
                    path,
                    loaded,
                    broken,
                    last_good: Some(last_good),
                    progress: Progress::default(),
                    until: until.clone(),
                    socket: None,
                };
                runs = Some((tokio::spawn(service::run(options)), until));
            }
            Act::Right => clock.set_wrong(SignedDuration::ZERO),
            Act::Stop => {
                stop(runs.take()).await;
            }
            Act::Ask(request) => ask(dir, &clock, request).await,
            Act::DropHeld => {
                let mut held = Vec::new();
                let query = ledger::read(&dir.join("state")).expect("ledger");
                let each = |file: ledger::FileRow| {
                    held.push(file.id.0);
                    true
                };
                query.files(None, Some(State::Held), each).expect("files");
                for id in held {
                    let reason = "the card was exchanged".to_owned();
                    ask(dir, &clock, Request::Drop { id, reason }).await;
                }
            }
        }
    }
    clock.until(at(26, "12:30")).await;
    stop(runs.take()).await;
}

/// The last good configuration.
fn good(dir: &Path) -> Loaded {
    let pair = load_good(&OsDisk::new(), dir).expect("readable").expect("kept");
    let Checked { config, warnings } =
        check(&pair, &RealEnv).map_err(|e| e.to_string()).expect("it was good");
    Loaded { config, warnings, pair }
}

async fn stop(run: Option<(JoinHandle<Result<(), ServiceError>>, CancellationToken)>) {
    let (run, until) = run.expect("the service runs");
    until.cancel();
    run.await.expect("no panic").expect("an end in order");
}

/// Asks over the socket, while time stands still.
async fn ask(dir: &Path, clock: &Virtual, request: Request) {
    clock.stand(true);
    let state = dir.join("state");
    let asked = tokio::task::spawn_blocking(move || control::ask(&state, &request));
    let answer = asked.await.expect("no panic").expect("asked").expect("the service runs");
    clock.stand(false);
    assert!(answer.ok, "{}", answer.text);
}

fn read(dir: &Path) -> BTreeMap<i8, Told> {
    let query = ledger::read(&dir.join("state")).expect("ledger");
    let mut all = Vec::new();
    query.stored_of(date(2019, 1, 1), date(2027, 1, 1), |stored| all.push(stored)).expect("reports");
    let parse = |json: &str| serde_json::from_str::<Report>(json).expect("a report");
    let mut told: BTreeMap<i8, Told> = BTreeMap::new();
    for stored in all {
        assert_eq!((stored.date.year(), stored.date.month()), (2026, 10), "a day that nobody lived");
        let json: Value = serde_json::from_str(&stored.json).expect("JSON");
        let report = parse(&stored.json);
        let entry = told.entry(stored.date.day());
        let day = entry.or_insert_with(|| Told {
            morning: parse(&stored.json),
            json,
            last: parse(&stored.json),
            stored: 0,
        });
        day.last = report;
        day.stored += 1;
    }
    told
}
