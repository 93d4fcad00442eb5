//! What a disk holds after a power cut: what was flushed, and as much of the rest as chance will have.
//!
//! A file's bytes are sure once it was flushed, a name once its folder was. A rename within one folder
//! happens as a whole or not at all; one from folder to folder is a name in each of them.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::recorder::{FileId, Op, Snapshot, Tape};

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Node {
    Folder,
    File(FileId),
}

#[derive(Debug, Clone)]
enum Effect {
    Write(FileId, u64, Vec<u8>),
    SetLen(FileId, u64),
    /// In a folder: names that go, and names that come.
    Names(PathBuf, Option<PathBuf>, Option<(PathBuf, Node)>),
}

/// What is on the disk for certain.
#[derive(Debug, Clone, Default, PartialEq, Eq, Hash)]
pub struct Durable {
    pub names: BTreeMap<PathBuf, Node>,
    pub bytes: BTreeMap<FileId, Vec<u8>>,
}

impl Durable {
    fn apply(&mut self, effect: &Effect) {
        match effect {
            Effect::Write(id, at, bytes) => {
                let file = self.bytes.entry(*id).or_default();
                let (at, end) = (*at as usize, *at as usize + bytes.len());
                file.resize(file.len().max(end), 0);
                file[at..end].copy_from_slice(bytes);
            }
            Effect::SetLen(id, len) => self.bytes.entry(*id).or_default().resize(*len as usize, 0),
            Effect::Names(_, goes, comes) => {
                if let Some(goes) = goes {
                    self.names.remove(goes);
                }
                self.names.extend(comes.clone());
            }
        }
    }

    /// The bytes under a name that can be reached.
    pub fn read(&self, path: &Path) -> Option<&[u8]> {
        let reached = path
            .ancestors()
            .skip(1)
            .all(|above| above.as_os_str().is_empty() || self.names.get(above) == Some(&Node::Folder));
        match self.names.get(path).filter(|_| reached)? {
            Node::Folder => None,
            Node::File(id) => Some(self.bytes.get(id).map_or(&[], Vec::as_slice)),
        }
    }

    /// Lays everything down below a folder, with the ledger as it was.
    pub fn lay(&self, root: &Path, ledger: Option<&Snapshot>) {
        for (path, node) in &self.names {
            let to = root.join(path);
            // What lies in a folder that is not there cannot be reached.
            if !to.parent().is_some_and(Path::is_dir) {
                continue;
            }
            match node {
                Node::Folder => fs::create_dir_all(to).expect("folder"),
                Node::File(id) => {
                    fs::write(to, self.bytes.get(id).map_or(&[][..], Vec::as_slice)).expect("file");
                }
            }
        }
        if let Some(ledger) = ledger {
            lay_ledger(&root.join("state"), ledger);
        }
    }
}

/// Lays a ledger down in a folder.
pub fn lay_ledger(dir: &Path, ledger: &Snapshot) {
    fs::write(dir.join("ledger.sqlite"), &ledger.database).expect("ledger");
    if !ledger.log.is_empty() {
        fs::write(dir.join("ledger.sqlite-wal"), &ledger.log).expect("log");
    }
}

/// The disk on the way through a recording.
#[derive(Debug, Clone)]
pub struct Model {
    pub durable: Durable,
    pending: Vec<Effect>,
    /// Names as the service sees them.
    names: BTreeMap<PathBuf, Node>,
    pub ledger: Option<usize>,
}

impl Model {
    /// These folders are there from the beginning.
    pub fn new(folders: &[&str]) -> Self {
        let names: BTreeMap<_, _> = folders.iter().map(|f| (PathBuf::from(f), Node::Folder)).collect();
        let durable = Durable { names: names.clone(), ..Durable::default() };
        Self { durable, pending: Vec::new(), names, ledger: None }
    }

    pub fn step(&mut self, op: &Op) {
        match op.clone() {
            Op::Create(path, id) => self.comes(path, Node::File(id)),
            Op::Mkdir(path) => self.comes(path, Node::Folder),
            Op::Write(id, at, bytes) => self.pending.push(Effect::Write(id, at, bytes)),
            Op::SetLen(id, len) => self.pending.push(Effect::SetLen(id, len)),
            Op::Flush(id) => self
                .sure(|effect| matches!(effect, Effect::Write(of, ..) | Effect::SetLen(of, _) if *of == id)),
            Op::Rename(from, to) => {
                let Some(node) = self.names.remove(&from) else { return };
                if from.parent() == to.parent() {
                    self.names.insert(to.clone(), node);
                    let folder = folder(&to);
                    self.pending.push(Effect::Names(folder, Some(from), Some((to, node))));
                } else {
                    self.comes(to, node);
                    self.pending.push(Effect::Names(folder(&from), Some(from), None));
                }
            }
            Op::Link(from, to) => {
                if let Some(node) = self.names.get(&from).copied() {
                    self.comes(to, node);
                }
            }
            Op::Remove(path) => {
                self.names.remove(&path);
                self.pending.push(Effect::Names(folder(&path), Some(path), None));
            }
            Op::FlushDir(dir) => self.sure(|effect| matches!(effect, Effect::Names(of, ..) if *of == dir)),
            Op::Ledger(number) => self.ledger = Some(number),
            // On another card.
            Op::Deleted(_) => {}
        }
    }

    fn comes(&mut self, path: PathBuf, node: Node) {
        self.names.insert(path.clone(), node);
        self.pending.push(Effect::Names(folder(&path), None, Some((path, node))));
    }

    fn sure(&mut self, which: impl Fn(&Effect) -> bool) {
        for effect in std::mem::take(&mut self.pending) {
            if which(&effect) { self.durable.apply(&effect) } else { self.pending.push(effect) }
        }
    }

    /// A power cut now: of what is not sure, `keep` says what is there.
    pub fn cut(&self, mut keep: impl FnMut() -> bool) -> Durable {
        let mut left = self.durable.clone();
        self.pending.iter().filter(|_| keep()).for_each(|effect| left.apply(effect));
        left
    }

    /// Whether anything is not sure.
    pub fn is_sure(&self) -> bool {
        self.pending.is_empty()
    }
}

fn folder(path: &Path) -> PathBuf {
    path.parent().map(Path::to_owned).unwrap_or_default()
}

/// The ledger of a moment.
pub fn ledger_of<'t>(model: &Model, tape: &'t Tape) -> Option<&'t Snapshot> {
    model.ledger.and_then(|number| tape.snapshots.get(number))
}
