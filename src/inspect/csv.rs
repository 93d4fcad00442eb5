//! Text with one frame a line and columns that its first line names. No standard says how: names and
//! units are common practice, no source, but for the form that python-can writes (`can/io/csv.py`, 4.6).
//! What they do not cover is told by the kind: [`Columns`].

use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use super::buses::Buses;
use super::columns::{Columns, TimeForm};
use super::damage::Damage;
use super::digits::{decimal, hex, hex_bytes, nanoseconds};
use super::frame::{Frame, Kind, LENGTHS, Sink};
use super::lines::Lines;

/// Columns of a file at most.
pub(super) const MOST: usize = 96;

/// What one column tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Column {
    Time,
    Id,
    Extended,
    Remote,
    Error,
    Fd,
    Brs,
    Esi,
    Bus,
    Length,
    Dlc,
    Data,
    /// One byte of the payload, counted from 0.
    Byte(u8),
    Direction,
    Other,
}

/// What a time is written in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Unit {
    /// Nothing says it; the first line will.
    Open,
    Seconds,
    /// Nanoseconds of one.
    Whole(i64),
    /// A date and time of this form.
    Form(Arc<TimeForm>),
}

/// What the first line says.
#[derive(Debug, Clone)]
pub(super) struct Head {
    pub columns: Vec<Column>,
    pub parting: u8,
    pub unit: Unit,
    pub base64: bool,
    /// Whether identifiers are decimal.
    pub decimal: bool,
    /// Whether a line may have more fields.
    pub open: bool,
}

impl Head {
    /// Reads a first line; `None` where it does not name at least time, identifier and data.
    pub fn new(line: &[u8]) -> Option<Self> {
        let line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line);
        let text = std::str::from_utf8(line).ok()?;
        let parting =
            [b',', b';', b'\t'].into_iter().max_by_key(|p| line.iter().filter(|b| *b == p).count())?;
        let names: Vec<String> = text.split(char::from(parting)).map(plain).collect();
        if names.len() > MOST {
            return None;
        }
        let mut unit = Unit::Open;
        let columns: Vec<Column> = names.iter().map(|name| column(name, &mut unit)).collect();
        let has = |wanted| columns.contains(&wanted);
        let bytes = columns.iter().any(|column| matches!(column, Column::Byte(_)));
        // python-can writes the payload in base 64, and says so by its names alone.
        let base64 = names == ["timestamp", "arbitrationid", "extended", "remote", "error", "dlc", "data"];
        (has(Column::Time) && has(Column::Id) && (has(Column::Data) || bytes)).then_some(Self {
            columns,
            parting,
            unit,
            base64,
            decimal: false,
            open: false,
        })
    }
}

/// A name without case, quotes and what parts its words; a unit behind it stays.
fn plain(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric() || *c == 'µ').flat_map(char::to_lowercase).collect()
}

fn column(name: &str, unit: &mut Unit) -> Column {
    let times =
        ["timestamp", "timestamps", "time", "timeoffset", "timeabs", "timerel", "t", "abstime", "reltime"];
    for stem in times {
        let Some(rest) = name.strip_prefix(stem) else { continue };
        let told = match rest {
            "" => Unit::Open,
            "s" | "sec" | "seconds" | "epoch" => Unit::Seconds,
            "ms" => Unit::Whole(1_000_000),
            "us" | "µs" | "μs" => Unit::Whole(1000),
            "ns" => Unit::Whole(1),
            _ => continue,
        };
        *unit = told;
        return Column::Time;
    }
    match name {
        "id" | "canid" | "arbitrationid" | "identifier" | "idhex" | "messageid" | "msgid" => Column::Id,
        "extended" | "ide" | "isextended" | "ext" | "isextendedid" | "xtd" => Column::Extended,
        "remote" | "rtr" | "isremote" | "isremoteframe" => Column::Remote,
        "error" | "iserror" | "iserrorframe" | "err" => Column::Error,
        "fd" | "edl" | "fdf" | "isfd" => Column::Fd,
        "brs" | "bitrateswitch" => Column::Brs,
        "esi" | "errorstateindicator" => Column::Esi,
        "bus" | "channel" | "busid" | "interface" | "ch" | "buschannel" => Column::Bus,
        "len" | "length" | "datalength" => Column::Length,
        "dlc" => Column::Dlc,
        "data" | "databytes" | "payload" => Column::Data,
        "dir" | "direction" => Column::Direction,
        _ => {
            // D1 to D8, or B0 to B7: `numbered` counts from whatever is the first.
            let digits =
                name.strip_prefix("data").or(name.strip_prefix("byte")).or(name.strip_prefix(['d', 'b']));
            match digits.and_then(|digits| decimal(digits.as_bytes())) {
                Some(n @ 0..=64) => Column::Byte(n as u8),
                _ => Column::Other,
            }
        }
    }
}

/// Reads such text as it arrives.
#[derive(Debug, Default)]
pub struct Csv {
    lines: Lines,
    reader: Reader,
}

