//! One process a state folder.

use std::fs::{File, OpenOptions};
use std::io::{Read as _, Seek as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

/// Held as long as the process owns the state folder; the kernel lets go when the process ends,
/// however it ends.
#[derive(Debug)]
pub struct Lock {
    _file: File,
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
pub fn take(state_dir: &Path, command: &str) -> Result<Lock, LockError> {
    let dir = state_dir.display().to_string();
    let io = |source| LockError::Io { dir: dir.clone(), source };
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .mode(0o640)
        .open(state_dir.join("lock"))
        .map_err(io)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => {
            let mut text = String::new();
            let _ = file.take(200).read_to_string(&mut text);
            let (pid, command) = text.trim().split_once(' ').unwrap_or(("unknown", "run"));
            return Err(LockError::Taken { dir, pid: pid.into(), command: command.into() });
        }
        Err(std::fs::TryLockError::Error(e)) => return Err(io(e)),
    }
    file.set_len(0).and_then(|()| file.rewind()).map_err(io)?;
    writeln!(file, "{} {command}", std::process::id()).map_err(io)?;
    Ok(Lock { _file: file })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_process_is_told_who_has_the_folder() {
        let dir = tempfile::tempdir().expect("dir");
        let held = take(dir.path(), "run").expect("free");
        let message = take(dir.path(), "once").expect_err("taken").to_string();
        assert!(
            message.contains(&std::process::id().to_string()) && message.contains("yarder run"),
            "{message}"
        );
        drop(held);
        take(dir.path(), "once").expect("free again");
    }
}
