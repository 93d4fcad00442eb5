//! Whether a listed entry is a known version, and what says that the card is another one.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};

use super::order::in_order;
use crate::ledger::state::State;
use crate::ledger::{Known, Seen};
use crate::model::RemotePath;

/// What a listed entry is to the latest known version of its path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Match {
    /// No version of that path is known.
    New,
    /// The known version, by everything visible.
    Same,
    /// The known version, not whole yet, has grown or changed.
    Changed,
    /// A whole version with the same size under another time or validator: its bytes decide.
    TimeOnly,
    /// A whole version that has grown: a new version, which may extend it.
    Grown,
    /// A whole version that shrank: the card is another one.
    Shrunk,
    /// A whole version that a whole listing lacked: the card is another one.
    Returned,
    /// An unfinished or lost version is listed again.
    CameBack,
}

/// Compares an entry, with its exact look where one was needed, with the latest known version.
pub fn matches(known: Option<&Known>, seen: &Seen) -> Match {
    // A name that we removed is free: what bears it now is no sign of another card.
    let removed = |known: &&Known| known.state == State::Removed;
    let Some(known) = known.filter(|k| k.on_card && !removed(k)) else { return Match::New };
    let unfinished = matches!(known.state, State::Listed | State::Open | State::Fetching | State::Skipped);
    if known.absent.is_some() || known.state == State::Lost {
        // One whose content is known, and whose last copy went with an archive, was whole.
        let lost = known.state == State::Lost && known.edges.is_none();
        return if unfinished || lost { Match::CameBack } else { Match::Returned };
    }
    if known.listed == seen.listed {
        return Match::Same;
    }
    let exact = seen.look.size.is_some() && seen.look.time.is_some();
    if exact && known.look.size == seen.look.size && known.look.agrees(&seen.look) {
        return Match::Same;
    }
    if unfinished {
        return Match::Changed;
    }
    match (known.look.size, seen.look.size) {
        (Some(had), Some(has)) if had == has => Match::TimeOnly,
        (Some(had), Some(has)) if had > has => Match::Shrunk,
        _ => Match::Grown,
    }
}

/// A sign in a whole listing that the card is another one: nothing that was whole is there any
/// more, and the numbering fell back behind what was known. `kept` are the listed paths that are not
/// known with another time: a card that was formatted may bear the same names at once.
pub fn card_sign(known: &[Known], listed: &[RemotePath], kept: &[RemotePath]) -> Option<&'static str> {
    let was: Vec<RemotePath> = known
        .iter()
        .filter(|k| {
            k.on_card && k.absent.is_none() && matches!(k.state, State::Whole | State::Archived | State::Held)
        })
        .map(|k| k.path.clone())
        .collect();
    if was.is_empty() || listed.is_empty() || kept.iter().any(|p| was.binary_search(p).is_ok()) {
        return None;
    }
    // Were the listing the continuation of what is known, all of it would come behind.
    let all: BTreeSet<RemotePath> = was.into_iter().chain(listed.iter().cloned()).collect();
    let newest = in_order(all.into_iter().collect()).into_iter().last()?;
    (!listed.contains(&newest)).then_some("numbers fell back")
}

/// Times of a listing that cannot be believed: before 2005 (the trade began to log on cards about
/// then: common practice, no source), more than a day ahead of the depot, or equal to the second for
/// three or more files of one stream, whose names say that they were recorded one after the other.
pub fn incredible(files: &[Seen], now: Timestamp) -> Vec<bool> {
    let mut alike: BTreeMap<(&[u8], i64), u32> = BTreeMap::new();
    for file in files {
        if let Some(time) = file.look.time {
            *alike.entry((file.path.folder(), time.as_second())).or_default() += 1;
        }
    }
    files
        .iter()
        .map(|file| match file.look.time {
            None => true,
            Some(time) => {
                time.as_second() < 1_104_537_600
                    || time.duration_since(now) > SignedDuration::from_hours(24)
                    || alike.get(&(file.path.folder(), time.as_second())).is_some_and(|n| *n >= 3)
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::VersionId;
    use crate::model::{Digest, Edges, Look};

    fn path(text: &str) -> RemotePath {
        RemotePath::new(text.as_bytes()).expect("path")
    }

    fn seen(name: &str, size: u64, second: i64) -> Seen {
        let look = Look { size: Some(size), time: Timestamp::from_second(second).ok(), ..Look::default() };
        Seen { path: path(name), listed: format!("{size} {second}"), look }
    }

    fn known(name: &str, size: u64, second: i64, state: State) -> Known {
        let seen = seen(name, size, second);
        let edges = Edges { head: Digest::of(b""), tail: Digest::of(b"") };
        Known {
            id: VersionId(1),
            on_card: true,
            path: seen.path,
            state,
            listed: seen.listed,
            look: seen.look,
            still: 0,
            absent: None,
            edges: Some(edges),
            backlog: false,
            presumed: false,
            open: false,
        }
    }

    #[test]
    fn an_entry_is_judged_by_size_time_and_history() {
        let whole = known("a", 10, 1_700_000_000, State::Archived);
        let open = known("a", 10, 1_700_000_000, State::Open);
        let away = Known { absent: Some(5), ..whole.clone() };
        for (known, size, second, want) in [
            (None, 10, 1, Match::New),
            (Some(&whole), 10, 1_700_000_000, Match::Same),
            (Some(&whole), 10, 1_700_003_600, Match::TimeOnly),
            (Some(&whole), 12, 1_700_003_600, Match::Grown),
            (Some(&whole), 9, 1_700_003_600, Match::Shrunk),
            (Some(&open), 12, 1_700_003_600, Match::Changed),
            (Some(&away), 10, 1_700_000_000, Match::Returned),
        ] {
            assert_eq!(matches(known, &seen("a", size, second)), want, "{size} {second}");
        }
    }

    #[test]
    fn a_formatted_card_shows_by_numbers_that_fell_back() {
        let known: Vec<_> = (40..45).map(|n| known(&format!("{n:05}.log"), 1, 1, State::Archived)).collect();
        let listed = |from: u32| (from..from + 3).map(|n| path(&format!("{n:05}.log"))).collect::<Vec<_>>();
        assert_eq!(card_sign(&known, &listed(1), &listed(1)), Some("numbers fell back"));
        assert_eq!(
            card_sign(&known, &listed(90), &listed(90)),
            None,
            "a ring that overwrote everything goes on"
        );
        assert_eq!(card_sign(&known, &listed(43), &listed(43)), None, "some of it is still there");
        // The names are those of before, the times are not.
        assert_eq!(card_sign(&known, &listed(40), &[]), Some("numbers fell back"));
        assert_eq!(
            card_sign(&known, &listed(42), &[]),
            None,
            "a logger whose clock was set keeps its newest file"
        );
    }

    #[test]
    fn times_that_no_running_clock_gives_are_not_believed() {
        let now = Timestamp::from_second(1_764_000_000).expect("now");
        let files = [
            seen("1", 1, 315_532_800),
            seen("2", 1, 1_764_000_000 + 90_000),
            seen("3", 1, 1_763_000_000),
            seen("s/4", 1, 1_763_000_001),
            seen("s/5", 1, 1_763_000_001),
            seen("s/6", 1, 1_763_000_001),
        ];
        assert_eq!(incredible(&files, now), [true, true, false, true, true, true]);
    }
}
