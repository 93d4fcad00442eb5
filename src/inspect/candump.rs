//! Text that `candump` of can-utils writes: log lines (`-l`, `-L`) and columns, as `lib.c` and `candump.c`
//! of can-utils (2023.03) print them.
//!
//! What a stamp means is nowhere said. Ten digits before the point are seconds since 1970; small ones count
//! from the first frame, or from the frame before: stamps that fall again and again are taken for the
//! latter.

use super::buses::Buses;
use super::damage::Damage;
use super::digits::{decimal, hex, hex_bytes, nanoseconds, nibble};
use super::frame::{Frame, Kind, Sink};
use super::lines::Lines;

/// Marks in a written identifier (Linux, `can.h`).
const ERROR: u32 = 0x2000_0000;
const STANDARD: u32 = 0x7ff;
const EXTENDED: u32 = 0x1fff_ffff;
/// Lines that are held until it is known what their stamps mean.
const HELD: usize = 64;
/// Stamps below this many seconds may be differences: nobody waits that long for a frame.
const SMALL: i64 = 1000 * 1_000_000_000;

/// Reads candump text as it arrives.
#[derive(Debug)]
pub struct Candump {
    lines: Lines,
    reader: Reader,
}

impl Default for Candump {
    fn default() -> Self {
        Self::new()
    }
}

impl Candump {
    /// At the beginning of a file.
    pub fn new() -> Self {
        Self { lines: Lines::default(), reader: Reader::default() }
    }

    /// Takes the next bytes.
    pub fn push<S: Sink>(&mut self, bytes: &[u8], sink: &mut S) {
        let reader = &mut self.reader;
        self.lines.push(bytes, |at, line| match line {
            Some(line) => reader.line(at, line, sink),
            None => sink.damage(at, Damage::BadLine),
        });
    }

    /// The file ends here.
    pub fn finish<S: Sink>(self, sink: &mut S) {
        let mut reader = self.reader;
        let rest = self.lines.finish();
        let text = rest.as_ref().and_then(|rest| Some((rest.at, rest.text.as_deref()?)));
        // A cut at an even digit leaves a frame that reads well: it is one only if nothing can be missing.
        if let Some((at, text)) = text
            && let Some(Entry::Frame(frame)) = Entry::parse(text.strip_suffix(b"\r").unwrap_or(text))
            && frame.is_whole
        {
            reader.line(at, text.strip_suffix(b"\r").unwrap_or(text), sink);
        }
        reader.decide(sink);
        if let Some(rest) = rest {
            if rest.text.is_none_or(|text| !text.is_empty()) {
                sink.damage(rest.at, Damage::CutLine);
            }
            if rest.zeros > 0 {
                sink.damage(rest.zeros_at, Damage::NulTail(rest.zeros));
            }
        }
    }
}

/// Whether a line is one that candump writes, of a frame.
pub(super) fn is_frame(line: &[u8]) -> bool {
    matches!(Entry::parse(line), Some(Entry::Frame(_)))
}

/// What the stamps of a file mean.
#[derive(Debug)]
enum Stamps {
    /// Not known yet: the lines so far.
    Open(Vec<(u64, Vec<u8>)>),
    /// Time since 1970, or since the first frame.
    Points,
    /// Time since the frame before; the last one was then.
    Steps(i64),
}

#[derive(Debug)]
struct Reader {
    buses: Buses,
    stamps: Stamps,
    after_error: bool,
    timeless: bool,
}

impl Default for Reader {
    fn default() -> Self {
        Self {
            buses: Buses::default(),
            stamps: Stamps::Open(Vec::new()),
            after_error: false,
            timeless: false,
        }
    }
}

impl Reader {
    #[inline]
    fn line<S: Sink>(&mut self, at: u64, line: &[u8], sink: &mut S) {
        let entry = Entry::parse(line);
        if let Stamps::Open(held) = &mut self.stamps {
            if matches!(&entry, Some(Entry::Frame(frame)) if frame.at.is_none_or(|at| at >= SMALL)) {
                self.decide(sink);
            } else {
                held.push((at, line.to_vec()));
                if held.len() >= HELD {
                    self.decide(sink);
                }
                return;
            }
        }
        self.tell(at, entry, sink);
    }

    fn tell<S: Sink>(&mut self, at: u64, entry: Option<Entry<'_>>, sink: &mut S) {
        match entry {
            Some(Entry::Frame(read)) => {
                self.after_error = read.kind.has(Kind::ERROR);
                let stamp = read.at.unwrap_or(0);
                if read.at.is_none() && !self.timeless {
                    self.timeless = true;
                    sink.damage(at, Damage::BadStructure("lines that tell no time"));
                }
                let time = match &mut self.stamps {
                    Stamps::Steps(last) => {
                        *last = last.saturating_add(stamp);
                        *last
                    }
                    _ => stamp,
                };
                let bus = self.buses.number(read.bus, at, sink);
                let data = read.data.get(..read.kept).unwrap_or_default();
                sink.frame(&Frame { at: time, bus, id: read.id, kind: read.kind, len: read.len, data });
            }
            Some(Entry::Dropped(frames)) => sink.dropped(frames),
            // `-e` explains an error frame in further lines.
            Some(Entry::Explained) if self.after_error => {}
            Some(Entry::Xl) => sink.damage(at, Damage::BadStructure("a CAN XL frame, which is not read")),
            Some(Entry::Nothing) => {}
            Some(Entry::Explained) | None => sink.damage(at, Damage::BadLine),
        }
    }

