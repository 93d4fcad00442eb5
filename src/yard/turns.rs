//! Who may transfer now: the seam behind which the scheduler stands.
//!
//! First come, first served between vehicles, with `max_transfers` in all and for each access
//! point. A logger holds its turn for one visit's work, never two at once.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::oneshot;

use crate::config::Config;

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
pub struct Turns(Arc<Mutex<State>>);

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
        match take.await {
            Ok(turn) => turn,
            // The queue lives as long as anybody holds `self`, and a waiter is dropped only with it.
            Err(_) => std::future::pending().await,
        }
    }

    fn with<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
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
            state.active += 1;
            if let Some(cell) = &cell {
                *state.active_in.entry(cell.clone()).or_default() += 1;
            }
            refused.extend(give.send(Turn { turns: self.clone(), cell }).err());
        }
        refused
    }
}

fn has_room(state: &State, cell: Option<&str>) -> bool {
    let Some(cell) = cell else { return true };
    let limit = state.cells.get(cell).copied().unwrap_or(usize::MAX);
    state.active_in.get(cell).copied().unwrap_or(0) < limit
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
}
