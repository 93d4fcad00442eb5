//! The blocking side of a folder archive: one visit to its folder.
//!
//! A [`Room`] holds on to the folder whose `.yarder/archive.json` it has read, and does everything
//! below that folder, not below its name. A share that is unmounted meanwhile can therefore not
//! leave a file or a folder under its mount point.
//!
//! Crash: what stands under a key is whole and flushed, since it is linked there from
//! `.yarder/tmp/` after its flush. A kill leaves a temporary file at most, which the next start of
//! the same depot removes.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::error::of_io;
use super::names::is_key;
use super::patience::Pulse;
use super::{ArchiveError, ArchiveFailure, Created, SMALL};
use crate::durable::{Disk, DiskFile, FsKind, Held, read_small};
use crate::edges::Random;

/// The key of the archive's identity.
pub const IDENTITY: &str = ".yarder/archive.json";
pub(super) const TMP: &str = ".yarder/tmp";
/// Most entries of one folder.
const MAX_ENTRIES: usize = 1 << 20;

/// How a file gets its final name without replacing another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Publish {
    /// By a second link.
    Link,
    /// By a rename that replaces nothing.
    Rename,
    /// By creating the name empty and then renaming over it. Only one depot may use such an
    /// archive, since others can see the empty file.
    Reserve,
}

/// What an archive gives to every visit.
#[derive(Debug, Clone)]
pub(super) struct Settings {
    pub root: PathBuf,
    pub file_mode: u32,
    /// Begins the names of this depot's temporary files.
    pub owner: String,
    /// Tells this process's temporary files from those of an earlier one.
    pub run: String,
    pub random: Arc<Random>,
    /// Folders that were seen to be durable in an earlier visit, with the root that held them.
    pub durable: Arc<Mutex<Durable>>,
}

/// What is known of names below one root; another root (another mount) forgets it.
#[derive(Debug, Default)]
pub(super) struct Durable {
    root: Option<(u64, u64)>,
    /// Folders known to be durable.
    folders: BTreeSet<String>,
    /// Keys that were made, and whose folder's flush failed. A later flush succeeds over what is lost.
    doubted: BTreeSet<String>,
    /// Folders whose names this process has flushed, those of an earlier life with them.
    read: BTreeSet<String>,
}

/// Folders remembered at most; beyond that all are flushed once more.
const REMEMBERED: usize = 10_000;

/// One visit, by one thread.
pub(super) struct Room<'a> {
    pub(super) disk: &'a dyn Disk,
    pub(super) pulse: &'a Pulse,
    pub(super) settings: &'a Settings,
    held: Held,
    pub(super) publish: Publish,
    /// Folders that are known to be there and durable.
    folders: BTreeSet<String>,
    /// The file system that holds `.yarder`, once asked.
    pub(super) device: Option<u64>,
    /// Whether blocks could be shared with the spool, once tried.
    pub(super) shares: bool,
    /// For bytes on their way.
    pub(super) buffer: Vec<u8>,
    /// The file that was copied from last.
    pub(super) source: Option<(PathBuf, Box<dyn DiskFile>)>,
}

/// A temporary file, removed when it goes.
pub(super) struct Temp<'a> {
    disk: &'a dyn Disk,
    pub path: PathBuf,
    /// The same below the archive's folder.
    key: String,
    pub file: Box<dyn DiskFile>,
    /// Shares its blocks with the spool.
    pub shared: bool,
    /// It has another name now.
    gone: bool,
}

impl Drop for Temp<'_> {
    fn drop(&mut self) {
        if !self.gone {
            // What stays is removed at the next start.
            let _ = self.disk.remove(&self.path);
        }
    }
}

impl<'a> Room<'a> {
    /// Holds the folder; nothing is created, and nothing below it is looked at.
    pub(super) fn enter(
        disk: &'a dyn Disk,
        pulse: &'a Pulse,
        settings: &'a Settings,
    ) -> Result<Self, ArchiveError> {
        pulse.beat()?;
        let held = disk.hold(&settings.root).map_err(|e| match e.kind() {
            io::ErrorKind::NotADirectory => ArchiveError::new(
                ArchiveFailure::NotAnArchive,
                format!("{} is no folder", settings.root.display()),
            ),
            _ => of_io(&settings.root.display(), &e),
        })?;
        Ok(Self {
            disk,
            pulse,
            settings,
            held,
            publish: Publish::Link,
            folders: BTreeSet::new(),
            device: None,
            shares: true,
            buffer: Vec::new(),
            source: None,
        })
    }

