//! Groups whose records are mixed: each begins with the number of its group.

use std::collections::VecDeque;
use std::io;

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::block;
use super::layout::{Event, Layout, Parts, Payload};
use super::reading::{DAMAGES, Reading};
use super::signal::{self, NotYet, Signal, Value, Values};
use super::stream::{Fill, LEAST, Stream};
use super::walk::{Content, DataGroup};

/// Standard flag: the offsets of values in records of variable length were not set.
const OFFSETS: u16 = 0x40;

/// The most frames that wait for their bytes.
const WAITING: usize = 4_096;

/// Where we are in the data.
pub(super) struct Unsorted {
    stream: Stream,
    /// Bytes of the number in front of each record.
    id_size: usize,
    /// By record id.
    groups: Vec<Entry>,
    queue: VecDeque<Waiting>,
    ended: bool,
    /// A frame without its bytes was told.
    told: bool,
    holes: u32,
}

struct Entry {
    id: u64,
    /// Where its block is.
    block: u64,
    /// Bytes of a record, without its number.
    record: usize,
    stated: Option<u64>,
    found: u64,
    bus: u64,
    content: Kept,
}

/// What is done with the records of a group.
enum Kept {
    Other,
    Values(Values),
    Frames(Box<Layout>, Elsewhere),
}

/// Where the payloads are that are not in the records.
enum Elsewhere {
    No,
    /// In the records of the group with this index.
    Group(usize),
    Signal(Box<Signal>),
}

/// A frame whose turn or whose bytes have not come.
struct Waiting {
    event: Event,
    at: i64,
    bus: u64,
    parts: Parts,
    bytes: Bytes,
}

#[derive(Clone, Copy)]
enum Bytes {
    Here(Value),
    /// A value of the group with this index, at this offset; without one, the next.
    Of(usize, Option<u64>),
}

impl Unsorted {
    pub(super) fn new<S: Sink>(reading: &mut Reading<'_, S>, data: &DataGroup) -> io::Result<Self> {
        let mut sorted: Vec<_> = data.groups.iter().collect();
        sorted.sort_by_key(|group| group.id);
        sorted.dedup_by_key(|group| group.id);
        let mut groups = Vec::with_capacity(sorted.len());
        for group in &sorted {
            let content = match &group.content {
                Content::Other => Kept::Other,
                Content::Values => Kept::Values(Values::new(sorted.len() * reading.together)),
                Content::Frames(layout) => {
                    let elsewhere = match layout.payload {
                        Payload::Signal(_, link) => match sorted.iter().position(|group| group.block == link)
                        {
                            Some(index) => Elsewhere::Group(index),
                            None => Elsewhere::Signal(Box::new(Signal::new(reading, link)?)),
                        },
                        Payload::None | Payload::Inline(..) => Elsewhere::No,
                    };
                    Kept::Frames(layout.clone(), elsewhere)
                }
            };
            let stated = group.stated(reading);
            let entry = Entry {
                id: group.id,
                block: group.block,
                record: group.record,
                stated,
                found: 0,
                bus: group.bus,
                content,
            };
            groups.push(entry);
        }
        Ok(Self {
            stream: Stream::new(reading, data.link, LEAST)?,
            id_size: data.id_size,
            groups,
            queue: VecDeque::new(),
            ended: false,
            told: false,
            holes: 0,
        })
    }

