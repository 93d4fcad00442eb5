use std::collections::VecDeque;
use std::fs;
use std::sync::Mutex;

use futures_util::future::BoxFuture;
use jiff::Timestamp;
use tempfile::TempDir;

use super::super::{Checked, Env, SecretFile, check};
use super::*;
use crate::clock::Clock;
use crate::edges::Inline;

const DEPOT: &str = "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\n\n\
    [[archive]]\nname = \"central\"\nurl = \"file:///srv/can-archive\"\n";

type Step = Box<dyn FnOnce() + Send>;

/// Waiting ends at once and runs the next step of a script; `events_only` never ends a wait for
/// the next look.
#[derive(Default)]
struct ScriptClock {
    steps: Mutex<VecDeque<Step>>,
    events_only: bool,
}

impl std::fmt::Debug for ScriptClock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("ScriptClock")
    }
}

impl Clock for ScriptClock {
    fn now(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }

    fn mono(&self) -> Duration {
        Duration::ZERO
    }

    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()> {
        if self.events_only && span == LOOK_EVERY {
            return Box::pin(std::future::pending());
        }
        if let Some(step) = self.steps.lock().expect("steps").pop_front() {
            step();
        }
        Box::pin(tokio::task::yield_now())
    }
}

fn edges(clock: ScriptClock) -> Edges {
    Edges { clock: Arc::new(clock), work: Arc::new(Inline), ..Edges::real() }
}

struct Yard {
    dir: TempDir,
    path: PathBuf,
}

impl Yard {
    fn new() -> Self {
        let dir = TempDir::new().expect("folder");
        let path = dir.path().join("yarder.toml");
        fs::write(&path, DEPOT).expect("depot");
        fs::write(dir.path().join("vehicles.toml"), "").expect("vehicles");
        Self { dir, path }
    }

    fn pair(&self) -> Pair {
        Pair::read(&crate::durable::OsDisk::new(), &self.path).expect("pair")
    }

    fn watch(&self, clock: ScriptClock) -> Watch {
        Watch::start(edges(clock), &self.path, self.pair())
    }
}

async fn soon<T>(future: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), future).await.expect("the change is noticed")
}

#[tokio::test]
async fn an_edit_is_found_without_any_event() {
    let yard = Yard::new();
    let mut watch = yard.watch(ScriptClock::default());
    watch.watcher = None;
    fs::write(yard.dir.path().join("vehicles.toml"), "# edited\n").expect("edit");
    let pair = soon(watch.changed()).await.expect("pair");
    assert_eq!(pair.vehicles.text, "# edited\n");
    assert_eq!(pair.depot.text, DEPOT);
}

#[tokio::test]
async fn a_pair_that_is_saved_file_by_file_is_taken_whole() {
    let yard = Yard::new();
    let clock = ScriptClock::default();
    let vehicles = yard.dir.path().join("vehicles.toml");
    let second: Step = Box::new(move || fs::write(vehicles, "# second\n").expect("edit"));
    clock.steps.lock().expect("steps").push_back(second);
    let mut watch = yard.watch(clock);
    fs::write(&yard.path, format!("# first\n{DEPOT}")).expect("edit");
    let pair = soon(watch.changed()).await.expect("pair");
    assert!(pair.depot.text.starts_with("# first"));
    assert_eq!(pair.vehicles.text, "# second\n");
}

#[tokio::test]
async fn a_file_that_is_renamed_into_place_wakes_the_watch() {
    let yard = Yard::new();
    let clock = ScriptClock { events_only: true, ..ScriptClock::default() };
    let mut watch = yard.watch(clock);
    let (new, old) = (yard.dir.path().join(".yarder.toml.swp"), yard.path.clone());
    let edit = async {
        tokio::task::yield_now().await;
        fs::write(&new, format!("# renamed\n{DEPOT}")).expect("edit");
        let disk = crate::durable::OsDisk::new();
        disk.rename(&new, &old).expect("rename");
    };
    let (pair, ()) = soon(async { tokio::join!(watch.changed(), edit) }).await;
    assert!(pair.expect("pair").depot.text.starts_with("# renamed"));
}