    pub(super) fn path(&self, key: &str) -> PathBuf {
        self.held.path().join(key)
    }

    pub(super) fn failed(&self, key: &str, error: &io::Error) -> ArchiveError {
        of_io(&self.settings.root.join(key).display(), error)
    }

    pub(super) fn checked(key: &str) -> Result<(), ArchiveError> {
        if is_key(key) {
            return Ok(());
        }
        Err(ArchiveError::new(ArchiveFailure::Refused, format!("{key:?} cannot be the key of an object")))
    }

    /// What the identity holds; `None` in an empty folder.
    pub(super) fn identity(&self) -> Result<Option<Vec<u8>>, ArchiveError> {
        let own = self.small(IDENTITY)?;
        if own.is_some() {
            return Ok(own);
        }
        let names = |key: &str| match self.disk.read_dir(&self.path(key), 8) {
            Err(e) if e.kind() == io::ErrorKind::NotFound && !key.is_empty() => Ok(Vec::new()),
            other => other.map_err(|e| self.failed(key, &e)),
        };
        let foreign = names("")?.iter().any(|e| e.name != "lost+found" && e.name != ".yarder");
        // A first use that was killed leaves the folder of temporary files.
        if foreign || names(".yarder")?.iter().any(|e| e.name != "tmp") {
            let root = self.settings.root.display();
            return Err(ArchiveError::new(
                ArchiveFailure::NotAnArchive,
                format!("{root} is not empty and has no {IDENTITY}"),
            ));
        }
        Ok(None)
    }

    /// Goes on only in the archive that was accepted.
    pub(super) fn must_be(&self, accepted: &[u8]) -> Result<(), ArchiveError> {
        let root = self.settings.root.display();
        let detail = match self.small(IDENTITY)? {
            Some(found) if found == accepted => return Ok(()),
            Some(_) => format!("{root} holds another archive"),
            None => format!("{root} has no {IDENTITY}: is the share mounted?"),
        };
        Err(ArchiveError::new(ArchiveFailure::Away, detail))
    }

    /// A small object; `None` where no file stands.
    pub(super) fn small(&self, key: &str) -> Result<Option<Vec<u8>>, ArchiveError> {
        Self::checked(key)?;
        self.pulse.beat()?;
        match read_small(self.disk, &self.path(key), SMALL) {
            Err(e) if matches!(e.kind(), io::ErrorKind::IsADirectory | io::ErrorKind::NotADirectory) => {
                Ok(None)
            }
            Err(e) if e.kind() == io::ErrorKind::FileTooLarge => Ok(Some(Vec::new())),
            other => other.map_err(|e| self.failed(key, &e)),
        }
    }

    /// Makes a folder and those above it, durably; `false` where something else stands in the way.
    pub(super) fn folder(&mut self, key: &str) -> Result<bool, ArchiveError> {
        let ends = key.match_indices('/').map(|(at, _)| at).chain([key.len()]);
        let mut parent = "";
        for end in ends {
            let Some(folder) = key.get(..end).filter(|f| !f.is_empty()) else { return Ok(true) };
            if !self.folders.contains(folder) {
                self.pulse.beat()?;
                let path = self.path(folder);
                let failed = |e: io::Error| self.failed(folder, &e);
                match self.disk.stat(&path).map_err(failed)? {
                    Some(stat) if stat.is_dir => {}
                    Some(_) => return Ok(false),
                    None => match self.disk.create_dir(&path, folder_mode(self.settings.file_mode)) {
                        // Another depot was quicker.
                        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                        other => other.map_err(failed)?,
                    },
                }
                // Also for one that was there: who made it may have been killed before its flush.
                if !self.remembers(folder, false) {
                    self.flush_folder(parent)?;
                    self.remembers(folder, true);
                }
                self.folders.insert(folder.to_owned());
            }
            parent = folder;
        }
        Ok(true)
    }

