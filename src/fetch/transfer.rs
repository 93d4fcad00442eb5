//! One transfer: the order of its steps, and what each outcome does to the partial.

use std::collections::BTreeMap;
use std::io;

use bytes::Bytes;
use serde_json::json;
use tokio::sync::oneshot;

use super::halt::Halt;
use super::proof::{Check, Reread, digest_matches, reread};
use super::pump::{Failed, Flow, Pump};
use super::reading::Readers;
use super::resume::{Plan, Reply, plan, reply};
use crate::config::Logger;
use crate::edges::Edges;
use crate::ledger::state::State;
use crate::ledger::{
    Grant, Ledger, LedgerError, Logged, Pending, Severity, VersionId, VisitCounts, WholeFacts,
};
use crate::link::{Link, LinkError, LinkFailure};
use crate::model::amount::length;
use crate::model::{Blocks, Digest, Edges as FileEdges, Look, OfferedDigest, Proof};
use crate::progress::{Progress, Tick};
use crate::spool::{FinishError, Finished, Finisher, NoRoom, Partial, Reservation, Spool, SpoolError};

/// Room set aside for a file whose size is not told.
const UNTOLD: u64 = 64 * 1024 * 1024;

/// How a transfer ended.
#[derive(Debug)]
pub enum Ended {
    /// Every byte is here and proven; the answer comes once it is whole.
    Finishing(oneshot::Receiver<Result<(), FinishError>>),
    /// It ended early; what came is kept.
    Cut {
        /// Bytes kept.
        at: u64,
        /// Whether any byte came that had not come before.
        further: bool,
        /// What was said.
        error: LinkError,
    },
    /// The file is not what it was: take a new listing.
    Changed(String),
    /// The logger refused this file.
    Refused(LinkError),
    /// The spool has no room for it.
    NoRoom(NoRoom),
    /// The depot's own disk failed: the partial is good up to its last mark.
    Disk(SpoolError),
    /// It ended early so that others have its turn; what came is kept.
    GaveWay,
    /// All that there is of a file that may still be written is here.
    CaughtUp,
    /// It goes on behind a part that cannot be read.
    Skipped,
    /// It waits for a person.
    Held,
}

/// Trouble on our side: the ledger or the depot's own disk.
#[derive(Debug, thiserror::Error)]
pub(super) enum FetchError {
    /// The ledger failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The disk failed; the partial is good up to its last mark.
    #[error(transparent)]
    Spool(#[from] SpoolError),
}

/// What a transfer works with.
pub struct Transfer<'a> {
    /// The edges.
    pub edges: &'a Edges,
    /// Where bytes go.
    pub spool: &'a Spool,
    /// Where facts go.
    pub ledger: &'a Ledger,
    /// Who makes files whole.
    pub finisher: &'a Finisher,
    /// Who watches.
    pub progress: &'a Progress,
    /// Who reads along.
    pub readers: &'a Readers,
    /// Ends it early.
    pub halt: &'a Halt,
    /// The logger, as configured when the transfer began.
    pub logger: &'a Logger,
    /// Archives that whole files are owed to.
    pub archives: &'a [String],
    /// The visit's counts.
    pub counts: &'a mut VisitCounts,
    /// Digests that differed, for each version.
    pub strikes: &'a mut BTreeMap<VersionId, u32>,
}

/// An open transfer: everything that is known of it on the way.
pub(super) struct Going {
    /// What the file was when its first bytes were read, or the last that it was seen to grow by.
    pub(super) look: Look,
    digest: Option<OfferedDigest>,
    /// Bytes that came behind the overlap.
    ahead: Option<Bytes>,
    pub(super) room: Reservation,
}

