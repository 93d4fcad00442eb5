//! What commands ask of the service's own code, one function a command.

use std::path::Path;

use crate::config::{Config, Loaded, Problems};
use crate::progress::Progress;

use super::out::Failure;

fn absent(what: &str) -> Failure {
    Failure::Failed(format!("this build has no {what}"))
}

/// The service, until it is told to end. `broken` is what is wrong with the files at `path`, where
/// the last good pair runs in their place.
pub async fn run(_path: &Path, _loaded: Loaded, _broken: Option<Problems>) -> Result<(), Failure> {
    Err(absent("service"))
}

/// One round; ends when everything in range is home.
pub async fn once(_loaded: Loaded, _progress: Progress) -> Result<(), Failure> {
    Err(absent("service"))
}

/// A simulated night in a temporary folder; gives its configuration, whose state folder lives as
/// long as the second value.
pub async fn demo(_seed: u64, _progress: Progress) -> Result<(Config, Kept), Failure> {
    Err(absent("demo"))
}

/// Accepts an archive, when no service runs; says what was done.
pub async fn adopt(_config: &Config, _archive: &str) -> Result<String, Failure> {
    Err(absent("service"))
}

/// Keeps a held file, when no service runs; says what was done.
pub async fn held_keep(_config: &Config, _id: i64, _reason: &str) -> Result<String, Failure> {
    Err(absent("service"))
}

/// Drops a held file, when no service runs; says what was done.
pub async fn held_drop(_config: &Config, _id: i64, _reason: &str) -> Result<String, Failure> {
    Err(absent("service"))
}

/// Anything that removes the demo's folder when it is dropped.
pub type Kept = Box<dyn std::any::Any + Send>;
