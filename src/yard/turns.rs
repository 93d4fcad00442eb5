//! Who may transfer now: the seam behind which the scheduler stands.
//!
//! First come, first served between vehicles, with `max_transfers` in all and for each access
//! point. A logger holds its turn for one visit's work, never two at once. While others wait, a
//! transfer that hardly moves gives its turn up, and one of an open file does so at once.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, oneshot};

use crate::clock::Clock;
use crate::config::Config;
use crate::fetch::Halt;

/// Over so much time ...
const SLICE: Duration = Duration::from_secs(60);
/// ... so many bytes must come (16 kB/s) for a transfer to keep a turn that others wait for. At a
/// tenth of what a weak cell gives, a log file of 50 MB would take an hour.
const LEAST: u64 = 16_000 * 60;

#[derive(Debug, Default)]
struct State {
    max: usize,
    cells: BTreeMap<String, usize>,
    active: usize,
    active_in: BTreeMap<String, usize>,
    waiting: VecDeque<(Option<String>, oneshot::Sender<Turn>)>,
}

/// The turns of one yard.
#[derive(Debug, Clone, Default)]
pub struct Turns {
    state: Arc<Mutex<State>>,
    /// Told when one more waits.
    waits: Arc<Notify>,
}

/// A turn, until it is dropped.
#[derive(Debug)]
pub struct Turn {
    turns: Turns,
    cell: Option<String>,
}

impl Turns {
    /// Takes the limits of a configuration; turns that are held already stay.
    pub fn set_limits(&self, config: &Config) {
        let given = self.with(|state| {
            state.max = config.poll.max_transfers;
            state.cells = config
                .access_points
                .iter()
                .filter_map(|cell| Some((cell.name.clone(), cell.max_transfers?)))
                .collect();
            self.give(state)
        });
        drop(given);
    }

    /// Waits for a turn in a cell.
    pub async fn wait(&self, cell: Option<&str>) -> Turn {
        let (give, take) = oneshot::channel();
        let given = self.with(|state| {
            state.waiting.push_back((cell.map(str::to_owned), give));
            self.give(state)
        });
        drop(given);
        self.waits.notify_waiters();
        match take.await {
            Ok(turn) => turn,
            // The queue lives as long as anybody holds `self`, and a waiter is dropped only with it.
            Err(_) => std::future::pending().await,
        }
    }

    /// A turn that is free and that nobody waits for.
    pub fn spare(&self, cell: Option<&str>) -> Option<Turn> {
        self.with(|state| {
            // Who waits now waits for room in a cell that is full.
            let free = state.active < state.max && has_room(state, cell);
            free.then(|| self.take(state, cell.map(str::to_owned)))
        })
    }

    fn take(&self, state: &mut State, cell: Option<String>) -> Turn {
        state.active += 1;
        if let Some(cell) = &cell {
            *state.active_in.entry(cell.clone()).or_default() += 1;
        }
        Turn { turns: self.clone(), cell }
    }

    fn with<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        change(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Gives turns to those who have waited longest and whose cell has room. Gives back the turns of
    /// those who no longer wait, to be dropped outside the lock.
    fn give(&self, state: &mut State) -> Vec<Turn> {
        let mut refused = Vec::new();
        let mut at = 0;
        while state.active < state.max && at < state.waiting.len() {
            if !has_room(state, state.waiting[at].0.as_deref()) {
                at += 1;
                continue;
            }
            let Some((cell, give)) = state.waiting.remove(at) else { break };
            refused.extend(give.send(self.take(state, cell)).err());
        }
        refused
    }
}

fn has_room(state: &State, cell: Option<&str>) -> bool {
    let Some(cell) = cell else { return true };
    let limit = state.cells.get(cell).copied().unwrap_or(usize::MAX);
    state.active_in.get(cell).copied().unwrap_or(0) < limit
}

impl Turn {
    /// Ends when the transfer in this turn must give it up, and says why: at once when another waits
    /// for it, where the file is `open`; else when it is slow besides.
    pub(super) async fn must_give_way(&self, clock: &dyn Clock, halt: &Halt, open: bool) -> &'static str {
        if open {
            loop {
                let waits = self.turns.waits.notified();
                tokio::pin!(waits);
                // From now on nobody is missed.
                waits.as_mut().enable();
                if self.is_wanted() {
                    return "a closed file waits for the turn";
                }
                waits.await;
            }
        }
        loop {
            let before = halt.came();
            clock.sleep(SLICE).await;
            if halt.came() - before < LEAST && self.is_wanted() {
                return "slower than 16 kB/s, and others wait for the turn";
            }
        }
    }

