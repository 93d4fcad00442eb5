//! Reads values out of a TOML table by name and type, notes what does not fit, and goes on.
//!
//! A key is known because somebody asked for it; [`Table::finish`] notes every other one. A getter
//! that notes an error gives the default, since a pair with an error is never used.

use std::fmt::Write as _;
use std::ops::RangeInclusive;
use std::sync::LazyLock;
use std::time::Duration;

use jiff::civil::{Date, Time};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::calendar;
use super::notes::{At, Draft, Notes, Spot, Which};
use super::units;

/// The candidate that a word was most likely meant to be.
pub(super) fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let word = word.to_lowercase();
    let allowed = (word.chars().count() / 3).max(1);
    candidates
        .into_iter()
        .map(|c| (strsim::osa_distance(&word, &c.to_lowercase()), c))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, c)| c)
}

/// What a value of a key that is only refused must look like.
#[derive(Debug, Clone, Copy)]
pub(super) enum Shape {
    Text,
    Texts,
    Flag,
    Size,
    Span,
    Rate,
    Percent,
    /// A TOML date, time or both, or the text of one.
    Date,
    /// A table with these keys.
    Table(Keys),
    /// A list of such tables.
    Tables(Keys),
}

/// The keys of a table that is only refused.
pub(super) type Keys = &'static [(&'static str, Shape)];

/// A read value, to be compared with a default.
#[derive(Debug, PartialEq)]
enum Read {
    Text(String),
    Flag(bool),
    Number(u64),
    Span(Duration),
    List(Vec<Read>),
    Table,
}

/// One value of a table.
#[derive(Debug, Clone, Copy)]
pub(super) struct Item<'d> {
    notes: &'d Notes,
    /// As messages call it.
    key: &'static str,
    pub key_spot: Spot,
    pub spot: Spot,
    pub value: &'d DeValue<'d>,
}

fn kind_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

impl<'d> Item<'d> {
    fn wants<T>(&self, what: &str, example: &str) -> Option<T> {
        let message = format!("`{}` wants {what}, not {}", self.key, kind_of(self.value));
        self.notes.push(Draft::error(self.spot, message).help(format!("write {} = {example}", self.key)));
        None
    }

    /// A text in quotes.
    pub fn text(&self) -> Option<At<&'d str>> {
        match self.value {
            DeValue::String(text) => Some(At { value: text.as_ref(), spot: self.spot }),
            _ => self.wants("a text", "\"...\""),
        }
    }

    fn parsed<T>(&self, what: &str, example: &str, parse: fn(&str) -> Result<T, String>) -> Option<T> {
        let DeValue::String(text) = self.value else { return self.wants(what, example) };
        let refuse = |help| {
            let message = format!("`{}` wants {what}, not \"{text}\"", self.key);
            self.notes.push(Draft::error(self.spot, message).help(help));
        };
        parse(text).map_err(refuse).ok()
    }

    fn flag(&self) -> Option<bool> {
        self.value.as_bool().or_else(|| self.wants("true or false", "true"))
    }

    /// A whole number, `what` being what is wanted, `example` like it.
    pub fn number(&self, what: &str, example: &str) -> Option<u64> {
        let DeValue::Integer(number) = self.value else { return self.wants(what, example) };
        let parsed = u64::from_str_radix(number.as_str(), number.radix());
        let refuse = |_| {
            let message = format!("`{}` wants a whole number that is not negative", self.key);
            self.notes.push(Draft::error(self.spot, message));
        };
        parsed.map_err(refuse).ok()
    }

    /// The items of a list.
    pub fn list(&self) -> Option<Vec<Item<'d>>> {
        let DeValue::Array(items) = self.value else { return self.wants("a list", "[\"...\"]") };
        let item = |value: &'d Spanned<DeValue<'d>>| Item {
            spot: Spot::new(self.spot.which, value.span()),
            value: value.get_ref(),
            ..*self
        };
        Some(items.iter().map(item).collect())
    }

    /// A list of texts.
    pub fn texts(&self) -> Option<Vec<At<&'d str>>> {
        self.list()?.iter().map(Item::text).collect()
    }

    fn clock(&self) -> Option<Time> {
        if let DeValue::Datetime(at) = self.value
            && let (None, Some(time), None) = (at.date, at.time, at.offset)
        {
            return Time::new(time.hour.try_into().ok()?, time.minute.try_into().ok()?, 0, 0).ok();
        }
        self.parsed("a clock time", "\"12:00\"", units::clock)
    }

    /// A TOML date, or the text of one.
    fn day(&self) -> Option<Date> {
        if let DeValue::Datetime(at) = self.value
            && let (Some(date), None, None) = (at.date, at.time, at.offset)
        {
            let (year, month, day) =
                (date.year.try_into().ok()?, date.month.try_into().ok()?, date.day.try_into().ok()?);
            return Date::new(year, month, day).ok();
        }
        self.parsed("a date", "[\"2026-12-24\"]", calendar::day)
    }

    fn date(&self) -> Option<Read> {
        let fits = |text: &str| {
            let parsed = text.parse::<toml::value::Datetime>();
            parsed.map(|_| text.to_owned()).map_err(|_| "write a date, like 2026-10-01".to_owned())
        };
        match self.value {
            DeValue::Datetime(at) => Some(Read::Text(at.to_string())),
            DeValue::String(text) if fits(text).is_ok() => Some(Read::Text(text.to_string())),
            _ => self.wants("a date", "\"2026-10-01\""),
        }
    }

    fn read(&self, shape: Shape) -> Option<Read> {
        let all = |shape| self.list()?.iter().map(|i| i.read(shape)).collect::<Option<_>>().map(Read::List);
        match shape {
            Shape::Text => self.text().map(|t| Read::Text(t.value.to_owned())),
            Shape::Texts => all(Shape::Text),
            Shape::Flag => self.flag().map(Read::Flag),
            Shape::Size => self.parsed("a size", "\"10 GB\"", units::size).map(Read::Number),
            Shape::Span => self.parsed("a time with its unit", "\"7d\"", units::span).map(Read::Span),
            Shape::Rate => self.parsed("a rate", "\"60 Mbit/s\"", units::rate).map(Read::Number),
            Shape::Percent => self.parsed("a share", "\"50%\"", units::percent).map(Read::Number),
            Shape::Date => self.date(),
            Shape::Table(keys) => {
                let DeValue::Table(map) = self.value else { return self.wants("a table", "{ ... }") };
                let name = format!("`{}`", self.key);
                let mut table = Table { notes: self.notes, name, spot: self.spot, map, asked: Vec::new() };
                for (key, shape) in keys {
                    table.item(key).and_then(|item| item.read(*shape));
                }
                table.finish(|_| None);
                Some(Read::Table)
            }
            Shape::Tables(keys) => all(Shape::Table(keys)),
        }
    }
}

