//! A group whose records lie one after the other.

use std::io;

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::layout::{Layout, Payload};
use super::reading::Reading;
use super::signal::{Signal, Value};
use super::stream::{Fill, LAST_DT, LEAST, Stream};
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
    /// Where in the stream a record begins for certain, and its index.
    edge: (u64, u64),
    found: u64,
    /// A frame without its bytes was told.
    told: bool,
    /// Where the last block ends is not known: bytes of a file that was there before may follow.
    trailing: bool,
    latest: i64,
}

/// How far times may go back where old bytes may follow, in nanoseconds: frames of two buses are not always in order. Common
/// practice, no source.
const BACK: i64 = 1_000_000_000;

/// What a record whose bytes are all 0 or all 255 was.
enum Unwritten {
    /// A record.
    Record,
    /// Bytes that nobody wrote. We are behind them.
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
            stream: Stream::new(reading, data, LEAST)?,
            layout: layout.clone(),
            signal,
            group: group.block,
            record: group.record,
            stated: group.stated(reading),
            bus: group.bus,
            index: 0,
            edge: (0, 0),
            found: 0,
            told: false,
            trailing: reading.lacks(LAST_DT),
            latest: i64::MIN,
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
                let fill = window[0];
                if matches!(fill, 0 | 0xFF) && window[..self.record].iter().all(|byte| *byte == fill) {
                    match self.unwritten(reading, fill)? {
                        Unwritten::Passed => continue,
                        Unwritten::Record => {}
                    }
                }
                let window = self.stream.window();
                let at = self.layout.time.at(window, self.index);
                if at > until {
                    return Ok(Some(at));
                }
                if self.trailing {
                    if at < self.latest.saturating_sub(BACK) {
                        reading.damage(
                            self.stream.offset(),
                            Damage::BadStructure("older records behind the last one"),
                        );
                        self.stream.leave();
                        continue;
                    }
                    self.latest = self.latest.max(at);
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
                reading.records = reading.records.saturating_sub(1);
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
        let (record, position) = (self.record as u64, self.stream.position());
        if missing.is_some() {
            let since = (position - self.edge.0).next_multiple_of(record);
            self.stream.skip(self.edge.0 + since - position);
            self.index = self.edge.1 + since / record;
        } else {
            // That the next block begins with a record is the best guess.
            self.edge = (position, self.index);
        }
    }

    /// A record is where we are whose bytes are all `fill`. It is one if it is the first, of zeros, and another follows; all
    /// others are bytes that nobody wrote, which a file has after power was lost.
    fn unwritten<S: Sink>(&mut self, reading: &mut Reading<'_, S>, fill: u8) -> io::Result<Unwritten> {
        let from = self.stream.offset();
        let mut count = 0;
        loop {
            let bytes = self.stream.bytes();
            let run = bytes.iter().position(|byte| *byte != fill).unwrap_or(bytes.len());
            let records = run / self.record;
            let first = fill == 0 && count == 0 && self.index == 0 && records < 2;
            if run < bytes.len() {
                if first {
                    return Ok(Unwritten::Record);
                }
                self.stream.skip((records * self.record) as u64);
                reading.damage(from, Damage::BadStructure("bytes between the records that nobody wrote"));
                return Ok(Unwritten::Passed);
            }
            if !first {
                count += (records * self.record) as u64;
                self.stream.skip((records * self.record) as u64);
            }
            match self.stream.more(reading)? {
                Fill::More => {}
                Fill::Hole(missing) => {
                    self.hole(missing);
                    return Ok(Unwritten::Passed);
                }
                Fill::End => {
                    let rest = self.stream.available() as u64;
                    self.stream.skip(rest);
                    let tail = match fill {
                        0 => Damage::NulTail(count + rest),
                        _ => Damage::BadStructure("bytes behind the last record that nobody wrote"),
                    };
                    reading.damage(from, tail);
                    return Ok(Unwritten::Passed);
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
