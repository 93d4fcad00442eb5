//! What must hold of the archives' files.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde_json::Value;
use yarder::ledger;
use yarder::ledger::state::Duty;
use yarder::model::Digest;

use super::{Book, Broken, Model, SMALL, Stored};
use crate::loggers::Shared;

impl Model {
    /// Nothing half, nothing overwritten, nothing that no logger held, nothing under a mount point.
    pub(super) fn archives(&mut self, world: &Shared) -> Result<(), Broken> {
        let bare = self.disk.files("/bare");
        ensure!(bare.is_empty(), "under the mount point of an archive that is not mounted: {bare:?}");
        let mut now = BTreeMap::new();
        let yard = world.lock();
        for (root, _) in self.roots.clone() {
            for (path, stamp) in self.disk.files(root) {
                let before = self.stored.get(&path).copied();
                if let Some(before) = before.filter(|before| before.stamp == stamp) {
                    now.insert(path, before);
                    continue;
                }
                let below = path.strip_prefix(root).expect("below").to_string_lossy().into_owned();
                if below.starts_with(".yarder/tmp/") {
                    continue;
                }
                let medium = self.disk.medium(&path).expect("listed");
                let stored = Stored { stamp, sha: Digest::of(&medium), size: medium.len() };
                if below.starts_with(".yarder/") || below.ends_with("manifest-sha256.txt") {
                    let lines = medium.split(|b| *b == b'\n').filter(|line| !line.is_empty());
                    let json = below.starts_with(".yarder/");
                    let whole = !medium.is_empty()
                        && lines.clone().all(|l| !json || serde_json::from_slice::<Value>(l).is_ok());
                    let one = serde_json::from_slice::<Value>(&medium).is_ok();
                    ensure!(whole || one || self.rots, "{} is half", path.display());
                    continue;
                }
                let logger = below.split('/').nth(4).unwrap_or_default();
                let unit = yard.units.iter().find(|unit| unit.name == logger);
                let unit = unit.ok_or_else(|| format!("{} is of no logger", path.display()))?;
                let held = unit.held.contains_key(&stored.sha);
                // What somebody else wrote there is his.
                if !held && self.damaged.contains_key(&path) {
                    continue;
                }
                ensure!(held, "{} holds {} bytes that {logger} never held", path.display(), stored.size);
                ensure!(
                    before.is_none_or(|before| before.sha == stored.sha)
                        || self.power_was_cut
                        || self.damaged.contains_key(&path),
                    "{} was overwritten",
                    path.display()
                );
                now.insert(path, stored);
            }
        }
        if !self.power_was_cut {
            let gone = |path: &&PathBuf| !now.contains_key(*path) && !self.damaged.contains_key(*path);
            let gone = self.stored.keys().find(gone);
            ensure!(gone.is_none(), "{gone:?} is gone from its archive");
        }
        self.stored = now;
        self.power_was_cut = false;
        Ok(())
    }

    pub(super) fn stored_once(&self, root: &str) -> Result<(), Broken> {
        let mut places: BTreeMap<(String, Digest, String), &PathBuf> = BTreeMap::new();
        for (path, stored) in self.stored.iter().filter(|(path, _)| path.starts_with(root)) {
            let below = path.strip_prefix(root).expect("below").to_string_lossy().into_owned();
            let mut parts = below.splitn(6, '/').skip(4);
            let (logger, name) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
            // The second place has a part of the hash in its name.
            let name = name.split('~').next().unwrap_or_default().trim_end_matches(".log").to_owned();
            let name = if stored.size < SMALL { name } else { String::new() };
            let before = places.insert((logger.to_owned(), stored.sha, name), path);
            ensure!(before.is_none(), "stored twice: {path:?} and {before:?}");
        }
        Ok(())
    }

    /// Receipts tell of what is there, and each verified copy has one.
    pub(super) fn receipts(&self, root: &str, book: &Book) -> Result<(), Broken> {
        let mut stored = BTreeSet::new();
        let mut told = BTreeSet::new();
        let mut last: BTreeMap<PathBuf, u64> = BTreeMap::new();
        for (path, _) in self.disk.files(&format!("{root}/.yarder/receipts")) {
            let folder = path.parent().expect("folder").to_owned();
            let seq: u64 = path.file_name().and_then(|n| n.to_str()?.parse().ok()).unwrap_or_default();
            let before = last.insert(folder.clone(), seq).unwrap_or(0);
            ensure!(seq == before + 1, "receipt {} comes after {before}", path.display());
            for line in
                self.disk.seen(&path).expect("listed").split(|b| *b == b'\n').filter(|l| !l.is_empty())
            {
                let receipt: Value =
                    serde_json::from_slice(line).map_err(|e| format!("{}: {e}", path.display()))?;
                let text = |key: &str| receipt[key].as_str().unwrap_or_default().to_owned();
                if text("kind") == "stored" {
                    ensure!(stored.insert((folder.clone(), text("key"))), "two receipts of {}", text("key"));
                }
                if matches!(text("kind").as_str(), "stored" | "alias") {
                    let place = Path::new(root).join(text("location"));
                    told.insert((text("logger"), text("path"), text("sha256")));
                    let sha = self.stored.get(&place).map(|stored| stored.sha.hex());
                    ensure!(
                        sha == Some(text("sha256")) || self.damaged.contains_key(&place),
                        "a receipt of {} tells what is not there",
                        place.display()
                    );
                }
            }
        }
        for row in book.rows.iter().filter(|_| !self.exchanged) {
            let sha = row.sha256.map(|sha| sha.hex()).unwrap_or_default();
            let verified = |copy: &&ledger::Copy| copy.duty == Duty::Verified && copy.archive == root[1..];
            let name = (row.logger.clone(), row.path.to_string(), sha);
            let copies = row.copies.iter().filter(verified).count();
            ensure!(copies == 0 || told.contains(&name), "{name:?} is verified in {root} without a receipt");
        }
        Ok(())
    }

    pub(super) fn manifests(&self, root: &str) -> Result<(), Broken> {
        let all = self.disk.files(root);
        let names = all.iter().map(|(path, _)| path).filter(|path| path.ends_with("manifest-sha256.txt"));
        for path in names {
            let text = String::from_utf8(self.disk.seen(path).expect("listed")).map_err(|e| e.to_string())?;
            for line in text.lines() {
                let (sha, name) = line.split_once("  ").ok_or_else(|| format!("manifest line {line:?}"))?;
                let place = path.with_file_name(name);
                let there = self.stored.get(&place).map(|stored| stored.sha.hex());
                let harmed = self.damaged.contains_key(&place);
                ensure!(
                    there.as_deref() == Some(sha) || harmed,
                    "{} names {name}, which is not so",
                    path.display()
                );
            }
        }
        Ok(())
    }
}