#[derive(Debug, Default)]
struct Reader {
    head: Option<Head>,
    /// What the kind says of the columns, and lines still to come in front of the one that names them.
    told: Option<(Arc<Columns>, u64)>,
    /// The number of the first byte's column.
    first: u8,
    buses: Buses,
    hopeless: bool,
}

impl Csv {
    /// Text whose columns the kind tells.
    pub fn told(columns: &Arc<Columns>) -> Self {
        let head = columns.without_names();
        let told = Some((columns.clone(), columns.header));
        Self { reader: Reader { head, told, ..Reader::default() }, ..Self::default() }
    }

    /// Takes the next bytes.
    pub fn push<S: Sink>(&mut self, bytes: &[u8], sink: &mut S) {
        let reader = &mut self.reader;
        self.lines.push(bytes, |at, line| match line {
            Some(line) => reader.line(at, line, false, sink),
            None => sink.damage(at, Damage::BadLine),
        });
    }

    /// The file ends here.
    pub fn finish<S: Sink>(self, sink: &mut S) {
        let mut reader = self.reader;
        let Some(rest) = self.lines.finish() else { return };
        if rest.text.as_ref().is_none_or(|text| !text.is_empty()) {
            if let Some(text) = &rest.text {
                reader.line(rest.at, text.strip_suffix(b"\r").unwrap_or(text), true, sink);
            }
            sink.damage(rest.at, Damage::CutLine);
        }
        if rest.zeros > 0 {
            sink.damage(rest.zeros_at, Damage::NulTail(rest.zeros));
        }
    }
}

impl Reader {
    /// A line. `last` for one without its end: it counts where nothing of it can be missing.
    fn line<S: Sink>(&mut self, at: u64, line: &[u8], last: bool, sink: &mut S) {
        if let (None, Some((_, before))) = (&self.head, &mut self.told)
            && *before > 1
        {
            *before -= 1;
            return;
        }
        if self.hopeless || line.is_empty() {
            return;
        }
        let Some(head) = &mut self.head else {
            self.head = match &self.told {
                Some((columns, _)) => columns.named(line),
                None => Head::new(line),
            };
            let numbers = self.head.iter().flat_map(|head| &head.columns).filter_map(|column| match column {
                Column::Byte(n) => Some(*n),
                _ => None,
            });
            self.first = numbers.min().unwrap_or(0);
            self.hopeless = self.head.is_none();
            if self.hopeless && !last {
                sink.damage(at, Damage::BadStructure("its first line names no columns that are known"));
            }
            return;
        };
        let mut row = Row::default();
        match row.read(head, self.first, line) {
            Some(()) if !last || row.is_whole() => {
                let bus = if row.bus.is_empty() { 0 } else { self.buses.number(row.bus, at, sink) };
                let data = row.data.get(..row.kept).unwrap_or_default();
                let len = row.len.unwrap_or(row.kept as u8);
                sink.frame(&Frame { at: row.at, bus, id: row.id, kind: row.kind(), len, data });
            }
            None if !last => sink.damage(at, Damage::BadLine),
            _ => {}
        }
    }
}

/// One line's fields.
struct Row<'a> {
    at: i64,
    id: u32,
    digits: usize,
    extended: Option<bool>,
    marks: Kind,
    bus: &'a [u8],
    len: Option<u8>,
    data: [u8; 64],
    kept: usize,
}

impl Default for Row<'_> {
    fn default() -> Self {
        Self {
            at: 0,
            id: 0,
            digits: 0,
            extended: None,
            marks: Kind::DATA,
            bus: b"",
            len: None,
            data: [0; 64],
            kept: 0,
        }
    }
}

impl<'a> Row<'a> {
    fn read(&mut self, head: &mut Head, first: u8, line: &'a [u8]) -> Option<()> {
        let mut fields = line.split(|byte| *byte == head.parting);
        let mut dlc = None;
        for column in &head.columns {
            // Bytes that a shorter frame does not have may be left out at the end.
            let field = match (fields.next(), column) {
                (Some(field), _) => field.trim_ascii(),
                (None, Column::Byte(_)) => b"",
                (None, _) => return None,
            };
            let field = field.strip_prefix(b"\"").and_then(|f| f.strip_suffix(b"\"")).unwrap_or(field);
            match column {
                Column::Time => self.at = time(field, &mut head.unit)?,
                Column::Id if head.decimal => self.id = u32::try_from(decimal(field)?).ok()?,
                Column::Id => {
                    let digits = field.strip_prefix(b"0x").or(field.strip_prefix(b"0X")).unwrap_or(field);
                    (self.id, self.digits) = (hex(digits)?, digits.len());
                }
                Column::Extended => self.extended = Some(truth(field)?),
                Column::Remote => self.mark(field, Kind::REMOTE)?,
                Column::Error => self.mark(field, Kind::ERROR)?,
                Column::Fd => self.mark(field, Kind::FD)?,
                Column::Brs => self.mark(field, Kind::BRS)?,
                Column::Esi => self.mark(field, Kind::ESI)?,
                Column::Bus => self.bus = field,
                Column::Length => {
                    self.len = Some(u8::try_from(decimal(field)?).ok().filter(|len| *len <= 64)?)
                }
                Column::Dlc => dlc = Some(u8::try_from(decimal(field)?).ok().filter(|dlc| *dlc <= 64)?),
                Column::Data if head.base64 => {
                    self.kept = BASE64.decode_slice(field, &mut self.data).ok()?;
                }
                Column::Data => self.payload(field)?,
                Column::Byte(_) if field.is_empty() => {}
                Column::Byte(number) => {
                    let place = usize::from(number - first);
                    hex_bytes(field, self.data.get_mut(place..=place)?)?;
                    self.kept = self.kept.max(place + 1);
                }
                Column::Direction => {
                    if matches!(field, b"Tx" | b"TX" | b"T" | b"tx" | b"1") {
                        self.marks = self.marks.with(Kind::SENT);
                    }
                }
                Column::Other => {}
            }
        }
        if !head.open && fields.any(|field| !field.is_empty()) {
            return None;
        }
        self.settle(dlc)
    }

