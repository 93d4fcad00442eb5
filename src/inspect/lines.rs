//! Lines of a text that arrives in pieces.

/// Bytes of a line at most; none of our formats has longer ones.
const LONGEST: usize = 4096;

/// Cuts pieces into lines, in bounded memory.
#[derive(Debug, Default)]
pub(super) struct Lines {
    /// The beginning of the line whose end has not come yet, as far as it may be long.
    held: Vec<u8>,
    /// Where that line begins.
    begins: u64,
    /// Where the next piece begins.
    at: u64,
    /// Zero bytes at the end of what came.
    zeros: u64,
}

/// What stands behind the last line's end.
#[derive(Debug)]
pub(super) struct Rest {
    /// Where it begins.
    pub at: u64,
    /// The text; `None` where it is longer than a line may be.
    pub text: Option<Vec<u8>>,
    /// How many zero bytes follow it.
    pub zeros: u64,
    /// Where they begin.
    pub zeros_at: u64,
}

impl Lines {
    /// Takes a piece. `line` is told where each line begins, and its text without its end; `None` where it is
    /// longer than a line may be.
    #[inline]
    pub fn push(&mut self, piece: &[u8], mut line: impl FnMut(u64, Option<&[u8]>)) {
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', piece) {
            let text = &piece[from..end];
            if self.begins == self.at + from as u64 {
                line(self.begins, Some(clean(text)).filter(|_| text.len() <= LONGEST));
            } else {
                let whole = self.held.len() + text.len() <= LONGEST;
                if whole {
                    self.held.extend_from_slice(text);
                }
                line(self.begins, Some(clean(&self.held)).filter(|_| whole));
                self.held.clear();
            }
            from = end + 1;
            self.begins = self.at + from as u64;
        }
        let rest = &piece[from..];
        let zeros = rest.iter().rev().take_while(|byte| **byte == 0).count();
        self.zeros = if zeros == rest.len() && from == 0 { self.zeros + zeros as u64 } else { zeros as u64 };
        let room = (LONGEST + 1).saturating_sub(self.held.len());
        self.held.extend_from_slice(&rest[..rest.len().min(room)]);
        self.at += piece.len() as u64;
    }

    /// What stands behind the last line's end; `None` if nothing does.
    pub fn finish(mut self) -> Option<Rest> {
        let zeros_at = self.at - self.zeros;
        if self.begins == self.at {
            return None;
        }
        let len = usize::try_from(zeros_at - self.begins).unwrap_or(usize::MAX);
        let text = (len <= LONGEST).then(|| {
            self.held.truncate(len);
            self.held
        });
        Some(Rest { at: self.begins, text, zeros: self.zeros, zeros_at })
    }
}

/// Without the carriage return that some writers put before the line's end.
fn clean(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    type Told = (u64, Option<Vec<u8>>);

    /// The lines of these pieces, and what stands behind them with its zeros.
    fn lines(pieces: &[&[u8]]) -> (Vec<Told>, Option<(Told, u64)>) {
        let (mut lines, mut told) = (Lines::default(), Vec::new());
        for piece in pieces {
            lines.push(piece, |at, line| told.push((at, line.map(<[u8]>::to_vec))));
        }
        (told, lines.finish().map(|rest| ((rest.at, rest.text), rest.zeros)))
    }

    #[test]
    fn the_rest_is_told_from_the_zeros_behind_it() {
        let (told, rest) = lines(&[b"a\r\n\nbc", b"d\0\0", b"\0"]);
        assert_eq!(told, [(0, Some(b"a".to_vec())), (3, Some(vec![]))]);
        assert_eq!(rest, Some(((4, Some(b"bcd".to_vec())), 3)));
        assert_eq!(lines(&[b"a\n"]).1, None);
        assert_eq!(lines(&[b"a\n\0\0"]).1, Some(((2, Some(vec![])), 2)));
    }

    #[test]
    fn a_line_without_an_end_takes_no_memory() {
        let mut lines = Lines::default();
        for _ in 0..1000 {
            lines.push(&[b'x'; 10_000], |_, _| unreachable!());
        }
        assert!(lines.held.capacity() < 4 * LONGEST);
        let mut told = Vec::new();
        lines.push(b"\nshort\n", |at, line| told.push((at, line.map(<[u8]>::to_vec))));
        assert_eq!(told, [(0, None), (10_000_001, Some(b"short".to_vec()))]);
    }

    proptest! {
        #[test]
        fn any_cutting_gives_the_same_lines(
            text in proptest::collection::vec(prop_oneof![Just(b'\n'), Just(0), Just(b'\r'), Just(b'a')], 0..200),
            cuts in proptest::collection::vec(0usize..200, 0..20),
        ) {
            let mut cuts: Vec<usize> = cuts.into_iter().filter(|cut| *cut < text.len()).collect();
            cuts.sort_unstable();
            let mut pieces = Vec::new();
            let mut from = 0;
            for cut in cuts {
                pieces.push(&text[from..cut]);
                from = cut;
            }
            pieces.push(&text[from..]);
            prop_assert_eq!(lines(&pieces), lines(&[&text]));
        }
    }
}
