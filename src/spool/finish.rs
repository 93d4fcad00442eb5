//! Files become whole, in groups that share their flushes.
//!
//! The order is promise 4: data and record flushed, renamed, folder flushed, ledger committed, and
//! only then is anybody told.

use std::sync::atomic::Ordering;
use std::time::Duration;

use futures_util::future::join_all;
use tokio::sync::{Mutex, broadcast, mpsc, oneshot};

use super::{Group, Partial, Record, Spool, SpoolError};
use crate::durable::{Disk, DiskFile};
use crate::killpoint;
use crate::ledger::state::Illegal;
use crate::ledger::{Adopted, Ledger, LedgerError, WholeFacts};
use crate::model::{Digest, RemotePath};

/// Files in one group at most.
const GROUP: usize = 256;
/// Groups on their way at a time: one gathers or is written while another is committed.
pub(super) const HANDS: usize = 2;
/// Files waiting for a group at most: small ones are in memory meanwhile.
const QUEUE: usize = 64;
/// The first of a group waits this long for others to share its flushes.
const COMPANY: Duration = Duration::from_millis(100);

/// A file of which every byte has come and was proven.
pub struct Finished {
    /// Its bytes.
    pub partial: Partial,
    /// What is known of it; `edges` and `extends` are filled in here.
    pub facts: WholeFacts,
    /// The logger.
    pub logger: String,
    /// The vehicle.
    pub vehicle: String,
    /// The path on the logger.
    pub path: RemotePath,
    /// Size and hash of the version before it, which it may extend.
    pub before: Option<(crate::ledger::VersionId, u64, Digest)>,
    /// Whether a person keeps it, rather than a transfer having ended.
    pub kept: bool,
    /// Told how it ended.
    pub answer: oneshot::Sender<Result<(), FinishError>>,
}

/// Why files did not become whole.
#[derive(Debug, Clone, thiserror::Error)]
pub enum FinishError {
    /// The disk failed: the partial is good up to its last mark.
    #[error(transparent)]
    Spool(#[from] SpoolError),
    /// The ledger failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The file went another way while it came. Its bytes lie in the spool until the next start, which
    /// finds out what becomes of them.
    #[error(transparent)]
    Elsewhere(Illegal),
}

/// The queue to the task that makes files whole.
#[derive(Clone)]
pub struct Finisher {
    queue: mpsc::Sender<Finished>,
}

impl Finisher {
    /// The queue, and the work to be run as a task; it ends when every queue is dropped. `whole` is
    /// told after each group.
    pub fn new(
        spool: Spool,
        ledger: Ledger,
        whole: broadcast::Sender<()>,
    ) -> (Self, impl Future<Output = ()> + Send) {
        let (queue, waiting) = mpsc::channel(QUEUE);
        let waiting = Mutex::new(waiting);
        let work = async move {
            let hand = async || {
                while let Some(group) = gather(&spool, &waiting).await {
                    finish(&spool, &ledger, group).await;
                    // Nobody listens where no archive is in use.
                    let _ = whole.send(());
                }
            };
            join_all((0..HANDS).map(|_| hand())).await;
        };
        (Self { queue }, work)
    }

