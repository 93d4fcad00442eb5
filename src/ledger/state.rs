//! What may happen to a version and to an obligation: two pure functions, and nothing else may
//! change a state.

use std::fmt;

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant,)* }

        impl $name {
            /// Every one of them.
            pub const ALL: &[Self] = &[$(Self::$variant,)*];

            /// The word in ledger, output and reports.
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }

            /// The reverse of `as_str`.
            pub fn parse(text: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|s| s.as_str() == text)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.as_str())
            }
        }
    };
}

words! {
    /// Where a version stands.
    State {
        /// Offered by its logger, closed, not begun.
        Listed = "listed",
        /// Offered, and perhaps still written.
        Open = "open",
        /// The kind's patterns do not want it.
        Skipped = "skipped",
        /// A partial may exist.
        Fetching = "fetching",
        /// Pushed, and perhaps not whole yet.
        Settling = "settling",
        /// All of it is in the spool, proven and flushed.
        Whole = "whole",
        /// Every required archive has it, verified.
        Archived = "archived",
        /// It waits for a person.
        Held = "held",
        /// A person dropped it.
        Dropped = "dropped",
        /// Its removal from the logger has begun.
        Removing = "removing",
        /// Removed from the logger by us.
        Removed = "removed",
        /// Overwritten by the logger after it was archived.
        Gone = "gone",
        /// It vanished before it was fetched.
        Lost = "lost",
    }
}

words! {
    /// What happens to a version. The words are those of the event log.
    Happening {
        /// A listing showed that it may still be written.
        MayBeWritten = "may-be-written",
        /// It is closed.
        Closed = "closed",
        /// It grew or changed on its logger before it was whole.
        Changed = "changed",
        /// The patterns do not want it.
        Unwanted = "unwanted",
        /// The patterns want it after all.
        Wanted = "wanted",
        /// A transfer may begin.
        Granted = "granted",
        /// Bytes are durable up to an offset.
        Marked = "marked",
        /// A transfer ended before its end.
        Cut = "cut",
        /// What was fetched is worthless; the next transfer begins at zero.
        Restarted = "restarted",
        /// The partial was dropped: for want of room, or since it had waited `lost_keep`.
        PartialDropped = "partial-dropped",
        /// All bytes are in the spool, durable.
        BecameWhole = "became-whole",
        /// An upload ended.
        Received = "received",
        /// An upload counts as whole.
        Settled = "settled",
        /// It waits for a person from now on.
        WasHeld = "held",
        /// A person keeps it.
        Kept = "kept",
        /// A person drops it.
        WasDropped = "dropped",
        /// Its content is one that a person dropped before.
        DroppedBefore = "dropped-before",
        /// The last required copy is verified.
        BecameArchived = "archived",
        /// Another depot's receipt, or the bytes of a known file, say that it is archived already.
        KnownContent = "known-content",
        /// A copy is owed again.
        OwedAgain = "owed-again",
        /// No archive has it any more, and the logger has: it is to be fetched again.
        FetchAgain = "fetch-again",
        /// No archive has it any more, and neither has the logger.
        NoSource = "no-source",
        /// Its removal from the logger begins.
        RemovalIntended = "removal-intended",
        /// It is absent after its removal.
        RemovalProven = "removed",
        /// It is still listed after its removal.
        RemovalFailed = "removal-failed",
        /// Absent from two whole listings.
        Vanished = "vanished",
        /// Listed again.
        CameBack = "came-back",
        /// Its content turned up elsewhere.
        ContentTurnedUp = "content-turned-up",
    }
}

words! {
    /// Where a version's copy in one archive stands.
    Duty {
        /// Nothing was begun.
        Owed = "owed",
        /// The claim is intended or made.
        Claimed = "claimed",
        /// The data stands at its place.
        Stored = "stored",
        /// Read back, equal, and the receipt is there.
        Verified = "verified",
        /// The archive was taken out of the configuration, or a person dropped the content.
        Waived = "waived",
        /// Both places are taken by other content.
        Blocked = "blocked",
        /// It was there, and its bytes cannot be had from anywhere now.
        Missing = "missing",
    }
}

