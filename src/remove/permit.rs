//! The types without which nothing is removed.

use serde_json::{Value, json};

use crate::ledger::{Intent, Removable, VersionId};
use crate::link::Told;
use crate::model::{Look, RemotePath};

/// How much of a file was compared with what is archived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compared {
    /// Its first and last 64 KiB.
    Ends,
    /// All of it.
    Whole,
}

impl Compared {
    fn as_str(self) -> &'static str {
        match self {
            Compared::Ends => "its ends",
            Compared::Whole => "all of it",
        }
    }
}

/// That every guard lets a file go. Made by the guard alone.
///
/// ```compile_fail
/// use yarder::remove::Clearance;
/// fn forge(given: Clearance) -> Clearance { Clearance { ..given } }
/// ```
#[derive(Debug)]
pub struct Clearance {
    id: VersionId,
    path: RemotePath,
    look: Look,
    compared: Compared,
    told: Told,
    copies: Vec<String>,
}

impl Clearance {
    pub(super) fn new(item: &Removable, look: Look, compared: Compared, told: Told) -> Self {
        let copies = item.copies.iter().map(|copy| copy.archive.clone()).collect();
        Self { id: item.id, path: item.path.clone(), look, compared, told, copies }
    }

    /// Of which version.
    pub fn id(&self) -> VersionId {
        self.id
    }

    /// How much of it was compared.
    pub fn compared(&self) -> Compared {
        self.compared
    }

    /// For the event log: what was made sure of.
    pub fn detail(&self) -> Value {
        json!({
            "serial": self.told.number(), "compared": self.compared.as_str(), "copies_in": self.copies.join(", "),
        })
    }

    /// With the committed intent to remove the same version, the permit to do so.
    pub fn permit(self, intent: &Intent) -> Option<Permit> {
        (intent.id() == self.id).then_some(Permit { path: self.path, look: self.look })
    }
}

/// That one file may be deleted from its logger, once. Made of a [`Clearance`] and an [`Intent`] alone.
///
/// ```compile_fail
/// # use yarder::model::{Look, RemotePath};
/// let path = RemotePath::new(b"00001.log").unwrap();
/// let forged = yarder::remove::Permit { path, look: Look::default() };
/// ```
#[derive(Debug)]
pub struct Permit {
    path: RemotePath,
    look: Look,
}

impl Permit {
    /// What is to be deleted.
    pub fn path(&self) -> &RemotePath {
        &self.path
    }

    /// What the logger said of it before its bytes were compared.
    pub fn look(&self) -> &Look {
        &self.look
    }

    /// One for the tests of links.
    #[cfg(test)]
    pub(crate) fn for_test(path: &RemotePath, look: Look) -> Self {
        Self { path: path.clone(), look }
    }
}
