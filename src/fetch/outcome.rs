//! What each outcome of a transfer does to the partial, and what is told of it.

use serde_json::json;

use super::transfer::{Ended, FetchError, Going, Transfer};
use crate::ledger::state::Happening;
use crate::ledger::{Finding, Mark, Pending, Severity};
use crate::link::{Link, LinkError};
use crate::model::{EDGE, Look};
use crate::progress::Tick;
use crate::spool::{Partial, Reservation};

impl Transfer<'_> {
    /// Keeps what came, durable, for the next transfer.
    pub(super) async fn cut(
        &mut self,
        item: &Pending,
        partial: Partial,
        error: LinkError,
    ) -> Result<Ended, FetchError> {
        self.counts.cuts += 1;
        let at = partial.len();
        let mark = self.flush(partial).await?;
        self.ledger.cut(item.id, mark, error.to_string()).await?;
        self.progress.tell(Tick::Cut {
            vehicle: self.logger.vehicle.to_string(),
            logger: self.logger.id.to_string(),
            path: item.path.to_string(),
            at,
            why: error.to_string(),
        });
        Ok(Ended::Cut { at, further: at > item.furthest, error })
    }

    pub(super) async fn flush(&self, mut partial: Partial) -> Result<Mark, FetchError> {
        let spool = self.spool.clone();
        let flush = move |disk: &dyn crate::durable::Disk| {
            let flushed = partial.flush(disk, &spool);
            (partial, flushed)
        };
        match self.edges.blocking(flush).await {
            (_, Ok(mark)) => Ok(mark),
            (partial, Err(e)) => Err(self.back(partial, "flush a partial", e).await),
        }
    }

    /// All bytes that there were of a file that may still be written are here: they wait, durable, for
    /// those that come.
    pub(super) async fn caught_up(
        &mut self,
        item: &Pending,
        partial: Partial,
        going: Going,
        after: Look,
    ) -> Result<Ended, FetchError> {
        let grew = after.size.is_some_and(|size| size > going.look.size.unwrap_or(partial.len()));
        if !grew && !going.look.agrees(&after) {
            return self.restart(item, partial, going.room, "it changed while it was read").await;
        }
        let at = partial.len();
        let mark = self.flush(partial).await?;
        self.ledger.caught_up(item.id, mark, after).await?;
        self.progress.tell(Tick::CaughtUp {
            vehicle: self.logger.vehicle.to_string(),
            logger: self.logger.id.to_string(),
            path: item.path.to_string(),
            at,
        });
        Ok(Ended::CaughtUp)
    }

    /// Whether a file that may have been written over since its first bytes came still begins with
    /// them: some loggers write a file's head anew when they close it.
    pub(super) async fn same_head(
        &mut self,
        link: &mut dyn Link,
        item: &Pending,
        partial: &Partial,
    ) -> Result<bool, LinkError> {
        let theirs = link.read_range(&item.path, 0, partial.len().min(EDGE)).await?;
        self.counts.bytes += theirs.len() as u64;
        self.counts.twice += theirs.len() as u64;
        // One edge, too little to leave the thread for; what cannot be read begins again.
        let ours = partial.read(0, theirs.len());
        Ok(theirs.len() as u64 == partial.len().min(EDGE) && ours.is_ok_and(|ours| ours == theirs))
    }

    /// The file is not what it was when its first bytes were read.
    pub(super) async fn changed(
        &mut self,
        item: &Pending,
        partial: Partial,
        room: Reservation,
        after: &Look,
    ) -> Result<Ended, FetchError> {
        let grew = matches!((item.look.size, after.size), (Some(had), Some(has)) if has > had);
        if grew {
            // What is here is its beginning, unless it was rewritten too: the overlap will show.
            let mark = Mark { look: Some(after.clone()), ..self.flush(partial).await? };
            self.ledger.cut(item.id, mark, "it grew while it was read".into()).await?;
            return Ok(Ended::Changed("it grew while it was read".into()));
        }
        self.ledger.raise(self.finding(
            item,
            "changed-under-hands",
            Severity::Note,
            json!({ "size": after.size }),
            "the file changed while it was read",
            "Nothing: it is read again once it stands still. If that happens often, set `settle` of its kind longer.",
        ))?;
        self.restart(item, partial, room, "it changed while it was read").await
    }

    pub(super) async fn digest_differs(
        &mut self,
        item: &Pending,
        partial: Partial,
        room: Reservation,
        by: &'static str,
    ) -> Result<Ended, FetchError> {
        let strikes = self.strikes.entry(item.id).or_default();
        *strikes += 1;
        if *strikes >= 2 {
            return self.hold(item, partial).await;
        }
        self.ledger.raise(self.finding(
            item,
            "digest-differs",
            Severity::Watch,
            json!({ "stated_by": by }),
            "what came has another digest than the logger states",
            "Nothing if it stays alone: the file is read again. Twice in a row, it is held for a person.",
        ))?;
        self.restart(item, partial, room, "the stated digest differs").await
    }

    pub(super) async fn reread_differs(
        &mut self,
        item: &Pending,
        partial: Partial,
        room: Reservation,
    ) -> Result<Ended, FetchError> {
        self.ledger.raise(self.finding(
            item,
            "reread-differs",
            Severity::Watch,
            json!({}),
            "two later readings agree with each other and not with the first: the first was wrong",
            "Check that logger's card and its place in the yard; the file is read again.",
        ))?;
        self.restart(item, partial, room, "two later readings agree against the first").await
    }

    /// Keeps what there is aside for a person.
    pub(super) async fn hold(&mut self, item: &Pending, partial: Partial) -> Result<Ended, FetchError> {
        let name = partial.name.clone();
        self.flush(partial).await?;
        let told = self.finding(
            item,
            "file-held",
            Severity::Act,
            json!({}),
            "what this logger sends of the file is different each time it is read",
            "Check the card. Then `yarder held` shows what there is, to keep or to drop.",
        );
        self.ledger.hold(item.id, Some(name), json!({ "why": "no two readings agree" }), Some(told)).await?;
        Ok(Ended::Held)
    }

    /// Throws away what is here and says so in the ledger.
    pub(super) async fn restart(
        &mut self,
        item: &Pending,
        mut partial: Partial,
        room: Reservation,
        why: &str,
    ) -> Result<Ended, FetchError> {
        partial.tell()?;
        self.counts.twice += partial.len();
        drop(room);
        let name = partial.name.clone();
        if partial.is_held() {
            self.spool.budget().free(partial.len());
        } else {
            drop(partial);
            self.spool.unlink_partial(name).await?;
        }
        self.ledger.restart(item.id, Happening::Restarted, why.to_owned()).await?;
        Ok(Ended::Changed(why.to_owned()))
    }

    /// Empties the partial in place: the logger begins at zero.
    pub(super) async fn empty(
        &mut self,
        item: &Pending,
        partial: &mut Partial,
        room: &mut Reservation,
    ) -> Result<(), FetchError> {
        let len = partial.len();
        // One truncation, of a file that this transfer owns.
        partial.empty().map_err(self.disk("empty a partial"))?;
        room.emptied(len);
        self.ledger.cut(item.id, Mark::default(), "the logger begins at zero".into()).await?;
        Ok(())
    }

    pub(super) fn finding(
        &self,
        item: &Pending,
        code: &'static str,
        severity: Severity,
        evidence: serde_json::Value,
        cause: &str,
        action: &str,
    ) -> Finding {
        let file = item.path.to_string();
        let mut evidence = evidence;
        if let Some(object) = evidence.as_object_mut() {
            object.insert("file".into(), file.clone().into());
        }
        Finding {
            code,
            subject: format!("{}/{file}", self.logger.id),
            severity,
            vehicle: Some(self.logger.vehicle.to_string()),
            logger: Some(self.logger.id.to_string()),
            evidence,
            cause: format!("{file}: {cause}"),
            action: action.to_owned(),
        }
    }
}
