//! A file from its first byte to its last: which format it has, unpacked, read, told to a sink.

use std::io;
use std::sync::Arc;

use super::bounds;
use super::candump::Candump;
use super::columns::Columns;
use super::csv::Csv;
use super::damage::{Damage, FAT_LARGEST};
use super::format::{Format, LOOKED_AT};
use super::frame::{Frame, Sink};
use super::mdf::{self, Source};
use super::pcap::Pcap;
use super::pcapng::Pcapng;
use super::unpack::{Packing, Unpacker};

/// Bytes of a packed MDF file that are unpacked into memory at most: its end may be needed first.
const IN_MEMORY: usize = 64 * 1024 * 1024;
/// Bytes that are read at a time.
const PIECE: usize = 256 * 1024;
/// The first bytes that tell how a file is packed.
const PACKED_HEAD: usize = 6;

/// Reads a file as its bytes arrive.
#[derive(Debug)]
pub struct Inspector<S> {
    came: u64,
    outer: Outer,
    packing: Option<Packing>,
    content: Content<S>,
}

#[derive(Debug)]
enum Outer {
    /// The first bytes.
    Head(Vec<u8>),
    Plain,
    Packed(Box<Unpacker>),
    /// What is packed cannot be unpacked any further.
    Over,
}

/// What is in the file, unpacked.
#[derive(Debug)]
struct Content<S> {
    at: u64,
    /// Whether every byte was zero.
    zeros: bool,
    reader: Reader,
    columns: Option<Arc<Columns>>,
    sink: Counted<S>,
}

/// Counts the frames that it passes on.
#[derive(Debug)]
struct Counted<S> {
    sink: S,
    frames: u64,
    /// It was told that the content is too much: where that ends is no damage.
    over: bool,
}

impl<S: Sink> Sink for Counted<S> {
    #[inline]
    fn frame(&mut self, frame: &Frame<'_>) {
        self.frames += 1;
        self.sink.frame(frame);
    }

    fn dropped(&mut self, frames: Option<u64>) {
        self.sink.dropped(frames);
    }

    fn damage(&mut self, at: u64, damage: Damage) {
        if !self.over {
            self.over = damage == bounds::TOO_MUCH;
            self.sink.damage(at, damage);
        }
    }

    fn bus(&mut self, bus: u8, name: &str) {
        self.sink.bus(bus, name);
    }
}

#[derive(Debug)]
enum Reader {
    Head(Vec<u8>),
    Candump(Box<Candump>),
    Csv(Box<Csv>),
    Pcap(Pcap),
    Pcapng(Pcapng),
    /// It is read by position once it is all there.
    Mdf4,
    Unknown,
}

/// What a file was, and what was told of it.
#[derive(Debug)]
pub struct Inspected<S> {
    /// Its format.
    pub format: Format,
    /// How it was packed.
    pub packing: Option<Packing>,
    /// Whether its times are local ones of an unknown zone, and not UTC.
    pub local_time: bool,
    /// What it was told to.
    pub sink: S,
}

impl<S: Sink> Inspector<S> {
    /// At the beginning of a file.
    pub fn new(sink: S) -> Self {
        let sink = Counted { sink, frames: 0, over: false };
        let content = Content { at: 0, zeros: true, reader: Reader::Head(Vec::new()), columns: None, sink };
        Self { came: 0, outer: Outer::Head(Vec::new()), packing: None, content }
    }

    /// The same, of a file whose text has these columns.
    #[must_use]
    pub fn columns(mut self, columns: Option<Arc<Columns>>) -> Self {
        self.content.columns = columns;
        self
    }

    /// How many bytes it has taken.
    pub fn came(&self) -> u64 {
        self.came
    }

    /// Whether its file's next bytes tell it anything. Where they do not, it is read again once all are there.
    pub fn wants(&self) -> bool {
        !(matches!(self.outer, Outer::Plain) && self.content.is_enough())
    }

    /// Whether it holds a window of unpacked content.
    pub fn is_packed(&self) -> bool {
        self.packing.is_some()
    }

    /// Takes the next bytes.
    pub fn push(&mut self, bytes: &[u8]) {
        self.came += bytes.len() as u64;
        if let Outer::Head(head) = &mut self.outer {
            head.extend_from_slice(bytes);
            if head.len() >= PACKED_HEAD {
                self.open();
            }
            return;
        }
        self.take(bytes);
    }

