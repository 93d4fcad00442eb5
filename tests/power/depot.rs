//! A depot with one logger in memory, its files in a folder, under a clock that moves when nothing
//! else does.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use tokio_util::sync::CancellationToken;
use yarder::clock::Clock;
use yarder::config::{Config, load};
use yarder::durable::Disk;
use yarder::edges::{Edges, Inline, Random};
use yarder::forward::records::Receipt;
use yarder::ledger::state::State;
use yarder::ledger::{self, FileRow};
use yarder::model::{Digest, LoggerId};
use yarder::progress::Progress;
use yarder::service::{self, Round, ServiceError};

use crate::card::{Air, Card};
use crate::clock::Virtual;

/// The evening on which everything begins.
pub fn evening() -> Timestamp {
    "2026-11-24T19:00:00Z".parse().expect("moment")
}

/// Folders that are there before anything happens.
pub const FOLDERS: [&str; 2] = ["state", "archive"];

/// A folder in memory, where the machine has such.
pub fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    dir.expect("folder")
}

/// Random numbers of one test, whose seed is printed and can be given.
pub fn dice(test: &str) -> fastrand::Rng {
    let given = std::env::var("YARDER_TEST_SEED").ok().and_then(|seed| seed.parse().ok());
    let seed = given.unwrap_or_else(|| fastrand::u64(..));
    println!("{test}: YARDER_TEST_SEED={seed}");
    fastrand::Rng::with_seed(seed)
}

/// Bytes without pattern.
pub fn noise(dice: &mut fastrand::Rng, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    dice.fill(&mut bytes);
    bytes
}

/// The moment at which the `n`-th file was last changed.
pub fn recorded(n: usize) -> Timestamp {
    evening() - SignedDuration::from_hours(48) + SignedDuration::from_mins(n as i64)
}

/// The configuration of a depot in that folder; `more` are further lines of `[depot]`.
pub fn configure(dir: &Path, more: &str) -> Config {
    configure_kind(dir, more, "")
}

/// That of one that removes files from its logger once they are archived.
pub fn configure_removing(dir: &Path) -> Config {
    configure_kind(dir, "", "proof = \"reread\"\nremove = \"archived\"\nremove_after = \"0s\"\n")
}

fn configure_kind(dir: &Path, more: &str, kind: &str) -> Config {
    let at = dir.display();
    let depot = format!(
        "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\nworks = \"Mon-Sun\"\nstate_dir = \"{at}/state\"\n\
         vehicles = \"vehicles.toml\"\nspool_reserve = \"1 MB\"\n{more}\n\n\
         [[archive]]\nname = \"central\"\nurl = \"file://{at}/archive\"\n"
    );
    fs::write(dir.join("yarder.toml"), depot).expect("yarder.toml");
    fs::write(
        dir.join("vehicles.toml"),
        format!(
            "[kind.sim]\nopen_file = \"none\"\nsettle = \"0s\"\nclosed_after = \"0s\"\nbacklog = \"all\"\n{kind}\n\
             [[vehicle]]\nid = \"PLOW-01\"\n\n\
             [[logger]]\nid = \"L-1\"\nvehicle = \"PLOW-01\"\nkind = \"sim\"\nurl = \"http://10.20.0.1/\"\n\
             serial = \"00421\"\nserial_from = \"/device.json\"\n"
        ),
    )
    .expect("vehicles.toml");
    load(&dir.join("yarder.toml")).map_err(|e| e.to_string()).expect("configuration").config
}

/// Edges of one thread.
pub fn edges(clock: Arc<dyn Clock>, disk: Arc<dyn Disk>, seed: u64) -> Edges {
    Edges { clock, disk, work: Arc::new(Inline), random: Arc::new(Random::from_seed(seed)), ..Edges::real() }
}

