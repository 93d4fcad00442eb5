//! The yard's clock: wall time for people, monotonic time for waiting.
//!
//! Every decision that depends on time takes a [`Clock`], so that a made-up yard can run a night
//! in a moment. Sockets have time-outs of their own, on the machine's clock.

use std::fmt::Debug;
use std::time::Duration;

use futures_util::future::BoxFuture;
use jiff::Timestamp;

/// When this program was built: what a clock shows before that is wrong.
pub const BUILT: Timestamp = {
    // Digits of `build.rs` alone.
    let (digits, mut nth, mut seconds) = (env!("YARDER_BUILT").as_bytes(), 0, 0_i64);
    while nth < digits.len() {
        seconds = seconds * 10 + (digits[nth] - b'0') as i64;
        nth += 1;
    }
    Timestamp::constant(seconds, 0)
};

/// Tells the time and waits.
pub trait Clock: Send + Sync + Debug {
    /// The wall clock; may jump in either direction.
    fn now(&self) -> Timestamp;
    /// Time since an arbitrary start; never runs backwards.
    fn mono(&self) -> Duration;
    /// Time since an arbitrary start, that which the machine slept through counted in: as far as a
    /// wall clock goes on when nobody sets it.
    fn boot(&self) -> Duration {
        self.mono()
    }
    /// Ends after that much monotonic time.
    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()>;
    /// The wall clock is wrong while it shows a moment before this one.
    fn earliest(&self) -> Timestamp {
        BUILT
    }
}

/// The machine's clock.
#[derive(Debug)]
pub struct SystemClock {
    start: tokio::time::Instant,
}

impl SystemClock {
    /// Monotonic time counts from now.
    #[expect(clippy::new_without_default, reason = "a clock that starts is not a default value")]
    pub fn new() -> Self {
        Self { start: tokio::time::Instant::now() }
    }
}

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "this is the one place that reads wall time")]
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn mono(&self) -> Duration {
        self.start.elapsed()
    }

    /// `CLOCK_BOOTTIME` of Linux (clock_gettime(2)); the monotonic clock stands still in a suspend.
    fn boot(&self) -> Duration {
        let time = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        let whole = Duration::from_secs(u64::try_from(time.tv_sec).unwrap_or_default());
        whole + Duration::from_nanos(u64::try_from(time.tv_nsec).unwrap_or_default())
    }

    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()> {
        Box::pin(tokio::time::sleep(span))
    }
}