    fn mark(&mut self, field: &[u8], mark: Kind) -> Option<()> {
        if truth(field)? {
            self.marks = self.marks.with(mark);
        }
        Some(())
    }

    fn payload(&mut self, field: &[u8]) -> Option<()> {
        for part in field.split(|byte| *byte == b' ').filter(|part| !part.is_empty()) {
            let part = part.strip_prefix(b"0x").unwrap_or(part);
            self.kept += hex_bytes(part, self.data.get_mut(self.kept..)?)?;
        }
        Some(())
    }

    /// What the fields say together.
    fn settle(&mut self, dlc: Option<u8>) -> Option<()> {
        let told = |dlc: u8| match dlc {
            // Some write the length where they say DLC.
            0..=8 => dlc,
            dlc if usize::from(dlc) == self.kept => dlc,
            dlc => LENGTHS.get(usize::from(dlc)).copied().unwrap_or(dlc),
        };
        self.len = self.len.or(dlc.map(told));
        let remote = self.marks.has(Kind::REMOTE);
        if let Some(len) = self.len {
            // Where every line has all columns, those of bytes that are not there hold anything.
            self.kept = if remote { 0 } else { self.kept.min(usize::from(len)) };
        }
        let most = if self.marks.has(Kind::ERROR) || self.is_extended() { 0x1fff_ffff } else { 0x7ff };
        (self.id <= most).then_some(())
    }

    fn is_extended(&self) -> bool {
        self.extended.unwrap_or(self.digits == 8 || self.id > 0x7ff)
    }

    fn kind(&self) -> Kind {
        let marks = if self.len.is_some_and(|len| len > 8) { self.marks.with(Kind::FD) } else { self.marks };
        if self.is_extended() && !marks.has(Kind::ERROR) { marks.with(Kind::EXTENDED) } else { marks }
    }

    /// Whether nothing can be missing at the line's end.
    fn is_whole(&self) -> bool {
        self.len.is_some_and(|len| usize::from(len) == self.kept && len > 0)
    }
}

fn truth(field: &[u8]) -> Option<bool> {
    match field {
        b"1" | b"true" | b"True" | b"TRUE" | b"yes" | b"X" | b"x" => Some(true),
        b"0" | b"false" | b"False" | b"FALSE" | b"no" | b"" => Some(false),
        _ => None,
    }
}

fn time(field: &[u8], unit: &mut Unit) -> Option<i64> {
    if *unit == Unit::Open {
        // Seconds have a fraction. A whole number is of microseconds, unless that would be absurd
        // and another unit gives a time of this century.
        *unit = match decimal(field) {
            None => Unit::Seconds,
            Some(946_684_800_000..=4_102_444_800_000) => Unit::Whole(1_000_000),
            Some(100_000_000_000_000_000..) => Unit::Whole(1),
            Some(_) => Unit::Whole(1000),
        };
    }
    match unit {
        Unit::Form(form) => form.read(field),
        Unit::Whole(scale) => {
            let scale = *scale;
            let (whole, fraction) = match field.iter().position(|byte| *byte == b'.') {
                Some(point) => (&field[..point], Some(nanoseconds(&[b"0", &field[point..]].concat())?)),
                None => (field, None),
            };
            let whole = i64::try_from(decimal(whole)?).ok()?.checked_mul(scale)?;
            whole.checked_add(fraction.unwrap_or(0) / (1_000_000_000 / scale))
        }
        _ => nanoseconds(field).or_else(|| {
            // A float as a program prints it: `1e-05`, or more digits than nine.
            let seconds: f64 = std::str::from_utf8(field).ok()?.parse().ok()?;
            (seconds.abs() < 9e9).then_some((seconds * 1e9).round() as i64)
        }),
    }
}
