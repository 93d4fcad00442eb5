//! How the text of a kind of logger is laid out, where its own first line does not tell.

use std::sync::Arc;

use jiff::fmt::strtime;
use jiff::tz::TimeZone;

use super::csv::{Column, Csv, Head, MOST, Unit};
use super::damage::Damage;
use super::format::LOOKED_AT;
use super::frame::{Frame, Sink};

/// Where a column is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// Below this name; its case does not matter.
    Name(String),
    /// Counted from 1.
    Number(usize),
}

/// What times are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeAs {
    /// Numbers; the first one tells of what.
    Open,
    /// Numbers of so many nanoseconds.
    Unit(i64),
    /// Dates and times.
    Form(Arc<TimeForm>),
}

/// The form of a date and time, as `strptime` has it; without a zone it is universal time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TimeForm(String);

impl TimeForm {
    /// A form by which a time can be written and read again.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn new(form: &str) -> Result<Self, String> {
        let some = jiff::Timestamp::UNIX_EPOCH.to_zoned_datetime(TimeZone::UTC);
        let text = strtime::format(form, &some).map_err(|e| e.to_string())?;
        let form = Self(form.to_owned());
        match form.read(text.as_bytes()) {
            Some(0) => Ok(form),
            _ => Err("it tells no date and time that could be read again".to_owned()),
        }
    }

    /// Nanoseconds since 1970.
    pub(super) fn read(&self, field: &[u8]) -> Option<i64> {
        let parts = strtime::parse(&self.0, field).ok()?;
        let at = match parts.offset() {
            Some(_) => parts.to_timestamp().ok()?,
            None => TimeZone::UTC.to_timestamp(parts.to_datetime().ok()?).ok()?,
        };
        i64::try_from(at.as_nanosecond()).ok()
    }
}

/// The columns of a kind's text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Columns {
    /// Of the time.
    pub time: Place,
    /// Of the identifier.
    pub id: Place,
    /// Of the payload: one, or one for each byte.
    pub data: Vec<Place>,
    /// Of the bus, where there is one.
    pub bus: Option<Place>,
    /// Of the payload's length, where there is one.
    pub length: Option<Place>,
    /// The number of the line that names the columns, counted from 1; 0 where none does.
    pub header: u64,
    /// What stands between two fields.
    pub delimiter: u8,
    /// What times are.
    pub times: TimeAs,
    /// Whether identifiers are decimal numbers, and not hexadecimal ones.
    pub decimal_ids: bool,
}

impl Columns {
    /// Whether a file that begins so is laid out like this.
    pub(super) fn fit(self: &Arc<Self>, head: &[u8]) -> bool {
        let mut first = First::default();
        let mut reader = Csv::told(self);
        reader.push(head, &mut first);
        if head.len() < LOOKED_AT {
            reader.finish(&mut first);
        }
        first.0 == Some(true)
    }

    /// The columns by their numbers, where no line names them.
    pub(super) fn without_names(&self) -> Option<Head> {
        (self.header == 0).then(|| self.head(&[])).flatten()
    }

    /// The columns by the line that names them; `None` where it lacks one.
    pub(super) fn named(&self, line: &[u8]) -> Option<Head> {
        let line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line);
        let names: Vec<&[u8]> = line.split(|byte| *byte == self.delimiter).map(<[u8]>::trim_ascii).collect();
        self.head(&names)
    }

    fn head(&self, names: &[&[u8]]) -> Option<Head> {
        let place = |place: &Place| match place {
            Place::Number(number) => number.checked_sub(1),
            Place::Name(name) => names.iter().position(|found| {
                let bare = found.strip_prefix(b"\"").and_then(|f| f.strip_suffix(b"\"")).unwrap_or(found);
                String::from_utf8_lossy(bare).to_lowercase() == name.to_lowercase()
            }),
        };
        let mut wanted = vec![(place(&self.time)?, Column::Time), (place(&self.id)?, Column::Id)];
        match self.data.as_slice() {
            [one] => wanted.push((place(one)?, Column::Data)),
            bytes => {
                for (number, byte) in bytes.iter().enumerate() {
                    wanted.push((place(byte)?, Column::Byte(u8::try_from(number).ok()?)));
                }
            }
        }
        for (told, column) in [(&self.bus, Column::Bus), (&self.length, Column::Length)] {
            if let Some(told) = told {
                wanted.push((place(told)?, column));
            }
        }
        // Columns behind the last one that is named hold what they will.
        let last = wanted.iter().map(|(place, _)| *place + 1).max()?.max(names.len());
        let mut columns = vec![Column::Other; last.min(MOST)];
        for (place, column) in wanted {
            *columns.get_mut(place)? = column;
        }
        let unit = match &self.times {
            TimeAs::Open => Unit::Open,
            TimeAs::Unit(1_000_000_000) => Unit::Seconds,
            TimeAs::Unit(nanoseconds) => Unit::Whole(*nanoseconds),
            TimeAs::Form(form) => Unit::Form(form.clone()),
        };
        Some(Head {
            columns,
            parting: self.delimiter,
            unit,
            base64: false,
            decimal: self.decimal_ids,
            open: true,
        })
    }
}

