//! The data blocks of a data group, one after the other.
//!
//! A data link leads to a block of data, packed or not, to a list of such blocks (DL), which may go on in a further list,
//! or to the head of a list (HL) (ASAM MDF 4.1, data list; from memory, confirmed with asammdf).

use std::io;

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::block::{self, HEAD, Trouble};
use super::reading::Reading;
use super::source;

/// Standard flag: the last DL of each chain was not brought up to date.
const LAST_DL: u16 = 0x10;

/// Links of a list read at a time.
const BATCH: usize = 64;

/// Where the blocks are.
#[derive(Debug)]
pub(super) struct Chain {
    /// The block after the one that was given last.
    ahead: Option<u64>,
    /// The next link to read, and how many there are.
    links: u64,
    left: u64,
    batch: [u64; BATCH],
    /// How many links of the batch are not used yet, at its end.
    unused: usize,
    next_list: u64,
    listed: bool,
    /// The end of the last list, while none of its links led anywhere.
    barren: Option<u64>,
}

impl Chain {
    /// The chain that the data link leads to. What cannot be followed is told to the sink, and the chain is empty.
    pub(super) fn new<S: Sink>(reading: &mut Reading<'_, S>, link: u64) -> io::Result<Self> {
        let mut chain = Self {
            ahead: None,
            links: 0,
            left: 0,
            batch: [0; BATCH],
            unused: 0,
            next_list: 0,
            listed: false,
            barren: None,
        };
        if link == 0 {
            return Ok(chain);
        }
        match block::header(reading.source, link) {
            Ok(head) => match &head.id {
                b"DT" | b"DZ" | b"SD" | b"DV" => chain.ahead = Some(link),
                b"DL" => chain.next_list = link,
                b"HL" => match block::read(reading.source, link, *b"HL") {
                    Ok(head) => chain.next_list = head.link(0),
                    Err(trouble) => reading.trouble(trouble)?,
                },
                b"LD" => reading
                    .damage(link, Damage::BadStructure("data in columns (MDF 4.2), which we do not read")),
                _ => reading.damage(link, Damage::BadStructure("no data where a link leads to data")),
            },
            Err(trouble) => reading.trouble(trouble)?,
        }
        if chain.next_list != 0 {
            chain.listed = true;
            chain.ahead = chain.pull(reading)?;
        }
        Ok(chain)
    }

    /// The next block and whether it is the last.
    pub(super) fn next<S: Sink>(&mut self, reading: &mut Reading<'_, S>) -> io::Result<Option<(u64, bool)>> {
        let Some(at) = self.ahead.take().filter(|_| reading.budget > 0) else { return Ok(None) };
        if self.listed {
            self.ahead = self.pull(reading)?;
        }
        Ok(Some((at, self.ahead.is_none())))
    }

    /// Goes on with the block at `end`, where the last one ends, if there is one without a link to it: the recorder wrote it
    /// and had no time to update its list. Whether there is.
    pub(super) fn beyond<S: Sink>(&mut self, reading: &mut Reading<'_, S>, end: u64) -> io::Result<bool> {
        if !self.listed || self.ahead.is_some() || !reading.lacks(LAST_DL) {
            return Ok(false);
        }
        let Some(next) = end.checked_next_multiple_of(8).filter(|next| *next < reading.len) else {
            return Ok(false);
        };
        if reading.next_start(next - 1) == next {
            return Ok(false);
        }
        match block::header(reading.source, next) {
            Ok(head) if matches!(&head.id, b"DT" | b"DZ" | b"SD") => self.ahead = Some(next),
            Ok(_) | Err(Trouble::Damaged(..)) => {}
            Err(Trouble::Io(error)) => return Err(error),
        }
        Ok(self.ahead.is_some())
    }

    /// The next link of the lists that leads somewhere.
    fn pull<S: Sink>(&mut self, reading: &mut Reading<'_, S>) -> io::Result<Option<u64>> {
        loop {
            while self.unused > 0 {
                let link = self.batch[BATCH - self.unused];
                self.unused -= 1;
                if link != 0 {
                    self.barren = None;
                    return Ok(Some(link));
                }
                if !reading.lacks(LAST_DL) {
                    reading.damage(
                        self.links,
                        Damage::BadStructure("a list of data blocks with a link to nowhere"),
                    );
                }
            }
            if self.left > 0 {
                self.refill(reading)?;
            } else if self.next_list != 0 {
                let at = std::mem::take(&mut self.next_list);
                self.open(reading, at)?;
            } else if let Some(end) = self.barren.take() {
                self.beyond(reading, end)?;
                return Ok(self.ahead.take());
            } else {
                return Ok(None);
            }
        }
    }

    /// Reads the next links.
    fn refill<S: Sink>(&mut self, reading: &mut Reading<'_, S>) -> io::Result<()> {
        let wanted = BATCH.min(usize::try_from(self.left).unwrap_or(BATCH));
        let mut bytes = [0; BATCH * 8];
        let got = source::fill(reading.source, &mut bytes[..wanted * 8], self.links)? / 8;
        for index in 0..got {
            self.batch[BATCH - got + index] = block::u64_at(&bytes, index * 8);
        }
        self.unused = got;
        self.links += 8 * got as u64;
        self.left -= got as u64;
        if got < wanted {
            self.left = 0;
            reading.damage(reading.len, Damage::MissingEnd);
        }
        Ok(())
    }

    /// Goes on in the list at `at`.
    fn open<S: Sink>(&mut self, reading: &mut Reading<'_, S>, at: u64) -> io::Result<()> {
        let head = match block::header(reading.source, at) {
            Ok(head) if head.id == *b"DL" && head.links > 0 => head,
            Ok(_) => {
                reading.damage(at, Damage::BadStructure("no list of data blocks where a link leads to one"));
                return Ok(());
            }
            Err(trouble) => return reading.trouble(trouble),
        };
        let Some(size) = head.links.checked_mul(8).and_then(|bytes| bytes.checked_add(HEAD)) else {
            reading.damage(at, Damage::BadStructure("a list longer than any file"));
            return Ok(());
        };
        let there = reading.len - at;
        if size > there {
            reading.damage(reading.len, Damage::MissingEnd);
        }
        if !reading.spend(at, size.min(there)) {
            return Ok(());
        }
        let mut next = [0; 8];
        source::fill(reading.source, &mut next, at + HEAD)?;
        self.next_list = block::u64_at(&next, 0);
        self.links = at + HEAD + 8;
        self.left = size.min(there).saturating_sub(HEAD + 8) / 8;
        self.barren = Some(at + head.length.clamp(size.min(there), there));
        Ok(())
    }
}