    /// Finds out what the stamps of the lines so far mean, and tells these lines.
    fn decide<S: Sink>(&mut self, sink: &mut S) {
        let Stamps::Open(held) = std::mem::replace(&mut self.stamps, Stamps::Points) else { return };
        let mut stamps = held.iter().filter_map(|(_, line)| match Entry::parse(line) {
            Some(Entry::Frame(frame)) => frame.at,
            _ => None,
        });
        let (mut falls, mut pairs, mut last) = (0, 0, stamps.next());
        for stamp in stamps {
            pairs += 1;
            falls += u32::from(last.is_some_and(|last| stamp < last));
            last = Some(stamp);
        }
        // Points fall where frames of two buses are written in turn, but not in every fourth line of
        // all; steps do so in nearly every second one (common practice, no source).
        if pairs >= 8 && falls * 4 > pairs {
            self.stamps = Stamps::Steps(0);
        }
        for (at, line) in held {
            self.tell(at, Entry::parse(&line), sink);
        }
    }
}

/// A frame as a line tells it.
struct Read<'a> {
    at: Option<i64>,
    bus: &'a [u8],
    id: u32,
    kind: Kind,
    len: u8,
    data: [u8; 64],
    kept: usize,
    /// Nothing of it can be missing, even where the line has no end.
    is_whole: bool,
}

enum Entry<'a> {
    Frame(Read<'a>),
    Dropped(Option<u64>),
    /// A CAN XL frame.
    Xl,
    /// A line that may follow an error frame.
    Explained,
    /// A comment, or nothing.
    Nothing,
}

impl<'a> Entry<'a> {
    #[inline]
    fn parse(line: &'a [u8]) -> Option<Self> {
        match line.first() {
            Some(b'(') | Some(b' ') => {}
            None | Some(b'#') => return Some(Self::Nothing),
            Some(b'\t') => return Some(Self::Explained),
            Some(b'D') if line.starts_with(b"DROPCOUNT: ") => return dropped(line).map(Self::Dropped),
            Some(_) => {}
        }
        let (at, rest) = stamp(line.trim_ascii_start())?;
        let (bus, rest) = word(rest)?;
        let (first, rest) = word(rest)?;
        match memchr::memchr(b'#', first) {
            Some(3 | 8) => logged(at, bus, first, rest),
            Some(5) => Some(Self::Xl),
            Some(_) => None,
            None if bus.iter().any(|byte| !byte.is_ascii_graphic()) => None,
            None => columns(at, bus, first, rest),
        }
    }
}

/// The first word and what follows it.
#[inline]
fn word(text: &[u8]) -> Option<(&[u8], &[u8])> {
    let from = text.iter().position(|byte| *byte != b' ')?;
    let text = &text[from..];
    let end = text.iter().position(|byte| *byte == b' ').unwrap_or(text.len());
    Some(text.split_at(end))
}

/// The stamp, if there is one, and what follows it.
#[inline]
fn stamp(line: &[u8]) -> Option<(Option<i64>, &[u8])> {
    let Some(text) = line.strip_prefix(b"(") else { return Some((None, line)) };
    let end = match text.get(17) {
        Some(b')') => 17,
        _ => memchr::memchr(b')', text)?,
    };
    let (text, rest) = (&text[..end], &text[end + 1..]);
    let at = match text.get(4) {
        Some(b'-') => dated(text)?,
        _ => nanoseconds(text)?,
    };
    Some((Some(at), rest))
}

/// `2009-02-26 12:34:56.123456` (`-t A`): local time of an unknown zone, taken as UTC.
fn dated(text: &[u8]) -> Option<i64> {
    let text = std::str::from_utf8(text).ok()?;
    let time: jiff::civil::DateTime = text.parse().ok()?;
    i64::try_from(jiff::tz::TimeZone::UTC.to_timestamp(time).ok()?.as_nanosecond()).ok()
}

/// What a written identifier says, and whether its length says that it has 29 bits.
#[inline]
fn identifier(digits: &[u8]) -> Option<(u32, Kind)> {
    let id = hex(digits)?;
    match digits.len() {
        3 if id <= STANDARD => Some((id, Kind::DATA)),
        8 if id <= EXTENDED => Some((id, Kind::EXTENDED)),
        8 if id & !EXTENDED == ERROR => Some((id & EXTENDED, Kind::ERROR)),
        _ => None,
    }
}

