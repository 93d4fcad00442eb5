//! Bytes from a link into a partial: reading goes on while the disk writes, with two buffers and no
//! more.

use std::time::Duration;

use bytes::Bytes;
use futures_util::{StreamExt as _, stream};

use crate::edges::Edges;
use crate::killpoint;
use crate::ledger::{Ledger, LedgerError, VersionId};
use crate::link::{Link, LinkError};
use crate::spool::{Partial, Reservation, Spool};

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
}

/// What failed on our side.
pub(super) enum Failed {
    Disk(std::io::Error),
    Ledger(LedgerError),
}

pub(super) struct Pump<'a> {
    pub edges: &'a Edges,
    pub spool: &'a Spool,
    pub ledger: &'a Ledger,
    pub id: VersionId,
    pub size: Option<u64>,
    pub stop: &'a tokio_util::sync::CancellationToken,
}

struct Written {
    partial: Partial,
    outcome: std::io::Result<Option<crate::ledger::Mark>>,
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
        delivered: &mut (dyn FnMut(u64) + Send),
    ) -> Result<(Partial, Flow), Failed> {
        let mut total = partial.len() + first.as_ref().map_or(0, |b| b.len() as u64);
        let mut resting = Some(partial);
        let mut ahead = first.as_ref().map_or(0, Bytes::len);
        let mut waiting: Vec<Bytes> = first.into_iter().collect();
        let mut last_mark = self.edges.clock.mono();
        let mut flow = None;
        let mut writing: Option<futures_util::future::BoxFuture<'_, Written>> = None;
        // The wait for a chunk is kept while a write ends: an end that is just being told, as by the
        // closing reply of FTP, would be lost with it.
        let chunks = stream::unfold(link, async |link| Some((link.chunk().await, link)));
        tokio::pin!(chunks);
        loop {
            if writing.is_none()
                && !waiting.is_empty()
                && let Some(partial) = resting.take()
            {
                let chunks = std::mem::take(&mut waiting);
                room.wrote(ahead as u64);
                let due = partial.unmarked() + ahead as u64 >= MARK_BYTES
                    || self.edges.clock.mono().saturating_sub(last_mark) >= MARK_TIME;
                ahead = 0;
                if due {
                    last_mark = self.edges.clock.mono();
                }
                writing = Some(Box::pin(self.write(partial, chunks, due)));
            }
            if writing.is_none()
                && let Some(flow) = flow.take()
                && let Some(partial) = resting.take()
            {
                return Ok((partial, flow));
            }
            tokio::select! {
                biased;
                () = self.stop.cancelled(), if flow.is_none() => {
                    flow = Some(Flow::Cut(LinkError::cut("the service is stopping")));
                }
                written = wait(&mut writing), if writing.is_some() => {
                    writing = None;
                    resting = Some(written.partial);
                    match written.outcome {
                        Ok(None) => {}
                        Ok(Some(mark)) => {
                            self.ledger.mark(self.id, mark).await.map_err(Failed::Ledger)?;
                            killpoint::pass("mark-committed");
                        }
                        Err(e) => return Err(Failed::Disk(e)),
                    }
                }
                Some(chunk) = chunks.next(), if flow.is_none() && ahead < AHEAD => match chunk {
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
                        ahead += chunk.len();
                        if !chunk.is_empty() {
                            waiting.push(chunk);
                        }
                    }
                    Ok(None) => flow = Some(Flow::End),
                    Err(e) => flow = Some(Flow::Cut(e)),
                },
            }
        }
    }

    async fn write(&self, mut partial: Partial, chunks: Vec<Bytes>, due: bool) -> Written {
        let spool = self.spool.clone();
        self.edges
            .blocking(move |disk| {
                let mut outcome = partial.append(&chunks).map(|()| None);
                if outcome.is_ok() && due {
                    outcome = partial.flush(disk, &spool).map(Some);
                }
                Written { partial, outcome }
            })
            .await
    }
}

async fn wait(writing: &mut Option<futures_util::future::BoxFuture<'_, Written>>) -> Written {
    match writing {
        Some(writing) => writing.await,
        None => std::future::pending().await,
    }
}
