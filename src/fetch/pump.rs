//! Bytes from a link into a partial: reading goes on while the disk writes, with two buffers and no
//! more.

use std::time::Duration;

use bytes::Bytes;
use futures_util::future::{BoxFuture, join};

use super::Halt;
use super::reading::Reading;
use crate::edges::Edges;
use crate::killpoint;
use crate::ledger::{Ledger, LedgerError, Mark, VersionId};
use crate::link::{Link, LinkError};
use crate::spool::{NoRoom, Partial, Reservation, SMALL, Spool};

/// Bytes read ahead of the disk.
const AHEAD: usize = 1024 * 1024;
/// A mark is made at least every so many bytes ...
const MARK_BYTES: u64 = 8 * 1024 * 1024;
/// ... or after so much time, whichever is first.
const MARK_TIME: Duration = Duration::from_secs(2);

/// How a stream of bytes ended.
pub(super) enum Flow {
    /// The logger said that this was the end.
    End,
    /// It ended, or fell silent, before.
    Cut(LinkError),
    /// More came than the file was said to hold; what fits is written.
    TooLong,
    /// The spool has no room for what comes.
    NoRoom(NoRoom),
}

/// What failed on our side.
pub(super) enum Failed {
    Disk(Box<Partial>, std::io::Error),
    Ledger(LedgerError),
}

pub(super) struct Pump<'a> {
    pub edges: &'a Edges,
    pub spool: &'a Spool,
    pub ledger: &'a Ledger,
    pub id: VersionId,
    pub size: Option<u64>,
    pub halt: &'a Halt,
}

struct Written {
    partial: Partial,
    /// Its length before.
    before: u64,
    outcome: std::io::Result<Option<Mark>>,
    reading: Reading,
}

/// The partial, what is being written into it and what waits to be.
struct Desk<'p> {
    pump: &'p Pump<'p>,
    room: &'p mut Reservation,
    /// Who reads along; away while something is being written.
    reading: &'p mut Reading,
    resting: Option<Partial>,
    waiting: Vec<Bytes>,
    ahead: usize,
    writing: Option<BoxFuture<'p, Written>>,
    last_mark: Duration,
}

impl Pump<'_> {
    /// Moves bytes until the stream ends, `first` before all others. `delivered` is told the length
    /// of each chunk that comes.
    pub async fn run(
        &self,
        link: &mut dyn Link,
        partial: Partial,
        first: Option<Bytes>,
        room: &mut Reservation,
        reading: &mut Reading,
        delivered: &mut (dyn FnMut(u64) + Send),
    ) -> Result<(Partial, Flow), Failed> {
        let mut total = partial.len() + first.as_ref().map_or(0, |b| b.len() as u64);
        let mut desk = Desk {
            pump: self,
            room,
            reading,
            resting: Some(partial),
            ahead: first.as_ref().map_or(0, Bytes::len),
            waiting: first.into_iter().collect(),
            writing: None,
            last_mark: self.edges.clock.mono(),
        };
        let mut flow = None;
        while flow.is_none() {
            match desk.next(link).await? {
                Ok(Some(mut chunk)) => {
                    delivered(chunk.len() as u64);
                    if let Some(size) = self.size {
                        let fits = usize::try_from(size.saturating_sub(total)).unwrap_or(usize::MAX);
                        if chunk.len() > fits {
                            chunk.truncate(fits);
                            flow = Some(Flow::TooLong);
                        }
                    }
                    total += chunk.len() as u64;
                    desk.ahead += chunk.len();
                    if !chunk.is_empty() {
                        desk.waiting.push(chunk);
                    }
                }
                Ok(None) => flow = Some(Flow::End),
                Err(early) => flow = Some(early),
            }
        }
        desk.hold();
        loop {
            if let Err(no) = desk.begin() {
                flow = Some(Flow::NoRoom(no));
                desk.waiting.clear();
            }
            if desk.writing.is_none()
                && let (Some(partial), Some(flow)) = (desk.resting.take(), flow.take())
            {
                return Ok((partial, flow));
            }
            let written = wait(&mut desk.writing).await;
            desk.end(written).await?;
        }
    }

    async fn write(&self, mut partial: Partial, chunks: Vec<Bytes>, due: bool, reading: Reading) -> Written {
        let spool = self.spool.clone();
        let along = self.along(chunks.clone(), reading);
        let write = self.edges.blocking(move |disk| {
            let before = partial.len();
            let mut outcome = partial.append(disk, &spool, &chunks).map(|()| None);
            if outcome.is_ok() && due {
                outcome = partial.flush(disk, &spool).map(Some);
            }
            (partial, before, outcome)
        });
        let ((partial, before, outcome), reading) = join(write, along).await;
        Written { partial, before, outcome, reading }
    }

    /// Reads what is being written, on a thread of its own.
    async fn along(&self, chunks: Vec<Bytes>, mut reading: Reading) -> Reading {
        if !reading.is_on() {
            return reading;
        }
        self.edges
            .blocking(move |_| {
                chunks.iter().for_each(|chunk| reading.push(chunk));
                reading
            })
            .await
    }
}

