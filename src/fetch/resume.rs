//! Where a read begins, and whether what comes continues what is here. Pure.

use crate::link::Opened;
use crate::model::Look;

/// Bytes before the end of a partial that every resume reads again and compares: a validator can be
/// missing or wrong, bytes cannot.
pub const OVERLAP: u64 = 64 * 1024;

/// What a transfer does first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plan {
    /// Begin at zero.
    Fresh,
    /// Ask for bytes from `from` on, compare them up to the end of the partial, go on.
    Continue {
        /// First byte asked for.
        from: u64,
    },
    /// What is here is longer than the file: begin again.
    Shrank,
}

/// The plan for a partial of `have` bytes of a file that is `size` bytes long now.
pub fn plan(have: u64, size: Option<u64>, resumes: Option<bool>) -> Plan {
    match size {
        _ if have == 0 => Plan::Fresh,
        Some(size) if have > size => Plan::Shrank,
        _ if resumes == Some(false) => Plan::Fresh,
        // A partial that is all there is still compared: the range then ends at the file's end,
        // never behind it, where servers differ in what they answer.
        _ => Plan::Continue { from: have.saturating_sub(OVERLAP) },
    }
}

/// What the reply to a read means for the partial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reply {
    /// It begins where it was asked to, or before: skip, compare, go on.
    Continues,
    /// It begins at zero: into an emptied partial.
    FromZero,
    /// It is of another file than the partial.
    Other,
}

/// Reads the reply. `before` is what the file was when its first bytes were read.
pub fn reply(asked: u64, before: &Look, opened: &Opened) -> Reply {
    if opened.from > asked {
        Reply::Other
    } else if asked > 0 && opened.from == 0 {
        Reply::FromZero
    } else if asked > 0 && !before.agrees(&opened.look) {
        Reply::Other
    } else {
        Reply::Continues
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn opened(from: u64, size: u64, tag: &str) -> Opened {
        let look = Look { size: Some(size), validator: Some(tag.into()), ..Look::default() };
        Opened { from, look, digest: None }
    }

    #[test]
    fn a_resume_reads_the_last_64_kib_again() {
        assert_eq!(plan(1_000_000, Some(2_000_000), None), Plan::Continue { from: 1_000_000 - 65_536 });
        assert_eq!(plan(10, Some(20), Some(true)), Plan::Continue { from: 0 });
        assert_eq!(plan(0, None, None), Plan::Fresh);
        assert_eq!(plan(21, Some(20), None), Plan::Shrank);
        assert_eq!(plan(10, Some(20), Some(false)), Plan::Fresh);
    }

    #[test]
    fn a_reply_of_another_file_is_never_spliced() {
        let before = Look { size: Some(100), validator: Some("a".into()), ..Look::default() };
        assert_eq!(reply(50, &before, &opened(50, 100, "a")), Reply::Continues);
        assert_eq!(reply(50, &before, &opened(40, 100, "a")), Reply::Continues);
        assert_eq!(reply(50, &before, &opened(0, 100, "a")), Reply::FromZero);
        assert_eq!(reply(50, &before, &opened(51, 100, "a")), Reply::Other);
        assert_eq!(reply(50, &before, &opened(50, 100, "b")), Reply::Other);
        assert_eq!(reply(50, &before, &opened(50, 101, "a")), Reply::Other);
    }

    proptest! {
        #[test]
        fn no_plan_asks_at_or_past_the_end(have in 1u64..1 << 40, more in 0u64..1 << 40) {
            if let Plan::Continue { from } = plan(have, Some(have + more), None) {
                prop_assert!(from < have + more && have - from <= OVERLAP);
            }
        }
    }
}
