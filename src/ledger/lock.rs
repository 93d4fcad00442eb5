//! One process a state folder.

use std::path::Path;

use crate::durable::{Disk, Locked};

/// Held as long as the process owns the state folder; the kernel lets go when the process ends,
/// however it ends.
#[derive(Debug)]
pub struct Lock {
    _file: Box<dyn Locked>,
}

/// Why the folder is not ours.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Another process has it.
    #[error(
        "{dir} is in use by process {pid} (`yarder {command}`): stop it first, or ask it with `yarder status`"
    )]
    Taken {
        /// The state folder.
        dir: String,
        /// As that process wrote it.
        pid: String,
        /// As that process wrote it.
        command: String,
    },
    /// The lock file cannot be made.
    #[error("cannot lock {dir}: {source}")]
    Io {
        /// The state folder.
        dir: String,
        /// Why.
        source: std::io::Error,
    },
}

/// Takes the folder for this process; `command` is what another one will be told.
pub fn take(disk: &dyn Disk, state_dir: &Path, command: &str) -> Result<Lock, LockError> {
    let dir = state_dir.display().to_string();
    let line = format!("{} {command}", std::process::id());
    match disk.lock(&state_dir.join("lock"), &line) {
        Ok(Ok(file)) => Ok(Lock { _file: file }),
        Ok(Err(text)) => {
            let (pid, command) = text.trim().split_once(' ').unwrap_or(("unknown", "run"));
            Err(LockError::Taken { dir, pid: pid.into(), command: command.into() })
        }
        Err(source) => Err(LockError::Io { dir, source }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::durable::OsDisk;

    #[test]
    fn a_second_process_is_told_who_has_the_folder() {
        let dir = tempfile::tempdir().expect("dir");
        let held = take(&OsDisk::new(), dir.path(), "run").expect("free");
        let message = take(&OsDisk::new(), dir.path(), "once").expect_err("taken").to_string();
        assert!(
            message.contains(&std::process::id().to_string()) && message.contains("yarder run"),
            "{message}"
        );
        drop(held);
        take(&OsDisk::new(), dir.path(), "once").expect("free again");
    }
}
