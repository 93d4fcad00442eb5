//! What a kind says of the content of its files: the columns of text, and from when on something is told of it.

use std::sync::Arc;
use std::time::Duration;

use super::Limits;
use super::depot::DAY;
use super::notes::{Draft, Notes};
use super::raw::Table;
use super::units;
use crate::inspect::Known;
use crate::inspect::columns::{Columns, Place, TimeAs, TimeForm};

/// The columns of a line at most.
const COLUMNS: u64 = 96;
const SECOND: Duration = Duration::from_secs(1);

/// Reads `bit_rate` and `[kind.NAME.csv]`.
pub(super) fn known(table: &mut Table<'_>) -> Known {
    let bit_rate = table.number("bit_rate", 5_000..=20_000_000).and_then(|rate| u32::try_from(rate).ok());
    let name = format!("[{}.csv]", table.name.trim_matches(['[', ']']));
    let columns = table.table("csv", &name).and_then(columns).map(Arc::new);
    Known { bit_rate, columns }
}

fn columns(mut table: Table<'_>) -> Option<Columns> {
    let header = table.number("header", 0..=32).unwrap_or(1);
    let mut places = Places { named: header > 0, taken: Vec::new() };
    let time = places.needed(&mut table, "time", "\"Time\", the column of the time");
    let id = places.needed(&mut table, "id", "\"ID\", the column of the identifier");
    let data = places.data(&mut table);
    let bus = places.one(&mut table, "bus");
    let length = places.one(&mut table, "length");
    let delimiter = delimiter(&mut table);
    let times = times(&mut table);
    let decimal_ids = table.choice("id_form", &[("hex", false), ("decimal", true)], false);
    table.finish(|_| None);
    Some(Columns { time: time?, id: id?, data: data?, bus, length, header, delimiter, times, decimal_ids })
}

/// The columns that are spoken for.
struct Places {
    /// Whether a line names them.
    named: bool,
    taken: Vec<(Place, &'static str)>,
}

impl Places {
    fn needed(&mut self, table: &mut Table<'_>, key: &'static str, like: &str) -> Option<Place> {
        if !table.has(key) {
            let message = format!("{} has no `{key}`", table.name);
            table.push(Draft::error(table.spot, message).help(format!("add {key} = {like}")).absence());
        }
        self.one(table, key)
    }

    fn one(&mut self, table: &mut Table<'_>, key: &'static str) -> Option<Place> {
        let item = table.item(key)?;
        self.place(table, key, &item)
    }

    /// One column, or one for each byte.
    fn data(&mut self, table: &mut Table<'_>) -> Option<Vec<Place>> {
        let Some(item) = table.item("data").filter(|item| item.value.is_array()) else {
            let like = "\"Data\", the column of the payload, or a list of columns of one byte each";
            return self.needed(table, "data", like).map(|place| vec![place]);
        };
        let bytes = item.list()?;
        if bytes.is_empty() || bytes.len() > 64 {
            let draft = Draft::error(item.spot, "`data` wants 1 to 64 columns");
            table.push(draft.help("write data = [\"D0\", \"D1\", ...], one column a byte"));
            return None;
        }
        bytes.iter().map(|byte| self.place(table, "data", byte)).collect()
    }

