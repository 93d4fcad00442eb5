//! The guards that look at the archives and at the logger itself, in one conversation with it.

use std::collections::BTreeMap;
use std::time::Duration;

use super::permit::{Clearance, Compared};
use super::policy::{Policy, Stays};
use crate::archive::{ArchiveError, Archives, ReadBack, Verified};
use crate::clock::Clock;
use crate::config::Serial;
use crate::ledger::{Elsewhere, Removable, VersionId};
use crate::link::{Link, LinkError, LinkFailure, read_ends, tells};
use crate::model::{Look, RunningHash};

/// How long a look at an archive's copy holds; a machine that sleeps looks at nothing.
const FRESH: Duration = Duration::from_secs(3600);

/// What the guard works with.
pub struct Guard<'a> {
    /// What the kind and the depot ask.
    pub policy: &'a Policy<'a>,
    /// Who the logger ought to be.
    pub serial: &'a Serial,
    /// Whether the times of its listing can be believed; otherwise files are compared in whole.
    pub credible: bool,
    /// The archives in use.
    pub archives: &'a Archives,
    /// Tells how old a look at an archive is.
    pub clock: &'a dyn Clock,
}

/// What stands in the archives of some files, as it was read back at one moment.
#[derive(Debug)]
pub struct Copies {
    read: Duration,
    /// How many copies are right, or what is wrong with one.
    found: BTreeMap<VersionId, Result<u32, Stays>>,
}

impl Guard<'_> {
    /// Reads the copies of some files in every required archive, in one go each, and in all of them where
    /// none is required. Needs no logger.
    pub async fn copies(&self, items: &[Removable]) -> Copies {
        let read = self.clock.boot();
        let mut asked: BTreeMap<&str, Vec<(&Removable, &Elsewhere)>> = BTreeMap::new();
        for item in items {
            for copy in item.copies.iter().filter(|copy| self.policy.asks(&copy.archive)) {
                asked.entry(&copy.archive).or_default().push((item, copy));
            }
        }
        let mut found: BTreeMap<_, Result<u32, Stays>> = items.iter().map(|item| (item.id, Ok(0))).collect();
        for (archive, copies) in asked {
            let verdicts = self.read(archive, &copies).await;
            for ((item, _), verdict) in copies.iter().zip(verdicts) {
                let Some(Ok(right)) = found.get(&item.id) else { continue };
                let right = right + 1;
                found.insert(item.id, verdict.map(|()| right));
            }
        }
        Copies { read, found }
    }

    async fn read(&self, name: &str, copies: &[(&Removable, &Elsewhere)]) -> Vec<Result<(), Stays>> {
        let away = || copies.iter().map(|_| Err(Stays::ArchiveAway(name.to_owned()))).collect();
        let Some(archive) = self.archives.get(name) else { return away() };
        let keys = copies.iter().map(|(_, copy)| copy.location.clone()).collect();
        match archive.read_back(keys).await {
            Ok(back) => {
                let each = copies.iter().zip(back.into_iter().chain(std::iter::repeat(None)));
                each.map(|((item, _), back)| right(item, name, Ok(back))).collect()
            }
            Err(e) if e.failure.is_outage() => away(),
            // One that cannot be read holds back no other.
            Err(_) => {
                let mut verdicts = Vec::new();
                for (item, copy) in copies {
                    let back = archive.read_back(vec![copy.location.clone()]).await;
                    verdicts.push(right(item, name, back.map(|back| back.into_iter().next().flatten())));
                }
                verdicts
            }
        }
    }

    /// Whether a file may go now whose copies were read. Bytes that the logger sent are added to `bytes`;
    /// where all of the file must be read, that ends when `wanted` does, since others wait. A failure that
    /// is no answer about this file is an error.
    pub async fn clear(
        &self,
        link: &mut dyn Link,
        item: &Removable,
        copies: &Copies,
        bytes: &mut u64,
        wanted: impl Future<Output = ()>,
    ) -> Result<Result<Clearance, Stays>, LinkError> {
        if let Some(why) = self.policy.stays(item) {
            return Ok(Err(why));
        }
        match copies.found.get(&item.id) {
            Some(Ok(right)) if *right > 0 => {}
            Some(Err(why)) => return Ok(Err(why.clone())),
            Some(Ok(_)) | None => return Ok(Err(Stays::NoCopy(String::new()))),
        }
        let Ok(told) = tells(link, self.serial).await? else { return Ok(Err(Stays::Nameless)) };
        let look = match link.look(&item.path).await {
            Ok(look) => look,
            Err(e) if e.is_answer() => return Ok(Err(Stays::Changed)),
            Err(e) => return Err(e),
        };
        if look.size != Some(item.size) {
            return Ok(Err(Stays::Changed));
        }
        let compared = match self.compare(link, item, &look, bytes, wanted).await? {
            Ok(compared) => compared,
            Err(why) => return Ok(Err(why)),
        };
        if self.clock.boot().saturating_sub(copies.read) > FRESH {
            return Ok(Err(Stays::Stale));
        }
        Ok(Ok(Clearance::new(item, look, compared, told)))
    }

    /// Compares the file with what is archived: its ends, or all of it where its times say nothing
    /// or other things than before, where it is known by its ends alone, and where the logger cannot begin a read at the end.
    async fn compare(
        &self,
        link: &mut dyn Link,
        item: &Removable,
        look: &Look,
        bytes: &mut u64,
        wanted: impl Future<Output = ()>,
    ) -> Result<Result<Compared, Stays>, LinkError> {
        let ends = match read_ends(link, &item.path, item.size, bytes).await? {
            Some(ends) => ends,
            None => return Ok(Err(Stays::Unreadable)),
        };
        if !ends.are_of(&item.edges) {
            return Ok(Err(Stays::Differs));
        }
        let sure = self.credible && !item.presumed && look.agrees(&item.look);
        if sure && ends.both_of(&item.edges) {
            return Ok(Ok(Compared::Ends));
        }
        tokio::select! {
            biased;
            () = wanted => {
                link.stop().await;
                Ok(Err(Stays::GivesWay))
            }
            compared = in_whole(link, item, look, bytes) => compared,
        }
    }
}