impl Transfer<'_> {
    /// Fetches one file as far as it goes. Only the ledger's failure is an error.
    pub async fn run(&mut self, link: &mut dyn Link, item: &Pending) -> Result<Ended, LedgerError> {
        let end = self.fetch(link, item).await;
        self.readers.pause(item.id);
        match end {
            Ok(Ended::Cut { .. }) if self.halt.gave_way() => Ok(Ended::GaveWay),
            Ok(ended) => Ok(ended),
            Err(FetchError::Ledger(e)) => Err(e),
            Err(FetchError::Spool(e)) => {
                link.stop().await;
                let detail = json!({ "error": e.to_string() });
                self.ledger.log(Logged {
                    logger: None,
                    version: Some(item.id),
                    what: "disk-failed",
                    detail,
                })?;
                Ok(Ended::Disk(e))
            }
        }
    }

    async fn fetch(&mut self, link: &mut dyn Link, item: &Pending) -> Result<Ended, FetchError> {
        let mut item = item.clone();
        if item.open || item.look.size.is_none() {
            match link.look(&item.path).await {
                Ok(look) => item.look = look,
                Err(error) => return Ok(refused(error)),
            }
        }
        let left = item.look.size.map_or(UNTOLD, |size| size.saturating_sub(item.mark.offset));
        // First, since what lies behind its mark goes, and gives its room back.
        let partial = self.partial(&item, left).await?;
        let room = match self.spool.budget().reserve(left) {
            Ok(room) => room,
            Err(no) => return Ok(Ended::NoRoom(no)),
        };
        let (partial, mut going) = match self.begin(link, &item, partial, room).await? {
            Ok(begun) => begun,
            Err(ended) => return Ok(ended),
        };
        self.progress.tell(Tick::Begun {
            vehicle: self.logger.vehicle.to_string(),
            logger: self.logger.id.to_string(),
            path: item.path.to_string(),
            from: partial.len(),
            size: going.look.size,
        });
        let flow = self.flow(link, &item, partial, &mut going).await?;
        match flow {
            (partial, Flow::End) => self.end(link, &item, partial, going).await,
            (partial, Flow::TooLong) => {
                link.stop().await;
                self.end(link, &item, partial, going).await
            }
            (partial, Flow::Cut(error)) => self.cut(&item, partial, error).await,
            (partial, Flow::NoRoom(no)) => {
                link.stop().await;
                let mark = self.flush(partial).await?;
                self.ledger.cut(item.id, mark, no.to_string()).await?;
                Ok(Ended::NoRoom(no))
            }
        }
    }

    /// The partial that the item's mark speaks of, or a new one.
    pub(super) async fn partial(&mut self, item: &Pending, reserved: u64) -> Result<Partial, FetchError> {
        let spool = self.spool.clone();
        if let Some(name) = item.spool.clone() {
            let (mark, on, of) = (item.mark.clone(), spool.clone(), name.clone());
            let open = move |disk: &dyn crate::durable::Disk| Partial::reopen(disk, &on, &of, &mark);
            match self.edges.blocking(open).await {
                Ok(Some((partial, cut))) => {
                    spool.budget().free(cut);
                    // It may have been skipped or lost since.
                    if item.state != State::Fetching {
                        self.ledger.grant(Grant { id: item.id, spool: name, reserved })?;
                    }
                    return Ok(partial);
                }
                Ok(None) => spool.unlink_partial(name).await?,
                // What cannot even be opened is left to the next start.
                Err(e) => tracing::warn!(name, "a partial cannot be opened, and begins again: {e}"),
            }
        }
        let grant = Grant { id: item.id, spool: self.edges.random.name(), reserved };
        let mut partial = Partial::granted(grant, self.ledger.clone());
        // One that may extend another is told by its name after a crash.
        if item.before.is_some() {
            partial.tell()?;
        }
        Ok(partial)
    }

    pub(super) fn disk(&self, what: &'static str) -> impl Fn(io::Error) -> SpoolError {
        self.spool.failed(what)
    }

    /// Opens the read and proves that it continues what is here.
    async fn begin(
        &mut self,
        link: &mut dyn Link,
        item: &Pending,
        mut partial: Partial,
        mut room: Reservation,
    ) -> Result<Result<(Partial, Going), Ended>, FetchError> {
        let have = partial.len();
        let (from, expect) = match plan(have, item.look.size, link.caps().resumes) {
            Plan::Fresh => (0, Look { size: item.look.size, ..Look::default() }),
            // It may grow at any moment: its bytes alone tell whether it is the same.
            Plan::Continue { from } if item.open => (from, Look::default()),
            Plan::Continue { from } => (from, item.look.clone()),
            Plan::Shrank => {
                return Ok(Err(self.restart(item, partial, room, "it is shorter than what is here").await?));
            }
        };
        // Zeros of our own are compared with nothing.
        let zeros = item.gaps.last().map_or(0, |gap| gap.to);
        let from = from.max(zeros);
        if item.ahead && item.gaps.is_empty() && from > 0 {
            match self.same_head(link, item, &partial).await {
                Ok(true) => {}
                Ok(false) => {
                    return Ok(Err(self
                        .restart(item, partial, room, "its first bytes were written again")
                        .await?));
                }
                Err(error) => return Ok(Err(refused(error))),
            }
        }
        let opened = match link.open(&item.path, from, &expect).await {
            Ok(opened) => opened,
            Err(error)
                if matches!(error.failure, LinkFailure::Changed | LinkFailure::BeyondEnd) && have > 0 =>
            {
                return Ok(Err(self.restart(item, partial, room, &error.to_string()).await?));
            }
            Err(error) if matches!(error.failure, LinkFailure::Changed) => {
                return Ok(Err(Ended::Changed(error.to_string())));
            }
            Err(error) if error.is_answer() => return Ok(Err(refused(error))),
            Err(error) => return Ok(Err(Ended::Cut { at: have, further: false, error })),
        };
        let mut look = opened.look.clone();
        let mut ahead = None;
        let fresh = from == 0 && have == 0;
        match reply(from, &expect, &opened) {
            _ if fresh && opened.from == 0 => {}
            Reply::FromZero => {
                self.counts.twice += have;
                self.empty(item, &mut partial, &mut room).await?;
            }
            Reply::Continues => match self.overlap(link, &partial, opened.from, zeros).await {
                Overlap::Equal(more) => {
                    ahead = more;
                    if !item.open {
                        look = item.look.clone();
                    }
                }
                Overlap::Cut(error) => return Ok(Err(Ended::Cut { at: have, further: false, error })),
                Overlap::Unreadable(error) => {
                    link.stop().await;
                    let why = format!("the depot's disk does not give back what came: {error}");
                    return Ok(Err(self.restart(item, partial, room, &why).await?));
                }
                Overlap::Different => {
                    link.stop().await;
                    self.ledger.raise(self.finding(
                        item,
                        "overlap-differs",
                        Severity::Watch,
                        json!({ "at": have }),
                        "the bytes before the cut are not those that came first: the file was replaced between two transfers",
                        "Nothing if it stays alone: the file is read again from its start. If it comes back, check that logger's card.",
                    ))?;
                    return Ok(Err(self
                        .restart(item, partial, room, "the bytes before the cut differ")
                        .await?));
                }
            },
            Reply::Other => {
                link.stop().await;
                return Ok(Err(self
                    .restart(item, partial, room, "the logger answered with another file")
                    .await?));
            }
        }
        if partial.is_empty() {
            partial.look = Some(look.clone());
        }
        if look.size.is_none() {
            look.size = item.look.size;
        }
        Ok(Ok((partial, Going { look, digest: opened.digest, ahead, room })))
    }

    /// Reads up to the end of the partial and compares with what is here, behind our own zeros: a logger
    /// may begin before the byte that it was asked for.
    async fn overlap(&mut self, link: &mut dyn Link, partial: &Partial, from: u64, zeros: u64) -> Overlap {
        let end = partial.len();
        let mut at = from;
        while at < end {
            let came = tokio::select! {
                biased;
                error = self.halt.called() => Err(error),
                came = link.chunk() => came,
            };
            let chunk = match came {
                Ok(Some(chunk)) => chunk,
                Ok(None) => return Overlap::Different,
                Err(error) => return Overlap::Cut(error),
            };
            let within = usize::try_from(end - at).unwrap_or(usize::MAX).min(chunk.len());
            self.halt.count(chunk.len() as u64);
            self.counts.bytes += chunk.len() as u64;
            self.counts.twice += within as u64;
            // One chunk, fresh in the cache or soon to be: too little to leave the thread for.
            let ours = match partial.read(at, within) {
                Ok(ours) => ours,
                Err(error) => return Overlap::Unreadable(error),
            };
            let own = usize::try_from(zeros.saturating_sub(at)).unwrap_or(usize::MAX).min(within);
            if ours.get(own..) != chunk.get(own..within) {
                return Overlap::Different;
            }
            at += within as u64;
            if within < chunk.len() {
                return Overlap::Equal(Some(chunk.slice(within..)));
            }
        }
        Overlap::Equal(None)
    }

    async fn flow(
        &mut self,
        link: &mut dyn Link,
        item: &Pending,
        partial: Partial,
        going: &mut Going,
    ) -> Result<(Partial, Flow), FetchError> {
        let pump = Pump {
            edges: self.edges,
            spool: self.spool,
            ledger: self.ledger,
            id: item.id,
            size: going.look.size,
            halt: self.halt,
        };
        let (progress, logger) = (self.progress, self.logger.id.to_string());
        let counts = &mut *self.counts;
        let halt = self.halt;
        let mut delivered = |count: u64| {
            halt.count(count);
            counts.bytes += count;
            progress.tell(Tick::Bytes { logger: logger.clone(), count });
        };
        let mut reading = self.readers.resume(item.id, partial.len(), &self.logger.kind.content);
        let ahead = going.ahead.take();
        let ran = pump.run(link, partial, ahead, &mut going.room, &mut reading, &mut delivered).await;
        match ran {
            Ok(flowed) => {
                self.readers.keep(item.id, reading);
                Ok(flowed)
            }
            Err(Failed::Ledger(e)) => Err(e.into()),
            Err(Failed::Disk(partial, e)) => Err(self.back(*partial, "write a partial", e).await),
        }
    }

    /// A write or a flush failed: the partial goes back to its last mark.
    pub(super) async fn back(&self, partial: Partial, what: &'static str, error: io::Error) -> FetchError {
        let lost = self.edges.blocking(move |_| partial.back()).await;
        self.spool.budget().free(lost);
        self.disk(what)(error).into()
    }

    /// All bytes have come, says the logger. Is it so, and are they right?
    async fn end(
        &mut self,
        link: &mut dyn Link,
        item: &Pending,
        partial: Partial,
        mut going: Going,
    ) -> Result<Ended, FetchError> {
        let after = match link.look(&item.path).await {
            Ok(after) => after,
            Err(error) => return self.cut(item, partial, error).await,
        };
        if item.open {
            return self.caught_up(item, partial, going, after).await;
        }
        if !going.look.agrees(&after) {
            return self.changed(item, partial, going.room, &after).await;
        }
        let size = partial.len();
        let told = after.size.or(going.look.size);
        if let Some(told) = told.filter(|told| *told != size) {
            let error = LinkError::cut(format!(
                "{} of {} came, and the logger called it the end",
                length(size),
                length(told)
            ));
            return self.cut(item, partial, error).await;
        }
        if !item.gaps.is_empty() {
            let name = partial.name.clone();
            self.flush(partial).await?;
            return self.hold_gapped(item, name, &item.gaps).await;
        }
        going.look = Look { size: Some(size), ..after };
        let digest = match going.digest.take() {
            Some(digest) => Some(digest),
            None => match link.digest(&item.path).await {
                Ok(digest) => digest,
                Err(error) => return self.cut(item, partial, error).await,
            },
        };
        let sha256 = partial.hash().digest();
        let secured = link.caps().secured;
        let mut proof = match told {
            _ if secured => Proof::Secured,
            Some(_) => Proof::Length,
            None => Proof::None,
        };
        let (partial, checked) = self.check(partial, digest, sha256).await;
        let checked = match checked {
            Ok(checked) => checked,
            Err(error) => {
                let why = format!("the depot's disk does not give back what came: {error}");
                return self.restart(item, partial, going.room, &why).await;
            }
        };
        match checked {
            Some((Check::Different, by)) => return self.digest_differs(item, partial, going.room, by).await,
            Some((Check::Equal, _)) => proof = Proof::Digest,
            // Where not even the length was told, a second reading is the only proof there is.
            None if self.logger.kind.proof == Proof::Reread || proof == Proof::None => {
                let counts = &mut *self.counts;
                let halt = self.halt;
                let mut delivered = |count: u64| {
                    halt.count(count);
                    counts.bytes += count;
                    counts.twice += count;
                };
                let read = tokio::select! {
                    biased;
                    error = self.halt.called() => Err(error),
                    read = reread(link, &item.path, sha256, &going.look, &mut delivered) => read,
                };
                match read {
                    Ok(Reread::Equal) => proof = Proof::Reread,
                    Ok(Reread::OursIsWrong) => return self.reread_differs(item, partial, going.room).await,
                    Ok(Reread::NoTwoEqual) => return self.hold(item, partial).await,
                    Err(error) => return self.cut(item, partial, error).await,
                }
            }
            None => {}
        }
        self.finish(item, partial, going, sha256, proof).await
    }

    async fn check(
        &self,
        partial: Partial,
        digest: Option<OfferedDigest>,
        sha256: Digest,
    ) -> (Partial, io::Result<Option<(Check, &'static str)>>) {
        let Some(digest) = digest else { return (partial, Ok(None)) };
        self.edges
            .blocking(move |_| {
                let check = digest_matches(&digest, &sha256, &partial).map(|c| Some((c, digest.stated_by)));
                (partial, check)
            })
            .await
    }

    async fn finish(
        &mut self,
        item: &Pending,
        partial: Partial,
        going: Going,
        sha256: Digest,
        proof: Proof,
    ) -> Result<Ended, FetchError> {
        let enough = proof >= self.logger.kind.proof;
        if !enough {
            self.ledger.raise(self.finding(
                item,
                "proof-unreachable",
                Severity::Act,
                json!({ "asked": self.logger.kind.proof.as_str(), "reached": proof.as_str() }),
                &format!(
                    "its kind asks for proof `{}`, and this logger offers no more than `{}`",
                    self.logger.kind.proof.as_str(),
                    proof.as_str()
                ),
                "Set `proof` of its kind to what the logger can give; `yarder probe` tells what that is. The files wait in the spool until then.",
            ))?;
        }
        let partial = self.inspected(item, partial).await?;
        let (_, blocks): (Digest, Blocks) = partial.hash().clone().finish();
        let facts = WholeFacts {
            id: item.id,
            spool: partial.name.clone(),
            size: partial.len(),
            look: going.look,
            sha256,
            edges: FileEdges { head: sha256, tail: sha256 },
            blocks,
            proof,
            extends: None,
            owed: if enough { self.archives.to_vec() } else { Vec::new() },
            detail: json!({ "resumed_at": item.mark.offset }),
        };
        let (answer, waiter) = oneshot::channel();
        self.finisher
            .finish(Finished {
                partial,
                facts,
                logger: self.logger.id.to_string(),
                vehicle: self.logger.vehicle.to_string(),
                path: item.path.clone(),
                before: item.before,
                kept: false,
                answer,
            })
            .await;
        Ok(Ended::Finishing(waiter))
    }
}

enum Overlap {
    Equal(Option<Bytes>),
    Different,
    Cut(LinkError),
    Unreadable(io::Error),
}

/// A failure that concerns this file alone is an answer; everything else is a cut.
fn refused(error: LinkError) -> Ended {
    if error.is_answer() { Ended::Refused(error) } else { Ended::Cut { at: 0, further: false, error } }
}