/// `123#1122`, `12345678#R5`, `123##31122`, and the direction behind it.
#[inline]
fn logged<'a>(at: Option<i64>, bus: &'a [u8], frame: &[u8], rest: &[u8]) -> Option<Entry<'a>> {
    let (id, body) =
        if frame.get(3) == Some(&b'#') { (&frame[..3], &frame[4..]) } else { (&frame[..8], &frame[9..]) };
    let (id, mut kind) = identifier(id)?;
    let mut read = Read { at, bus, id, kind, len: 0, data: [0; 64], kept: 0, is_whole: false };
    match body.first() {
        Some(b'R') => {
            kind = kind.with(Kind::REMOTE);
            (read.len, read.is_whole) = match body {
                [_] => (0, false),
                [_, len @ b'0'..=b'8'] => (len - b'0', true),
                [_, b'8', b'_', raw] if nibble(*raw)? > 8 => (8, true),
                _ => return None,
            };
        }
        Some(b'#') => {
            let flags = nibble(*body.get(1)?)?;
            kind = kind.with(Kind::FD);
            for (bit, mark) in [(1, Kind::BRS), (2, Kind::ESI)] {
                if flags & bit != 0 {
                    kind = kind.with(mark);
                }
            }
            read.kept = payload(&body[2..], &mut read.data)?;
            read.is_whole = read.kept == 64;
        }
        _ => {
            // The DLC as it was on the bus, where 9 to 15 stand for 8 bytes too.
            let (digits, raw) = match body.len().checked_sub(2) {
                Some(end) if body[end] == b'_' => (&body[..end], Some(nibble(body[end + 1])?)),
                _ => (body, None),
            };
            read.kept = payload(digits, &mut read.data[..8])?;
            if raw.is_some_and(|raw| raw < 9 || read.kept != 8) {
                return None;
            }
            read.is_whole = read.kept == 8;
        }
    }
    if read.kept > 0 {
        read.len = u8::try_from(read.kept).ok()?;
    }
    match rest {
        [] => {}
        _ => match rest.trim_ascii() {
            b"" | b"R" => {}
            b"T" => kind = kind.with(Kind::SENT),
            _ => return None,
        },
    }
    read.kind = kind;
    Some(Entry::Frame(read))
}

/// Pairs of digits, which points may part.
#[inline]
fn payload(digits: &[u8], bytes: &mut [u8]) -> Option<usize> {
    if digits.get(2) != Some(&b'.') {
        return hex_bytes(digits, bytes);
    }
    let mut count = 0;
    for pair in digits.split(|byte| *byte == b'.') {
        count += hex_bytes(pair, bytes.get_mut(count..)?).filter(|one| *one == 1)?;
    }
    Some(count)
}

/// `123   [8]  11 22 33 44 55 66 77 88`, and what may stand around it.
fn columns<'a>(at: Option<i64>, bus: &'a [u8], first: &[u8], rest: &[u8]) -> Option<Entry<'a>> {
    let (mut first, mut rest, mut marks) = (first, rest, Kind::DATA);
    if matches!(first, b"RX" | b"TX") {
        if first == b"TX" {
            marks = Kind::SENT;
        }
        for (letter, mark) in [(b"B", Kind::BRS), (b"E", Kind::ESI)] {
            let (one, more) = word(rest)?;
            match one {
                b"-" => {}
                one if one == letter => marks = marks.with(mark),
                _ => return None,
            }
            rest = more;
        }
        (first, rest) = word(rest)?;
    }
    let (id, kind) = identifier(first)?;
    let (len, rest) = word(rest)?;
    let (len, fd) = match len {
        [b'[', len @ b'0'..=b'8', b']'] => (len - b'0', false),
        // The DLC as it was on the bus.
        [b'{', raw, b'}'] if nibble(*raw)? > 8 => (8, false),
        [b'[', tens @ b'0'..=b'6', ones @ b'0'..=b'9', b']'] => (10 * (tens - b'0') + (ones - b'0'), true),
        [b'[', b'0'..=b'9', b'0'..=b'9', b'0'..=b'9', b'0'..=b'9', b']'] => return Some(Entry::Xl),
        _ => return None,
    };
    let mut read = Read { at, bus, id, kind: kind.with(marks), len, data: [0; 64], kept: 0, is_whole: true };
    if fd {
        read.kind = read.kind.with(Kind::FD);
    } else if rest.trim_ascii() == b"remote request" {
        read.kind = read.kind.with(Kind::REMOTE);
        return Some(Entry::Frame(read));
    }
    let mut rest = rest;
    for byte in read.data.get_mut(..usize::from(len))? {
        let (pair, more) = word(rest)?;
        hex_bytes(pair, std::slice::from_mut(byte)).filter(|one| *one == 1)?;
        rest = more;
    }
    read.kept = usize::from(len);
    match rest.trim_ascii() {
        b"" => {}
        // The bytes as letters (`-a`).
        [b'\'', .., b'\''] => {}
        b"ERRORFRAME" if read.kind.has(Kind::ERROR) => {}
        _ => return None,
    }
    Some(Entry::Frame(read))
}

/// `DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)`; `-d` writes it between the frames.
fn dropped(line: &[u8]) -> Option<Option<u64>> {
    let rest = line.strip_prefix(b"DROPCOUNT: dropped ")?;
    let (count, _) = word(rest)?;
    Some(decimal(count))
}