impl Desk<'_> {
    /// The next bytes of the stream, while the disk writes. A read that has begun is waited for, not
    /// begun anew: a link may be between the last byte and the word that it was the last.
    async fn next(&mut self, link: &mut dyn Link) -> Result<Result<Option<Bytes>, Flow>, Failed> {
        while self.ahead >= AHEAD {
            if let Err(no) = self.begin() {
                return Ok(Err(Flow::NoRoom(no)));
            }
            let written = wait(&mut self.writing).await;
            self.end(written).await?;
        }
        let mut chunk = link.chunk();
        loop {
            if !self.is_small()
                && let Err(no) = self.begin()
            {
                return Ok(Err(Flow::NoRoom(no)));
            }
            tokio::select! {
                biased;
                error = self.pump.halt.called() => return Ok(Err(Flow::Cut(error))),
                written = wait(&mut self.writing), if self.writing.is_some() => self.end(written).await?,
                came = &mut chunk => return Ok(came.map_err(Flow::Cut)),
            }
        }
    }

    /// Whether all that came so far may stay in memory for the time being.
    fn is_small(&self) -> bool {
        let small = |partial: &Partial| partial.is_held() && self.ahead <= SMALL;
        let due = || self.pump.edges.clock.mono().saturating_sub(self.last_mark) >= MARK_TIME;
        self.resting.as_ref().is_some_and(small) && !due()
    }

    /// The end of a small file: nothing is written before it is known what becomes of it.
    fn hold(&mut self) {
        if !self.is_small() || self.room.cover(self.ahead as u64).is_err() {
            return;
        }
        if let Some(partial) = &mut self.resting {
            let chunks = std::mem::take(&mut self.waiting);
            partial.hold(&chunks);
            // It is read when it is known to be whole.
            *self.reading = Reading::Missed;
            self.room.wrote(self.ahead as u64);
            self.ahead = 0;
        }
    }

    /// Begins to write what waits, unless a write is under way.
    fn begin(&mut self) -> Result<(), NoRoom> {
        if self.writing.is_some() || self.waiting.is_empty() {
            return Ok(());
        }
        self.room.cover(self.ahead as u64)?;
        let Some(partial) = self.resting.take() else { return Ok(()) };
        let now = self.pump.edges.clock.mono();
        let due = partial.unmarked() + self.ahead as u64 >= MARK_BYTES
            || now.saturating_sub(self.last_mark) >= MARK_TIME;
        if due {
            self.last_mark = now;
        }
        self.ahead = 0;
        let chunks = std::mem::take(&mut self.waiting);
        self.writing = Some(Box::pin(self.pump.write(partial, chunks, due, std::mem::take(self.reading))));
        Ok(())
    }

    /// A write ended.
    async fn end(&mut self, written: Written) -> Result<(), Failed> {
        self.writing = None;
        *self.reading = written.reading;
        self.room.wrote(written.partial.len() - written.before);
        let mark = match written.outcome {
            Ok(mark) => mark,
            Err(e) => return Err(Failed::Disk(Box::new(written.partial), e)),
        };
        self.resting = Some(written.partial);
        if let Some(mark) = mark {
            self.pump.ledger.mark(self.pump.id, mark).await.map_err(Failed::Ledger)?;
            killpoint::pass("mark-committed");
        }
        Ok(())
    }
}

async fn wait(writing: &mut Option<BoxFuture<'_, Written>>) -> Written {
    match writing {
        Some(writing) => writing.await,
        None => std::future::pending().await,
    }
}
