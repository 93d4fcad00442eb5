//! One simulated SD card: which files it holds and what happens to them.
//!
//! A path is bytes joined by `/`, relative to the card, as it may be on a real one: nothing is
//! checked here, so that a test can offer hostile names.

use std::collections::{BTreeMap, BTreeSet};

use bytes::Bytes;
use jiff::{SignedDuration, Timestamp};

use super::content::Content;

/// A file on a card.
#[derive(Debug, Clone)]
pub struct CardFile {
    /// Its bytes.
    pub content: Content,
    /// Last change by the logger's clock.
    pub time: Timestamp,
    /// Whether the logger still writes it. Nothing on the wire shows it.
    pub open: bool,
    /// Stays while the file is changed in place, and is new when another file takes its name.
    pub(super) inode: u64,
    /// Rises with every change of any file on the card.
    pub(super) change: u64,
}

/// What a folder holds.
#[derive(Debug, Clone)]
pub enum Entry {
    /// A folder.
    Folder,
    /// A file.
    File(CardFile),
}

/// One card.
#[derive(Debug, Clone, Default)]
pub struct Card {
    files: BTreeMap<Vec<u8>, CardFile>,
    folders: BTreeSet<Vec<u8>>,
    clock_error: SignedDuration,
    changes: u64,
    /// Bytes it can hold; 0 where it does not matter.
    pub capacity: u64,
}

/// A file as a transfer has it open.
#[derive(Debug, Clone)]
pub(super) struct Opened {
    pub path: Vec<u8>,
    pub file: CardFile,
}

impl Card {
    /// An empty card in a logger whose clock is right.
    pub fn new() -> Self {
        Self::default()
    }

    /// The logger's clock at that moment of the world.
    pub fn clock(&self, now: Timestamp) -> Timestamp {
        now.saturating_add(self.clock_error).unwrap_or(now)
    }

    /// The logger's clock loses its battery: it reads 1980-01-01 now and goes on from there.
    pub fn lose_clock(&mut self, now: Timestamp) {
        let reset = Timestamp::from_second(315_532_800).unwrap_or_default();
        self.clock_error = reset.duration_since(now);
    }

    /// The logger's clock is that much ahead of the world's.
    pub fn set_clock_error(&mut self, error: SignedDuration) {
        self.clock_error = error;
    }

    /// Puts a file there, changed `now`. A file that had the name goes; a transfer that has it open
    /// reads it to its end.
    pub fn add(&mut self, path: impl AsRef<[u8]>, content: Content, now: Timestamp) {
        self.changes += 1;
        let (time, change) = (self.clock(now), self.changes);
        let file = CardFile { content, time, open: false, inode: change, change };
        self.files.insert(path.as_ref().to_vec(), file);
    }

    /// Puts a file there that the logger still writes.
    pub fn add_open(&mut self, path: impl AsRef<[u8]>, content: Content, now: Timestamp) {
        self.add(&path, content, now);
        self.set_open(path, true);
    }

    /// Says whether the logger still writes a file.
    pub fn set_open(&mut self, path: impl AsRef<[u8]>, open: bool) {
        if let Some(file) = self.files.get_mut(path.as_ref()) {
            file.open = open;
        }
    }

    /// Makes a folder, which may stay empty. Folders of files need not be made.
    pub fn add_folder(&mut self, path: impl AsRef<[u8]>) {
        self.folders.insert(path.as_ref().to_vec());
    }

    /// Gives a file other content in place: a transfer that has it open goes on with the new bytes.
    /// `false` where there is no such file.
    pub fn overwrite(&mut self, path: impl AsRef<[u8]>, content: Content, now: Timestamp) -> bool {
        self.changes += 1;
        let (time, change) = (self.clock(now), self.changes);
        self.files.get_mut(path.as_ref()).is_some_and(|file| {
            *file = CardFile { content, time, change, ..file.clone() };
            true
        })
    }

    /// Lets a file grow by that many bytes, in place. `false` where there is no such file.
    pub fn grow(&mut self, path: impl AsRef<[u8]>, by: u64, now: Timestamp) -> bool {
        match self.files.get(path.as_ref()) {
            Some(file) => {
                let grown = file.content.with_len(file.content.len() + by);
                self.overwrite(path, grown, now)
            }
            None => false,
        }
    }

    /// Sets a file's last change, as it is shown.
    pub fn set_time(&mut self, path: impl AsRef<[u8]>, time: Timestamp) {
        if let Some(file) = self.files.get_mut(path.as_ref()) {
            file.time = time;
        }
    }

    /// Gives a file another name. `false` where there is no such file.
    pub fn rename(&mut self, from: impl AsRef<[u8]>, to: impl AsRef<[u8]>) -> bool {
        self.files.remove(from.as_ref()).is_some_and(|file| {
            self.files.insert(to.as_ref().to_vec(), file);
            true
        })
    }

    /// Takes a file away. `false` where there is no such file.
    pub fn remove(&mut self, path: impl AsRef<[u8]>) -> bool {
        self.files.remove(path.as_ref()).is_some()
    }

    /// Empties the card.
    pub fn format(&mut self) {
        self.files.clear();
        self.folders.clear();
    }