/// Whether what was read back is what was stored.
fn right(item: &Removable, archive: &str, back: Result<Option<ReadBack>, ArchiveError>) -> Result<(), Stays> {
    match back {
        Ok(Some(back))
            if back.size == item.size && back.sha256 == item.sha256 && back.how != Verified::Length =>
        {
            Ok(())
        }
        Ok(_) => Err(Stays::CopyWrong(archive.to_owned())),
        Err(e) if e.failure.is_outage() => Err(Stays::ArchiveAway(archive.to_owned())),
        Err(_) => Err(Stays::CopyUnread(archive.to_owned())),
    }
}

async fn in_whole(
    link: &mut dyn Link,
    item: &Removable,
    look: &Look,
    bytes: &mut u64,
) -> Result<Result<Compared, Stays>, LinkError> {
    let mut hash = RunningHash::default();
    match link.open(&item.path, 0, look).await {
        Ok(opened) if opened.from == 0 => {}
        Ok(_) => {
            link.stop().await;
            return Ok(Err(Stays::Unreadable));
        }
        Err(e) if e.failure == LinkFailure::Changed => return Ok(Err(Stays::Changed)),
        Err(e) if e.is_answer() => return Ok(Err(Stays::Unreadable)),
        Err(e) => return Err(e),
    }
    while let Some(chunk) = link.chunk().await? {
        *bytes += chunk.len() as u64;
        hash.update(&chunk);
        if hash.len() > item.size {
            link.stop().await;
            return Ok(Err(Stays::Changed));
        }
    }
    Ok(if hash.digest() == item.sha256 { Ok(Compared::Whole) } else { Err(Stays::Differs) })
}
