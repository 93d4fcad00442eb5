//! The thread that owns the ledger's connection, and group commit.
//!
//! Jobs are taken from a queue and run one after the other in one transaction; everything that has
//! queued meanwhile joins it, so that thousands of small files do not cost a flush each. A job's
//! answer is given only after its group is committed; a job that nobody waits for does not even wake
//! the thread at once. A job that fails rolls back itself alone.
//!
//! # Crash
//! A failed commit means that the disk's state is not known: every waiter is told so, the ledger
//! takes no further job, and the process ends. It starts again from what the disk holds. So it is when
//! SQLite calls the database corrupt: that is noted for the next start, which sets it aside.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rusqlite::Connection;
use tokio::sync::{oneshot, watch};

use super::LedgerError;
use crate::clock::Clock;

/// Jobs in one transaction at most, so that no waiter starves behind an endless queue.
const GROUP: usize = 1024;
/// How long jobs that nobody waits for may wait for one that somebody does.
const PATIENCE: Duration = Duration::from_millis(200);
/// Jobs that may queue before senders wait.
const QUEUE: usize = 8192;

/// An open transaction, as a job sees it.
pub(super) struct Tx<'a> {
    /// The connection, inside the transaction.
    pub db: &'a Connection,
    /// Wall time in milliseconds, one value for the job.
    pub now: i64,
    /// Set where the job found the database corrupt or its disk failing: SQLite may have undone the
    /// whole transaction.
    ended: RefCell<Option<LedgerError>>,
}

type Answer = Box<dyn FnOnce(Result<(), LedgerError>) + Send>;

/// Something to do within a transaction.
struct Job {
    work: Box<dyn FnOnce(&Tx<'_>) -> Answer + Send>,
    /// Nobody waits for it: it may wait for company.
    patient: bool,
}

struct Owner {
    db: Connection,
    clock: Arc<dyn Clock>,
    dead: watch::Sender<Option<String>>,
    /// Notes that the database is corrupt, and what SQLite says.
    corrupt: Box<dyn Fn(&str) + Send>,
}

impl Owner {
    /// Runs a group; `more` gives the next job.
    fn run(&self, first: Job, more: &mut dyn FnMut() -> Option<Job>) {
        let mut answers = Vec::new();
        let outcome = self.group(first, more, &mut answers);
        if let Err(failed) = &outcome {
            if let LedgerError::Corrupt(why) = failed {
                (self.corrupt)(why);
            }
            self.dead.send_replace(Some(failed.to_string()));
        }
        for answer in answers {
            answer(outcome.clone());
        }
    }

