//! A group whose records lie one after the other.

use std::io;

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::layout::{Layout, Payload};
use super::reading::Reading;
use super::signal::{Signal, Value};
use super::stream::{Fill, Stream};
use super::walk::Group;

/// Where we are in the group.
pub(super) struct Sorted {
    stream: Stream,
    layout: Layout,
    signal: Option<Signal>,
    /// Where the group's block is.
    group: u64,
    /// Bytes of a record.
    record: usize,
    stated: Option<u64>,
    bus: u64,
    /// Records so far, those in holes too.
    index: u64,
    found: u64,
    /// A frame without its bytes was told.
    told: bool,
}

/// How a run of zero bytes ended.
enum Zeros {
    /// There is a record before its end: zeros are its bytes.
    Record,
    Passed,
}

impl Sorted {
    pub(super) fn new<S: Sink>(
        reading: &mut Reading<'_, S>,
        data: u64,
        group: &Group,
        layout: &Layout,
    ) -> io::Result<Self> {
        let signal = match layout.payload {
            Payload::Signal(_, link) => Some(Signal::new(reading, link)?),
            _ => None,
        };
        Ok(Self {
            stream: Stream::new(reading, data)?,
            layout: layout.clone(),
            signal,
            group: group.block,
            record: group.record,
            stated: group.stated(reading),
            bus: group.bus,
            index: 0,
            found: 0,
            told: false,
        })
    }

    /// Gives all frames up to this moment; the moment of the one after them, `None` at the end.
    pub(super) fn run<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        until: i64,
    ) -> io::Result<Option<i64>> {
        loop {
            while self.stream.available() >= self.record {
                let window = self.stream.window();
                if window[0] == 0 && window[..self.record].iter().all(|byte| *byte == 0) {
                    match self.zeros(reading)? {
                        Zeros::Passed => continue,
                        Zeros::Record => {}
                    }
                }
                let window = self.stream.window();
                let at = self.layout.time.at(window, self.index);
                if at > until {
                    return Ok(Some(at));
                }
                let parts = self.layout.parts(window);
                let bus = self.layout.bus.map_or(self.bus, |field| field.get(window) & 0xFFFF_FFFF);
                match self.layout.payload {
                    Payload::None => reading.frame(self.layout.event, at, bus, parts, &[]),
                    Payload::Inline(byte, most) => {
                        let data =
                            window.get(byte..byte + most.min(usize::from(parts.len))).unwrap_or_default();
                        reading.frame(self.layout.event, at, bus, parts, data);
                    }
                    Payload::Signal(field, _) => {
                        let offset = field.get(window);
                        let value = match &mut self.signal {
                            Some(signal) => signal.value(reading, offset)?,
                            None => None,
                        };
                        if value.is_none() && !self.told {
                            self.told = true;
                            reading.damage(
                                self.stream.offset(),
                                Damage::BadStructure("frames without their bytes"),
                            );
                        }
                        let value = value.unwrap_or_else(|| Value::of(&[]));
                        let data = value.bytes();
                        let data = &data[..data.len().min(usize::from(parts.len))];
                        reading.frame(self.layout.event, at, bus, parts, data);
                    }
                }
                self.index += 1;
                self.found += 1;
                self.stream.skip(self.record as u64);
            }
            match self.stream.more(reading)? {
                Fill::More => {}
                Fill::Hole(missing) => self.hole(missing),
                Fill::End => {
                    self.end(reading);
                    return Ok(None);
                }
            }
        }
    }

    /// Goes on with the first whole record behind missing bytes.
    fn hole(&mut self, missing: Option<u64>) {
        let record = self.record as u64;
        if missing.is_some() {
            self.stream.skip(self.stream.position().next_multiple_of(record) - self.stream.position());
            self.index = self.stream.position() / record;
        }
        // Otherwise a block that begins with a record is the best guess.
    }

    /// A record of zeros is where we are. It is one if it is the first and another follows; all others are bytes that nobody
    /// wrote, which a file has after power was lost.
    fn zeros<S: Sink>(&mut self, reading: &mut Reading<'_, S>) -> io::Result<Zeros> {
        let from = self.stream.offset();
        let mut count = 0;
        loop {
            let bytes = self.stream.bytes();
            let zeros = bytes.iter().position(|byte| *byte != 0).unwrap_or(bytes.len());
            if zeros < bytes.len() {
                let whole = zeros / self.record * self.record;
                if count == 0 && self.index == 0 && whole == self.record {
                    return Ok(Zeros::Record);
                }
                self.stream.skip(whole as u64);
                reading.damage(from, Damage::BadStructure("zeros between the records"));
                return Ok(Zeros::Passed);
            }
            let undecided = count == 0 && self.index == 0 && zeros < 2 * self.record;
            let whole = if undecided { 0 } else { zeros / self.record * self.record };
            count += whole as u64;
            self.stream.skip(whole as u64);
            match self.stream.more(reading)? {
                Fill::More => {}
                Fill::Hole(missing) => {
                    self.hole(missing);
                    return Ok(Zeros::Passed);
                }
                Fill::End => {
                    let rest = self.stream.available() as u64;
                    self.stream.skip(rest);
                    reading.damage(from, Damage::NulTail(count + rest));
                    return Ok(Zeros::Passed);
                }
            }
        }
    }

    fn end<S: Sink>(&mut self, reading: &mut Reading<'_, S>) {
        if self.stream.available() > 0 || self.stream.owes() {
            reading.damage(self.stream.offset(), Damage::TornRecord);
        }
        if let Some(stated) = self.stated.filter(|stated| *stated != self.found) {
            reading.damage(self.group, Damage::CountMismatch { stated, found: self.found });
        }
    }
}
