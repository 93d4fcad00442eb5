//! What Yarder could see: spans of milliseconds, and what they say about who was missed. Pure.

use crate::ledger::{Visit, Watched};

/// From the first moment to the end, ms.
pub(super) type Span = (i64, i64);

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
pub(super) const DAY: i64 = 24 * HOUR;
/// The service notes each minute that it runs: a shorter hole is a restart.
const HOLE: i64 = 2 * MINUTE + 30_000;
/// Whoever stayed away this long has driven.
const DRIVEN: i64 = 3 * HOUR;

/// Spans in which Yarder could not see, and why; disjoint, oldest first.
#[derive(Debug, Default)]
pub(super) struct Sight(Vec<(Span, &'static str)>);

impl Sight {
    /// Of a span, from Yarder's first run on: before it nothing was watched, and nothing was missed.
    pub fn of(watched: &Watched, (from, to): Span) -> Self {
        let Some(first) = watched.first else { return Self::default() };
        let from = from.max(first);
        let mut all: Vec<(Span, &'static str)> = Vec::new();
        for why in ["clock", "network"] {
            for (_, began, last) in watched.blind.iter().filter(|(of, ..)| of == why) {
                add(&mut all, ((*began).max(from), (*last).min(to)), why);
            }
        }
        let mut ups = watched.ups.clone();
        ups.sort_unstable();
        let mut seen = from;
        for (began, last) in ups.into_iter().chain([(to, to)]) {
            if began.min(to) - seen >= HOLE {
                add(&mut all, (seen, began.min(to)), "down");
            }
            seen = seen.max(last);
        }
        all.sort_unstable();
        Self(all)
    }

    /// All of them that touch a span, cut to it.
    pub fn within(&self, (from, to): Span) -> impl Iterator<Item = (Span, &'static str)> {
        let cut = move |((a, b), why): &(Span, &'static str)| (((*a).max(from), (*b).min(to)), *why);
        self.0.iter().map(cut).filter(|((a, b), _)| a < b)
    }

    /// How much of a span could not be seen, ms.
    pub fn unseen(&self, span: Span) -> i64 {
        self.within(span).map(|((a, b), _)| b - a).sum()
    }

    /// Whether more of a span was seen than not.
    pub fn saw(&self, span: Span) -> bool {
        self.unseen(span) * 2 < span.1 - span.0
    }

    /// Whether a logger that was not seen in a span may have been there while Yarder could not see:
    /// on most of the days before, it came when today nobody could see. One that is not known for
    /// three days may have come in any hour that was missed. Of the days before, those count that
    /// `like` gives, by how many days ago they were: on a day off vehicles stand where they stand.
    pub fn may_have_missed(&self, visits: &[Visit], span: Span, like: impl Fn(i64) -> bool) -> bool {
        let unseen = self.unseen(span);
        if unseen < 10 * MINUTE {
            return false;
        }
        let (mut known, mut seen) = (0, 0);
        for shift in (1..=14).filter(|days| like(*days)).map(|days| days * DAY) {
            let mut there = visits
                .iter()
                .map(|v| ((v.from + shift).max(span.0), (v.to + shift).min(span.1)))
                .filter(|(from, to)| from <= to)
                .map(|(from, to)| (from, to.max(from + MINUTE)))
                .peekable();
            known += i32::from(there.peek().is_some());
            seen += i32::from(there.any(|visit| self.saw(visit)));
        }
        if known < 3 { unseen >= HOUR } else { seen * 2 < known }
    }

    /// Whether a logger was away from the yard for hours, and not only out of sight, before its last
    /// visit in a span.
    pub fn drove(&self, visits: &[Visit], span: Span) -> bool {
        visits.iter().zip(visits.iter().skip(1)).any(|(before, after)| {
            let gap = (before.to, after.from);
            after.to >= span.0
                && after.from < span.1
                && gap.1 > span.0
                && gap.1 - gap.0 - self.unseen(gap) >= DRIVEN
        })
    }
}

/// Adds what of a span is not there yet.
fn add(all: &mut Vec<(Span, &'static str)>, span: Span, why: &'static str) {
    let mut rest = vec![span];
    for ((from, to), _) in all.iter() {
        rest = rest
            .into_iter()
            .flat_map(|(a, b)| [(a, b.min(*from)), (a.max(*to), b)])
            .filter(|(a, b)| a < b)
            .collect();
    }
    all.extend(rest.into_iter().filter(|(a, b)| a < b).map(|span| (span, why)));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watched(ups: &[Span], blind: &[(&str, i64, i64)]) -> Watched {
        let blind = blind.iter().map(|(why, a, b)| ((*why).to_owned(), a * HOUR, b * HOUR)).collect();
        let ups: Vec<_> = ups.iter().map(|(a, b)| (a * HOUR, b * HOUR)).collect();
        Watched { first: ups.first().map(|up| up.0), ups, blind }
    }

    fn spans(watched: &Watched, from: i64, to: i64) -> Vec<(i64, i64, &'static str)> {
        let sight = Sight::of(watched, (from * HOUR, to * HOUR));
        sight.0.iter().map(|((a, b), why)| (a / HOUR, b / HOUR, *why)).collect()
    }

    fn visits(all: &[Span]) -> Vec<Visit> {
        all.iter().map(|(from, to)| Visit { from: from * HOUR, to: to * HOUR }).collect()
    }

    #[test]
    fn what_was_not_seen_has_one_reason_each_and_begins_with_the_first_run() {
        let none: [(i64, i64, &str); 0] = [];
        assert_eq!(spans(&Watched::default(), 0, 24), none);
        assert_eq!(spans(&watched(&[(6, 30)], &[]), 0, 24), none);
        assert_eq!(spans(&watched(&[(-9, 3), (9, 30)], &[]), 0, 24), [(3, 9, "down")]);
        assert_eq!(spans(&watched(&[(-9, 20)], &[]), 0, 24), [(20, 24, "down")]);
        let both = watched(&[(-9, 3), (9, 30)], &[("clock", 3, 5), ("network", 4, 11)]);
        assert_eq!(spans(&both, 0, 24), [(3, 5, "clock"), (5, 11, "network")]);
        // A restart is no hole.
        let mut restart = watched(&[(0, 3), (3, 30)], &[]);
        restart.ups[1].0 += 2 * MINUTE;
        assert_eq!(spans(&restart, 0, 24), none);
    }

    #[test]
    fn who_comes_when_yarder_could_see_was_not_missed() {
        // Down from 20:00 to 22:00 on the eighth day.
        let sight = Sight::of(&watched(&[(-200, 188), (190, 300)], &[]), (-200 * HOUR, 192 * HOUR));
        let today = (168 * HOUR, 192 * HOUR);
        let daily =
            |from: i64, to: i64| visits(&(0..7).map(|d| (d * 24 + from, d * 24 + to)).collect::<Vec<_>>());
        let all = |_| true;
        assert!(sight.may_have_missed(&daily(20, 21), today, all), "it comes just then");
        assert!(!sight.may_have_missed(&daily(3, 4), today, all), "it comes at another hour");
        assert!(!sight.may_have_missed(&daily(18, 23), today, all), "it stays for longer than that");
        assert!(sight.may_have_missed(&[], today, all), "nobody knows when it comes");
        let up = Sight::of(&watched(&[(-200, 300)], &[]), today);
        assert!(!up.may_have_missed(&[], today, all) && !up.may_have_missed(&daily(20, 21), today, all));
        // It came at that hour on three days, and stood there for the rest of the week.
        let mut stands = daily(20, 21);
        stands.truncate(3);
        stands.push(Visit { from: 72 * HOUR, to: 167 * HOUR });
        assert!(!sight.may_have_missed(&stands, today, all));
        assert!(sight.may_have_missed(&stands, today, |ago| ago >= 5), "days off say nothing");
    }

    #[test]
    fn who_was_gone_for_hours_has_driven_unless_yarder_was_blind() {
        let up = Sight::of(&watched(&[(-99, 99)], &[]), (-99 * HOUR, 24 * HOUR));
        let today = (0, 24 * HOUR);
        assert!(up.drove(&visits(&[(-20, -8), (5, 20)]), today), "it came home");
        assert!(up.drove(&visits(&[(-20, 3), (8, 20)]), today), "it was out within the day");
        assert!(!up.drove(&visits(&[(-20, 20)]), today), "it stood there");
        assert!(!up.drove(&visits(&[(-20, 3), (5, 20)]), today), "it was gone for two hours");
        assert!(!up.drove(&visits(&[(5, 20)]), today), "nothing is known of before");
        assert!(!up.drove(&visits(&[(-20, -15), (-8, 20)]), today), "it came home the day before");
        let blind = Sight::of(&watched(&[(-99, -8), (4, 99)], &[]), (-99 * HOUR, 24 * HOUR));
        assert!(!blind.drove(&visits(&[(-20, -8), (5, 20)]), today));
    }
}
