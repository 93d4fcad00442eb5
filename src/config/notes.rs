//! Collects problems while a pair is checked, and turns them into [`Problems`] at the end.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;

use toml::Spanned;
use toml::de::DeTable;

use super::mask;
use super::pair::Source;
use super::problem::{Place, Problem, Problems, Severity};

/// Which file of the pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Which {
    Depot,
    Vehicles,
}

/// Bytes of one of the files; an empty range is the file as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Spot {
    pub which: Which,
    pub start: usize,
    pub end: usize,
}

impl Spot {
    pub fn new(which: Which, range: Range<usize>) -> Self {
        Self { which, start: range.start, end: range.end }
    }

    pub fn file(which: Which) -> Self {
        Self { which, start: 0, end: 0 }
    }
}

/// A value and where it stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct At<T> {
    pub value: T,
    pub spot: Spot,
}

impl<T> At<T> {
    pub fn map<U>(self, f: impl FnOnce(T) -> U) -> At<U> {
        At { value: f(self.value), spot: self.spot }
    }
}

/// A problem whose places are not looked up yet.
#[derive(Debug)]
pub(super) struct Draft {
    severity: Severity,
    message: String,
    help: Option<String>,
    spots: Vec<(Spot, String)>,
    absence: bool,
    syntax: bool,
}

impl Draft {
    pub fn error(spot: Spot, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            message: message.into(),
            help: None,
            spots: vec![(spot, String::new())],
            absence: false,
            syntax: false,
        }
    }

    pub fn warning(spot: Spot, message: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, ..Self::error(spot, message) }
    }

    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    pub fn also(mut self, spot: Spot, label: &str) -> Self {
        self.spots.push((spot, label.to_owned()));
        self
    }

    /// It is about something that is not there, which a file with syntax errors does not prove.
    pub fn absence(mut self) -> Self {
        self.absence = true;
        self
    }
}

/// The problems so far.
#[derive(Debug, Default)]
pub(super) struct Notes(RefCell<Vec<Draft>>);

impl Notes {
    pub fn push(&self, draft: Draft) {
        self.0.borrow_mut().push(draft);
    }

    /// All of them in the order of the files, with their lines cut out.
    pub fn finish(self, docs: &[Doc<'_>]) -> Problems {
        let mut drafts = self.0.into_inner();
        let broken = docs.iter().any(|doc| !doc.whole);
        let of = |spot: Spot| docs.iter().find(|doc| doc.which == spot.which);
        let line = |spot: Spot| of(spot).map(|doc| (doc.which, doc.line(spot.start).0));
        let lost: BTreeSet<_> =
            drafts.iter().filter(|d| d.syntax).filter_map(|d| line(d.spots.first()?.0)).collect();
        // What follows from a syntax error, or may, is told once the error is mended.
        drafts.retain(|d| {
            let here = d.spots.first().and_then(|(spot, _)| line(*spot));
            d.syntax || !(broken && d.absence || here.is_some_and(|line| lost.contains(&line)))
        });
        drafts.sort_by_key(|d| d.spots.first().map(|(spot, _)| (spot.which, spot.start)));
        let place = |(spot, label)| of(spot).map(|doc| doc.place(spot, label));
        let cut = |draft: Draft| Problem {
            severity: draft.severity,
            message: draft.message,
            help: draft.help,
            places: draft.spots.into_iter().filter_map(place).collect(),
        };
        Problems(drafts.into_iter().map(cut).collect())
    }
}

/// One file, parsed as far as it goes.
#[derive(Debug)]
pub(super) struct Doc<'s> {
    pub which: Which,
    pub source: &'s Source,
    pub table: Spanned<DeTable<'s>>,
    /// Whether it had no syntax error.
    whole: bool,
    lines: Vec<usize>,
    secrets: Vec<Range<usize>>,
}

impl<'s> Doc<'s> {
    /// Parses; syntax errors go to the notes, at most one a line.
    pub fn parse(which: Which, source: &'s Source, notes: &Notes) -> Self {
        let text = source.text.as_str();
        let (table, errors) = DeTable::parse_recoverable(text);
        let lines = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        let secrets = mask::secrets(text, table.get_ref(), errors.is_empty());
        let doc = Self { which, source, table, whole: errors.is_empty(), lines, secrets };
        let mut told = BTreeSet::new();
        for error in errors {
            let at = error.span().unwrap_or(text.len()..text.len());
            if told.insert(doc.line(at.start).0) {
                let (message, help) = plain_words(error.message());
                notes.push(Draft { syntax: true, ..Draft::error(Spot::new(which, at), message).help(help) });
            }
        }
        doc
    }

    /// The number of the line, from 0, that a byte lies in, and the line's bytes.
    fn line(&self, at: usize) -> (usize, Range<usize>) {
        let nth = self.lines.partition_point(|start| *start <= at).saturating_sub(1);
        let start = self.lines.get(nth).copied().unwrap_or(0);
        let text = self.source.text.get(start..).unwrap_or_default();
        let line = text.split('\n').next().unwrap_or_default();
        (nth, start..start + line.trim_end_matches('\r').len())
    }

    fn place(&self, spot: Spot, label: String) -> Place {
        let file = self.source.name.clone();
        if spot == Spot::file(self.which) {
            return Place { file, at: None, excerpt: String::new(), underlined: 0..0, label };
        }
        let (nth, line) = self.line(spot.start);
        let before = self.source.text.get(line.start..spot.start.min(line.end)).unwrap_or_default();
        let column = before.chars().count() + 1;
        let (excerpt, underlined) =
            mask::shown(&self.source.text, line, spot.start..spot.end.max(spot.start), &self.secrets);
        Place { file, at: Some((nth + 1, column)), excerpt, underlined, label }
    }
}

/// A syntax error in plain words, and what usually mends it.
fn plain_words(parser: &str) -> (String, &'static str) {
    if parser.contains("duplicate") {
        ("this stands twice".to_owned(), "take one of them out")
    } else if parser.ends_with("string, expected `\"`") || parser.ends_with("string, expected `'`") {
        let help = "end the text with the quote that it began with, on the same line";
        ("a text without its closing quote".to_owned(), help)
    } else {
        let help = "write key = value; texts stand in quotes, like name = \"north-yard\"";
        (format!("this is no TOML: {parser}"), help)
    }
}
