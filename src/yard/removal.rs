//! Removal within a visit: what may go, one file after the other, each behind every guard.

use std::collections::BTreeSet;

use serde_json::json;

use super::trouble;
use super::visit::{End, Visit};
use crate::config::Serial;
use crate::killpoint;
use crate::ledger::{Change, Finding, LedgerError, Removable, Seen, Severity, VersionId};
use crate::link::{LinkError, LinkFailure};
use crate::model::RemotePath;
use crate::remove::{Compared, Guard, Policy, Stays};

/// Files asked of the ledger at a time.
const PAGE: usize = 256;
/// Files removed between two listings at most.
const BATCH: usize = 64;

/// What a visit knows of removal.
#[derive(Default)]
pub(super) struct Removal {
    /// Files beside which the last listing has a later one of their stream.
    earlier: BTreeSet<RemotePath>,
    /// Whether that listing was whole.
    whole: bool,
    /// Files that were tried in this visit.
    tried: BTreeSet<VersionId>,
    /// Files of which the logger said that they are deleted.
    answered: BTreeSet<VersionId>,
    /// Nothing more is removed in this visit.
    over: bool,
    /// Files that a listing has shown to be gone.
    gone: u64,
}

impl Removal {
    pub fn listed(&mut self, earlier: BTreeSet<RemotePath>, whole: bool) {
        (self.earlier, self.whole) = (earlier, whole);
    }

    /// Files that this visit removed, as a listing has shown.
    pub fn gone(&self) -> u64 {
        self.gone
    }
}

/// What came of one file.
enum Went {
    /// The logger was asked to delete it; a listing must show it.
    Asked,
    /// It stays.
    Stays,
    /// It stays, and so do the others for as long as this stands.
    Enough,
}

