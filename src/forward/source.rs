//! Where the bytes of a copy that is owed come from: the spool, or another archive.

use super::run::{ForwardError, Forwarder};
use super::steps::{Verdict, VerifyWanted, verify};
use crate::ledger::Due;
use crate::spool::Lies;

/// Where the bytes are.
pub(super) enum Source {
    /// In a file.
    File(Lies),
    /// In another archive, which cannot be used just now.
    Later,
    /// Neither in the spool nor in another archive.
    Nowhere,
}

impl Forwarder {
    /// Where the bytes of a copy are. Another archive's copy is read before it is relied on; one that
    /// is wrong is owed there again.
    pub(super) async fn source(&self, due: &Due) -> Result<Source, ForwardError> {
        if let Some(spool) = &due.spool {
            return Ok(Source::File(self.spool.lies(spool)));
        }
        let mut source = Source::Nowhere;
        for copy in self.ledger.copies_elsewhere(self.config.name.as_str(), due.sha256).await? {
            let Some(other) = self.archives.get(&copy.archive) else {
                source = Source::Later;
                continue;
            };
            let location = copy.location.clone();
            let wanted = VerifyWanted { location, size: due.size, sha256: due.sha256 };
            let why = match verify(&*other, &[wanted]).await.pop() {
                Some(Ok(Verdict::Good(_))) => match other.file(&copy.location) {
                    Some(path) => return Ok(Source::File(Lies { path, at: 0, own: false })),
                    None => continue,
                },
                Some(Ok(Verdict::Corrupt(_))) => "holds other bytes than were stored",
                Some(Ok(Verdict::Missing)) => "is not there",
                Some(Err(_)) | None => {
                    source = Source::Later;
                    continue;
                }
            };
            self.ledger.wrong_elsewhere(&copy, why).await?;
        }
        // What another archive's receipt tells of is looked at there first.
        let name = self.config.name.as_str();
        if matches!(source, Source::Nowhere) && self.ledger.told_elsewhere(name, due.id).await? {
            source = Source::Later;
        }
        Ok(source)
    }
}