    /// Hands a file over. Its answer comes once it is whole in the ledger, or was not made whole.
    pub async fn finish(&self, finished: Finished) {
        // The task outlives every sender but in a process that ends anyway; the dropped answer tells.
        let _ = self.queue.send(finished).await;
    }
}

/// The next group; `None` when nobody can hand a file over any more.
async fn gather(spool: &Spool, waiting: &Mutex<mpsc::Receiver<Finished>>) -> Option<Vec<Finished>> {
    // Given back with the group: the other hand gathers the next while this one is written.
    let mut waiting = waiting.lock().await;
    let mut group = vec![waiting.recv().await?];
    let mut company = spool.edges.clock.sleep(COMPANY);
    while group.len() < GROUP {
        tokio::select! {
            biased;
            more = waiting.recv() => match more {
                Some(more) => group.push(more),
                None => break,
            },
            () = &mut company => break,
        }
    }
    Some(group)
}

async fn finish(spool: &Spool, ledger: &Ledger, group: Vec<Finished>) {
    let on_disk = spool.clone();
    let name = spool.edges.random.name();
    let (group, published) = spool
        .edges
        .blocking(move |disk| {
            let mut group = group;
            let published = publish(disk, &on_disk, &name, &mut group);
            if published.is_err() {
                withdraw(disk, &on_disk, &name, &group);
            }
            let told: Vec<_> = group
                .into_iter()
                .map(|Finished { partial, facts, kept, answer, .. }| {
                    if published.is_err() {
                        // A failed flush is never made again, since it would succeed over lost bytes.
                        on_disk.budget.free(partial.back());
                    }
                    (facts, kept, answer)
                })
                .collect();
            (told, published)
        })
        .await;
    let (facts, answers): (Vec<_>, Vec<_>) =
        group.into_iter().map(|(facts, kept, a)| ((facts, kept), a)).unzip();
    let names: Vec<_> = facts.iter().map(|(facts, _)| facts.spool.clone()).collect();
    let outcomes = match published {
        Err(e) => Err(FinishError::Spool(spool.failed("make files whole")(e))),
        Ok(()) => {
            let outcomes = ledger.whole(facts).await.map_err(FinishError::Ledger);
            killpoint::pass("whole-committed");
            outcomes
        }
    };
    let mut spare = Vec::new();
    let mut outcomes = outcomes.map(Vec::into_iter);
    for (name, answer) in names.into_iter().zip(answers) {
        let outcome = match &mut outcomes {
            Err(e) => Err(e.clone()),
            Ok(each) => match each.next() {
                Some(Ok(Adopted::Whole)) | None => Ok(()),
                // The ledger had it already.
                Some(Ok(Adopted::Known | Adopted::Done)) => {
                    spare.push(name);
                    Ok(())
                }
                // It lies there with its record, and is adopted at the next start.
                Some(Err(illegal)) => Err(FinishError::Elsewhere(illegal)),
            },
        };
        let _ = answer.send(outcome);
    }
    if !spare.is_empty() {
        spool.unlink(spare).await;
    }
}

fn publish(disk: &dyn Disk, spool: &Spool, name: &str, group: &mut [Finished]) -> std::io::Result<()> {
    let mut lines = Vec::new();
    let mut lies = Group::default();
    let mut pack: Option<Box<dyn DiskFile>> = None;
    let opened = spool.opened.fetch_add(1, Ordering::SeqCst);
    let mut end = 0;
    for (number, file) in (0..).zip(group.iter_mut()) {
        complete(file)?;
        if let Some(bytes) = file.partial.held() {
            let pack = match &mut pack {
                Some(pack) => pack,
                None => pack.insert(disk.create_new(&spool.part(name), 0o600)?),
            };
            pack.write_at(bytes, end)?;
            file.facts.spool = format!("{name}-{number:03}@{end}");
            lies.packed.insert((end, number));
            end += bytes.len() as u64;
        } else {
            file.facts.spool = format!("{name}-{number:03}");
            lies.own += 1;
        }
        let Finished { facts, partial, logger, vehicle, path, .. } = file;
        lines.extend(Record::new(facts, &partial.name, logger, vehicle, path).line());
    }
    let record = disk.create_new(&spool.record(name), 0o600)?;
    record.write_at(&lines, 0)?;
    let mut files: Vec<_> = group.iter().filter_map(|file| file.partial.by_age()).collect();
    files.extend(pack.as_deref().map(|pack| (opened, pack)));
    files.sort_by_key(|(opened, _)| *opened);
    let mut files: Vec<&dyn DiskFile> = files.into_iter().map(|(_, file)| file).collect();
    files.push(&*record);
    disk.flush_files(&files)?;
    // No file may have its whole name while its record could still be lost. Where the flush took the
    // names with it, as on most file systems, this costs nothing.
    disk.flush_dir(&spool.dir)?;
    killpoint::pass("record-flushed");
    if pack.is_some() {
        disk.rename(&spool.part(name), &spool.dir.join(format!("{name}.log")))?;
    }
    for file in group.iter().filter(|file| file.partial.held().is_none()) {
        disk.rename(&spool.part(&file.partial.name), &spool.whole(&file.facts.spool))?;
    }
    killpoint::pass("published");
    disk.flush_dir(&spool.dir)?;
    killpoint::pass("folder-flushed");
    spool.groups().insert(name.to_owned(), lies);
    Ok(())
}

/// Gives the files of a group that failed their old names. The record goes last, behind the small
/// files that it would let a start adopt; it stays while a file bears its whole name, since it tells the
/// next start what that was before.
fn withdraw(disk: &dyn Disk, spool: &Spool, name: &str, group: &[Finished]) {
    let mut undone = true;
    for Finished { partial, facts, .. } in group.iter().filter(|file| file.partial.held().is_none()) {
        if facts.spool != partial.name
            && disk.stat(&spool.part(&partial.name)).is_ok_and(|part| part.is_none())
        {
            undone &= disk.rename(&spool.whole(&facts.spool), &spool.part(&partial.name)).is_ok();
        }
    }
    // What was in memory is fetched again.
    for path in [spool.part(name), spool.whole(name)] {
        match disk.remove(&path) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => undone = false,
            _ => {}
        }
    }
    if undone {
        let _ = disk.remove(&spool.record(name));
    }
}

/// Fills in what is read from the file itself: the digests of its ends, and whether it begins with
/// the version before it.
fn complete(file: &mut Finished) -> std::io::Result<()> {
    let size = file.facts.size;
    (_, file.facts.edges) = file.partial.content()?;
    file.facts.extends = match &file.before {
        Some((id, len, sha)) if *len < size && prefix(&file.partial, *len)? == *sha => Some(*id),
        _ => None,
    };
    Ok(())
}

fn prefix(partial: &Partial, len: u64) -> std::io::Result<Digest> {
    let mut hash = crate::model::RunningHash::default();
    while hash.len() < len {
        let want = usize::try_from((len - hash.len()).min(256 * 1024)).unwrap_or(256 * 1024);
        let bytes = partial.read(hash.len(), want)?;
        if bytes.is_empty() {
            break;
        }
        hash.update(&bytes);
    }
    Ok(hash.digest())
}

#[cfg(test)]
#[path = "finish_tests.rs"]
mod tests;