    fn place(&mut self, table: &Table<'_>, key: &'static str, item: &super::raw::Item<'_>) -> Option<Place> {
        let refuse = |message: String, help: String| {
            table.push(Draft::error(item.spot, message).help(help));
            None
        };
        let place = match item.value.as_str() {
            Some(_) if !self.named => {
                let help = "write its number, counted from 1, or the line of the names as `header`";
                return refuse(format!("`{key}` is a name, and no line names the columns"), help.to_owned());
            }
            Some("") => {
                return refuse(format!("`{key}` is empty"), "write the name of a column".to_owned());
            }
            Some(name) => Place::Name(name.to_owned()),
            None => {
                let number = item.number("the name of a column or its number", "\"Time\"")?;
                if !(1..=COLUMNS).contains(&number) {
                    let help = format!("columns are counted from 1; there are {COLUMNS} at most");
                    return refuse(format!("`{key}` is no column"), help);
                }
                Place::Number(usize::try_from(number).ok()?)
            }
        };
        if let Some((_, other)) = self.taken.iter().find(|(taken, _)| *taken == place) {
            let help = "give each part of a frame a column of its own".to_owned();
            return refuse(format!("`{key}` and `{other}` are one column"), help);
        }
        self.taken.push((place.clone(), key));
        Some(place)
    }
}

fn delimiter(table: &mut Table<'_>) -> u8 {
    let Some(at) = table.text("delimiter") else { return b',' };
    match at.value.as_bytes() {
        [one] if !one.is_ascii_alphanumeric() && !matches!(one, b'\n' | b'\r' | b'"' | b'.' | b'-') => *one,
        _ => {
            let message = format!("`delimiter` does not take {:?}", at.value);
            let help = "write the one sign that stands between two fields: \",\", \";\" or \"\\t\"";
            table.push(Draft::error(at.spot, message).help(help));
            b','
        }
    }
}

fn times(table: &mut Table<'_>) -> TimeAs {
    let nanoseconds = |n| TimeAs::Unit(n);
    let units =
        [("s", 1_000_000_000), ("ms", 1_000_000), ("us", 1_000), ("ns", 1)].map(|(unit, n)| (unit, Some(n)));
    let unit = table.choice("time_unit", &units, None);
    let Some(at) = table.text("time_format") else { return unit.map_or(TimeAs::Open, nanoseconds) };
    if let Some(spot) = table.spot_of("time_unit") {
        let draft = Draft::error(at.spot, "times have a `time_format` or a `time_unit`");
        table.push(draft.help("keep one of them").also(spot, "the other one"));
    }
    match TimeForm::new(at.value) {
        Ok(form) => TimeAs::Form(Arc::new(form)),
        Err(why) => {
            let message = format!("`time_format` does not take \"{}\": {why}", at.value);
            let help = "write it as for strftime, like \"%d.%m.%Y %H:%M:%S%.f\"; %z is a zone";
            table.push(Draft::error(at.spot, message).help(help));
            TimeAs::Open
        }
    }
}

/// Reads `[kind.NAME.limits]`.
pub(super) fn limits(notes: &Notes, table: &mut Table<'_>) -> Limits {
    let name = format!("[{}.limits]", table.name.trim_matches(['[', ']']));
    let mut table = table.table("limits", &name).unwrap_or_else(|| Table::absent(notes, &name));
    let default = Limits::default();
    let mut span =
        |key, default: f64, within| table.span(key, Duration::from_secs_f64(default), within).as_secs_f64();
    let gap_s = span("gap", default.gap_s, SECOND..=DAY);
    let unlogged_h = span("unlogged", default.unlogged_h * 3_600.0, 60 * SECOND..=30 * DAY) / 3_600.0;
    let clock_off_s = span("clock_off", default.clock_off_s, SECOND..=DAY);
    let clock_future_s = span("clock_ahead", default.clock_future_s, 60 * SECOND..=30 * DAY);
    let clock_drift_s = span("clock_drift", default.clock_drift_s, SECOND / 10..=DAY);
    let card_days = span("card_full", default.card_days * 86_400.0, Duration::ZERO..=365 * DAY) / 86_400.0;
    let unlogged_km = table.number("unlogged_km", 1..=1_000).map_or(default.unlogged_km, |km| km as f64);
    let mut share = |key, default: f64| {
        let tenths = table.parsed(key, "a share", "\"50%\"", units::percent);
        tenths.map_or(default, |tenths| tenths as f64 / 1_000.0)
    };
    let bus_silent = share("bus_silent", default.bus_silent);
    let bus_load = share("bus_load", default.bus_load);
    let dropped = share("frames_lost", default.dropped);
    table.finish(|_| None);
    Limits {
        gap_s,
        unlogged_km,
        unlogged_h,
        clock_off_s,
        clock_future_s,
        clock_drift_s,
        card_days,
        bus_silent,
        bus_load,
        dropped,
    }
}
