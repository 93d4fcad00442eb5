//! What a run met: edges of a file's states, and what was wrong while a file stood in which state.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use yarder::ledger::state::{Happening, State, next};

use super::Book;

/// So often at least each edge is taken in a long run, and each pair met.
const EDGES: u64 = 100;
const PAIRS: u64 = 20;

/// Which state edges were taken, and which faults met which states, how often.
#[derive(Debug, Default, Clone)]
pub struct Coverage {
    pub edges: BTreeMap<(State, State), u64>,
    pub pairs: BTreeMap<(&'static str, State), u64>,
    pub acts: BTreeMap<&'static str, u64>,
}

impl Coverage {
    pub fn add(&mut self, other: &Self) {
        other.edges.iter().for_each(|(k, n)| *self.edges.entry(*k).or_default() += n);
        other.pairs.iter().for_each(|(k, n)| *self.pairs.entry(*k).or_default() += n);
        other.acts.iter().for_each(|(k, n)| *self.acts.entry(k).or_default() += n);
    }

    /// Something happened.
    pub fn act(&mut self, what: &'static str) {
        *self.acts.entry(what).or_default() += 1;
    }

    /// Something is wrong, or happens, while files stand in these states.
    pub fn meets(&mut self, what: &'static str, book: &Book) {
        for state in book.rows.iter().map(|row| row.state).collect::<BTreeSet<_>>() {
            *self.pairs.entry((what, state)).or_default() += 1;
        }
    }

    /// The table, and what a long run has met too seldom.
    pub fn table(&self) -> (String, Vec<String>) {
        let mut text = String::from("\nwhat happened, how often\n");
        let mut seldom = Vec::new();
        for (what, n) in &self.acts {
            let _ = writeln!(text, "{n:>9}  {what}");
        }
        text += "\nedges of a file's states\n";
        for (from, to) in legal() {
            let n = self.edges.get(&(from, to)).copied().unwrap_or(0);
            let never = never_taken(from, to);
            let _ = writeln!(text, "{n:>9}  {from} -> {to}{}", reason(never));
            if never.is_none() && n < EDGES {
                seldom.push(format!("{from} -> {to}: {n}"));
            }
        }
        text += "\nwhat was wrong, or happened, while a file was in which state\n";
        let states: Vec<State> = State::ALL.iter().copied().filter(|s| *s != State::Settling).collect();
        let _ = writeln!(text, "{:>44} {}", "", states.iter().map(|s| format!("{s:>9}")).collect::<String>());
        let kinds: BTreeSet<_> = self.pairs.keys().map(|(what, _)| *what).collect();
        for what in kinds {
            let _ = write!(text, "{what:>44} ");
            for state in &states {
                let n = self.pairs.get(&(what, *state)).copied().unwrap_or(0);
                let _ = write!(text, "{n:>9}");
                if n < PAIRS && never_meets(what, *state).is_none() {
                    seldom.push(format!("{what} while {state}: {n}"));
                }
            }
            text.push('\n');
        }
        (text, seldom)
    }
}

fn reason(never: Option<&str>) -> String {
    never.map_or_else(String::new, |why| format!("  ({why})"))
}

/// Every edge that the ledger allows between two states, and the mark of a transfer.
fn legal() -> BTreeSet<(State, State)> {
    let edge = |from: State, by: Happening| Some((from, next(from, by).ok()?));
    let all = State::ALL.iter().flat_map(|from| Happening::ALL.iter().filter_map(move |by| edge(*from, *by)));
    all.filter(|(from, to)| from != to || *from == State::Fetching).collect()
}

/// Why an edge that the ledger allows is never taken in this version, or need not be taken often.
fn never_taken(from: State, to: State) -> Option<&'static str> {
    use State as S;
    match (from, to) {
        (S::Settling, _) | (_, S::Settling) => Some("nobody pushes: there is no intake"),
        (S::Whole | S::Archived, S::Held) => Some("nothing is read again once it is whole"),
        (S::Archived, S::Lost) => Some("seldom: what was presumed known, with what it was taken for"),
        (S::Open, S::Dropped) => Some("a content is known when its name is new, or once it is whole"),
        _ => None,
    }
}

/// Why something never happens while a file is in a state.
fn never_meets(_what: &str, _state: State) -> Option<&'static str> {
    None
}
