//! Is it the archive that it was? Nothing is read or written before that is known.

use jiff::Timestamp;
use serde_json::json;

use super::place::depot_object;
use super::records::{ArchiveJson, DepotRecord};
use super::run::{Forwarder, OUTAGES};
use crate::archive::{ArchiveError, ArchiveFailure, Created, IDENTITY};
use crate::config::ArchiveTarget;
use crate::ledger::{Due, Finding, LedgerError, Severity};

/// Why an archive cannot be used now.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AttachError {
    /// It is away, or refuses.
    #[error("it {0}")]
    Archive(#[from] ArchiveError),
    /// Another archive stands in its place.
    #[error("another archive stands where it was (id {found}, not {known})")]
    Other {
        /// Its id.
        found: String,
        /// The id that was accepted.
        known: String,
    },
    /// An empty folder stands where the archive was.
    #[error("an empty folder stands where it was: the share is probably not mounted")]
    Empty,
    /// Our own ledger failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl Forwarder {
    /// Makes sure of the archive's identity and begins to use it. `adopt` accepts another or a new
    /// one in its place, on a person's word.
    pub async fn attach(&self, adopt: bool) -> Result<(), AttachError> {
        let attached = self.identified(adopt).await;
        self.archives.looked(self.config.name.as_str());
        attached
    }

    async fn identified(&self, adopt: bool) -> Result<(), AttachError> {
        let name = self.config.name.as_str();
        let known = self.ledger.archive_id(name).await?;
        let standing = self.archive.identify().await?;
        let identity = match (standing, &known) {
            (Some(bytes), _) => bytes,
            (None, Some(_)) if !adopt => return Err(AttachError::Empty),
            // A ledger that was lost does not know that there had been one.
            (None, None) if !adopt && self.ledger.behind().await?.iter().any(|behind| behind == name) => {
                return Err(AttachError::Empty);
            }
            (None, _) => self.first_use().await?,
        };
        let parsed = ArchiveJson::parse(&identity)
            .map_err(|e| ArchiveError::new(ArchiveFailure::NotAnArchive, format!("its archive.json: {e}")))?;
        match known {
            Some(known) if known == parsed.id => {}
            Some(known) if !adopt => return Err(AttachError::Other { found: parsed.id, known }),
            _ => {
                let ArchiveTarget::File(root) = &self.config.target;
                self.ledger.accept_archive(name, &root.display().to_string(), &parsed.id).await?;
            }
        }
        self.archive.accept(&identity);
        if adopt {
            self.ledger.clear("archive-first-use", name)?;
        }
        self.register().await
    }

    async fn first_use(&self) -> Result<Vec<u8>, AttachError> {
        let json = ArchiveJson {
            id: format!("{}{}", self.edges.random.name(), self.edges.random.name()),
            created: self.edges.clock.now(),
            by: self.depot.clone(),
        };
        let bytes = json.to_bytes();
        match self.archive.create(vec![(IDENTITY.to_owned(), bytes.clone())]).await?.first() {
            Some(Created::New) => {
                self.on_system_disk()?;
                Ok(bytes)
            }
            _ => self.archive.identify().await?.ok_or(AttachError::Empty),
        }
    }

    /// An archive that begins on the machine's own disk may be a share that is not mounted.
    fn on_system_disk(&self) -> Result<(), LedgerError> {
        let ArchiveTarget::File(root) = &self.config.target;
        let device = |path: &std::path::Path| self.edges.disk.stat(path).ok().flatten().map(|s| s.identity.0);
        if device(root) != device(std::path::Path::new("/")) {
            return Ok(());
        }
        self.ledger.raise(Finding {
            code: "archive-first-use",
            subject: self.config.name.to_string(),
            severity: Severity::Watch,
            vehicle: None,
            logger: None,
            evidence: json!({ "folder": root.display().to_string() }),
            cause: format!(
                "archive \"{}\" was begun in {}, which is on this PC's own system disk",
                self.config.name,
                root.display()
            ),
            action: format!(
                "If the folder is meant, confirm it with `yarder adopt {0}`. If it should be a share, mount that and run `yarder adopt {0}`; what was stored meanwhile stays in the folder under the mount.",
                self.config.name
            ),
        })
    }

    /// Each depot registers once.
    async fn register(&self) -> Result<(), AttachError> {
        let install = self.ledger.install(self.edges.random.name()).await?;
        let object = depot_object(&self.depot);
        let since: Timestamp = self.edges.clock.now();
        let record = DepotRecord { install: install.clone(), since };
        if self.archive.create(vec![(object.clone(), record.to_bytes())]).await? == [Created::New] {
            return Ok(());
        }
        let there = self.archive.get(vec![object]).await?.into_iter().flatten().next();
        let other = there.and_then(|b| DepotRecord::parse(&b).ok()).filter(|r| r.install != install);
        if let Some(other) = other {
            self.ledger.raise(Finding {
                code: "depot-name-taken",
                subject: self.config.name.to_string(),
                severity: Severity::Act,
                vehicle: None,
                logger: None,
                evidence: json!({ "since": other.since.to_string() }),
                cause: format!(
                    "archive \"{}\" knows a depot \"{}\" with another state folder, since {}",
                    self.config.name,
                    self.depot,
                    other.since.strftime("%Y-%m-%d")
                ),
                action: "If this PC replaces the old one, nothing is to be done. If two depots bear one name, give one of them another `name` in yarder.toml.".into(),
            })?;
        }
        Ok(())
    }

    /// A file at which the archive failed alone waits for itself, and is told.
    pub(super) async fn put_off(&self, due: &Due, trouble: &ArchiveError) -> Result<(), LedgerError> {
        let (name, path, detail) = (self.config.name.as_str(), &due.path, &trouble.detail);
        self.ledger.put_off(name, due.id, detail.clone()).await?;
        let (code, why) = match trouble.failure {
            ArchiveFailure::Source => {
                ("spool-failed", format!("it cannot be read from the spool ({detail})"))
            }
            _ => ("not-archived", format!("archive \"{name}\" {trouble}")),
        };
        let action = format!("{} The other files go on, and this one is tried again.", trouble.help());
        let cause = format!("{path} cannot be archived: {why}");
        self.raise(code, Severity::Act, due, json!({ "error": detail }), cause, &action)
    }

    /// Says that the archive cannot be used, in the words that fit.
    pub(super) fn away(&self, error: &AttachError) -> Result<(), LedgerError> {
        let name = &self.config.name;
        let (code, action) = match error {
            AttachError::Ledger(_) => return Ok(()),
            AttachError::Other { .. } => (
                "archive-other",
                format!(
                    "See whether the right share is mounted. If the archive was exchanged on purpose, run `yarder adopt {name}`."
                ),
            ),
            AttachError::Empty => (
                "archive-away",
                format!("Mount the share. If the archive was emptied on purpose, run `yarder adopt {name}`."),
            ),
            AttachError::Archive(e) if e.failure == ArchiveFailure::Full => {
                ("archive-full", e.help().to_owned())
            }
            AttachError::Archive(e) => ("archive-away", e.help().to_owned()),
        };
        let mut before = OUTAGES.iter().filter(|other| **other != code);
        before.try_for_each(|code| self.ledger.clear(code, name.as_str()))?;
        self.progress
            .tell(crate::progress::Tick::Trouble { vehicle: None, text: format!("archive {name}: {error}") });
        self.ledger.raise(Finding {
            code,
            subject: name.to_string(),
            severity: Severity::Act,
            vehicle: None,
            logger: None,
            evidence: json!({ "error": error.to_string() }),
            cause: format!("archive \"{name}\" cannot be used: {error}; files wait in the spool"),
            action,
        })
    }
}
