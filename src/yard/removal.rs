//! Removal within a visit: what may go, one file after the other, each behind every guard.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;

use super::trouble;
use super::turns::Turn;
use super::visit::{End, Visit};
use crate::config::Serial;
use crate::fetch::Halt;
use crate::killpoint;
use crate::ledger::{Change, Finding, LedgerError, Remains, Removable, Seen, Severity, VersionId};
use crate::link::{LinkError, LinkFailure};
use crate::model::RemotePath;
use crate::model::amount::span;
use crate::remove::{Compared, Copies, Guard, Policy, Stays};

/// Files asked of the ledger at a time.
const PAGE: usize = 256;
/// Files that are tried between two listings at most ...
const BATCH: usize = 64;
/// ... and bytes of them whose copies are read before the first: what an hour is enough for on a slow share.
const BATCH_BYTES: u64 = 256_000_000;
/// A listing says for so long what lies beside a file.
const LISTED: Duration = Duration::from_secs(600);

/// What a visit knows of removal.
#[derive(Default)]
pub(super) struct Removal {
    /// Files beside which the last listing has a later one of their stream.
    earlier: BTreeSet<RemotePath>,
    /// Whether that listing was whole.
    whole: bool,
    /// When it was taken; none where a transfer has come since.
    listed: Option<Duration>,
    /// Files that were tried in this visit.
    tried: BTreeSet<VersionId>,
    /// Files of which a listing must show whether they are gone, and what left that open where it was
    /// not said.
    asked: BTreeMap<VersionId, (RemotePath, Option<LinkError>)>,
    /// Nothing more is removed in this visit.
    over: bool,
    /// Files that a listing has shown to be gone.
    gone: u64,
}

impl Removal {
    pub fn listed(&mut self, earlier: BTreeSet<RemotePath>, whole: bool) {
        (self.earlier, self.whole) = (earlier, whole);
    }

    /// The last listing was taken then.
    pub fn listed_at(&mut self, now: Duration) {
        self.listed = Some(now);
    }

