//! Whether the depot's clock is plausible, and whether the machine slept. Pure.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use crate::clock::Clock;

/// A clock that goes wrong by more than this between two looks has jumped.
const JUMP: SignedDuration = SignedDuration::from_mins(5);
/// A clock that jumped is believed when it has gone on without a jump for so long.
const STEADY: Duration = Duration::from_secs(15 * 60);
/// No depot's clock shows a time before this program was written: 2026-01-01.
const EARLIEST: i64 = 1_767_225_600;

/// A shorter sleep is none: days are lived by the minute.
const NAP: Duration = Duration::from_secs(120);

/// How far the clock that goes on while the machine sleeps is ahead of the one that does not.
#[derive(Debug)]
pub(super) struct Sleep(Duration);

impl Sleep {
    /// From now on.
    pub fn new(clock: &dyn Clock) -> Self {
        Self(clock.boot().saturating_sub(clock.mono()))
    }

    /// Whether the machine was suspended since the last look.
    pub fn slept(&mut self, clock: &dyn Clock) -> bool {
        let ahead = clock.boot().saturating_sub(clock.mono());
        ahead.saturating_sub(std::mem::replace(&mut self.0, ahead)) >= NAP
    }
}

/// What the clocks have shown so far.
#[derive(Debug)]
pub(super) struct Belief {
    /// The last look: wall clock, and the clock that goes on while the machine sleeps.
    last: Option<(Timestamp, Duration)>,
    /// Before the start the ledger knew this moment.
    known: Option<Timestamp>,
    /// Not believed since that moment of the monotonic clock.
    doubted: Option<Duration>,
}

impl Belief {
    /// `known` is the last moment that the ledger has seen.
    pub fn new(known: Option<Timestamp>) -> Self {
        Self { last: None, known, doubted: None }
    }

    /// A look at the wall clock and at [`Clock::boot`]; says whether the wall clock is to be
    /// believed.
    pub fn look(&mut self, wall: Timestamp, mono: Duration) -> bool {
        let jumped = match self.last {
            Some((then, at)) => {
                let went = SignedDuration::try_from(mono.saturating_sub(at)).unwrap_or(SignedDuration::MAX);
                (wall.duration_since(then) - went).abs() > JUMP
            }
            // Time goes on while the service is down, and never back.
            None => self.known.is_some_and(|known| known.duration_since(wall) > JUMP),
        };
        self.last = Some((wall, mono));
        if jumped || wall.as_second() < EARLIEST {
            self.doubted = Some(mono);
        }
        if self.doubted.is_some_and(|since| mono.saturating_sub(since) >= STEADY) {
            self.doubted = None;
        }
        self.doubted.is_none()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_is_believed_until_it_jumps_and_again_once_it_is_steady() {
        let at = |text: &str| -> Timestamp { text.parse().expect("moment") };
        let minutes = |n: u64| Duration::from_secs(60 * n);
        // (known, [(wall, minutes of the monotonic clock, believed)])
        type Looks<'l> = &'l [(&'l str, u64, bool)];
        let cases: &[(Option<&str>, Looks<'_>)] = &[
            (None, &[("2026-11-24T12:00:00Z", 0, true), ("2026-11-24T12:01:00Z", 1, true)]),
            // A weekend without power.
            (Some("2026-11-20T18:00:00Z"), &[("2026-11-23T06:00:00Z", 0, true)]),
            // A battery that is empty, and a time server that answers.
            (
                Some("2026-11-20T18:00:00Z"),
                &[
                    ("1970-01-01T00:00:10Z", 0, false),
                    ("1970-01-01T00:30:10Z", 30, false),
                    ("2026-11-23T06:00:00Z", 31, false),
                    ("2026-11-23T06:14:00Z", 45, false),
                    ("2026-11-23T06:15:00Z", 46, true),
                ],
            ),
            // A start behind what the ledger knows.
            (
                Some("2026-11-24T12:00:00Z"),
                &[("2026-11-20T12:00:00Z", 0, false), ("2026-11-20T12:20:00Z", 20, true)],
            ),
            // Forward and back.
            (
                None,
                &[
                    ("2026-11-24T12:00:00Z", 0, true),
                    ("2026-12-24T12:01:00Z", 1, false),
                    ("2026-12-24T12:02:00Z", 2, false),
                    ("2026-11-24T12:03:00Z", 3, false),
                    ("2026-11-24T12:17:00Z", 17, false),
                    ("2026-11-24T12:18:00Z", 18, true),
                ],
            ),
            // A small correction.
            (None, &[("2026-11-24T12:00:00Z", 0, true), ("2026-11-24T12:05:00Z", 1, true)]),
        ];
        for (known, looks) in cases {
            let mut belief = Belief::new(known.map(at));
            for (wall, mono, believed) in *looks {
                assert_eq!(belief.look(at(wall), minutes(*mono)), *believed, "{known:?} {wall}");
            }
        }
    }
}