    /// What earlier visits of this root know of its names.
    fn durable(&self) -> MutexGuard<'_, Durable> {
        let root = self.disk.stat(&self.path(".")).ok().flatten().map(|s| s.identity);
        let mut durable = self.settings.durable.lock().unwrap_or_else(PoisonError::into_inner);
        if durable.root != root {
            *durable = Durable { root, ..Durable::default() };
        }
        durable
    }

    /// Whether an earlier visit of this root saw the folder durable; `now` remembers it.
    fn remembers(&self, folder: &str, now: bool) -> bool {
        let mut durable = self.durable();
        if durable.folders.len() > REMEMBERED {
            durable.folders.clear();
            durable.read.clear();
        }
        if now { !durable.folders.insert(folder.to_owned()) } else { durable.folders.contains(folder) }
    }

    /// Whether the flush of a key's name failed, so that the name is to be made anew.
    pub(super) fn doubts(&self, key: &str) -> bool {
        let none = self.settings.durable.lock().unwrap_or_else(PoisonError::into_inner).doubted.is_empty();
        !none && self.durable().doubted.contains(key)
    }

    /// Makes the names of claims and receipts anew whose flush failed, with the bytes that they have:
    /// whoever reads one acts on it.
    pub(super) fn settle_doubts(&mut self) -> Result<(), ArchiveError> {
        let small = |key: &&String| key.starts_with(".yarder/");
        let doubted: Vec<String> = self.durable().doubted.iter().filter(small).cloned().collect();
        for key in doubted {
            match self.small(&key)? {
                Some(bytes) => {
                    let mut temp = self.temp_of(&bytes)?;
                    self.flush(&[&*temp.file])?;
                    self.rename_over(&mut temp, &key)?;
                }
                None => drop(self.durable().doubted.remove(&key)),
            }
        }
        Ok(())
    }

    fn flush_folder(&self, key: &str) -> Result<(), ArchiveError> {
        self.pulse.beat()?;
        self.disk.flush_dir(&self.path(key)).map_err(|e| self.failed(key, &e))
    }

    /// Flushes each folder of these keys once.
    pub(super) fn flush_folders<'k>(&self, keys: impl Iterator<Item = &'k str>) -> Result<(), ArchiveError> {
        let mut folders = BTreeMap::<&str, Vec<&str>>::new();
        for key in keys {
            folders.entry(folder_of(key)).or_default().push(key);
        }
        folders.into_iter().try_for_each(|(folder, keys)| {
            self.flush_folder(folder).inspect_err(|_| {
                self.durable().doubted.extend(keys.into_iter().map(str::to_owned));
            })
        })
    }

    fn temp_key(&self) -> String {
        let Settings { owner, run, random, .. } = self.settings;
        format!("{TMP}/{owner}-{run}-{}", random.name())
    }

    pub(super) fn temp(&mut self) -> Result<Temp<'a>, ArchiveError> {
        self.folder(TMP)?;
        self.pulse.beat()?;
        let key = self.temp_key();
        let mode = self.settings.file_mode;
        let file = self.disk.create_new_in(&self.held, &key, mode).map_err(|e| self.failed(TMP, &e))?;
        Ok(Temp { disk: self.disk, path: self.path(&key), key, file, shared: false, gone: false })
    }

    fn temp_of(&mut self, bytes: &[u8]) -> Result<Temp<'a>, ArchiveError> {
        let temp = self.temp()?;
        temp.file.write_at(bytes, 0).map_err(|e| self.failed(TMP, &e))?;
        Ok(temp)
    }

    pub(super) fn flush(&self, files: &[&dyn DiskFile]) -> Result<(), ArchiveError> {
        self.pulse.beat()?;
        self.disk.flush_files(files).map_err(|e| self.failed(TMP, &e))
    }

    /// Finds out, in `.yarder/tmp/`, what never replaces a file here.
    pub(super) fn probe(&mut self) -> Result<Publish, ArchiveError> {
        self.sweep()?;
        let (one, two) = (self.temp_of(b"1")?, self.temp_of(b"2")?);
        let refuses = |done: io::Result<()>| match done {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Ok(true),
            // It replaced a file, or it cannot: either way it is not to be used.
            Ok(()) => Ok(false),
            Err(e) if cannot(&e) => Ok(false),
            Err(e) => Err(self.failed(TMP, &e)),
        };
        let fresh = self.path(&self.temp_key());
        // On a disk of this machine one step does what elsewhere takes two.
        let kind = self.disk.fs_kind(&self.path(TMP)).map_err(|e| self.failed(TMP, &e))?;
        let own = matches!(kind, FsKind::Local(_) | FsKind::Memory);
        if own && refuses(self.disk.rename_new(&one.path, &two.path))? {
            return Ok(Publish::Rename);
        }
        let linked = match self.disk.link(&one.path, &fresh) {
            Err(e) if cannot(&e) => false,
            // A request that was sent again after a lost answer finds its own success.
            Err(e) if matches!(self.disk.stat(&fresh), Ok(None) | Err(_)) => return Err(self.failed(TMP, &e)),
            Ok(()) | Err(_) => {
                self.disk.remove(&fresh).map_err(|e| self.failed(TMP, &e))?;
                true
            }
        };
        if linked && refuses(self.disk.link(&one.path, &two.path))? {
            return Ok(Publish::Link);
        }
        let renames = refuses(self.disk.rename_new(&one.path, &two.path))?;
        Ok(if renames { Publish::Rename } else { Publish::Reserve })
    }

    /// From now on files get their names in this way.
    pub(super) fn use_publish(&mut self, publish: Publish) {
        self.publish = publish;
    }

    /// Removes the temporary files that an earlier process of this depot left.
    fn sweep(&mut self) -> Result<(), ArchiveError> {
        self.folder(TMP)?;
        let (own, now) = (format!("{}-", self.settings.owner), format!("-{}-", self.settings.run));
        let entries = self.disk.read_dir(&self.path(TMP), MAX_ENTRIES).map_err(|e| self.failed(TMP, &e))?;
        for entry in entries {
            let name = entry.name.to_string_lossy();
            if name.starts_with(&own) && !name.contains(&now) {
                self.pulse.beat()?;
                // It only takes room.
                let _ = self.disk.remove(&self.path(TMP).join(&entry.name));
            }
        }
        Ok(())
    }

    /// Gives a flushed file its final name; `false` where something stands there. `take_empty`: an
    /// empty file there is a name whose content a kill prevented.
    pub(super) fn place(
        &mut self,
        temp: &mut Temp<'_>,
        key: &str,
        take_empty: bool,
    ) -> Result<bool, ArchiveError> {
        if !self.folder(folder_of(key))? {
            return Ok(false);
        }
        let (from, to) = (&*temp.path, self.path(key));
        loop {
            self.pulse.beat()?;
            let done = match self.publish {
                Publish::Link => self.disk.link(from, &to),
                Publish::Rename => self.disk.rename_new_in(&self.held, &temp.key, key),
                Publish::Reserve => self.reserve(from, &to, take_empty),
            };
            match done {
                Ok(()) => {
                    temp.gone = self.publish != Publish::Link;
                    return Ok(true);
                }
                Err(e) if e.kind() == io::ErrorKind::Unsupported && self.publish != Publish::Reserve => {
                    let link = self.publish == Publish::Link;
                    self.publish = if link { Publish::Rename } else { Publish::Reserve };
                }
                // A request that was sent again after a lost answer finds its own success.
                Err(e) => {
                    let own = temp.file.identity().ok();
                    let now = self.disk.stat(&to).ok().flatten().map(|now| now.identity);
                    return match e.kind() {
                        _ if own.is_some() && own == now => Ok(true),
                        io::ErrorKind::AlreadyExists => Ok(false),
                        _ => Err(self.failed(key, &e)),
                    };
                }
            }
        }
    }

    fn reserve(&self, from: &Path, to: &Path, take_empty: bool) -> io::Result<()> {
        match self.disk.create_new(to, self.settings.file_mode) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists && take_empty => {
                let empty = self.disk.stat(to)?.is_some_and(|s| s.len == 0 && !s.is_dir && !s.is_other);
                if !empty {
                    return Err(e);
                }
            }
            other => drop(other?),
        }
        self.disk.rename(from, to).inspect_err(|_| {
            // Empty, and only this depot writes here.
            let _ = self.disk.remove(to);
        })
    }

    /// Small objects; `None` where no file stands. Whoever reads one acts on it, and the process that made
    /// it may have been killed before its flush: its name is made durable first.
    pub(super) fn get(&self, keys: &[String]) -> Result<Vec<Option<Vec<u8>>>, ArchiveError> {
        let mut fresh: BTreeSet<&str> = keys.iter().map(|key| folder_of(key)).collect();
        fresh.retain(|folder| !self.durable().read.contains(*folder));
        for folder in fresh {
            let stat = self.disk.stat(&self.path(folder)).map_err(|e| self.failed(folder, &e))?;
            if stat.is_some_and(|stat| stat.is_dir) {
                self.flush_folders(keys.iter().map(String::as_str).filter(|key| folder_of(key) == folder))?;
                self.durable().read.insert(folder.to_owned());
            }
        }
        keys.iter().map(|key| self.small(key)).collect()
    }

    /// Creates small objects.
    pub(super) fn create(&mut self, objects: &[(String, Vec<u8>)]) -> Result<Vec<Created>, ArchiveError> {
        objects.iter().try_for_each(|(key, _)| Self::checked(key))?;
        let mut temps: Vec<_> =
            objects.iter().map(|(_, bytes)| self.temp_of(bytes)).collect::<Result<_, _>>()?;
        self.flush(&temps.iter().map(|t| &*t.file).collect::<Vec<_>>())?;
        let mut created = Vec::with_capacity(objects.len());
        for ((key, _), temp) in objects.iter().zip(&mut temps) {
            let new = self.place(temp, key, true)?;
            created.push(if new { Created::New } else { Created::Exists });
        }
        self.flush_folders(objects.iter().map(|(key, _)| key.as_str()))?;
        Ok(created)
    }

    /// Writes a text of our own keeping over the old one.
    pub(super) fn replace(&mut self, key: &str, bytes: &[u8]) -> Result<(), ArchiveError> {
        Self::checked(key)?;
        let blocked = || ArchiveError::new(ArchiveFailure::Refused, format!("{key} lies below a file"));
        if !self.folder(folder_of(key))? {
            return Err(blocked());
        }
        let mut temp = self.temp_of(bytes)?;
        self.flush(&[&*temp.file])?;
        self.rename_over(&mut temp, key)
    }

    /// Gives a flushed file its final name in the place of what stands there, durably.
    pub(super) fn rename_over(&self, temp: &mut Temp<'_>, key: &str) -> Result<(), ArchiveError> {
        self.rename_anew(temp, key)?;
        self.flush_folders([key].into_iter())
    }

    /// The same, its folder not flushed yet.
    pub(super) fn rename_anew(&self, temp: &mut Temp<'_>, key: &str) -> Result<(), ArchiveError> {
        self.pulse.beat()?;
        self.disk.rename(&temp.path, &self.path(key)).map_err(|e| self.failed(key, &e))?;
        temp.gone = true;
        self.durable().doubted.remove(key);
        Ok(())
    }

    /// Keys of files in byte order, without temporary files.
    pub(super) fn list(
        &self,
        prefix: &str,
        after: &str,
        limit: usize,
    ) -> Result<Vec<(String, u64)>, ArchiveError> {
        if !prefix.is_empty() {
            Self::checked(prefix.strip_suffix('/').unwrap_or("/"))?;
        }
        // Keys still to be given out, the next one last; a folder's key ends with `/`.
        let mut next = vec![(prefix.to_owned(), 0)];
        let mut found = Vec::new();
        while let Some((key, len)) = next.pop() {
            if found.len() == limit {
                break;
            }
            if !key.is_empty() && !key.ends_with('/') {
                found.push((key, len));
                continue;
            }
            self.pulse.beat()?;
            let entries = match self.disk.read_dir(&self.path(&key), MAX_ENTRIES) {
                Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
                    continue;
                }
                other => other.map_err(|e| self.failed(&key, &e))?,
            };
            if entries.len() == MAX_ENTRIES {
                let detail = format!("{key} has {MAX_ENTRIES} entries or more");
                return Err(ArchiveError::new(ArchiveFailure::Broken, detail));
            }
            let begun = next.len();
            for entry in entries.into_iter().filter(|e| !e.stat.is_other) {
                // Names that are not text are not ours.
                let Some(name) = entry.name.to_str() else { continue };
                let slash = if entry.stat.is_dir { "/" } else { "" };
                let child = format!("{key}{name}{slash}");
                let ahead = child.as_str() > after || (entry.stat.is_dir && after.starts_with(&child));
                if ahead && child != format!("{TMP}/") {
                    next.push((child, entry.stat.len));
                }
            }
            if let Some(new) = next.get_mut(begun..) {
                new.sort_unstable_by(|a, b| b.cmp(a));
            }
        }
        Ok(found)
    }
}

/// The folder of a key, empty at the top.
pub(super) fn folder_of(key: &str) -> &str {
    key.rsplit_once('/').map_or("", |(folder, _)| folder)
}

/// A folder can be entered by whoever may read files.
fn folder_mode(file_mode: u32) -> u32 {
    file_mode | 0o700 | (file_mode & 0o444) >> 2
}

/// Whether the file system has no such operation (or not between these two places).
pub(super) fn cannot(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::Unsupported | io::ErrorKind::CrossesDevices)
}