    /// Puts another card into the logger and gives the old one. The logger's clock goes on.
    pub fn swap(&mut self, mut other: Card) -> Card {
        other.clock_error = self.clock_error;
        // Whatever a transfer has open must not be taken for a file of the new card.
        other.changes += self.changes;
        for file in other.files.values_mut() {
            file.inode += self.changes;
            file.change += self.changes;
        }
        std::mem::replace(self, other)
    }

    /// Takes all free room with one file of noise; nothing where no capacity is set.
    pub fn fill(&mut self, path: impl AsRef<[u8]>, now: Timestamp) {
        let free = self.capacity.saturating_sub(self.used());
        if free > 0 {
            let seed = self.changes;
            self.add(path, Content::noise(seed, free), now);
        }
    }

    /// Bytes in all files.
    pub fn used(&self) -> u64 {
        self.files.values().map(|file| file.content.len()).sum()
    }

    /// A file.
    pub fn file(&self, path: impl AsRef<[u8]>) -> Option<&CardFile> {
        self.files.get(path.as_ref())
    }

    /// All files in the order of their paths.
    pub fn files(&self) -> impl Iterator<Item = (&[u8], &CardFile)> {
        self.files.iter().map(|(path, file)| (path.as_slice(), file))
    }

    /// What lies directly in a folder (empty for the top), folders first as nginx shows them, in
    /// byte order; `None` where there is no such folder.
    pub fn entries(&self, folder: &[u8]) -> Option<Vec<(Vec<u8>, Entry)>> {
        let mut folders = BTreeSet::new();
        let mut files = Vec::new();
        let mut known = folder.is_empty() || self.folders.contains(folder);
        for path in self.folders.iter().chain(self.files.keys()) {
            let Some(rest) = below(path, folder) else { continue };
            known = true;
            match rest.iter().position(|b| *b == b'/') {
                Some(end) => {
                    folders.insert(rest[..end].to_vec());
                }
                None => match self.files.get(path) {
                    Some(file) => files.push((rest.to_vec(), Entry::File(file.clone()))),
                    None => {
                        folders.insert(rest.to_vec());
                    }
                },
            }
        }
        let folders = folders.into_iter().map(|name| (name, Entry::Folder));
        known.then(|| folders.chain(files).collect())
    }

    /// Opens a file.
    pub(super) fn open(&self, path: &[u8]) -> Option<Opened> {
        self.files.get(path).map(|file| Opened { path: path.to_vec(), file: file.clone() })
    }

    /// Reads from an open file: what it is now if it was changed in place, what it was if it went.
    pub(super) fn read(&self, opened: &mut Opened, from: u64, len: usize) -> Bytes {
        if let Some(file) = self.files.get(&opened.path)
            && file.inode == opened.file.inode
        {
            opened.file = file.clone();
        }
        opened.file.content.read(from, len)
    }
}

/// The rest of a path behind a folder.
fn below<'a>(path: &'a [u8], folder: &[u8]) -> Option<&'a [u8]> {
    if folder.is_empty() {
        return Some(path);
    }
    path.strip_prefix(folder)?.strip_prefix(b"/")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> Timestamp {
        "2026-11-24T20:00:00Z".parse().expect("moment")
    }

    #[test]
    fn an_open_transfer_sees_an_overwrite_and_not_a_replacement() {
        let mut card = Card::new();
        card.add("a", Content::bytes("old old"), now());
        let mut opened = card.open(b"a").expect("there");
        card.overwrite("a", Content::bytes("new new"), now());
        assert_eq!(card.read(&mut opened, 0, 3), "new");
        card.add("a", Content::bytes("another"), now());
        assert_eq!(card.read(&mut opened, 0, 9), "new new");
        card.remove("a");
        assert_eq!(card.read(&mut opened, 4, 9), "new");
    }

    #[test]
    fn folders_come_from_paths_and_before_files() {
        let mut card = Card::new();
        for path in ["b.log", "x/1.log", "x/y/2.log", "a.log"] {
            card.add(path, Content::noise(1, 5), now());
        }
        card.add_folder("empty");
        let names = |folder: &[u8]| -> Vec<String> {
            let entries = card.entries(folder).expect("folder");
            entries.into_iter().map(|(name, _)| String::from_utf8(name).expect("text")).collect()
        };
        assert_eq!(names(b""), ["empty", "x", "a.log", "b.log"]);
        assert_eq!(names(b"x"), ["y", "1.log"]);
        assert!(names(b"empty").is_empty());
        assert!(card.entries(b"nowhere").is_none());
    }

    #[test]
    fn a_lost_clock_counts_from_1980() {
        let mut card = Card::new();
        card.lose_clock(now());
        card.add("a", Content::noise(1, 5), now() + SignedDuration::from_secs(90));
        assert_eq!(card.file("a").expect("there").time.to_string(), "1980-01-01T00:01:30Z");
    }

    #[test]
    fn a_swapped_card_brings_its_own_files_and_a_fill_leaves_no_room() {
        let mut card = Card::new();
        card.add("a", Content::noise(1, 5), now());
        let mut opened = card.open(b"a").expect("there");
        let mut other = Card::new();
        other.add("a", Content::noise(2, 5), now());
        let old = card.swap(other);
        assert_eq!(card.read(&mut opened, 0, 5), Content::noise(1, 5).read(0, 5));
        assert_eq!(old.used(), 5);
        card.capacity = 100;
        card.fill("full", now());
        assert_eq!(card.used(), 100);
    }
}
