//! Time that moves when nothing else does: whenever the one thread of the runtime has no task left
//! to run, the earliest sleep ends. With all work on that thread a fortnight replays exactly.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::fmt::{self, Debug, Formatter};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures_util::future::BoxFuture;
use jiff::{SignedDuration, Timestamp};
use tokio::sync::oneshot;
use yarder::clock::Clock;

/// A sleep of so long may be a little longer.
const LONG: Duration = Duration::from_secs(5);

/// A sleep's end, its place among equal ones, and who is told.
struct Sleeper(Duration, u64, oneshot::Sender<()>);

impl PartialEq for Sleeper {
    fn eq(&self, other: &Self) -> bool {
        (self.0, self.1) == (other.0, other.1)
    }
}
impl Eq for Sleeper {}
impl PartialOrd for Sleeper {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Sleeper {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        (self.0, self.1).cmp(&(other.0, other.1))
    }
}

struct State {
    mono: Duration,
    /// What the PC's clock shows more than it should.
    wrong: SignedDuration,
    sleepers: BinaryHeap<Reverse<Sleeper>>,
    count: u64,
    stopped: bool,
}

/// The virtual clock.
pub struct Virtual {
    start: Timestamp,
    state: Arc<Mutex<State>>,
}

impl Debug for Virtual {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str("Virtual")
    }
}

impl Virtual {
    /// A clock that shows that time now.
    pub fn new(start: Timestamp) -> Arc<Self> {
        let state = State {
            mono: Duration::ZERO,
            wrong: SignedDuration::ZERO,
            sleepers: BinaryHeap::new(),
            count: 0,
            stopped: false,
        };
        Arc::new(Self { start, state: Arc::new(Mutex::new(state)) })
    }

    /// The earliest sleeps end. To be called when no task can run.
    pub fn idle(&self) {
        let mut state = self.state.lock().expect("lock");
        if state.stopped {
            return;
        }
        let mut woken = false;
        while let Some(Reverse(next)) = state.sleepers.peek() {
            if next.2.is_closed() {
                state.sleepers.pop();
            } else if !woken || next.0 <= state.mono {
                let Some(Reverse(next)) = state.sleepers.pop() else { return };
                state.mono = state.mono.max(next.0);
                woken = true;
                let _ = next.2.send(());
            } else {
                return;
            }
        }
    }

    /// Time stands still while something outside of it is waited for, such as a socket.
    pub fn stand(&self, still: bool) {
        self.state.lock().expect("lock").stopped = still;
    }

    /// The PC's clock is set to show that much too much.
    pub fn set_wrong(&self, by: SignedDuration) {
        self.state.lock().expect("lock").wrong = by;
    }

    /// What an honest clock shows.
    pub fn honest(&self) -> Timestamp {
        let mono = self.mono();
        self.start + SignedDuration::try_from(mono).expect("span")
    }

    /// Waits until an honest clock shows that time.
    pub async fn until(&self, at: Timestamp) {
        let left = at.duration_since(self.honest());
        if let Ok(left) = Duration::try_from(left) {
            self.sleep(left).await;
        }
    }
}

impl Clock for Virtual {
    fn now(&self) -> Timestamp {
        let wrong = self.state.lock().expect("lock").wrong;
        self.honest() + wrong
    }

    /// The plot lies before the day on which this program was built.
    fn earliest(&self) -> Timestamp {
        self.start
    }

    fn mono(&self) -> Duration {
        self.state.lock().expect("lock").mono
    }

    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()> {
        if span.is_zero() {
            return Box::pin(std::future::ready(()));
        }
        let (shared, mut end) = (self.state.clone(), self.mono().saturating_add(span));
        // Few moments are lived: what takes long ends on the minute.
        if span >= LONG {
            end = Duration::from_secs(end.as_secs().div_ceil(60) * 60);
        }
        Box::pin(async move {
            // One that nobody waits for yet wakes nobody, and must not be what time moves to.
            let (tell, told) = oneshot::channel();
            {
                let mut state = shared.lock().expect("lock");
                state.count += 1;
                let sleeper = Sleeper(end.max(state.mono), state.count, tell);
                state.sleepers.push(Reverse(sleeper));
            }
            let _ = told.await;
        })
    }
}