    fn open(&mut self) {
        let Outer::Head(head) = &mut self.outer else { return };
        let head = std::mem::take(head);
        self.outer = Outer::Plain;
        self.packing = Packing::detect(&head);
        if let Some(packing) = self.packing {
            self.outer = Outer::Packed(Box::new(Unpacker::new(packing)));
        }
        self.take(&head);
    }

    fn take(&mut self, bytes: &[u8]) {
        let content = &mut self.content;
        match &mut self.outer {
            Outer::Plain => content.push(bytes),
            Outer::Packed(_) if content.is_later() => {}
            Outer::Packed(unpacker) => {
                let most = bounds::records(self.came);
                let mut told = unpacker.push(bytes, &mut |piece| content.push_some(piece, most));
                if content.sink.frames > most {
                    told = Err(bounds::TOO_MUCH);
                }
                if let Err(damage) = told {
                    content.sink.damage(content.at, damage);
                    self.outer = Outer::Over;
                }
            }
            Outer::Head(_) | Outer::Over => {}
        }
    }

    /// The file ends here; `source` is the same file, whole.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn finish(mut self, source: &dyn Source) -> io::Result<Inspected<S>> {
        self.open();
        let mut content = self.content;
        if let Outer::Packed(unpacker) = self.outer
            && !content.is_later()
            && let Err(damage) =
                unpacker.finish(&mut |piece| content.push_some(piece, bounds::records(self.came)))
        {
            content.sink.damage(content.at, damage);
        }
        let packing = self.packing;
        let (format, mut sink) = content.finish();
        if source.len() == FAT_LARGEST {
            sink.damage(FAT_LARGEST, Damage::FatLimit);
        }
        let mut local_time = false;
        if format == Format::Mdf4 {
            let read = match packing {
                None => mdf::read(source, source.len(), &mut sink),
                Some(how) => match in_memory(how, source, &mut sink)? {
                    Some(bytes) => mdf::read(&&bytes[..], source.len(), &mut sink),
                    None => {
                        sink.damage(0, Damage::BadStructure("packed, and too large to be read by position"));
                        return Ok(Inspected { format, packing, local_time, sink });
                    }
                },
            };
            match read {
                Ok(head) => local_time = head.zone == mdf::Zone::Local,
                Err(mdf::Error::Io(e)) => return Err(e),
                Err(mdf::Error::NotMdf | mdf::Error::Version(_)) => {
                    sink.damage(0, Damage::BadStructure("a version that is not read"));
                }
            }
        }
        Ok(Inspected { format, packing, local_time, sink })
    }

    /// Reads a file that is all there.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn whole(mut self, source: &dyn Source) -> io::Result<Inspected<S>> {
        each_piece(source, |piece| {
            self.push(piece);
            self.wants() && !self.content.is_later()
        })?;
        self.finish(source)
    }
}

impl<S: Sink> Content<S> {
    fn is_later(&self) -> bool {
        matches!(self.reader, Reader::Mdf4)
    }

    /// Whether more of it would tell nothing.
    fn is_enough(&self) -> bool {
        self.is_later() || matches!(self.reader, Reader::Unknown) && !self.zeros
    }

    /// Takes what was unpacked, as long as there are no more frames than that.
    fn push_some(&mut self, bytes: &[u8], frames: u64) {
        if self.sink.frames <= frames {
            self.push(bytes);
        }
    }

    fn push(&mut self, bytes: &[u8]) {
        self.at += bytes.len() as u64;
        self.zeros = self.zeros && bytes.iter().all(|byte| *byte == 0);
        match &mut self.reader {
            Reader::Head(head) => {
                head.extend_from_slice(bytes);
                if head.len() >= LOOKED_AT {
                    self.begin();
                }
            }
            Reader::Candump(reader) => reader.push(bytes, &mut self.sink),
            Reader::Csv(reader) => reader.push(bytes, &mut self.sink),
            Reader::Pcap(reader) => reader.push(bytes, &mut self.sink),
            Reader::Pcapng(reader) => reader.push(bytes, &mut self.sink),
            Reader::Mdf4 | Reader::Unknown => {}
        }
    }