/// One table that is being read.
#[derive(Debug)]
pub(super) struct Table<'d> {
    notes: &'d Notes,
    /// As messages call it: `[depot]`.
    pub name: String,
    /// Its header.
    pub spot: Spot,
    map: &'d DeTable<'d>,
    asked: Vec<&'static str>,
}

impl<'d> Table<'d> {
    /// A file's outermost table.
    pub fn root(notes: &'d Notes, which: Which, name: &str, map: &'d DeTable<'d>) -> Self {
        Self { notes, name: name.to_owned(), spot: Spot::file(which), map, asked: Vec::new() }
    }

    /// A table that is not there, so that its defaults stand in one place.
    pub fn absent(notes: &'d Notes, name: &str) -> Self {
        static NOTHING: LazyLock<DeTable<'static>> = LazyLock::new(DeTable::new);
        Self::root(notes, Which::Depot, name, &NOTHING)
    }

    pub fn push(&self, draft: Draft) {
        self.notes.push(draft);
    }

    /// The value of a key, which is known from now on.
    pub fn item(&mut self, key: &'static str) -> Option<Item<'d>> {
        self.asked.push(key);
        let (found, value) = self.map.get_key_value(key)?;
        Some(Item {
            notes: self.notes,
            key,
            key_spot: Spot::new(self.spot.which, found.span()),
            spot: Spot::new(self.spot.which, value.span()),
            value: value.get_ref(),
        })
    }

    fn inner(&self, item: &Item<'d>, name: String) -> Option<Table<'d>> {
        let map = item.value.as_table()?;
        Some(Table { notes: self.notes, name, spot: item.spot, map, asked: Vec::new() })
    }

    /// A table that may stand once.
    pub fn table(&mut self, key: &'static str, name: &str) -> Option<Table<'d>> {
        let item = self.item(key)?;
        self.inner(&item, name.to_owned()).or_else(|| {
            let message = format!("`{key}` is one table");
            self.push(Draft::error(item.key_spot, message).help(format!("write {name}, once")));
            None
        })
    }

    /// Tables that may stand several times. One with single brackets is noted, and read.
    pub fn tables(&mut self, key: &'static str) -> Vec<Table<'d>> {
        let Some(item) = self.item(key) else { return Vec::new() };
        let items = match item.value {
            DeValue::Array(_) => item.list().unwrap_or_default(),
            _ => vec![item],
        };
        let tables: Vec<_> = items.iter().filter_map(|i| self.inner(i, format!("[[{key}]]"))).collect();
        if tables.len() != items.len() || !item.value.is_array() {
            let message = format!("`{key}` is a list of tables");
            let help = format!("write [[{key}]] with two brackets before each of them");
            self.push(Draft::error(item.key_spot, message).help(help));
        }
        tables
    }

    /// Tables with names of their own: `[kind.wifi]`.
    pub fn named(&mut self, key: &'static str) -> Vec<(At<&'d str>, Table<'d>)> {
        let Some(outer) = self.table(key, &format!("[{key}.NAME]")) else { return Vec::new() };
        let mut all = Vec::new();
        for (name, value) in outer.map {
            let spot = Spot::new(self.spot.which, name.span());
            let Some(map) = value.get_ref().as_table() else {
                let message = format!("`{}` stands outside of a named table", name.get_ref());
                self.push(Draft::error(spot, message).help(format!("write it below [{key}.NAME]")));
                continue;
            };
            let table = Table {
                notes: self.notes,
                name: format!("[{key}.{}]", name.get_ref()),
                spot: Spot::new(self.spot.which, value.span()),
                map,
                asked: Vec::new(),
            };
            all.push((At { value: name.get_ref().as_ref(), spot }, table));
        }
        all.sort_by_key(|(name, _)| name.spot.start);
        all
    }

    /// Whether a key stands there, known or not.
    pub fn has(&self, key: &str) -> bool {
        self.map.contains_key(key)
    }

    /// Where the value of a key stands.
    pub fn spot_of(&self, key: &str) -> Option<Spot> {
        self.map.get(key).map(|value| Spot::new(self.spot.which, value.span()))
    }

    pub fn text(&mut self, key: &'static str) -> Option<At<&'d str>> {
        self.item(key)?.text()
    }

    /// A text that must be there, `like` being an example with quotes.
    pub fn needed(&mut self, key: &'static str, like: &str) -> Option<At<&'d str>> {
        let item = self.item(key);
        if item.is_none() {
            let message = format!("{} has no `{key}`", self.name);
            self.push(Draft::error(self.spot, message).help(format!("add {key} = {like}")).absence());
        }
        item?.text()
    }

    pub fn flag(&mut self, key: &'static str, default: bool) -> bool {
        self.item(key).and_then(|i| i.flag()).unwrap_or(default)
    }

    pub fn number(&mut self, key: &'static str, within: RangeInclusive<u64>) -> Option<u64> {
        let item = self.item(key)?;
        self.bounded(&item, item.number("a whole number", "4")?, within, |n| n.to_string())
    }

    pub fn size(&mut self, key: &'static str, within: RangeInclusive<u64>) -> Option<u64> {
        let item = self.item(key)?;
        let size = item.parsed("a size", "\"200 GB\"", units::size)?;
        self.bounded(&item, size, within, units::size_text)
    }

    pub fn span(
        &mut self,
        key: &'static str,
        default: Duration,
        within: RangeInclusive<Duration>,
    ) -> Duration {
        let item = self.item(key);
        let read = |item: Item<'d>| {
            let span = item.parsed("a time with its unit", "\"20s\"", units::span)?;
            self.bounded(&item, span, within, units::span_text)
        };
        item.and_then(read).unwrap_or(default)
    }

    /// A text with a form of its own.
    pub fn parsed<T>(
        &mut self,
        key: &'static str,
        what: &str,
        example: &str,
        parse: fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        self.item(key)?.parsed(what, example, parse)
    }

    /// A list of such texts.
    pub fn parsed_list<T>(
        &mut self,
        key: &'static str,
        what: &str,
        example: &str,
        parse: fn(&str) -> Result<T, String>,
    ) -> Vec<T> {
        let items = self.item(key).and_then(|item| item.list()).unwrap_or_default();
        items.iter().filter_map(|item| item.parsed(what, example, parse)).collect()
    }

    /// A list of dates.
    pub fn days(&mut self, key: &'static str) -> Vec<Date> {
        let items = self.item(key).and_then(|item| item.list()).unwrap_or_default();
        items.iter().filter_map(Item::day).collect()
    }

    pub fn clock(&mut self, key: &'static str) -> Option<Time> {
        self.item(key)?.clock()
    }

    /// Clock times, in their order and each once; at least one.
    pub fn clocks(&mut self, key: &'static str, example: &str) -> Option<Vec<Time>> {
        let item = self.item(key)?;
        let mut all: Vec<Time> = item.list()?.iter().map(Item::clock).collect::<Option<_>>()?;
        if all.is_empty() {
            let draft = Draft::error(item.spot, format!("`{key}` wants one clock time or several"));
            self.push(draft.help(format!("write {key} = {example}, or take the line out")));
            return None;
        }
        all.sort();
        all.dedup();
        Some(all)
    }

    fn bounded<T: PartialOrd + Copy>(
        &self,
        item: &Item<'d>,
        value: T,
        within: RangeInclusive<T>,
        show: fn(T) -> String,
    ) -> Option<T> {
        if within.contains(&value) {
            return Some(value);
        }
        let (far, help) = match value < *within.start() {
            true => ("small", format!("write {} or more", show(*within.start()))),
            false => ("large", format!("write {} or less", show(*within.end()))),
        };
        self.push(Draft::error(item.spot, format!("`{}` is too {far}", item.key)).help(help));
        None
    }

    /// One word out of several.
    pub fn choice<T: Copy>(&mut self, key: &'static str, words: &[(&str, T)], default: T) -> T {
        let Some(text) = self.text(key) else { return default };
        if let Some((_, value)) = words.iter().find(|(word, _)| *word == text.value) {
            return *value;
        }
        self.push(no_such(text.spot, key, text.value, words.iter().map(|(word, _)| *word)));
        default
    }

    /// A key of a feature that this version lacks.
    pub fn refused(&mut self, key: &'static str, shape: Shape) {
        self.refuse(key, shape, None);
    }

    /// A key of which this version has its default alone, given as TOML.
    pub fn only(&mut self, key: &'static str, shape: Shape, default: &str) {
        self.refuse(key, shape, Some(default));
    }

    fn refuse(&mut self, key: &'static str, shape: Shape, default: Option<&str>) {
        let Some(item) = self.item(key) else { return };
        let Some(read) = item.read(shape) else { return };
        let nothing = Notes::default();
        let same = default.and_then(|text| DeValue::parse(text).ok()).is_some_and(|value| {
            let (key_spot, spot) = (item.key_spot, item.spot);
            let default = Item { notes: &nothing, key, key_spot, spot, value: value.get_ref() };
            default.read(shape) == Some(read)
        });
        if same {
            return;
        }
        let outer = self.name.trim_matches(['[', ']']);
        let root = outer == self.name;
        let (name, help) = match (shape, default) {
            (Shape::Table(_), _) if root => (format!("[{key}]"), "take the table out".to_owned()),
            (Shape::Table(_), _) => (format!("[{outer}.{key}]"), "take the table out".to_owned()),
            (Shape::Tables(_), _) if root => (format!("[[{key}]]"), "take these tables out".to_owned()),
            (_, Some(default)) => (key.to_owned(), format!("take the line out, or write {key} = {default}")),
            (_, None) => (key.to_owned(), "take the line out".to_owned()),
        };
        self.push(Draft::error(item.key_spot, format!("`{name}` {UNSUPPORTED}")).help(help));
    }

    /// Notes every key that nobody asked for; `elsewhere` knows where a key belongs.
    pub fn finish(self, elsewhere: impl Fn(&str) -> Option<String>) {
        for (key, _) in self.map.iter().filter(|(key, _)| !self.asked.contains(&key.get_ref().as_ref())) {
            let name = key.get_ref();
            let spot = Spot::new(self.spot.which, key.span());
            let message = format!("unknown key `{name}` in {}", self.name);
            let help = match nearest(name, self.asked.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => elsewhere(name).unwrap_or_else(|| known(&self.asked)),
            };
            self.push(Draft::error(spot, message).help(help));
        }
    }
}

/// How a refusal ends.
pub(super) const UNSUPPORTED: &str = "is not supported by this version of Yarder";

/// A word that is none of those that may stand there.
pub(super) fn no_such<'c>(
    spot: Spot,
    key: &str,
    word: &str,
    words: impl Iterator<Item = &'c str> + Clone,
) -> Draft {
    let mut all = String::new();
    for (nth, word) in words.clone().enumerate() {
        let _ = write!(all, "{}\"{word}\"", if nth == 0 { "" } else { ", " });
    }
    let help = match nearest(word, words) {
        Some(near) => format!("did you mean \"{near}\"? `{key}` takes {all}"),
        None => format!("`{key}` takes {all}"),
    };
    Draft::error(spot, format!("`{key}` does not take \"{word}\"")).help(help)
}

fn known(keys: &[&str]) -> String {
    // Behind `  = help: `, and its like on the lines that follow, 80 columns remain.
    let mut text = "the keys here are".to_owned();
    let mut width = text.len();
    for (nth, key) in keys.iter().enumerate() {
        let word = if nth + 1 < keys.len() { format!("{key},") } else { (*key).to_owned() };
        let fits = width + 1 + word.len() <= 66;
        width = if fits { width + 1 } else { 0 } + word.len();
        text.push(if fits { ' ' } else { '\n' });
        text.push_str(&word);
    }
    text
}