    /// Gives all frames up to this moment; the moment of the one after them, `None` at the end.
    pub(super) fn run<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        until: i64,
    ) -> io::Result<Option<i64>> {
        loop {
            if let Some(next) = self.give(reading, until) {
                return Ok(Some(next));
            }
            if self.ended {
                return Ok(None);
            }
            match self.record(reading, until)? {
                Step::Done => {}
                Step::Later(at) => return Ok(Some(at)),
                Step::More => match self.stream.more(reading)? {
                    Fill::More => {}
                    Fill::Hole(_) => self.hole(reading),
                    Fill::End => self.end(reading),
                },
            }
        }
    }

    /// Gives the waiting frames that have their bytes; the moment of the first that is too late.
    fn give<S: Sink>(&mut self, reading: &mut Reading<'_, S>, until: i64) -> Option<i64> {
        while let Some(front) = self.queue.front() {
            let found = match &front.bytes {
                Bytes::Here(value) => Ok(Some(value.bytes())),
                Bytes::Of(group, offset) => match self.groups.get(*group).map(|entry| &entry.content) {
                    Some(Kept::Values(values)) => values.value(offset.unwrap_or(values.next)),
                    _ => Ok(None),
                },
            };
            let found = match found {
                Err(NotYet) if !self.ended && self.queue.len() < WAITING => return None,
                Err(NotYet) => None,
                Ok(found) => found,
            };
            if front.at > until {
                return Some(front.at);
            }
            if found.is_none() && !self.told {
                self.told = true;
                reading.damage(self.stream.offset(), Damage::BadStructure("frames without their bytes"));
            }
            let (bytes, length) = (found.unwrap_or_default(), found.map(<[u8]>::len));
            let data = &bytes[..bytes.len().min(usize::from(front.parts.len))];
            reading.frame(front.event, front.at, front.bus, front.parts, data);
            if let (Bytes::Of(group, None), Some(length)) = (front.bytes, length)
                && let Some(Kept::Values(values)) = self.groups.get_mut(group).map(|entry| &mut entry.content)
            {
                values.next += 4 + length as u64;
            }
            self.queue.pop_front();
        }
        None
    }

    /// Reads the next record.
    fn record<S: Sink>(&mut self, reading: &mut Reading<'_, S>, until: i64) -> io::Result<Step> {
        if self.stream.available() < self.id_size {
            return Ok(Step::More);
        }
        let window = self.stream.window();
        let id = block::u64_at(window, 0) & (u64::MAX >> (64 - 8 * self.id_size));
        let found = self.groups.binary_search_by_key(&id, |entry| entry.id);
        let Some(entry) = found.ok().and_then(|index| self.groups.get_mut(index)) else {
            return self.astray(reading, id);
        };
        let size = self.id_size + entry.record;
        reading.records = reading.records.saturating_sub(1);
        match &mut entry.content {
            Kept::Values(values) => {
                let front = self.id_size + 4;
                if self.stream.available() < front {
                    return Ok(Step::More);
                }
                let length = (block::u64_at(window, self.id_size) & 0xFFFF_FFFF) as u32;
                let all = front as u64 + u64::from(length);
                if length as usize > signal::MOST {
                    values.keep(length, &[]);
                } else {
                    let Some(value) = self.stream.bytes().get(front..front + length as usize) else {
                        return Ok(Step::More);
                    };
                    let index = found.unwrap_or_default();
                    if let Some(Bytes::Of(of, Some(offset))) = self.queue.front().map(|waiting| waiting.bytes)
                        && of == index
                    {
                        values.found_again(offset);
                    }
                    let waits = self.queue.front().filter(|waiting| {
                        waiting.at <= until
                            && matches!(waiting.bytes, Bytes::Of(of, offset)
                                if of == index && offset.unwrap_or(values.next) == values.end())
                    });
                    if let Some(waiting) = waits {
                        let data = &value[..value.len().min(usize::from(waiting.parts.len))];
                        reading.frame(waiting.event, waiting.at, waiting.bus, waiting.parts, data);
                        values.used(length);
                        self.queue.pop_front();
                    } else {
                        values.keep(length, value);
                    }
                }
                entry.found += 1;
                self.stream.skip(all);
            }
            Kept::Other => {
                entry.found += 1;
                self.stream.skip(size as u64);
            }
            Kept::Frames(layout, elsewhere) => {
                if self.stream.available() < size {
                    return Ok(Step::More);
                }
                if id == 0 && window[..size].iter().all(|byte| *byte == 0) {
                    return self.astray(reading, id);
                }
                let window = &window[self.id_size..];
                let at = layout.time.at(window, entry.found);
                let direct = self.queue.is_empty() && !matches!(elsewhere, Elsewhere::Group(_));
                if direct && at > until {
                    return Ok(Step::Later(at));
                }
                let parts = layout.parts(window);
                let bus = layout.bus.map_or(entry.bus, |field| field.get(window) & 0xFFFF_FFFF);
                let bytes = match (layout.payload, elsewhere) {
                    (Payload::Inline(byte, most), _) => {
                        let data =
                            window.get(byte..byte + most.min(usize::from(parts.len))).unwrap_or_default();
                        if direct {
                            reading.frame(layout.event, at, bus, parts, data);
                            entry.found += 1;
                            self.stream.skip(size as u64);
                            return Ok(Step::Done);
                        }
                        Bytes::Here(Value::of(data))
                    }
                    (Payload::Signal(field, _), Elsewhere::Group(group)) => {
                        Bytes::Of(*group, (!reading.lacks(OFFSETS)).then(|| field.get(window)))
                    }
                    (Payload::Signal(field, _), Elsewhere::Signal(signal)) => {
                        let value = signal.value(reading, field.get(window))?;
                        if value.is_none() && !self.told {
                            self.told = true;
                            reading.damage(
                                self.stream.offset(),
                                Damage::BadStructure("frames without their bytes"),
                            );
                        }
                        Bytes::Here(value.unwrap_or_else(|| Value::of(&[])))
                    }
                    _ => Bytes::Here(Value::of(&[])),
                };
                self.queue.push_back(Waiting { event: layout.event, at, bus, parts, bytes });
                entry.found += 1;
                self.stream.skip(size as u64);
            }
        }
        Ok(Step::Done)
    }

    /// A record of no group, or of zeros, is where we are: zeros up to the end were written by nobody; otherwise the next block
    /// begins with a record, if all others did.
    fn astray<S: Sink>(&mut self, reading: &mut Reading<'_, S>, id: u64) -> io::Result<Step> {
        let from = self.stream.offset();
        let mut zeros = 0;
        while id == 0 && self.stream.bytes().iter().all(|byte| *byte == 0) {
            let bytes = self.stream.bytes();
            zeros += bytes.len() as u64;
            self.stream.skip(bytes.len() as u64);
            match self.stream.more(reading)? {
                Fill::More => {}
                Fill::Hole(_) => {
                    self.hole(reading);
                    return Ok(Step::Done);
                }
                Fill::End => {
                    reading.damage(from, Damage::NulTail(zeros));
                    self.end(reading);
                    return Ok(Step::Done);
                }
            }
        }
        reading.damage(from, Damage::BadStructure("a record of a group that is not described"));
        self.stream.leave();
        self.hole(reading);
        Ok(Step::Done)
    }

    /// Something is missing here. What waits for its bytes waits in vain, and if blocks do not begin with records, we cannot
    /// tell where the next one does.
    fn hole<S: Sink>(&mut self, reading: &mut Reading<'_, S>) {
        for waiting in &mut self.queue {
            if matches!(waiting.bytes, Bytes::Of(..)) {
                waiting.bytes = Bytes::Here(Value::of(&[]));
                self.told = true;
            }
        }
        for entry in &mut self.groups {
            if let Kept::Values(values) = &mut entry.content {
                values.lose();
            }
        }
        self.holes += 1;
        if !self.stream.aligned() || self.holes == DAMAGES {
            self.end(reading);
        }
    }

    fn end<S: Sink>(&mut self, reading: &mut Reading<'_, S>) {
        self.ended = true;
        if self.stream.available() > 0 || self.stream.owes() {
            reading.damage(self.stream.offset(), Damage::TornRecord);
        }
        for entry in &self.groups {
            if let Some(stated) = entry.stated.filter(|stated| *stated != entry.found) {
                reading.damage(entry.block, Damage::CountMismatch { stated, found: entry.found });
            }
        }
    }
}

/// What reading a record came to.
enum Step {
    /// It is read.
    Done,
    /// It needs more bytes.
    More,
    /// It is a frame of this moment, and not read yet.
    Later(i64),
}