#[tokio::test]
async fn an_edit_behind_a_link_wakes_the_watch() {
    let yard = Yard::new();
    let elsewhere = TempDir::new().expect("folder");
    let real = elsewhere.path().join("list.toml");
    fs::write(&real, "").expect("list");
    let name = yard.dir.path().join("linked.toml");
    std::os::unix::fs::symlink(&real, &name).expect("link");
    fs::write(&yard.path, DEPOT.replace("[depot]", "[depot]\nvehicles = \"linked.toml\"")).expect("depot");
    let clock = ScriptClock { events_only: true, ..ScriptClock::default() };
    let mut watch = yard.watch(clock);
    let edit = async {
        tokio::task::yield_now().await;
        fs::write(&real, "# behind the link\n").expect("edit");
    };
    let (pair, ()) = soon(async { tokio::join!(watch.changed(), edit) }).await;
    let pair = pair.expect("pair");
    assert_eq!(pair.vehicles.text, "# behind the link\n");
    assert_eq!(pair.vehicles.name, name);
}

#[tokio::test]
async fn a_vehicle_list_that_is_gone_is_told_once_and_its_return_too() {
    let yard = Yard::new();
    let mut watch = yard.watch(ScriptClock::default());
    let vehicles = yard.dir.path().join("vehicles.toml");
    crate::durable::OsDisk::new().remove(&vehicles).expect("remove");
    let problems = soon(watch.changed()).await.expect_err("gone");
    assert!(problems.to_string().contains("cannot be read: there is no such file"), "{problems}");
    fs::write(&vehicles, "# back\n").expect("edit");
    assert_eq!(soon(watch.changed()).await.expect("pair").vehicles.text, "# back\n");
}

#[tokio::test]
async fn a_reload_that_is_asked_for_gives_the_pair_unchanged() {
    let yard = Yard::new();
    let mut watch = yard.watch(ScriptClock::default());
    // The service waits on a task of its own.
    fn may_move<T: Send>(_: &T) {}
    may_move(&watch.changed());
    assert_eq!(watch.read_now().await.expect("pair"), yard.pair());
}

#[derive(Debug)]
struct NoEnv;

impl Env for NoEnv {
    fn var(&self, _: &str) -> Option<String> {
        None
    }

    fn secret(&self, _: &Path) -> std::io::Result<SecretFile> {
        Err(std::io::ErrorKind::NotFound.into())
    }
}

fn config(archive: &str, loggers: usize) -> Config {
    let source = |text: String| super::super::Source { name: PathBuf::from("x.toml"), text };
    let mut list = "[kind.k]\nurl = \"http://{host}/\"\n[[vehicle]]\nid = \"V\"\n".to_owned();
    for n in 0..loggers {
        list += &format!("[[logger]]\nid = \"L{n}\"\nvehicle = \"V\"\nkind = \"k\"\nhost = \"l{n}\"\n");
    }
    let pair = Pair { depot: source(DEPOT.replace("/srv/can-archive", archive)), vehicles: source(list) };
    let Checked { config, warnings } = check(&pair, &NoEnv).unwrap_or_else(|p| panic!("{p}"));
    assert!(loggers == 0 || warnings.is_empty(), "{warnings}");
    config
}

#[test]
fn an_edit_that_drops_many_loggers_waits_for_a_person() {
    for (old, new, waits) in [
        (100, 95, false),
        (100, 94, true),
        (10, 9, false),
        (10, 8, true),
        (2, 0, true),
        (1, 0, false),
        (5, 6, false),
    ] {
        let why = drops_too_many(&config("/a", old), &config("/a", new));
        assert_eq!(why.is_some(), waits, "{old} to {new}: {why:?}");
    }
    assert_eq!(
        drops_too_many(&config("/a", 6), &config("/b", 2)).as_deref(),
        Some(
            "the edited configuration drops 4 of 6 loggers (L2, L3, L4 and 1 more) and moves archive \
             central to another place; `yarder reload --accept` takes it"
        )
    );
    assert_eq!(drops_too_many(&config("/a", 6), &config("/a", 6)), None);
}

#[test]
fn our_own_reading_is_no_edit() {
    let event = |kind| Ok(notify::Event::new(kind));
    for (kind, edit) in [
        (EventKind::Access(AccessKind::Open(AccessMode::Any)), false),
        (EventKind::Access(AccessKind::Read), false),
        (EventKind::Access(AccessKind::Close(AccessMode::Read)), false),
        (EventKind::Access(AccessKind::Close(AccessMode::Write)), true),
        (EventKind::Any, true),
    ] {
        assert_eq!(tells(&event(kind)), edit, "{kind:?}");
    }
}
