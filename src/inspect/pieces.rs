//! Records of a binary file that arrives in pieces.

/// What became of the bytes that were offered.
pub(super) enum Take {
    /// More are needed.
    More,
    /// So many were used, which may be more than there are yet: the rest is passed over.
    Used(u64),
    /// The rest of the file cannot be read.
    Stop,
}

/// Puts records together again. It holds no more than one record and one piece.
#[derive(Debug, Default)]
pub(super) struct Pieces {
    held: Vec<u8>,
    /// Where the held bytes begin.
    at: u64,
    /// Bytes still to be passed over.
    skip: u64,
    stopped: bool,
}

/// What is left when the file ends.
#[derive(Debug)]
pub(super) struct Left {
    /// Where it begins.
    pub at: u64,
    /// Its bytes; none where a record was being passed over.
    pub bytes: Vec<u8>,
    /// Whether the last record lacks bytes.
    pub torn: bool,
}

impl Pieces {
    /// Takes a piece. `take` is offered the bytes from an offset on, and never none.
    pub fn push(&mut self, piece: &[u8], take: impl FnMut(u64, &[u8]) -> Take) {
        if self.stopped {
            return;
        }
        if self.held.is_empty() {
            let used = self.run(piece, take);
            self.held.extend_from_slice(&piece[used..]);
        } else {
            let mut held = std::mem::take(&mut self.held);
            held.extend_from_slice(piece);
            let used = self.run(&held, take);
            held.drain(..used);
            self.held = held;
        }
        if self.stopped {
            self.held = Vec::new();
        }
    }

    fn run(&mut self, bytes: &[u8], mut take: impl FnMut(u64, &[u8]) -> Take) -> usize {
        let mut from = 0;
        loop {
            let skipped = usize::try_from(self.skip).unwrap_or(usize::MAX).min(bytes.len() - from);
            self.skip -= skipped as u64;
            self.at += skipped as u64;
            from += skipped;
            if from == bytes.len() {
                return from;
            }
            match take(self.at, &bytes[from..]) {
                Take::More => return from,
                Take::Used(count) => self.skip = count.max(1),
                Take::Stop => {
                    self.stopped = true;
                    return bytes.len();
                }
            }
        }
    }

    /// The file ends; `None` if reading had stopped before.
    pub fn finish(self) -> Option<Left> {
        let torn = self.skip > 0 || !self.held.is_empty();
        (!self.stopped).then_some(Left { at: self.at, bytes: self.held, torn })
    }
}
