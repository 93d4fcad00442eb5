//! Whether a file may leave its logger, as far as the ledger knows. Pure.

use std::collections::BTreeSet;
use std::fmt;
use std::time::Duration;

use crate::config::{Config, Logger, Remove};
use crate::ledger::Removable;
use crate::model::{Proof, RemotePath};

/// Why a file stays on its logger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stays {
    /// Its logger does not tell who it is, or tells another number.
    Nameless,
    /// No later file of its stream is there: it may still be written.
    Last,
    /// It has not been archived for long enough; the time that is left.
    Waits(Duration),
    /// Its copy was not checked strongly enough.
    Proof(Proof),
    /// The copy lacks what the logger could not read.
    Gapped,
    /// A required archive has no verified copy, or no archive has.
    NoCopy(String),
    /// An archive cannot be asked now.
    ArchiveAway(String),
    /// An archive cannot read its copy.
    CopyUnread(String),
    /// What stands in an archive is not what was stored.
    CopyWrong(String),
    /// The copies were checked too long ago.
    Stale,
    /// The logger says other things of it than before.
    Changed,
    /// Its bytes are not those that are archived.
    Differs,
    /// It cannot be read again.
    Unreadable,
    /// All of it must be read, and others wait for the airtime.
    GivesWay,
}

impl Stays {
    /// A word for programs.
    pub fn code(&self) -> &'static str {
        match self {
            Stays::Nameless => "no-serial",
            Stays::Last => "last-of-stream",
            Stays::Waits(_) => "waits",
            Stays::Proof(_) => "proof",
            Stays::Gapped => "gaps",
            Stays::NoCopy(_) => "no-copy",
            Stays::ArchiveAway(_) => "archive-away",
            Stays::CopyUnread(_) => "copy-unread",
            Stays::CopyWrong(_) => "copy-wrong",
            Stays::Stale => "stale",
            Stays::Changed => "changed",
            Stays::Differs => "differs",
            Stays::Unreadable => "unreadable",
            Stays::GivesWay => "gives-way",
        }
    }
}

impl fmt::Display for Stays {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Stays::Nameless => f.write_str("its logger does not tell who it is"),
            Stays::Last => f.write_str("no later file is beside it"),
            Stays::Waits(left) => write!(f, "it has {} h left to wait", left.as_secs().div_ceil(3600)),
            Stays::Proof(proof) => write!(f, "its proof is `{}` alone", proof.as_str()),
            Stays::Gapped => f.write_str("its copy has gaps"),
            Stays::NoCopy(archive) if archive.is_empty() => f.write_str("no archive has it"),
            Stays::NoCopy(archive) => write!(f, "archive {archive} does not have it"),
            Stays::ArchiveAway(archive) => write!(f, "archive {archive} cannot be asked"),
            Stays::CopyUnread(archive) => write!(f, "archive {archive} cannot read its copy"),
            Stays::CopyWrong(archive) => write!(f, "its copy in archive {archive} is wrong"),
            Stays::Stale => f.write_str("its copies were checked too long ago"),
            Stays::Changed => f.write_str("it changed on its logger"),
            Stays::Differs => f.write_str("its bytes are not those that are archived"),
            Stays::Unreadable => f.write_str("it cannot be read again"),
            Stays::GivesWay => f.write_str("others wait for the airtime in which all of it is read"),
        }
    }
}

/// What one logger's kind and the depot's archives ask of a file before it goes.
#[derive(Debug)]
pub struct Policy<'a> {
    /// The kind's part.
    pub remove: Remove,
    /// The archives that must have it.
    pub required: Vec<&'a str>,
    /// Files beside which a later one of their stream is listed.
    pub closed: &'a BTreeSet<RemotePath>,
    /// Whether its logger ought to tell who it is.
    pub named: bool,
}

impl<'a> Policy<'a> {
    /// That of a logger; `None` where nothing is removed from it.
    pub fn of(config: &'a Config, logger: &Logger, closed: &'a BTreeSet<RemotePath>) -> Option<Self> {
        let required = config.archives.iter().filter(|a| a.required).map(|a| a.name.as_str()).collect();
        Some(Self { remove: logger.kind.remove?, required, closed, named: logger.serial.is_some() })
    }

    /// Whether an archive's copy must be right.
    pub fn asks(&self, archive: &str) -> bool {
        self.required.is_empty() || self.required.contains(&archive)
    }

    /// Why a file stays, by what the ledger knows of it; `None` where nothing there speaks for it.
    pub fn stays(&self, item: &Removable) -> Option<Stays> {
        if !self.named {
            return Some(Stays::Nameless);
        }
        if !self.closed.contains(&item.path) {
            return Some(Stays::Last);
        }
        if item.gapped {
            return Some(Stays::Gapped);
        }
        // Whatever the configuration says: the length and the channel prove nothing of the card.
        if item.proof < self.remove.proof.max(Proof::Reread) {
            return Some(Stays::Proof(item.proof));
        }
        let has = |name: &&&str| item.copies.iter().any(|copy| copy.archive == **name);
        if let Some(missing) = self.required.iter().find(|name| !has(name)) {
            return Some(Stays::NoCopy((*missing).to_owned()));
        }
        if item.copies.is_empty() {
            return Some(Stays::NoCopy(String::new()));
        }
        match self.remove.after.saturating_sub(item.waited) {
            Duration::ZERO => None,
            left => Some(Stays::Waits(left)),
        }
    }
}
