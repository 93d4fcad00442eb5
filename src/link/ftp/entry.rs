//! What one line of a listing says, whatever its dialect.

use crate::model::{ListedSize, ListedTime};

/// Files and folders; links and devices are left out where lines are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum What {
    File,
    Folder,
}

/// A file or folder as its line shows it; the name is not checked yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub what: What,
    pub name: Vec<u8>,
    pub size: ListedSize,
    pub time: Option<ListedTime>,
}

/// One line, read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Line {
    /// A file or folder.
    Entry(Entry),
    /// A known form that names neither: `total 5`, the folder itself, its parent, a link.
    Nothing,
    /// In no known form.
    Unknown,
}

/// Whether a name is the folder itself or its parent.
pub(super) fn is_dots(name: &[u8]) -> bool {
    matches!(name, b"." | b"..")
}