words! {
    /// What happens to an obligation.
    Step {
        /// The intent to claim is committed.
        Intended = "claim-intended",
        /// The data stands at its place.
        Put = "stored",
        /// Read back, equal, receipt stored.
        Proven = "verified",
        /// The archive was taken out, or a person dropped the content.
        TakenOut = "waived",
        /// Both places are taken.
        Taken = "blocked",
        /// The archive was exchanged.
        Exchanged = "archive-exchanged",
        /// Its bytes cannot be had from the spool or another archive.
        NoSource = "no-source",
        /// The copy is missing or wrong.
        FoundWrong = "found-wrong",
        /// The spool has the file still, or again: the copy is read back before it goes.
        InDoubt = "in-doubt",
        /// A person or a new configuration asks to try again.
        Again = "again",
    }
}

/// Something that may not happen in that state.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{happening}` cannot happen to a file that is `{state}`")]
pub struct Illegal {
    /// The state.
    pub state: &'static str,
    /// What was to happen.
    pub happening: &'static str,
}

/// The state after a happening.
pub fn next(state: State, happening: Happening) -> Result<State, Illegal> {
    use Happening as H;
    use State as S;
    Ok(match (state, happening) {
        (S::Listed | S::Open, H::MayBeWritten) => S::Open,
        (S::Fetching, H::MayBeWritten | H::Closed | H::Changed) => S::Fetching,
        (S::Open | S::Listed, H::Closed) => S::Listed,
        (S::Listed | S::Open, H::Changed) => state,
        (S::Listed | S::Open | S::Fetching, H::Unwanted) => S::Skipped,
        (S::Skipped, H::Wanted) => S::Listed,
        (S::Listed | S::Open | S::Fetching, H::Granted) => S::Fetching,
        (S::Fetching, H::Marked | H::Cut) => S::Fetching,
        (S::Fetching, H::Restarted | H::PartialDropped) => S::Listed,
        (S::Listed | S::Open | S::Skipped | S::Lost, H::PartialDropped) => state,
        (S::Fetching, H::BecameWhole) => S::Whole,
        (S::Fetching, H::Received) => S::Settling,
        (S::Settling, H::Received) => S::Settling,
        (S::Settling, H::Settled) => S::Whole,
        (S::Fetching | S::Whole | S::Archived, H::WasHeld) => S::Held,
        (S::Held, H::Kept) => S::Whole,
        (S::Held, H::WasDropped) => S::Dropped,
        (S::Listed | S::Open | S::Whole, H::DroppedBefore) => S::Dropped,
        (S::Whole, H::BecameArchived) => S::Archived,
        (S::Listed | S::Open, H::KnownContent) => S::Archived,
        (S::Archived, H::OwedAgain) => S::Whole,
        (S::Archived | S::Whole, H::FetchAgain) => S::Listed,
        (S::Whole | S::Archived | S::Gone | S::Removed, H::NoSource) => S::Lost,
        (S::Archived, H::RemovalIntended) => S::Removing,
        (S::Removing, H::RemovalProven) => S::Removed,
        (S::Removing, H::RemovalFailed) => S::Archived,
        (S::Archived, H::Vanished) => S::Gone,
        (S::Listed | S::Open | S::Fetching, H::Vanished) => S::Lost,
        (S::Lost, H::CameBack) => S::Listed,
        (S::Lost, H::ContentTurnedUp) => S::Whole,
        (state, happening) => {
            return Err(Illegal { state: state.as_str(), happening: happening.as_str() });
        }
    })
}

/// Whether the logger may still write a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Written {
    /// It may: it is `open`, or fetched ahead.
    pub open: bool,
    /// It may have been written on, or over, since the first bytes of its partial were read.
    pub ahead: bool,
}

