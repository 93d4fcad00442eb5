//! Copies are read back, and one that is no longer there is put back.

use serde_json::json;

use super::group::{File, Group};
use super::run::ForwardError;
use super::source::Source;
use super::steps::{Verdict, VerifyWanted, claims, verify};
use crate::archive::{ArchiveError, StoreItem, Stored};
use crate::ledger::state::Duty;
use crate::ledger::{Logged, Severity};
use crate::spool::Lies;

impl Group<'_> {
    /// Step 5: every copy is read back.
    pub(super) async fn verify(&mut self, name: &str) -> Result<(), ForwardError> {
        let forwarder = self.forwarder;
        let open: Vec<usize> = (0..self.files.len())
            .filter(|at| self.files[*at].location.is_some() && self.files[*at].back.is_none())
            .collect();
        let wanted: Vec<VerifyWanted> = open
            .iter()
            .map(|at| {
                let file = &self.files[*at];
                VerifyWanted {
                    location: file.location.clone().unwrap_or_default(),
                    size: file.due.size,
                    sha256: file.due.sha256,
                }
            })
            .collect();
        if wanted.is_empty() {
            return Ok(());
        }
        for (at, verdict) in open.into_iter().zip(verify(&*forwarder.archive, &wanted).await) {
            let verdict = match verdict {
                Ok(Verdict::Missing | Verdict::Corrupt(_)) => self.where_claimed(at, verdict).await,
                other => other,
            };
            let wrong = match verdict {
                Ok(Verdict::Good(back)) => {
                    self.files[at].back = Some(back);
                    continue;
                }
                Err(trouble) => {
                    self.troubled(at, trouble);
                    continue;
                }
                Ok(Verdict::Missing) if self.put_back(name, at).await? => continue,
                Ok(Verdict::Corrupt(_)) => "holds other bytes than were stored",
                Ok(Verdict::Missing) => "is not there",
            };
            let file = &self.files[at];
            let location = file.location.clone().unwrap_or_default();
            let why = format!("{location} {wrong}");
            match (&file.known, file.due.duty) {
                // It stays so until a person repairs it, and is not read again in every round.
                (Some(_), Duty::Owed) => forwarder.ledger.put_off(name, file.due.id, why).await?,
                _ => forwarder.ledger.found_wrong(name, file.due.id, why).await?,
            }
            forwarder.raise(
                "archive-copy-wrong",
                Severity::Act,
                &file.due,
                json!({ "location": location }),
                format!("{location} in archive \"{name}\" {wrong}"),
                "Look at the archive's disk, then run `yarder audit --repair`.",
            )?;
        }
        Ok(())
    }

    /// A copy that is not where its receipt says: the claim has fixed where it may stand. A receipt that says
    /// another place was damaged, and is not believed; the copy is looked for at the places of the claim, and
    /// is to be put back there. `found` where the claim says the same, or nothing.
    async fn where_claimed(
        &mut self,
        at: usize,
        found: Result<Verdict, ArchiveError>,
    ) -> Result<Verdict, ArchiveError> {
        let archive = &*self.forwarder.archive;
        let Some(file) = self.files.get_mut(at).filter(|file| file.known.is_some()) else { return found };
        let of = (file.logger.clone(), file.key.clone());
        let Some(claim) = claims(archive, &[of]).await?.pop().flatten() else { return found };
        let claim = file.claim.insert(claim);
        if file.location.as_ref().is_none_or(|location| claim.allows(location)) {
            return found;
        }
        let (size, sha256) = (file.due.size, file.due.sha256);
        let places = if claim.big { vec![&claim.k1] } else { vec![&claim.k0, &claim.k1] };
        let place = |location: &String| VerifyWanted { location: location.clone(), size, sha256 };
        let wanted: Vec<_> = places.into_iter().map(place).collect();
        let (mut free, mut last) = (None, found);
        for (place, verdict) in wanted.iter().zip(verify(archive, &wanted).await) {
            match verdict? {
                Verdict::Missing => free = free.or(Some(&place.location)),
                good @ Verdict::Good(_) => {
                    file.location = Some(place.location.clone());
                    return Ok(good);
                }
                corrupt => last = Ok(corrupt),
            }
        }
        file.location = free.or(wanted.first().map(|place| &place.location)).cloned();
        if free.is_some() { Ok(Verdict::Missing) } else { last }
    }

    /// A content that has its receipt, and no copy any more, gets one at its old place: nothing is written
    /// over, and a spool that waited for a person would fill. Gives whether it has.
    async fn put_back(&mut self, name: &str, at: usize) -> Result<bool, ForwardError> {
        let forwarder = self.forwarder;
        // Without its claim nothing says that this is its place.
        let told = |file: &&File| file.known.is_some() && file.claim.is_some();
        let Some(file) = self.files.get(at).filter(told) else { return Ok(false) };
        let Some(key) = file.location.clone() else { return Ok(false) };
        let Source::File(Lies { path: source, at: begins, own }) = forwarder.source(&file.due).await? else {
            return Ok(false);
        };
        let (id, size, sha256) = (file.due.id, file.due.size, file.due.sha256);
        let spooled = file.due.spool.is_some();
        let item = StoreItem { source, at: begins, own, key: key.clone(), size, sha256 };
        let (shared, back) = match forwarder.archive.store_and_read(vec![item]).await {
            Ok(mut stored) => match stored.pop() {
                Some((Stored::New { shared }, back)) => (shared, back),
                // Another stands there since; it is looked at in the next round.
                _ => return Ok(false),
            },
            Err(trouble) => {
                self.troubled(at, trouble);
                return Ok(true);
            }
        };
        let from = if spooled { "the spool" } else { "another archive" };
        let detail = json!({ "archive": name, "location": key, "from": from });
        forwarder.ledger.log(Logged { logger: None, version: Some(id), what: "repaired", detail })?;
        if let Some(file) = self.files.get_mut(at) {
            (file.shared, file.back) = (shared, back);
        }
        Ok(true)
    }
}
