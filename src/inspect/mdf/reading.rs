//! What all parts of one reading share: the file, the sink, and the bounds.

use std::io;

use super::super::bounds;
use super::super::damage::Damage;
use super::super::frame::{Frame, Sink};
use super::block::Trouble;
use super::layout::{Event, Parts};
use super::source::Source;

/// The most damages that we say of one file: what has more is one ruin.
pub(super) const DAMAGES: u32 = 1_000;

/// The most blocks of which we remember where they begin.
const STARTS: usize = 1 << 20;

/// The most bytes of unpacked blocks at a time, of all groups together.
const UNPACKED: usize = 128 << 20;

/// How often signal data is read again where offsets lead back.
const REWINDS: u32 = 64;

/// The most names of buses.
const NAMES: usize = 256;

/// One reading of one file.
pub(super) struct Reading<'a, S> {
    pub(super) source: &'a dyn Source,
    /// How long the file is.
    pub(super) len: u64,
    /// The standard flags of an unfinalised file.
    pub(super) unfinished: u16,
    /// How many bytes of data blocks may still be read. No byte belongs to two blocks, so the length of the file is enough,
    /// and loops of links end.
    pub(super) budget: u64,
    /// Overload frames so far.
    pub(super) overloads: u64,
    /// How many streams are read side by side.
    pub(super) together: usize,
    /// How many records may still be read.
    pub(super) records: u64,
    /// How many bytes may still be unpacked.
    unpack: u64,
    /// How often signal data may still be read from its beginning.
    pub(super) rewinds: u32,
    /// Room for a block whose bytes change places.
    pub(super) spare: Vec<u8>,
    sink: &'a mut S,
    quiet: bool,
    damages: u32,
    cut: bool,
    unpacked: usize,
    starts: Vec<u64>,
    buses: Vec<u64>,
    latest: (u64, u8),
    names: Vec<String>,
}

/// A bus that has no number has a name.
const NAMED: u64 = 1 << 32;

impl<'a, S: Sink> Reading<'a, S> {
    pub(super) fn new(source: &'a dyn Source, stored: u64, sink: &'a mut S, unfinished: u16) -> Self {
        let len = source.len();
        Self {
            source,
            len,
            unfinished,
            budget: len,
            overloads: 0,
            together: 1,
            records: bounds::records(stored),
            unpack: bounds::unpacked(stored),
            rewinds: REWINDS,
            spare: Vec::new(),
            sink,
            quiet: false,
            damages: 0,
            cut: false,
            unpacked: 0,
            starts: Vec::new(),
            buses: Vec::new(),
            latest: (u64::MAX, 0),
            names: Vec::new(),
        }
    }

    /// Tells the sink that something is wrong; that the file ends too early only once, however many parts are missing.
    pub(super) fn damage(&mut self, at: u64, damage: Damage) {
        if self.quiet
            || self.damages == DAMAGES
            || damage == Damage::MissingEnd && std::mem::replace(&mut self.cut, true)
        {
            return;
        }
        self.damages += 1;
        self.sink.damage(at, damage);
    }

    /// What is wrong with the file goes to the sink, what is wrong with its disk ends the reading.
    pub(super) fn trouble(&mut self, trouble: Trouble) -> io::Result<()> {
        match trouble {
            Trouble::Io(error) => Err(error),
            Trouble::Damaged(at, damage) => {
                self.damage(at, damage);
                Ok(())
            }
        }
    }

    /// Whether the file needs this to be finalised.
    pub(super) fn lacks(&self, flag: u16) -> bool {
        self.unfinished & flag != 0
    }

    /// Takes bytes from the budget; whether it had them.
    pub(super) fn spend(&mut self, at: u64, bytes: u64) -> bool {
        let enough = self.budget >= bytes;
        if enough {
            self.budget -= bytes;
        } else {
            self.budget = 0;
            self.damage(at, Damage::BadStructure("links that lead to the same data twice"));
        }
        enough
    }

    /// Takes so many bytes from those that may be unpacked; whether there were any left.
    pub(super) fn unpack(&mut self, at: u64, bytes: u64) -> bool {
        let left = self.unpack.checked_sub(bytes);
        self.unpack = left.unwrap_or(0);
        if left.is_none() {
            self.give_up(at);
        }
        left.is_some()
    }

    /// The file asks for more than any log does: it ends here, and nothing more is said of it.
    pub(super) fn give_up(&mut self, at: u64) {
        self.damage(at, bounds::TOO_MUCH);
        (self.quiet, self.budget, self.rewinds) = (true, 0, 0);
    }

    /// Takes room for unpacked bytes; whether there was any left.
    pub(super) fn room(&mut self, bytes: usize) -> bool {
        let enough = self.unpacked.saturating_add(bytes) <= UNPACKED;
        if enough {
            self.unpacked += bytes;
        }
        enough
    }

    /// Gives room back.
    pub(super) fn free(&mut self, bytes: usize) {
        self.unpacked = self.unpacked.saturating_sub(bytes);
    }

    /// Follows links without telling of damage, spending the budget or guessing what has no link: it will be done again.
    pub(super) fn beforehand(&mut self, action: impl FnOnce(&mut Self) -> io::Result<()>) -> io::Result<()> {
        let budget = std::mem::replace(&mut self.budget, self.len);
        let unfinished = std::mem::take(&mut self.unfinished);
        let quiet = std::mem::replace(&mut self.quiet, true);
        let done = action(self);
        self.quiet = quiet;
        self.unfinished = unfinished;
        self.budget = budget;
        done
    }

    /// Remembers that a block begins there.
    pub(super) fn start(&mut self, at: u64) {
        if at != 0 && self.starts.len() < STARTS {
            self.starts.push(at);
        }
    }

    /// All starts are known.
    pub(super) fn all_starts(&mut self) {
        self.starts.sort_unstable();
        self.starts.dedup();
    }

    /// The first start behind `at`, or the end of the file.
    pub(super) fn next_start(&self, at: u64) -> u64 {
        let next = self.starts.partition_point(|start| *start <= at);
        self.starts.get(next).copied().unwrap_or(self.len).min(self.len)
    }

    /// The key of a bus that has no number.
    pub(super) fn named(&mut self, name: String) -> u64 {
        let index = self.names.iter().position(|known| *known == name).unwrap_or_else(|| {
            if self.names.len() < NAMES {
                self.names.push(name);
            }
            self.names.len() - 1
        });
        NAMED + index as u64
    }

    /// Gives a frame to the sink, or counts what is none.
    #[inline]
    pub(super) fn frame(&mut self, event: Event, at: i64, bus: u64, parts: Parts, data: &[u8]) {
        if event == Event::Overload {
            self.overloads += 1;
            return;
        }
        let bus = if self.latest.0 == bus { self.latest.1 } else { self.bus(bus) };
        self.sink.frame(&Frame { at, bus, id: parts.id, kind: parts.kind, len: parts.len, data });
    }

    /// The bus of this key, told to the sink when it appears. All buses above the 255th are the last one.
    #[cold]
    fn bus(&mut self, key: u64) -> u8 {
        let index = self.buses.iter().position(|known| *known == key).unwrap_or_else(|| {
            let index = self.buses.len();
            if index > usize::from(u8::MAX) {
                return usize::from(u8::MAX);
            }
            self.buses.push(key);
            let named = key.checked_sub(NAMED).and_then(|index| self.names.get(usize::try_from(index).ok()?));
            match named {
                Some(name) => self.sink.bus(index as u8, name),
                None => self.sink.bus(index as u8, &format!("CAN{key}")),
            }
            index
        }) as u8;
        self.latest = (key, index);
        index
    }
}