    fn group(
        &self,
        first: Job,
        more: &mut dyn FnMut() -> Option<Job>,
        answers: &mut Vec<Answer>,
    ) -> Result<(), LedgerError> {
        self.db.execute_batch("BEGIN IMMEDIATE")?;
        let mut next = Some(first);
        while let Some(job) = next {
            let now = self.clock.now().as_millisecond();
            let tx = Tx { db: &self.db, now, ended: RefCell::default() };
            answers.push((job.work)(&tx));
            if let Some(ended) = tx.ended.into_inner() {
                return Err(ended);
            }
            next = if answers.len() < GROUP { more() } else { None };
        }
        self.db.execute_batch("COMMIT").map_err(|e| match e.into() {
            LedgerError::Sql(why) | LedgerError::Disk(why) => LedgerError::Commit(why),
            other => other,
        })
    }
}

/// Jobs that wait for the thread.
#[derive(Default)]
struct Waiting {
    jobs: VecDeque<Job>,
    /// Somebody waits for one of them.
    urgent: bool,
    /// Nobody can send any more.
    left: bool,
    /// The thread has ended.
    ended: bool,
}

#[derive(Default)]
struct Queue {
    waiting: Mutex<Waiting>,
    /// There is something to do.
    work: Condvar,
    /// There is room for more.
    room: Condvar,
}

impl Queue {
    fn lock(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a job; `false` where nobody runs jobs any more.
    fn push(&self, job: Job) -> bool {
        let full = |w: &mut Waiting| w.jobs.len() >= QUEUE && !w.ended;
        let mut waiting = self.room.wait_while(self.lock(), full).unwrap_or_else(PoisonError::into_inner);
        if waiting.ended {
            return false;
        }
        let urgent = !job.patient && !waiting.urgent;
        waiting.urgent |= urgent;
        waiting.jobs.push_back(job);
        // The first wakes the thread, which then waits for company by itself.
        if urgent || waiting.jobs.len() == 1 || waiting.jobs.len() == GROUP {
            self.work.notify_one();
        }
        true
    }

    /// The first job of the next group, once it is due; `None` when all have left.
    fn first(&self) -> Option<Job> {
        let idle = |w: &mut Waiting| w.jobs.is_empty() && !w.left;
        let waiting = self.work.wait_while(self.lock(), idle).unwrap_or_else(PoisonError::into_inner);
        let patient = |w: &mut Waiting| !w.urgent && w.jobs.len() < GROUP && !w.left;
        let timed = self.work.wait_timeout_while(waiting, PATIENCE, patient);
        self.take(timed.unwrap_or_else(PoisonError::into_inner).0)
    }

    fn next(&self) -> Option<Job> {
        self.take(self.lock())
    }

    /// No job is run any more: whoever waits for an answer learns that none will come.
    fn end(&self) {
        let mut waiting = self.lock();
        waiting.ended = true;
        waiting.jobs.clear();
        self.room.notify_all();
    }

    fn take(&self, mut waiting: MutexGuard<'_, Waiting>) -> Option<Job> {
        let job = waiting.jobs.pop_front();
        waiting.urgent &= !waiting.jobs.is_empty();
        if waiting.jobs.len() + 1 == QUEUE {
            self.room.notify_all();
        }
        job
    }
}

/// The sending side; the thread ends after the last job once it is dropped.
struct Sender(Arc<Queue>);

impl Drop for Sender {
    fn drop(&mut self) {
        self.0.lock().left = true;
        self.0.work.notify_one();
    }
}

enum Runner {
    Thread(Sender),
    Inline(Mutex<Owner>),
}

/// The queue to the owner of the connection.
#[derive(Clone)]
pub(super) struct Writer {
    runner: Arc<Runner>,
    dead: watch::Receiver<Option<String>>,
}

impl Writer {
    /// `inline` runs each job on the caller's thread, for runs that must replay.
    pub fn start(
        db: Connection,
        clock: Arc<dyn Clock>,
        inline: bool,
        corrupt: Box<dyn Fn(&str) + Send>,
    ) -> Result<Self, LedgerError> {
        let (dead_tx, dead) = watch::channel(None);
        let owner = Owner { db, clock, dead: dead_tx, corrupt };
        let runner = if inline {
            Runner::Inline(Mutex::new(owner))
        } else {
            let queue = Arc::new(Queue::default());
            let sender = Sender(queue.clone());
            std::thread::Builder::new()
                .name("ledger".into())
                .spawn(move || work(&owner, &queue))
                .map_err(|e| LedgerError::Open(e.to_string()))?;
            Runner::Thread(sender)
        };
        Ok(Self { runner: Arc::new(runner), dead })
    }

    /// Why the ledger takes no more jobs, once it does not.
    pub fn dead(&self) -> watch::Receiver<Option<String>> {
        self.dead.clone()
    }

