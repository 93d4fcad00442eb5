//! What commands ask of the service's own code, one function a command.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::Date;
use tokio_util::sync::CancellationToken;

use super::out::Failure;
use crate::config::{Config, Loaded, Problems, RealEnv, last_good_dir, load};
use crate::edges::Edges;
use crate::ledger;
use crate::link::NetDialer;
use crate::progress::Progress;
use crate::service::{self, Round, RunOptions, ServiceError};
use crate::sim::{Expected, Night, NightOptions};

impl From<ServiceError> for Failure {
    fn from(e: ServiceError) -> Self {
        Failure::Failed(e.to_string())
    }
}

/// The service, until it is told to end. `broken` is what is wrong with the files at `path`, where
/// the last good pair runs in their place.
pub async fn run(
    edges: &Edges,
    path: &Path,
    loaded: Loaded,
    broken: Option<Problems>,
) -> Result<(), Failure> {
    let options = RunOptions {
        edges: edges.clone(),
        dialer: Arc::new(NetDialer::new(edges.clock.clone())),
        path: path.to_owned(),
        loaded,
        broken,
        last_good: Some(last_good_dir(&RealEnv)),
        progress: Progress::default(),
        until: CancellationToken::new(),
        socket: None,
    };
    Ok(service::run(options).await?)
}

/// One round; ends when everything in range is home.
pub async fn once(edges: &Edges, loaded: Loaded, progress: Progress) -> Result<Round, Failure> {
    let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
    let stop = CancellationToken::new();
    let signals = stop.clone();
    let listening = tokio::spawn(async move {
        if tokio::signal::ctrl_c().await.is_ok() {
            signals.cancel();
        }
    });
    let round = service::once(edges.clone(), dialer, progress, loaded.config, stop).await;
    listening.abort();
    Ok(round?)
}

/// How long the demo waits for the archive after its night has ended.
const DAWN: Duration = Duration::from_secs(20);

/// A night that was played.
pub struct Played {
    /// Its configuration.
    pub config: Config,
    /// What its report ought to say of each vehicle.
    pub expected: BTreeMap<&'static str, Expected>,
    /// The state folder lives as long as this.
    pub _kept: Kept,
}

/// A simulated night in a temporary folder.
pub async fn demo(edges: &Edges, options: NightOptions, progress: Progress) -> Result<Played, Failure> {
    let failed = |e: std::io::Error| Failure::Failed(format!("the demo's yard cannot be made: {e}"));
    let folder = tempfile::Builder::new().prefix("yarder-demo-").tempdir().map_err(failed)?;
    let night = Night::start(options).await.map_err(failed)?;
    let (depot, vehicles) = night.config(folder.path());
    let path = folder.path().join("yarder.toml");
    std::fs::write(&path, depot).map_err(failed)?;
    std::fs::write(folder.path().join("vehicles.toml"), vehicles).map_err(failed)?;
    std::fs::create_dir(folder.path().join("archive")).map_err(failed)?;
    let loaded = load(&path).map_err(|problems| Failure::Failed(problems.to_string()))?;
    let config = loaded.config.clone();
    let until = CancellationToken::new();
    let options = RunOptions {
        edges: edges.clone(),
        dialer: Arc::new(NetDialer::new(edges.clock.clone())),
        path,
        loaded,
        broken: None,
        last_good: None,
        progress,
        until: until.clone(),
        socket: None,
    };
    let state_dir = config.depot.state_dir.clone();
    let script = async {
        night.play(|_| {}).await;
        dawn(edges, &state_dir).await;
        until.cancel();
    };
    let (ran, ()) = tokio::join!(
        async {
            let ran = service::run(options).await;
            until.cancel();
            ran
        },
        async {
            tokio::select! {
                biased;
                () = until.cancelled() => {}
                () = script => {}
            }
        }
    );
    ran?;
    Ok(Played { config, expected: night.expected(), _kept: Box::new(folder) })
}

/// Waits until nothing is owed to an archive any more.
async fn dawn(edges: &Edges, state_dir: &Path) {
    let until = edges.clock.mono() + DAWN;
    while edges.clock.mono() < until {
        let owed = ledger::read(state_dir).and_then(|ledger| ledger.owed());
        if owed.is_ok_and(|owed| owed.is_empty()) {
            return;
        }
        edges.clock.sleep(Duration::from_millis(100)).await;
    }
}

/// Accepts an archive, when no service runs; says what was done.
pub async fn adopt(edges: &Edges, config: &Config, archive: &str) -> Result<String, Failure> {
    Ok(service::adopt(edges.clone(), config, archive).await?)
}

/// Keeps a held file, when no service runs; says what was done.
pub async fn held_keep(edges: &Edges, config: &Config, id: i64, reason: &str) -> Result<String, Failure> {
    Ok(service::held_keep(edges.clone(), config, id, reason).await?)
}

/// Drops a held file, when no service runs; says what was done.
pub async fn held_drop(edges: &Edges, config: &Config, id: i64, reason: &str) -> Result<String, Failure> {
    Ok(service::held_drop(edges.clone(), config, id, reason).await?)
}

/// Removes from the loggers what policy lets go, when no service runs.
pub async fn remove(edges: &Edges, config: &Config) -> Result<Vec<service::Cleared>, Failure> {
    Ok(service::remove(edges.clone(), config).await?)
}

/// Writes a note or ends one, when no service runs; says what was done.
pub async fn note(
    edges: &Edges,
    config: &Config,
    id: &str,
    until: Option<Date>,
    reason: Option<String>,
    by: String,
) -> Result<String, Failure> {
    Ok(service::note_alone(edges.clone(), config, id, until, reason, by).await?)
}

/// Anything that removes the demo's folder when it is dropped.
pub type Kept = Box<dyn std::any::Any + Send>;

/// A new ledger from receipts and spool.
pub async fn rebuild(edges: &Edges, config: &Config) -> Result<service::Rebuilt, Failure> {
    Ok(service::rebuild(edges.clone(), config).await?)
}