    fn begin(&mut self) {
        let Reader::Head(head) = &mut self.reader else { return };
        let head = std::mem::take(head);
        let first = &head[..head.len().min(LOOKED_AT)];
        let told = self.columns.take().filter(|columns| columns.fit(first));
        self.reader = match Format::detect(first) {
            // They are told by their text alone, and so is this.
            Format::Candump | Format::Csv | Format::Unknown if told.is_some() => {
                Reader::Csv(told.as_ref().map(Csv::told).unwrap_or_default().into())
            }
            Format::Candump => Reader::Candump(Box::default()),
            Format::Csv => Reader::Csv(Box::default()),
            Format::Pcap => Reader::Pcap(Pcap::new()),
            Format::Pcapng => Reader::Pcapng(Pcapng::new()),
            Format::Mdf4 => Reader::Mdf4,
            Format::Unknown => Reader::Unknown,
        };
        self.at -= head.len() as u64;
        self.push(&head);
    }

    fn finish(mut self) -> (Format, S) {
        self.begin();
        let sink = &mut self.sink;
        let format = match self.reader {
            Reader::Candump(reader) => {
                reader.finish(sink);
                Format::Candump
            }
            Reader::Csv(reader) => {
                reader.finish(sink);
                Format::Csv
            }
            Reader::Pcap(reader) => {
                reader.finish(sink);
                Format::Pcap
            }
            Reader::Pcapng(reader) => {
                reader.finish(sink);
                Format::Pcapng
            }
            Reader::Mdf4 => Format::Mdf4,
            Reader::Head(_) | Reader::Unknown => {
                match self.at {
                    0 => sink.damage(0, Damage::Empty),
                    zeros if self.zeros => sink.damage(0, Damage::NulTail(zeros)),
                    _ => {}
                }
                Format::Unknown
            }
        };
        (format, self.sink.sink)
    }
}

/// Gives a source's bytes in order, as long as they are wanted.
fn each_piece(source: &dyn Source, mut each: impl FnMut(&[u8]) -> bool) -> io::Result<()> {
    let mut buffer = vec![0; usize::try_from(source.len()).unwrap_or(PIECE).clamp(1, PIECE)];
    let mut at = 0;
    loop {
        match source.read_at(&mut buffer, at) {
            Ok(0) => return Ok(()),
            Ok(read) => {
                at += read as u64;
                if !each(buffer.get(..read).unwrap_or_default()) {
                    return Ok(());
                }
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

/// The whole content; `None` where there is too much of it. What is damaged ends early.
fn in_memory<S: Sink>(packing: Packing, source: &dyn Source, sink: &mut S) -> io::Result<Option<Vec<u8>>> {
    let mut content = Vec::new();
    let mut keep = |piece: &[u8]| {
        let room = IN_MEMORY + 1 - content.len();
        content.extend_from_slice(&piece[..piece.len().min(room)]);
        content.len() <= IN_MEMORY
    };
    let (mut unpacker, mut fits, mut damage) = (Unpacker::new(packing), true, None);
    each_piece(source, |packed| {
        damage = unpacker.push(packed, &mut |piece| fits = keep(piece)).err();
        fits && damage.is_none()
    })?;
    if damage.is_none() && fits {
        damage = unpacker.finish(&mut |piece| fits = keep(piece)).err();
    }
    if !fits {
        return Ok(None);
    }
    if let Some(damage) = damage {
        sink.damage(content.len() as u64, damage);
    }
    Ok(Some(content))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::check_values::{number, topic};
    use crate::inspect::{Inspection, Known};

    /// So many bytes, all of them ones.
    struct Ones(u64);

    impl Source for Ones {
        fn len(&self) -> u64 {
            self.0
        }

        fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
            let some = buffer.len().min(usize::try_from(self.0.saturating_sub(offset)).unwrap_or(usize::MAX));
            buffer[..some].fill(1);
            Ok(some)
        }
    }

    /// `fat`: Microsoft FAT specification, a size of 32 bits.
    #[test]
    fn a_file_as_large_as_fat_allows_was_cut_by_it() {
        let largest = number(&topic("fat", 1)[0], "/expected") as u64;
        let codes = |len: u64| -> Vec<String> {
            let found = Inspection::of(&Ones(len), &Known::default()).expect("bytes");
            found.facts.damage.into_iter().map(|damage| damage.code).collect()
        };
        assert_eq!(codes(largest), ["fat-limit"]);
        assert_eq!((codes(largest - 1), codes(largest + 1)), (vec![], vec![]));
    }
}
