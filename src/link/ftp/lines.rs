//! Listing lines out of a data connection's bytes, none of them longer than a bound.

/// Longest line that is read: the longest name and every fact that was ever seen fit four times.
const MAX_LINE: usize = 8 * 1024;

/// Splits bytes into lines as they arrive. Holds at most one line.
#[derive(Debug, Default)]
pub(super) struct Lines {
    held: Vec<u8>,
    /// Whether the first bytes with a line end in them have CR LF. Then a lone LF is part of a
    /// name: servers send such a name as it is, and to split it would invent another file.
    crlf: Option<bool>,
    /// A line was longer than the bound and was left out.
    pub overlong: bool,
    /// How many lines ended so far, empty ones aside.
    pub count: usize,
}

impl Lines {
    /// Takes the next bytes and gives every line that ends in them, without its end.
    pub fn feed(&mut self, bytes: &[u8], mut each: impl FnMut(&[u8])) {
        if self.crlf.is_none() && bytes.contains(&b'\n') {
            let torn = self.held.ends_with(b"\r") && bytes.starts_with(b"\n");
            self.crlf = Some(torn || bytes.windows(2).any(|two| two == b"\r\n"));
        }
        for part in bytes.split_inclusive(|b| *b == b'\n') {
            let room = (MAX_LINE + 2).saturating_sub(self.held.len());
            let fits = part.len() <= room;
            self.held.extend_from_slice(&part[..part.len().min(room)]);
            if !part.ends_with(b"\n") {
                continue;
            }
            if fits && self.crlf == Some(true) && !self.held.ends_with(b"\r\n") {
                continue;
            }
            self.line(fits, &mut each);
        }
    }

    /// Gives what stands behind the last line end.
    pub fn end(&mut self, mut each: impl FnMut(&[u8])) {
        self.line(true, &mut each);
    }

    fn line(&mut self, whole: bool, each: &mut impl FnMut(&[u8])) {
        let line = self.held.strip_suffix(b"\n").unwrap_or(&self.held);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if !whole || line.len() > MAX_LINE {
            self.overlong = true;
        } else if !line.is_empty() {
            self.count += 1;
            each(line);
        }
        self.held.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn split(parts: &[&[u8]]) -> (Vec<Vec<u8>>, Lines) {
        let (mut lines, mut out) = (Lines::default(), Vec::new());
        for part in parts {
            lines.feed(part, |line| out.push(line.to_vec()));
        }
        lines.end(|line| out.push(line.to_vec()));
        (out, lines)
    }

    #[test]
    fn lines_end_wherever_the_reads_fall() {
        let whole = b"a\r\nb c\r\n\r\nd";
        for at in 0..whole.len() {
            let (head, tail) = whole.split_at(at);
            assert_eq!(split(&[head, tail]).0, [b"a".to_vec(), b"b c".to_vec(), b"d".to_vec()]);
        }
        assert_eq!(split(&[b"a\nb\n"]).0, [b"a".to_vec(), b"b".to_vec()]);
    }

    #[test]
    fn a_line_feed_within_a_name_does_not_make_two_lines() {
        assert_eq!(split(&[b"x\r\nnew\nline\r\n"]).0, [b"x".to_vec(), b"new\nline".to_vec()]);
        assert_eq!(split(&[b"new\nline\r\n", b"x\r\n"]).0, [b"new\nline".to_vec(), b"x".to_vec()]);
    }

    #[test]
    fn an_endless_line_is_left_out_and_told() {
        let long = vec![b'x'; 3 * MAX_LINE];
        let (out, lines) = split(&[b"a\r\n", &long, &long, b"\r\nb\r\n"]);
        assert_eq!(out, [b"a".to_vec(), b"b".to_vec()]);
        assert!(lines.overlong);
    }

    proptest! {
        #[test]
        fn memory_stays_bounded(parts in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..5000), 0..20)) {
            let mut lines = Lines::default();
            for part in &parts {
                lines.feed(part, |line| assert!(line.len() <= MAX_LINE));
                prop_assert!(lines.held.len() <= MAX_LINE + 2);
            }
        }
    }
}