/// Whether a frame was told before anything that is wrong.
#[derive(Default)]
struct First(Option<bool>);

impl Sink for First {
    fn frame(&mut self, _: &Frame<'_>) {
        self.0.get_or_insert(true);
    }

    fn dropped(&mut self, _: Option<u64>) {}

    fn damage(&mut self, _: u64, _: Damage) {
        self.0.get_or_insert(false);
    }

    fn bus(&mut self, _: u8, _: &str) {}
}

#[cfg(test)]
mod tests {
    use super::super::facts::Summary;
    use super::super::{Inspection, Known};
    use super::*;

    fn name(name: &str) -> Place {
        Place::Name(name.to_owned())
    }

    fn columns() -> Columns {
        Columns {
            time: name("Zeit"),
            id: name("Kennung"),
            data: vec![name("Inhalt")],
            bus: None,
            length: None,
            header: 1,
            delimiter: b';',
            times: TimeAs::Open,
            decimal_ids: false,
        }
    }

    fn read(columns: Columns, text: &str) -> (String, Summary) {
        let known = Known { columns: Some(Arc::new(columns)), ..Known::default() };
        let found = Inspection::of(&text.as_bytes(), &known).expect("in memory");
        (found.format, found.facts)
    }

    #[test]
    fn columns_are_found_by_the_names_that_the_kind_gives() {
        let text = "Zeit;Quelle;\"kennung\";Inhalt\n1436509052.25;x;18FEF100;01 02\n1436509053.25;x;7FF;03\n";
        let (format, facts) = read(columns(), text);
        assert_eq!((format.as_str(), facts.frames, facts.ids, facts.complete), ("csv", 2, 2, true));
        assert_eq!(facts.first.map(|at| at.to_string()).as_deref(), Some("2015-07-10T06:17:32.25Z"));
        let (format, _) = read(columns(), "Zeit;Quelle;Inhalt\n1436509052.25;x;01\n");
        assert_eq!(format, "unknown", "a column is missing");
    }

    #[test]
    fn without_a_header_columns_go_by_their_numbers() {
        let by = Columns {
            time: Place::Number(2),
            id: Place::Number(1),
            data: vec![Place::Number(4), Place::Number(5)],
            header: 0,
            delimiter: b'\t',
            times: TimeAs::Unit(1_000_000),
            decimal_ids: true,
            ..columns()
        };
        let (format, facts) = read(by, "291\t1000\tx\t0a\t0b\textra\n291\t1500.5\tx\t0a\t\n");
        assert_eq!((format.as_str(), facts.frames, facts.ids, facts.complete), ("csv", 2, 1, true));
        assert_eq!(facts.last.map(|at| at.as_microsecond()), Some(1_500_500));
    }

    #[test]
    fn lines_in_front_of_the_header_are_passed_over_and_times_have_a_form() {
        let form = TimeForm::new("%d.%m.%Y %H:%M:%S%.f").expect("a form");
        let with = Columns { header: 3, times: TimeAs::Form(Arc::new(form)), ..columns() };
        let text = "device 7\n\nZeit;Kennung;Inhalt\n24.11.2026 05:10:07.250;123;00\n";
        let (format, facts) = read(with, text);
        assert_eq!((format.as_str(), facts.frames), ("csv", 1));
        assert_eq!(facts.first.map(|at| at.to_string()).as_deref(), Some("2026-11-24T05:10:07.25Z"));
        let zoned = TimeForm::new("%Y-%m-%dT%H:%M:%S%z").expect("a form");
        assert_eq!(zoned.read(b"1970-01-01T01:00:01+0100"), Some(1_000_000_000));
        for bad in ["", "%H:%M", "%Q", "today"] {
            assert!(TimeForm::new(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn what_a_kind_says_of_text_takes_nothing_from_other_formats() {
        let (format, facts) = read(columns(), "(1436509052.249713) can0 044#2A366C2BBA\n");
        assert_eq!((format.as_str(), facts.frames), ("candump", 1));
        let (format, facts) = read(columns(), "timestamp,id,data\n1436509052.249713,044,2A\n");
        assert_eq!((format.as_str(), facts.frames), ("csv", 1));
    }
}
