//! Threads of an archive's own.
//!
//! A share that hangs keeps its callers in the kernel for as long as it likes. Those threads are
//! lost meanwhile; they must not be ones that the rest of the service waits for.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use futures_util::future::BoxFuture;
use tokio::sync::oneshot;

use crate::edges::Work;

type Job = Box<dyn FnOnce() + Send>;
type Task = (Job, oneshot::Sender<thread::Result<()>>);

/// A fixed number of threads that take jobs in turn. They end when the pool is dropped, each after
/// the job that it is in.
#[derive(Debug)]
pub struct Pool {
    tasks: Sender<Task>,
    threads: usize,
}

impl Pool {
    /// Starts that many threads (one at least) of that name.
    pub fn new(name: &str, threads: usize) -> io::Result<Self> {
        let (tasks, queue) = channel();
        let queue = Arc::new(Mutex::new(queue));
        let threads = threads.max(1);
        for _ in 0..threads {
            let queue = queue.clone();
            thread::Builder::new().name(name.to_owned()).spawn(move || serve(&queue))?;
        }
        Ok(Self { tasks, threads })
    }
}

fn serve(queue: &Mutex<Receiver<Task>>) {
    loop {
        let next = queue.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok((job, done)) = next else { return };
        // Nobody may be waiting any more.
        let _ = done.send(catch_unwind(AssertUnwindSafe(job)));
    }
}

impl Work for Pool {
    fn run(&self, job: Job) -> BoxFuture<'static, ()> {
        let (done, ended) = oneshot::channel();
        // The threads live as long as the pool, since each outlives a panic of its jobs.
        let _ = self.tasks.send((job, done));
        Box::pin(async move {
            if let Ok(Err(panic)) = ended.await {
                resume_unwind(panic);
            }
        })
    }

    fn threads(&self) -> usize {
        self.threads
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_panic_reaches_the_caller_and_leaves_the_thread_alive() {
        let pool = Arc::new(Pool::new("test", 1).expect("thread"));
        let task = pool.clone();
        let failed = tokio::spawn(async move { task.run(Box::new(|| panic!("on purpose"))).await }).await;
        assert!(failed.expect_err("panics").is_panic());
        let (tell, told) = oneshot::channel();
        pool.run(Box::new(move || drop(tell.send(thread::current().name().map(str::to_owned))))).await;
        assert_eq!(told.await.expect("ran").as_deref(), Some("test"));
    }
}