    /// Queues a job that nobody waits for: it is committed with the next that somebody does, or a
    /// little later by itself. Its failure is the ledger's own, and is told to everybody after it.
    pub fn tell<F>(&self, job: F) -> Result<(), LedgerError>
    where
        F: FnOnce(&Tx<'_>) -> Result<(), LedgerError> + Send + 'static,
    {
        self.send(true, job).map(drop)
    }

    /// Queues a job; its answer comes after the commit.
    fn send<T, F>(
        &self,
        patient: bool,
        job: F,
    ) -> Result<oneshot::Receiver<Result<T, LedgerError>>, LedgerError>
    where
        T: Send + 'static,
        F: FnOnce(&Tx<'_>) -> Result<T, LedgerError> + Send + 'static,
    {
        if let Some(why) = &*self.dead.borrow() {
            return Err(LedgerError::Commit(why.clone()));
        }
        let (answer, waiter) = oneshot::channel();
        let work: Box<dyn FnOnce(&Tx<'_>) -> Answer + Send> = Box::new(move |tx| {
            let made = savepoint(tx, job);
            if let Err(ended @ (LedgerError::Corrupt(_) | LedgerError::Disk(_))) = &made {
                tx.ended.replace(Some(ended.clone()));
            }
            Box::new(move |committed| {
                if let Err(Err(failed)) = answer.send(committed.and(made)) {
                    tracing::error!("the ledger refused a note: {failed}");
                }
            })
        });
        let job = Job { work, patient };
        match &*self.runner {
            Runner::Thread(Sender(queue)) => {
                if !queue.push(job) {
                    return Err(LedgerError::Commit("it has stopped".into()));
                }
            }
            Runner::Inline(owner) => {
                owner.lock().unwrap_or_else(PoisonError::into_inner).run(job, &mut || None);
            }
        }
        Ok(waiter)
    }

    /// Runs a job and waits for its group's commit.
    pub async fn ask<T, F>(&self, job: F) -> Result<T, LedgerError>
    where
        T: Send + 'static,
        F: FnOnce(&Tx<'_>) -> Result<T, LedgerError> + Send + 'static,
    {
        self.send(false, job)?.await.unwrap_or_else(|_| Err(LedgerError::Commit("it has stopped".into())))
    }
}

fn work(owner: &Owner, queue: &Queue) {
    while let Some(first) = queue.first() {
        let ran = catch_unwind(AssertUnwindSafe(|| owner.run(first, &mut || queue.next())));
        if ran.is_err() {
            owner.dead.send_replace(Some("its thread panicked".into()));
        }
        // What still waits is not run on a disk of which nothing is known.
        if owner.dead.borrow().is_some() {
            return queue.end();
        }
    }
    queue.end();
    // Everybody has let go: fold the log into the database, so that a copy of one file is whole.
    let _ = owner.db.pragma_update(None, "wal_checkpoint", "TRUNCATE");
}
/// Runs a job so that its failure undoes what it did and nothing else.
fn savepoint<T>(tx: &Tx<'_>, job: impl FnOnce(&Tx<'_>) -> Result<T, LedgerError>) -> Result<T, LedgerError> {
    tx.db.prepare_cached("SAVEPOINT job")?.execute([])?;
    let made = job(tx);
    if made.is_err() {
        tx.db.prepare_cached("ROLLBACK TO job")?.execute([])?;
    }
    tx.db.prepare_cached("RELEASE job")?.execute([])?;
    made
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;

    #[tokio::test]
    async fn what_waits_when_a_commit_fails_is_not_run() {
        let db = Connection::open_in_memory().expect("open");
        let writer =
            Writer::start(db, Arc::new(SystemClock::new()), false, Box::new(|_| {})).expect("started");
        let (go, wait) = std::sync::mpsc::channel::<()>();
        let breaks = move |tx: &Tx<'_>| {
            let _ = wait.recv();
            // The group's commit finds no transaction.
            tx.db.execute_batch("ROLLBACK")?;
            Ok(())
        };
        writer.tell(breaks).expect("queued");
        for _ in 1..GROUP {
            writer.tell(|_| Ok(())).expect("queued");
        }
        let behind = writer.send(false, |_| Ok(())).expect("queued");
        go.send(()).expect("waited for");
        assert!(!matches!(behind.await, Ok(Ok(()))), "the disk's state is not known");
    }
}
