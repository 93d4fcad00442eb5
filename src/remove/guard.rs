//! The guards that look at the archives and at the logger itself, in one conversation with it.

use std::time::Duration;

use super::permit::{Clearance, Compared};
use super::policy::{Policy, Stays};
use crate::archive::Archives;
use crate::clock::Clock;
use crate::config::Serial;
use crate::ledger::Removable;
use crate::link::{Link, LinkError, LinkFailure, read_ends, tells};
use crate::model::{Look, RunningHash};

/// How long a look at an archive's copy holds.
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

impl Guard<'_> {
    /// Whether a file may go now. Bytes that the logger sent are added to `bytes`. A failure that is no
    /// answer about this file is an error.
    pub async fn clear(
        &self,
        link: &mut dyn Link,
        item: &Removable,
        bytes: &mut u64,
    ) -> Result<Result<Clearance, Stays>, LinkError> {
        if let Some(why) = self.policy.stays(item) {
            return Ok(Err(why));
        }
        let checked = self.clock.mono();
        if let Err(why) = self.copies(item).await {
            return Ok(Err(why));
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
        let compared = match self.compare(link, item, &look, bytes).await? {
            Ok(compared) => compared,
            Err(why) => return Ok(Err(why)),
        };
        if self.clock.mono().saturating_sub(checked) > FRESH {
            return Ok(Err(Stays::Stale));
        }
        Ok(Ok(Clearance::new(item, look, compared, told)))
    }

    /// Reads the copy in every required archive, and one at least.
    async fn copies(&self, item: &Removable) -> Result<(), Stays> {
        let mut read = 0;
        for copy in &item.copies {
            if !self.policy.required.is_empty() && !self.policy.required.contains(&&*copy.archive) {
                continue;
            }
            let away = || Stays::ArchiveAway(copy.archive.clone());
            let archive = self.archives.get(&copy.archive).ok_or_else(away)?;
            let back = archive.read_back(vec![copy.location.clone()]).await;
            let back = back.map_err(|e| match e.failure.is_outage() {
                true => away(),
                false => Stays::CopyUnread(copy.archive.clone()),
            })?;
            match back.into_iter().next().flatten() {
                Some(back) if back.size == item.size && back.sha256 == item.sha256 => read += 1,
                _ => return Err(Stays::CopyWrong(copy.archive.clone())),
            }
        }
        if read == 0 { Err(Stays::NoCopy(String::new())) } else { Ok(()) }
    }

    /// Compares the file with what is archived: its ends, or all of it where its times say nothing
    /// or other things than before, where it is known by its ends alone, and where the logger cannot begin a read at the end.
    async fn compare(
        &self,
        link: &mut dyn Link,
        item: &Removable,
        look: &Look,
        bytes: &mut u64,
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
}
