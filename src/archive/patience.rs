//! Blocking jobs with a limit on silence.
//!
//! A job tells that it moves ([`Pulse::beat`]); one that does not for the deadline is given up, and
//! the archive counts as away. A thread that is stuck in the kernel cannot be ended: it is counted
//! until it comes back, and while all of them are stuck every call is refused at once.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::{ArchiveError, ArchiveFailure};
use crate::durable::Disk;
use crate::edges::Edges;
use crate::model::amount::span;

/// Runs an archive's jobs.
#[derive(Debug)]
pub(super) struct Patience {
    edges: Edges,
    deadline: Duration,
    shared: Arc<Shared>,
}

#[derive(Debug, Default)]
struct Shared {
    /// Threads in jobs that nobody waits for any more.
    stuck: AtomicUsize,
    /// Signs of life of all jobs, which those in the queue wait by.
    beats: AtomicU64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Queued,
    Running,
    GivenUp,
    Ended,
}

#[derive(Debug)]
struct Call {
    phase: Mutex<Phase>,
    beats: AtomicU64,
    shared: Arc<Shared>,
}

impl Call {
    fn phase(&self) -> MutexGuard<'_, Phase> {
        self.phase.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A value that changes while there is hope.
    fn signs(&self) -> (Phase, u64) {
        let phase = *self.phase();
        match phase {
            Phase::Queued => (phase, self.shared.beats.load(Ordering::Relaxed)),
            _ => (phase, self.beats.load(Ordering::Relaxed)),
        }
    }
}

/// By which a job tells that it moves.
#[derive(Debug)]
pub(super) struct Pulse(Arc<Call>);

impl Pulse {
    /// To be called between any two steps that can block; an error when nobody waits any more, and
    /// the job must change nothing more.
    pub(super) fn beat(&self) -> Result<(), ArchiveError> {
        self.0.beats.fetch_add(1, Ordering::Relaxed);
        self.0.shared.beats.fetch_add(1, Ordering::Relaxed);
        match *self.0.phase() {
            Phase::GivenUp => Err(ArchiveError::new(ArchiveFailure::Away, "it answered too late")),
            _ => Ok(()),
        }
    }
}

impl Drop for Pulse {
    /// The job has ended, or has panicked.
    fn drop(&mut self) {
        let before = std::mem::replace(&mut *self.0.phase(), Phase::Ended);
        if before == Phase::GivenUp {
            self.0.shared.stuck.fetch_sub(1, Ordering::Relaxed);
        }
    }
}

/// The caller's side of a call: gives it up when it goes.
struct Waiting(Arc<Call>);

impl Drop for Waiting {
    fn drop(&mut self) {
        let mut phase = self.0.phase();
        match *phase {
            // A queued job sees it and does not begin.
            Phase::Queued => *phase = Phase::Ended,
            Phase::Running => {
                *phase = Phase::GivenUp;
                self.0.shared.stuck.fetch_add(1, Ordering::Relaxed);
            }
            Phase::GivenUp | Phase::Ended => {}
        }
    }
}

impl Patience {
    pub(super) fn new(edges: Edges, deadline: Duration) -> Self {
        Self { edges, deadline, shared: Arc::default() }
    }

    /// How many jobs run at a time.
    pub(super) fn threads(&self) -> usize {
        self.edges.work.threads().max(1)
    }

    /// Runs a job; `Away` when it shows no sign of life for the deadline.
    pub(super) async fn run<T: Send + 'static>(
        &self,
        job: impl FnOnce(&Arc<dyn Disk>, &Pulse) -> Result<T, ArchiveError> + Send + 'static,
    ) -> Result<T, ArchiveError> {
        let away = |detail: String| Err(ArchiveError::new(ArchiveFailure::Away, detail));
        let stuck = self.shared.stuck.load(Ordering::Relaxed);
        if stuck >= self.threads() {
            return away(format!("{stuck} earlier calls have not come back yet"));
        }
        let call = Arc::new(Call {
            phase: Mutex::new(Phase::Queued),
            beats: AtomicU64::new(0),
            shared: self.shared.clone(),
        });
        let slot = Arc::new(Mutex::new(None));
        let waiting = Waiting(call.clone());
        let (disk, out) = (self.edges.disk.clone(), slot.clone());
        let mut done = self.edges.work.run(Box::new(move || {
            {
                let mut phase = call.phase();
                if *phase != Phase::Queued {
                    return;
                }
                *phase = Phase::Running;
            }
            let pulse = Pulse(call);
            let value = job(&disk, &pulse);
            // Ended before the value can be seen, so that its taker does not count it as stuck.
            drop(pulse);
            *out.lock().unwrap_or_else(PoisonError::into_inner) = Some(value);
        }));
        loop {
            // Work that runs inline has ended by now and needs no timer.
            if let Some(value) = slot.lock().unwrap_or_else(PoisonError::into_inner).take() {
                return value;
            }
            let before = waiting.0.signs();
            tokio::select! {
                biased;
                () = &mut done => {
                    let value = slot.lock().unwrap_or_else(PoisonError::into_inner).take();
                    return value.unwrap_or_else(|| away("the service is ending".to_owned()));
                }
                () = self.edges.clock.sleep(self.deadline) => {
                    if waiting.0.signs() == before {
                        let waited = span(self.deadline.as_secs_f64());
                        return away(format!("it has not answered for {waited}"));
                    }
                }
            }
        }
    }
}