    /// What is fetched takes its time: the last listing is old.
    pub fn fetched(&mut self) {
        self.listed = None;
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
    /// Removes what may go now, a batch at most. Gives whether a listing must show what came of it, and
    /// whether there is more.
    pub async fn remove(&mut self) -> Result<bool, End> {
        let (config, logger) = (self.config.clone(), self.logger.clone());
        if logger.kind.remove.is_none() {
            for code in ["remove-refused", "remove-failed"] {
                self.yard.ledger.clear(code, logger.id.as_str())?;
            }
        }
        let Some(serial) = &logger.serial else { return Ok(false) };
        // By the listing at hand, and where that is old by a new one.
        for _ in 0..2 {
            let earlier = self.removal.earlier.clone();
            let Some(policy) = Policy::of(&config, &logger, &earlier) else { break };
            if self.removal.over || !self.removal.whole {
                break;
            }
            let batch = self.batch(&policy).await?;
            if batch.is_empty() {
                break;
            }
            if self.is_fresh() {
                return self.remove_batch(&policy, serial, &batch).await;
            }
            self.list().await?;
        }
        Ok(false)
    }

    fn is_fresh(&self) -> bool {
        let now = self.yard.edges.clock.boot();
        self.removal.listed.is_some_and(|at| now.saturating_sub(at) < LISTED)
    }

    /// The next files that may go by what the ledger knows and were not tried in this visit.
    async fn batch(&mut self, policy: &Policy<'_>) -> Result<Vec<Removable>, LedgerError> {
        let (mut batch, mut bytes, mut after) = (Vec::new(), 0_u64, VersionId(0));
        loop {
            let page = self.yard.ledger.removable(&self.row, policy.remove.after, after, PAGE).await?;
            let Some(last) = page.last() else { return Ok(batch) };
            after = last.id;
            for item in page {
                if self.removal.tried.contains(&item.id) || policy.stays(&item).is_some() {
                    continue;
                }
                bytes = bytes.saturating_add(item.size);
                batch.push(item);
                if batch.len() == BATCH || bytes >= BATCH_BYTES {
                    return Ok(batch);
                }
            }
        }
    }

    async fn remove_batch(
        &mut self,
        policy: &Policy<'_>,
        serial: &Serial,
        batch: &[Removable],
    ) -> Result<bool, End> {
        let yard = self.yard;
        let guard = Guard {
            policy,
            serial,
            credible: self.credible,
            archives: &yard.archives,
            clock: &*yard.edges.clock,
        };
        // Without a turn: this asks nothing of the air.
        let copies = tokio::select! {
            biased;
            () = yard.stop.cancelled() => return Ok(false),
            copies = guard.copies(batch) => copies,
        };
        let (mut asked, mut turn) = (false, None);
        for item in batch {
            // Whoever gives way waits behind those who wait already.
            turn = match turn.filter(|turn: &Turn| !turn.is_wanted()) {
                Some(turn) => Some(turn),
                None => self.turn().await,
            };
            let Some(turn) = turn.as_ref().filter(|_| self.is_fresh()) else { return Ok(asked) };
            match self.remove_one(&guard, item, &copies, turn).await? {
                Went::Asked => asked = true,
                Went::Stays => {}
                Went::Enough => return Ok(asked),
            }
            if self.removal.over {
                return Ok(asked);
            }
        }
        Ok(true)
    }

    async fn remove_one(
        &mut self,
        guard: &Guard<'_>,
        item: &Removable,
        copies: &Copies,
        turn: &Turn,
    ) -> Result<Went, End> {
        let yard = self.yard;
        let halt = Halt::below(&yard.stop);
        let wanted = async {
            turn.must_give_way(&*yard.edges.clock, &halt, true).await;
        };
        let cleared = tokio::select! {
            biased;
            () = yard.stop.cancelled() => Err(LinkError::cut("the service is stopping")),
            cleared = guard.clear(&mut *self.link, item, copies, &mut self.counts.bytes, wanted) => cleared,
        };
        let clearance = match cleared.map_err(End::Link)? {
            Ok(clearance) => clearance,
            Err(why) => return self.stays(item, why).await,
        };
        // An edit that was saved meanwhile may say `never`.
        if !Arc::ptr_eq(&self.config, &yard.config.borrow()) {
            return Ok(Went::Enough);
        }
        self.removal.tried.insert(item.id);
        let mut detail = clearance.detail();
        let remove = &guard.policy.remove;
        detail["policy"] = json!(format!(
            "kind {}: remove_after {}, remove_proof {}",
            self.logger.kind.name,
            span(remove.after.as_secs_f64()),
            remove.proof.as_str()
        ));
        let whole = clearance.compared() == Compared::Whole;
        let Some(intent) = yard.ledger.intend_removal(item.id, whole, detail).await? else {
            return Ok(Went::Stays);
        };
        killpoint::pass("removal-intent");
        let Some(permit) = clearance.permit(&intent) else { return Ok(Went::Stays) };
        // What it shows now is news, whatever the answer.
        self.unchanged = false;
        let unclear = match self.link.remove(permit).await {
            Ok(()) => {
                killpoint::pass("after-DELETE");
                yard.ledger.clear("remove-refused", self.logger.id.as_str())?;
                None
            }
            // Somebody else deleted it, or its listing is old.
            Err(e) if e.failure == LinkFailure::NotFound => return Ok(Went::Asked),
            Err(e) if e.is_answer() || e.failure == LinkFailure::Login => {
                self.removal.over = true;
                yard.ledger.removal_failed(item.id, e.to_string()).await?;
                if e.failure != LinkFailure::Changed {
                    self.refused_to_remove(&item.path, &e)?;
                }
                return Ok(Went::Enough);
            }
            // Whether it did is not known: the next whole listing tells.
            Err(e) => Some(e),
        };
        let said = unclear.as_ref().map(ToString::to_string);
        yard.ledger.removal_answered(item.id, said).await?;
        match unclear {
            Some(e) if matches!(e.failure, LinkFailure::Absent | LinkFailure::Cut) => Err(End::Link(e)),
            unclear => {
                self.removal.over |= unclear.is_some();
                self.removal.asked.insert(item.id, (item.path.clone(), unclear));
                Ok(Went::Asked)
            }
        }
    }

    /// What follows from a guard that holds a file back.
    async fn stays(&mut self, item: &Removable, why: Stays) -> Result<Went, End> {
        match &why {
            Stays::ArchiveAway(_) | Stays::GivesWay => return Ok(Went::Enough),
            Stays::CopyWrong(archive) => {
                let why = "is not there, or holds other bytes than were stored";
                for copy in item.copies.iter().filter(|copy| copy.archive == *archive) {
                    self.yard.ledger.wrong_elsewhere(copy, why).await?;
                }
            }
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
        Ok(Went::Stays)
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

    fn refused_to_remove(&self, path: &RemotePath, error: &LinkError) -> Result<(), LedgerError> {
        let refused = error.is_answer() || error.failure == LinkFailure::Login;
        let (severity, action) = match refused {
            true => (
                Severity::Act,
                "Give its login the right to delete, or write remove = \"never\" in its kind. Files are safe in the archives meanwhile.",
            ),
            false => (
                Severity::Watch,
                "Nothing if it passes. Otherwise look at that logger's card, or write remove = \"never\" in its kind. Files are safe in the archives meanwhile.",
            ),
        };
        trouble::raise(
            self.yard,
            &self.logger,
            "remove-refused",
            severity,
            json!({ "file": path.to_string(), "answer": error.detail }),
            format!("the logger does not delete {path}: {}", error.detail),
            action,
        )
    }

    /// Whether the files are gone that the logger was asked to delete.
    pub(super) fn still_there(&mut self, changes: &[Change]) -> Result<(), LedgerError> {
        for change in changes {
            let (id, why) = match change {
                Change::Absent { id } => (id, None),
                Change::Remains { id, why } => (id, Some(*why)),
                _ => continue,
            };
            let Some((path, unclear)) = self.removal.asked.remove(id) else { continue };
            match (why, unclear) {
                (None, _) => {
                    self.removal.gone += 1;
                    self.yard.ledger.clear("remove-failed", self.logger.id.as_str())?;
                }
                (Some(Remains::Listed), Some(error)) => self.refused_to_remove(&path, &error)?,
                (Some(Remains::Listed), None) => {
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
                // It was deleted, or not: what is there now is another file.
                (Some(_), _) => {}
            }
        }
        Ok(())
    }
}
