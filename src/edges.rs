//! The edges of the service as one value: clock, disk, blocking work, random numbers.
//!
//! Everything above takes its edges from here and nowhere else, so that a test can replace all of
//! them and replay a whole night from one seed.

use std::fmt::Debug;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use futures_util::future::BoxFuture;

use crate::clock::{Clock, SystemClock};
use crate::durable::{Disk, OsDisk};
use crate::network::{Interfaces, Network};

/// Runs blocking work off the async threads.
pub trait Work: Send + Sync + Debug {
    /// Runs the job to its end; the future ends when it has run, or has panicked.
    fn run(&self, job: Box<dyn FnOnce() + Send>) -> BoxFuture<'static, ()>;

    /// Over how many jobs at a time a caller should spread a large piece of work.
    fn threads(&self) -> usize {
        1
    }

    /// Whether all work runs on the calling thread, so that a run replays. Whoever has threads of its
    /// own does without them then.
    fn is_inline(&self) -> bool {
        false
    }
}

/// Blocking work on tokio's blocking threads.
#[derive(Debug)]
pub struct Threads;

impl Work for Threads {
    fn run(&self, job: Box<dyn FnOnce() + Send>) -> BoxFuture<'static, ()> {
        let task = tokio::task::spawn_blocking(job);
        Box::pin(async move {
            if let Err(failed) = task.await
                && failed.is_panic()
            {
                std::panic::resume_unwind(failed.into_panic());
            }
        })
    }
}

/// Blocking work on the calling thread, for runs that must replay.
#[derive(Debug)]
pub struct Inline;

impl Work for Inline {
    fn run(&self, job: Box<dyn FnOnce() + Send>) -> BoxFuture<'static, ()> {
        job();
        Box::pin(std::future::ready(()))
    }

    fn is_inline(&self) -> bool {
        true
    }
}

/// Random numbers from one seed.
#[derive(Debug)]
pub struct Random(Mutex<fastrand::Rng>);

impl Random {
    /// The same seed gives the same numbers.
    pub fn from_seed(seed: u64) -> Self {
        Self(Mutex::new(fastrand::Rng::with_seed(seed)))
    }

    /// A seed from the machine.
    pub fn from_machine() -> Self {
        Self(Mutex::new(fastrand::Rng::new()))
    }

    fn with<T>(&self, draw: impl FnOnce(&mut fastrand::Rng) -> T) -> T {
        draw(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// 64 random bits as 16 hexadecimal digits, for names that must not meet.
    pub fn name(&self) -> String {
        self.with(|rng| format!("{:016x}", rng.u64(..)))
    }

    /// A number below `end` (which must not be zero).
    pub fn below(&self, end: usize) -> usize {
        self.with(|rng| rng.usize(..end.max(1)))
    }

    /// The span, stretched or shrunk by up to a tenth, so that many loggers do not beat in time.
    pub fn jitter(&self, span: Duration) -> Duration {
        self.with(|rng| span.mul_f64(0.9 + 0.2 * rng.f64()))
    }
}

/// What the service stands on.
#[derive(Debug, Clone)]
pub struct Edges {
    /// Tells the time and waits.
    pub clock: Arc<dyn Clock>,
    /// Files and folders.
    pub disk: Arc<dyn Disk>,
    /// Blocking work.
    pub work: Arc<dyn Work>,
    /// Random numbers.
    pub random: Arc<Random>,
    /// Whether this machine has a network.
    pub network: Arc<dyn Network>,
}

impl Edges {
    /// The machine's own clock, disk, threads and random numbers.
    pub fn real() -> Self {
        Self {
            clock: Arc::new(SystemClock::new()),
            disk: Arc::new(OsDisk::new()),
            work: Arc::new(Threads),
            random: Arc::new(Random::from_machine()),
            network: Arc::new(Interfaces),
        }
    }

    /// Runs a blocking job and gives its value.
    pub async fn blocking<T: Send + 'static>(&self, job: impl FnOnce(&dyn Disk) -> T + Send + 'static) -> T {
        let disk = self.disk.clone();
        let slot = Arc::new(Mutex::new(None));
        let out = slot.clone();
        self.work
            .run(Box::new(move || {
                let value = job(&*disk);
                *out.lock().unwrap_or_else(PoisonError::into_inner) = Some(value);
            }))
            .await;
        let value = slot.lock().unwrap_or_else(PoisonError::into_inner).take();
        match value {
            Some(value) => value,
            // Tokio drops queued blocking work only while the runtime itself goes down.
            None => std::future::pending().await,
        }
    }
}