impl Visit<'_> {
    /// Removes what may go now. Gives whether a listing must show what came of it.
    pub async fn remove(&mut self) -> Result<bool, End> {
        let (config, logger) = (self.config.clone(), self.logger.clone());
        let earlier = std::mem::take(&mut self.removal.earlier);
        let asked = match (Policy::of(&config, &logger, &earlier), &logger.serial) {
            (Some(policy), Some(serial)) if self.removal.whole && !self.removal.over => {
                self.remove_by(&policy, serial).await
            }
            (None, _) => {
                let codes = ["remove-refused", "remove-failed"];
                codes.iter().try_for_each(|code| self.yard.ledger.clear(code, logger.id.as_str()))?;
                Ok(false)
            }
            _ => Ok(false),
        };
        self.removal.earlier = earlier;
        asked
    }

    async fn remove_by(&mut self, policy: &Policy<'_>, serial: &Serial) -> Result<bool, End> {
        let mut asked = 0;
        let mut after = VersionId(0);
        loop {
            let page = self.yard.ledger.removable(&self.row, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = last.id;
            for item in &page {
                if self.removal.tried.contains(&item.id) || policy.stays(item).is_some() {
                    continue;
                }
                match self.remove_one(policy, serial, item).await? {
                    Went::Asked => asked += 1,
                    Went::Stays => {}
                    Went::Enough => return Ok(asked > 0),
                }
                if asked == BATCH {
                    return Ok(true);
                }
            }
        }
        Ok(asked > 0)
    }

    async fn remove_one(
        &mut self,
        policy: &Policy<'_>,
        serial: &Serial,
        item: &Removable,
    ) -> Result<Went, End> {
        let yard = self.yard;
        let _turn = tokio::select! {
            biased;
            () = yard.stop.cancelled() => return Ok(Went::Enough),
            turn = yard.turns.wait(self.logger.access_point.as_deref()) => turn,
        };
        let guard = Guard {
            policy,
            serial,
            credible: self.credible,
            archives: &yard.archives,
            clock: &*yard.edges.clock,
        };
        let cleared = tokio::select! {
            biased;
            () = yard.stop.cancelled() => Err(LinkError::cut("the service is stopping")),
            cleared = guard.clear(&mut *self.link, item, &mut self.counts.bytes) => cleared,
        };
        let clearance = match cleared.map_err(End::Link)? {
            Ok(clearance) => clearance,
            Err(why) => return self.stays(item, why).await,
        };
        self.removal.tried.insert(item.id);
        let mut detail = clearance.detail();
        detail["policy"] = json!(format!(
            "kind {}: remove_after {} s, remove_proof {}",
            self.logger.kind.name,
            policy.remove.after.as_secs(),
            policy.remove.proof.as_str()
        ));
        let whole = clearance.compared() == Compared::Whole;
        let Some(intent) = yard.ledger.intend_removal(item.id, whole, detail).await? else {
            return Ok(Went::Stays);
        };
        killpoint::pass("removal-intent");
        let Some(permit) = clearance.permit(&intent) else { return Ok(Went::Stays) };
        // What it shows now is news, whatever the answer.
        self.unchanged = false;
        match self.link.remove(permit).await {
            Ok(()) => {
                killpoint::pass("after-DELETE");
                yard.ledger.removal_answered(item.id).await?;
                self.removal.answered.insert(item.id);
                yard.ledger.clear("remove-refused", self.logger.id.as_str())?;
                Ok(Went::Asked)
            }
            // Somebody else deleted it, or its listing is old.
            Err(e) if e.failure == LinkFailure::NotFound => Ok(Went::Asked),
            Err(e) if e.is_answer() || e.failure == LinkFailure::Busy => {
                self.removal.over = true;
                yard.ledger.removal_failed(item.id, e.to_string()).await?;
                if e.failure == LinkFailure::Forbidden {
                    self.refused_to_remove(item, &e)?;
                }
                Ok(Went::Enough)
            }
            // Whether it did is not known: the next whole listing tells.
            Err(e) => Err(End::Link(e)),
        }
    }

    /// What follows from a guard that holds a file back.
    async fn stays(&mut self, item: &Removable, why: Stays) -> Result<Went, End> {
        match &why {
            Stays::ArchiveAway(_) => return Ok(Went::Enough),
            Stays::CopyWrong(archive) => self.copy_wrong(item, archive).await?,
            Stays::Differs => {
                self.differs(item).await?;
                (self.removal.over, self.identified, self.unchanged) = (true, false, false);
                self.compared.clear();
            }
            // The next listing asks again who it is.
            Stays::Nameless => {
                (self.removal.over, self.identified, self.unchanged) = (true, false, false);
            }
            Stays::Changed => self.unchanged = false,
            _ => {}
        }
        self.removal.tried.insert(item.id);
        Ok(if self.removal.over { Went::Enough } else { Went::Stays })
    }

    async fn copy_wrong(&mut self, item: &Removable, archive: &str) -> Result<(), LedgerError> {
        let why = "is not there, or holds other bytes than were stored";
        for copy in item.copies.iter().filter(|copy| copy.archive == archive) {
            self.yard.ledger.wrong_elsewhere(copy, why).await?;
            self.yard.ledger.raise(Finding {
                code: "archive-copy-wrong",
                subject: format!("{archive}/{}/{}", self.logger.id, item.path),
                severity: Severity::Act,
                vehicle: Some(self.logger.vehicle.to_string()),
                logger: Some(self.logger.id.to_string()),
                evidence: json!({ "archive": archive, "file": item.path.to_string(), "location": copy.location }),
                cause: format!("{} in archive \"{archive}\" {why}", copy.location),
                action: "Look at the archive's disk, then run `yarder audit`.".into(),
            })?;
        }
        Ok(())
    }

    /// What lies on the card under that name is not what is archived: it is a content of its own.
    async fn differs(&mut self, item: &Removable) -> Result<(), LedgerError> {
        let seen = Seen { path: item.path.clone(), listed: String::new(), look: item.look.clone() };
        let new = Change::New { seen, backlog: false, same_as: None, why: "its bytes differ" };
        self.yard.ledger.apply(&self.row, self.logger.vehicle.as_str(), false, vec![new]).await?;
        self.yard.ledger.raise(Finding {
            code: "remove-differs",
            subject: format!("{}/{}", self.logger.id, item.path),
            severity: Severity::Watch,
            vehicle: Some(self.logger.vehicle.to_string()),
            logger: Some(self.logger.id.to_string()),
            evidence: json!({ "file": item.path.to_string() }),
            cause: format!(
                "{} has the name, size and time of an archived file, and other bytes; it was not removed",
                item.path
            ),
            action: "Nothing: it is fetched as a file of its own. See whether the card was formatted, or the logger's clock set back.".into(),
        })
    }

    fn refused_to_remove(&self, item: &Removable, error: &LinkError) -> Result<(), LedgerError> {
        trouble::raise(
            self.yard,
            &self.logger,
            "remove-refused",
            Severity::Act,
            json!({ "file": item.path.to_string(), "answer": error.detail }),
            format!("the logger does not delete {}: {}", item.path, error.detail),
            "Give its login the right to delete, or write remove = \"never\" in its kind. Files are safe in the archives meanwhile.",
        )
    }

    /// Whether the files that the logger said it had deleted are gone.
    pub(super) fn still_there(&mut self, changes: &[Change]) -> Result<(), LedgerError> {
        for change in changes {
            match change {
                Change::Absent { id } if self.removal.answered.remove(id) => {
                    self.removal.gone += 1;
                    self.yard.ledger.clear("remove-failed", self.logger.id.as_str())?;
                    continue;
                }
                Change::Remains { id } if self.removal.answered.remove(id) => {}
                _ => continue,
            }
            self.removal.over = true;
            trouble::raise(
                self.yard,
                &self.logger,
                "remove-failed",
                Severity::Act,
                json!({ "serial": self.logger.serial.as_ref().map(|s| &s.number) }),
                "the logger says that it deleted a file, and lists it still".into(),
                "Look at that logger's card: it may be write-protected or worn out. Otherwise write remove = \"never\" in its kind.",
            )?;
        }
        Ok(())
    }
}
