//! How a day stands for a logger. Pure: facts in, a verdict out.

use super::value::Verdict;

/// What a verdict is made of.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Facts {
    /// Calendar and notes let it be expected this day.
    pub expected: bool,
    /// It answered this day, with or without a listing.
    pub answered: bool,
    /// A whole listing was taken this day or later.
    pub whole: bool,
    /// Nothing of it is pending, held, lost or stuck.
    pub clean: bool,
    /// It came back this day after hours away from the yard, or another logger of its vehicle has a log of driving.
    pub drove: bool,
    /// It has something that it had not before this day.
    pub new: bool,
    /// It may have been there while Yarder could not see.
    pub missed: bool,
    /// Another depot had it this day.
    pub elsewhere: bool,
}

/// The verdict.
pub(super) fn of(facts: &Facts) -> Verdict {
    let Facts { expected, answered, whole, clean, drove, new, missed, elsewhere } = *facts;
    match answered {
        false if elsewhere => Verdict::Elsewhere,
        false if !expected => Verdict::Away,
        false if missed => Verdict::Unknown,
        false => Verdict::NotSeen,
        // Only a whole listing proves that there is nothing new.
        true if expected && whole && drove && !new => Verdict::NoData,
        true if !clean || !whole => Verdict::Incomplete,
        true if !expected && !new => Verdict::Away,
        true => Verdict::Complete,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Verdict::{Away, Complete, Elsewhere, Incomplete, NoData, NotSeen, Unknown};

    #[test]
    fn each_verdict_has_its_facts() {
        // Words that are there; all others are not.
        for (is, words) in [
            (NotSeen, "expected"),
            (NotSeen, "expected clean whole new"),
            (Unknown, "expected missed"),
            // Who was at another depot was seen there, and nobody missed it here.
            (Elsewhere, "expected elsewhere"),
            (Elsewhere, "expected elsewhere missed"),
            (Elsewhere, "elsewhere"),
            (Complete, "expected elsewhere answered whole clean new"),
            (Away, ""),
            (Away, "missed"),
            (Complete, "expected answered whole clean"),
            (Complete, "expected answered whole clean new drove"),
            // Seen is seen, whatever was missed besides.
            (Complete, "expected answered whole clean new missed"),
            (NoData, "expected answered whole clean drove"),
            (NoData, "expected answered whole drove"),
            // Without a whole listing nobody knows whether there is something new.
            (Incomplete, "expected answered clean drove"),
            (Incomplete, "expected answered clean"),
            (Incomplete, "expected answered whole"),
            (Incomplete, "expected answered whole new drove"),
            // Who is away and was seen has a verdict like others, if there was anything to fetch.
            (Complete, "answered whole clean new"),
            (Incomplete, "answered whole new"),
            (Incomplete, "answered whole"),
            (Away, "answered whole clean"),
            (Away, "answered whole clean drove"),
        ] {
            let has = |word: &str| words.split(' ').any(|w| w == word);
            let facts = Facts {
                expected: has("expected"),
                answered: has("answered"),
                whole: has("whole"),
                clean: has("clean"),
                drove: has("drove"),
                new: has("new"),
                missed: has("missed"),
                elsewhere: has("elsewhere"),
            };
            assert_eq!(of(&facts), is, "{words}");
        }
    }
}