/// Runs something on one thread under that clock.
pub fn under<T>(clock: &Arc<Virtual>, run: impl Future<Output = T>) -> T {
    let idle = clock.clone();
    let mut runtime = tokio::runtime::Builder::new_current_thread();
    let runtime = runtime.enable_all().on_thread_park(move || idle.idle()).build().expect("runtime");
    runtime.block_on(run)
}

/// One round.
pub async fn once(edges: &Edges, card: &Arc<Card>, config: &Config) -> Result<Round, ServiceError> {
    let air = Arc::new(Air { card: card.clone(), clock: edges.clock.clone() });
    let (progress, stop) = (Progress::default(), CancellationToken::new());
    service::once(edges.clone(), air, progress, config.clone(), stop).await
}

/// Every version that the ledger of a state folder has.
pub fn rows(state_dir: &Path) -> Vec<FileRow> {
    let mut all = Vec::new();
    let each = |row| {
        all.push(row);
        true
    };
    ledger::read(state_dir).expect("ledger").files(None, None, each).expect("files");
    all
}

/// The archive's log files by location, with their hashes.
pub fn stored(archive: &Path) -> BTreeMap<PathBuf, Digest> {
    let mut all = BTreeMap::new();
    walk(archive, archive, &mut all);
    all
}

fn walk(root: &Path, dir: &Path, all: &mut BTreeMap<PathBuf, Digest>) {
    for entry in fs::read_dir(dir).expect("folder") {
        let path = entry.expect("entry").path();
        if path.is_dir() {
            if path != root.join(".yarder") {
                walk(root, &path, all);
            }
        } else if path.file_name().is_some_and(|name| name != "manifest-sha256.txt") {
            let below = path.strip_prefix(root).expect("below").to_owned();
            all.insert(below, Digest::of(&fs::read(&path).expect("file")));
        }
    }
}

/// Exactly these contents came home, each once, and everything that tells of them agrees; or what
/// does not.
pub fn came_home(dir: &Path, contents: &[Digest]) -> Result<(), String> {
    let mut wanted = contents.to_vec();
    wanted.sort();
    let stored = stored(&dir.join("archive"));
    let mut have: Vec<_> = stored.values().copied().collect();
    have.sort();
    let told = |what: &str| format!("{what}: {stored:?}");
    if have != wanted {
        return Err(told("the archive holds other files, or not all, or some twice"));
    }
    let rows = rows(&dir.join("state"));
    let mut archived: Vec<_> = rows
        .iter()
        .filter(|r| matches!(r.state, State::Archived | State::Removed))
        .filter_map(|r| r.sha256)
        .collect();
    archived.sort();
    if archived != wanted || rows.len() != wanted.len() {
        return Err(told(&format!("the ledger says otherwise: {} rows", rows.len())));
    }
    let receipts = receipts(&dir.join("archive"));
    let mut once: Vec<_> = receipts.iter().map(|r| r.sha256).collect();
    once.sort();
    let right = |r: &Receipt| stored.get(Path::new(&r.location)) == Some(&r.sha256);
    if once != wanted || !receipts.iter().all(right) {
        return Err(told("the receipts say otherwise"));
    }
    let lies: Vec<_> = fs::read_dir(dir.join("state/spool")).expect("spool").collect();
    if !lies.is_empty() {
        return Err(format!("the spool is not empty: {lies:?}"));
    }
    let left = fs::read_dir(dir.join("archive/.yarder/tmp")).map_or(0, Iterator::count);
    if left > 0 {
        return Err(format!("{left} temporary files are left in the archive"));
    }
    Ok(())
}

fn receipts(archive: &Path) -> Vec<Receipt> {
    let dir = archive.join(".yarder/receipts/L-1");
    let logger = LoggerId::new("L-1").expect("id");
    let mut all = Vec::new();
    for seq in 1.. {
        let Ok(bytes) = fs::read(dir.join(format!("{seq:012}"))) else { break };
        all.extend(Receipt::parse_batch(&bytes, &logger, seq).expect("receipts"));
    }
    all
}