    /// Whether somebody waits who could have this turn.
    pub(super) fn is_wanted(&self) -> bool {
        self.turns.with(|state| {
            state.waiting.iter().any(|(cell, give)| {
                !give.is_closed() && (*cell == self.cell || has_room(state, cell.as_deref()))
            })
        })
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let turns = self.turns.clone();
        let given = turns.with(|state| {
            state.active -= 1;
            if let Some(active) = self.cell.as_ref().and_then(|cell| state.active_in.get_mut(cell)) {
                *active -= 1;
            }
            turns.give(state)
        });
        drop(given);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use futures_util::FutureExt as _;

    fn turns(max: usize, east: usize) -> Turns {
        let turns = Turns::default();
        turns.with(|state| {
            state.max = max;
            state.cells.insert("east".into(), east);
        });
        turns
    }

    #[test]
    fn no_more_than_the_limits_and_in_the_order_of_asking() {
        let turns = turns(2, 1);
        let first = turns.wait(Some("east")).now_or_never().expect("free");
        let mut second = Box::pin(turns.wait(Some("east")));
        let mut third = Box::pin(turns.wait(None));
        assert!((&mut second).now_or_never().is_none(), "the cell is full");
        let third = (&mut third).now_or_never().expect("the yard is not");
        let mut fourth = Box::pin(turns.wait(None));
        assert!((&mut fourth).now_or_never().is_none());
        drop(third);
        let fourth = (&mut fourth).now_or_never().expect("freed");
        drop(first);
        assert!((&mut second).now_or_never().is_some());
        drop(fourth);
    }

    #[test]
    fn one_who_no_longer_waits_does_not_keep_a_turn() {
        let turns = turns(1, 1);
        let first = turns.wait(None).now_or_never().expect("free");
        let gone = Box::pin(turns.wait(None));
        assert!(gone.now_or_never().is_none());
        let mut next = Box::pin(turns.wait(None));
        assert!((&mut next).now_or_never().is_none());
        drop(first);
        assert!((&mut next).now_or_never().is_some());
    }

    /// A clock whose waits end as often as it is told.
    #[derive(Debug, Default)]
    struct Steps(Arc<std::sync::atomic::AtomicU32>);

    impl Clock for Steps {
        fn now(&self) -> jiff::Timestamp {
            jiff::Timestamp::UNIX_EPOCH
        }
        fn mono(&self) -> Duration {
            Duration::ZERO
        }
        fn sleep(&self, _: Duration) -> futures_util::future::BoxFuture<'static, ()> {
            let steps = self.0.clone();
            Box::pin(std::future::poll_fn(move |_| {
                use std::sync::atomic::Ordering::SeqCst;
                match steps.fetch_update(SeqCst, SeqCst, |n| n.checked_sub(1)) {
                    Ok(_) => std::task::Poll::Ready(()),
                    Err(_) => std::task::Poll::Pending,
                }
            }))
        }
    }

    fn halt() -> Halt {
        Halt::below(&tokio_util::sync::CancellationToken::new())
    }

    #[test]
    fn an_open_file_has_only_a_turn_that_nobody_wants_and_gives_it_up_at_once() {
        let turns = turns(2, 1);
        let east = turns.spare(Some("east")).expect("free");
        assert!(turns.spare(Some("east")).is_none(), "the cell is full");
        let (clock, halt) = (Steps::default(), halt());
        let mut ahead = Box::pin(east.must_give_way(&clock, &halt, true));
        assert!((&mut ahead).now_or_never().is_none(), "nobody waits");
        let west = turns.wait(Some("west")).now_or_never().expect("free");
        assert!((&mut ahead).now_or_never().is_none(), "nobody waits");
        let mut waits = Box::pin(turns.wait(Some("east")));
        assert!((&mut waits).now_or_never().is_none());
        assert!((&mut ahead).now_or_never().is_some());
        drop(ahead);
        drop(east);
        assert!((&mut waits).now_or_never().is_some());
        drop(west);
    }

    #[test]
    fn a_transfer_keeps_its_turn_while_bytes_come_or_nobody_waits() {
        let turns = turns(1, 1);
        let held = turns.wait(None).now_or_never().expect("free");
        let (clock, halt) = (Steps::default(), halt());
        let mut slow = Box::pin(held.must_give_way(&clock, &halt, false));
        let mut minute = |came: u64| {
            assert!((&mut slow).now_or_never().is_none(), "the minute is not over");
            halt.count(came);
            clock.0.store(1, std::sync::atomic::Ordering::SeqCst);
            (&mut slow).now_or_never().is_some()
        };
        assert!(!minute(0), "nobody waits");
        let mut waits = Box::pin(turns.wait(None));
        assert!((&mut waits).now_or_never().is_none());
        assert!(!minute(LEAST), "fast enough");
        assert!(minute(LEAST - 1));
    }
}
