//! A ledger that was damaged, lost or went back is brought up to what has happened.
//!
//! The spool's records have what waits there, the receipts of the archives what was archived. Both are
//! read before any logger is asked, so that nothing comes home twice; an archive that is away then is
//! read once it is back.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use futures_util::future::join_all;
use serde_json::json;
use tokio_util::sync::CancellationToken;

use super::{Parts, ServiceError, open_archive, own};
use crate::config::Config;
use crate::durable::{read_small, replace};
use crate::edges::Edges;
use crate::ledger::{Found, Ledger, WentBack, put_aside, told};
use crate::link::NetDialer;
use crate::progress::Progress;

/// Archives that have not told all of their receipts by then are not waited for any more.
const PATIENCE: Duration = Duration::from_secs(600);
/// The random id of the state folder, for a ledger that has to begin anew.
const INSTALL: &str = "install";

/// What `yarder rebuild` came to.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Rebuilt {
    /// What the ledger before is called now, if there was one.
    pub set_aside: Option<String>,
    /// Files that receipts told of.
    pub from_receipts: u64,
    /// Whole files that were found in the spool.
    pub from_spool: u64,
}

/// Makes a new ledger of the archives' receipts and the spool's records. The present one is set
/// aside. Every required archive must be there.
pub async fn rebuild(edges: Edges, config: &Config) -> Result<Rebuilt, ServiceError> {
    let state_dir = config.depot.state_dir.clone();
    let lock = own(&edges, &state_dir, "rebuild").await?;
    for archive in config.archives.iter().filter(|a| a.required) {
        let away = |error: String| ServiceError::Archive { archive: archive.name.to_string(), error };
        match open_archive(&edges, archive, "")?.identify().await {
            Ok(Some(_)) => {}
            Ok(None) => return Err(away("its folder is empty; is the share mounted?".into())),
            Err(e) => return Err(away(e.to_string())),
        }
    }
    let found = edges.blocking(move |disk| put_aside(disk, &state_dir)).await?;
    let aside = match &found {
        Found::Anew { aside } => aside.clone(),
        _ => None,
    };
    let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
    let (progress, stop) = (Progress::default(), CancellationToken::new());
    let parts = Parts::build_on(edges, dialer, progress, config.clone(), stop, lock, found).await?;
    let ledger = &parts.yard.ledger;
    ledger.settled().await?;
    let whole = ledger.rebuilt().await?;
    let away = ledger.behind().await?;
    let mut required = config.archives.iter().filter(|a| a.required);
    if let Some(archive) = required.find(|a| away.iter().any(|name| *name == a.name.as_str())) {
        let error = "its receipts could not all be read; the next start of the service reads the rest".into();
        return Err(ServiceError::Archive { archive: archive.name.to_string(), error });
    }
    Ok(Rebuilt { set_aside: aside, from_receipts: whole, from_spool: parts.adopted })
}

/// Says what became of the ledger, where it is not as it was left. Once that is committed, the next
/// start need not be told.
pub(super) async fn went_back(
    edges: &Edges,
    ledger: &Ledger,
    found: &Found,
    dir: &Path,
) -> Result<(), ServiceError> {
    let how = match found {
        Found::Sound | Found::Nothing => return Ok(()),
        Found::Anew { aside } => {
            let detail = json!({ "aside": aside });
            WentBack { why: "a person asked for a new one".into(), detail, finding: None }
        }
        Found::Damaged { why, aside, restored } => {
            let now = match restored {
                Some(backup) => format!("its backup {backup} stands in its place"),
                None => "there is no backup that could be used, so that a new one stands in its place".into(),
            };
            let kept = aside.as_ref().map(|name| format!(", and is kept as {name}")).unwrap_or_default();
            let cause = format!("the ledger was damaged ({why}){kept}; {now}");
            tracing::error!("{cause}");
            let detail = json!({ "aside": aside, "backup": restored });
            WentBack::told("ledger-damaged", why.clone(), cause, detail)
        }
    };
    ledger.went_back(how).await?;
    let dir = dir.to_owned();
    Ok(edges.blocking(move |disk| told(disk, &dir)).await?)
}

/// Reads the receipts that a ledger which went back has not. An archive that is away, or takes too
/// long, is read later by its own task.
pub(super) async fn catch_up(parts: &Parts) -> Result<(), ServiceError> {
    let behind = parts.yard.ledger.behind().await?;
    if behind.is_empty() {
        return Ok(());
    }
    let archives = parts.config.borrow().archives.clone();
    let forwarders = archives
        .iter()
        .filter(|archive| behind.iter().any(|name| *name == archive.name.as_str()))
        .map(|archive| parts.forwarder(archive))
        .collect::<Result<Vec<_>, _>>()?;
    let until = CancellationToken::new();
    let all = join_all(forwarders.iter().map(|forwarder| forwarder.catch_up_at_start(&until)));
    tokio::pin!(all);
    let read = tokio::select! {
        biased;
        () = parts.yard.stop.cancelled() => return Ok(()),
        read = &mut all => read,
        () = parts.yard.edges.clock.sleep(PATIENCE) => {
            tracing::warn!("the archives' receipts are not read to their end yet; loggers are asked meanwhile");
            // Each ends its step: a row that lets go of its partial, and the partial.
            until.cancel();
            all.await
        }
    };
    Ok(read.into_iter().collect::<Result<(), _>>()?)
}

/// The random id of the state folder. It outlives the ledger, since archives know the depot by it.
pub(super) async fn install(
    edges: &Edges,
    state_dir: &Path,
    ledger: &Ledger,
) -> Result<String, ServiceError> {
    let path = state_dir.join(INSTALL);
    let known = edges.blocking(move |disk| read_small(disk, &path, 64)).await;
    let known = known.ok().flatten().and_then(|bytes| String::from_utf8(bytes).ok());
    let known = known.filter(|id| !id.is_empty() && id.bytes().all(|b| b.is_ascii_alphanumeric()));
    let install = ledger.install(known.clone().unwrap_or_else(|| edges.random.name())).await?;
    if known.as_ref() != Some(&install) {
        let (dir, id) = (state_dir.to_owned(), install.clone());
        let kept = edges
            .blocking(move |disk| {
                replace(disk, &dir.join(INSTALL), &dir.join("install.new"), id.as_bytes(), 0o640)
            })
            .await;
        if let Err(e) = kept {
            tracing::warn!("the id of the state folder could not be kept beside the ledger: {e}");
        }
    }
    Ok(install)
}