/// That, after a happening that led to a state.
pub fn next_written(was: Written, state: State, happening: Happening) -> Written {
    use Happening as H;
    let open = match happening {
        H::MayBeWritten => true,
        H::Closed => false,
        _ => was.open && matches!(state, State::Open | State::Fetching),
    };
    let ahead = state == State::Fetching && (was.ahead || open || happening == H::Changed);
    Written { open, ahead }
}

/// An obligation's state after a step.
pub fn next_duty(duty: Duty, step: Step) -> Result<Duty, Illegal> {
    use Duty as D;
    use Step as T;
    Ok(match (duty, step) {
        (D::Owed | D::Claimed, T::Intended) => D::Claimed,
        (D::Claimed | D::Stored, T::Put) => D::Stored,
        // A receipt that was there already proves a copy without any step of ours.
        (D::Owed | D::Claimed | D::Stored, T::Proven) => D::Verified,
        (D::Owed | D::Claimed | D::Stored | D::Blocked, T::TakenOut) => D::Waived,
        (D::Claimed, T::Taken) => D::Blocked,
        (D::Verified | D::Stored | D::Claimed, T::FoundWrong) => D::Owed,
        (D::Verified, T::InDoubt) => D::Stored,
        (D::Claimed | D::Stored | D::Blocked | D::Verified | D::Missing, T::Exchanged) => D::Owed,
        (D::Owed | D::Claimed, T::NoSource) => D::Missing,
        (D::Blocked | D::Waived | D::Missing, T::Again) => D::Owed,
        (duty, step) => return Err(Illegal { state: duty.as_str(), happening: step.as_str() }),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Whatever happens in whatever order, a file is archived only by way of being whole, and
        /// removed only by way of being archived.
        #[test]
        fn no_run_of_events_skips_a_promise(run in prop::collection::vec(0..Happening::ALL.len(), 0..60)) {
            let mut state = State::Listed;
            let mut was_whole = false;
            let mut was_archived = false;
            for at in run {
                let happening = Happening::ALL[at];
                let Ok(after) = next(state, happening) else { continue };
                was_whole |= after == State::Whole;
                if after == State::Archived && state != State::Archived && state != State::Removing {
                    prop_assert!(was_whole || happening == Happening::KnownContent);
                    was_archived = true;
                }
                if after == State::Removed {
                    prop_assert!(was_archived && state == State::Removing);
                }
                state = after;
            }
        }
    }

    #[test]
    fn a_file_fetched_ahead_is_open_until_it_is_closed_and_remembers_it_until_it_is_whole() {
        let mut state = State::Listed;
        let mut written = Written::default();
        for (happening, open, ahead) in [
            (Happening::MayBeWritten, true, false),
            (Happening::Granted, true, true),
            (Happening::Marked, true, true),
            (Happening::Closed, false, true),
            (Happening::BecameWhole, false, false),
        ] {
            state = next(state, happening).expect("legal");
            written = next_written(written, state, happening);
            assert_eq!(written, Written { open, ahead }, "{happening}");
        }
        let open = Written { open: true, ahead: true };
        assert_eq!(next_written(open, State::Skipped, Happening::Unwanted), Written::default());
    }

    #[test]
    fn ends_are_ends_but_where_the_last_copy_goes() {
        for end in [State::Dropped, State::Removed, State::Gone] {
            for happening in Happening::ALL {
                if *happening == Happening::NoSource && end != State::Dropped {
                    assert_eq!(next(end, *happening), Ok(State::Lost));
                    continue;
                }
                assert!(next(end, *happening).is_err(), "{end} by {happening}");
            }
        }
    }

    #[test]
    fn a_verified_copy_needs_a_claim_or_a_receipt_and_is_never_waived() {
        assert!(next_duty(Duty::Owed, Step::Put).is_err());
        assert!(next_duty(Duty::Verified, Step::TakenOut).is_err());
        assert_eq!(next_duty(Duty::Verified, Step::FoundWrong), Ok(Duty::Owed));
    }
}
