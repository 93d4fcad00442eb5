//! Index pages in HTML: a pass over the tokens, without a tree.
//!
//! What is kept while a page streams by is bounded: its entries, one open row, and a few words.

use std::cell::{Cell, RefCell};

use bytes::Bytes;
use html5ever::TokenizerResult;
use html5ever::tendril::StrTendril;
use html5ever::tokenizer::states::RawKind;
use html5ever::tokenizer::{
    BufferQueue, StartTag, Tag, Token, TokenSink, TokenSinkResult, Tokenizer, TokenizerOpts,
};

use super::page::{Entry, Href, Page, PageError, Reading, classify, listed_size, title};
use crate::link::time::parse_listed_time;
use crate::model::{ListedSize, ListedTime};

/// Bytes that one tag or comment may have.
const MAX_TOKEN: usize = 64 * 1024;
/// Bytes given to the tokenizer at a time.
const SLICE: usize = 16 * 1024;
/// Characters kept of a title, a heading, a page's first words, a row's text.
pub(super) const MAX_TEXT: usize = 256;
/// Bytes beyond ASCII travel through the tokenizer, which knows text alone, as these characters of
/// the private use area, so that names in any encoding come out byte for byte.
const RAW: u32 = 0xF700;

/// The dialects that are known by their form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Dialect {
    Nginx,
    ApachePlain,
    ApacheFancy,
    ApacheTable,
    Lighttpd,
    Python,
    /// Any other server's page that is nothing but links to what lies in the folder.
    Anchors,
}

impl Dialect {
    fn name(self) -> &'static str {
        match self {
            Dialect::Nginx => "nginx html",
            Dialect::ApachePlain => "Apache plain",
            Dialect::ApacheFancy => "Apache fancy",
            Dialect::ApacheTable => "Apache table",
            Dialect::Lighttpd => "lighttpd",
            Dialect::Python => "Python http.server",
            Dialect::Anchors => "plain links",
        }
    }
}

/// Reads a page.
pub(super) fn parse(chunks: &[Bytes], reading: &Reading<'_>) -> Result<Page, PageError> {
    let sink = Sink { scan: RefCell::new(Scan::new(reading)), moved: Cell::new(false) };
    let tokenizer = Tokenizer::new(sink, TokenizerOpts::default());
    let input = BufferQueue::default();
    let mut since = 0;
    for slice in chunks.iter().flat_map(|chunk| chunk.chunks(SLICE)) {
        input.push_back(to_text(slice));
        while !matches!(tokenizer.feed(&input), TokenizerResult::Done) {}
        since = if tokenizer.sink.moved.take() { 0 } else { since + slice.len() };
        if since > MAX_TOKEN {
            return Err(PageError::NotAListing("a tag or comment without end".to_owned()));
        }
    }
    tokenizer.end();
    tokenizer.sink.scan.into_inner().finish()
}

fn to_text(bytes: &[u8]) -> StrTendril {
    let plain = |b: u8| b.is_ascii() && b != 0;
    match std::str::from_utf8(bytes) {
        Ok(text) if bytes.iter().all(|b| plain(*b)) => StrTendril::from_slice(text),
        _ => {
            let mapped = bytes.iter().map(|b| if plain(*b) { char::from(*b) } else { raw(*b) });
            StrTendril::from_slice(&mapped.collect::<String>())
        }
    }
}

fn raw(byte: u8) -> char {
    char::from_u32(RAW + u32::from(byte)).unwrap_or(char::REPLACEMENT_CHARACTER)
}

/// The reverse of [`to_text`], for what character references have become part of.
fn to_bytes(text: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    for c in text.chars() {
        match u32::from(c).checked_sub(RAW).and_then(|raw| u8::try_from(raw).ok()) {
            Some(byte) => out.push(byte),
            None => out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes()),
        }
    }
    out
}

fn shown(text: &str) -> String {
    title(&String::from_utf8_lossy(&to_bytes(text)))
}

struct Sink<'a> {
    scan: RefCell<Scan<'a>>,
    /// Whether a token came since this was last asked.
    moved: Cell<bool>,
}

impl TokenSink for Sink<'_> {
    type Handle = ();

    fn process_token(&self, token: Token, _line: u64) -> TokenSinkResult<()> {
        self.moved.set(true);
        let mut scan = self.scan.borrow_mut();
        match token {
            Token::TagToken(tag) if tag.kind == StartTag => return scan.start(&tag),
            Token::TagToken(tag) => scan.end(&tag.name),
            Token::CharacterTokens(text) => scan.text(&text),
            _ => {}
        }
        TokenSinkResult::Continue
    }
}

/// What encloses the entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Container {
    Pre,
    List,
    Table,
    /// A table that lighttpd labels.
    Labelled,
}

/// Where text goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Into {
    Page,
    Title,
    Heading,
    /// A script or style sheet.
    Nothing,
}

struct Row {
    name: Vec<u8>,
    folder: bool,
    tail: String,
}

struct Scan<'a> {
    reading: &'a Reading<'a>,
    title: String,
    heading: String,
    words: String,
    into: Into,
    container: Option<Container>,
    sorts: bool,
    parent_first: Option<bool>,
    foreign: bool,
    asks: bool,
    /// Text of the row before its link.
    lead: String,
    row: Option<Row>,
    in_link: bool,
    entries: Vec<Entry>,
    full: bool,
    dialect: Option<Dialect>,
    opened: bool,
    closed: bool,
}

impl<'a> Scan<'a> {
    fn new(reading: &'a Reading<'a>) -> Self {
        Self {
            reading,
            title: String::new(),
            heading: String::new(),
            words: String::new(),
            into: Into::Page,
            container: None,
            sorts: false,
            parent_first: None,
            foreign: false,
            asks: false,
            lead: String::new(),
            row: None,
            in_link: false,
            entries: Vec::new(),
            full: false,
            dialect: None,
            opened: false,
            closed: false,
        }
    }

    fn start(&mut self, tag: &Tag) -> TokenSinkResult<()> {
        let attr = |name: &str| tag.attrs.iter().find(|a| &*a.name.local == name).map(|a| &*a.value);
        match &*tag.name {
            "html" | "body" => self.opened = true,
            "title" => {
                self.into = Into::Title;
                return TokenSinkResult::RawData(RawKind::Rcdata);
            }
            "textarea" => return TokenSinkResult::RawData(RawKind::Rcdata),
            "script" => {
                self.into = Into::Nothing;
                return TokenSinkResult::RawData(RawKind::ScriptData);
            }
            "style" | "xmp" | "iframe" | "noembed" | "noframes" => {
                self.into = Into::Nothing;
                return TokenSinkResult::RawData(RawKind::Rawtext);
            }
            "h1" | "h2" => self.into = Into::Heading,
            "pre" => self.container = Some(Container::Pre),
            "ul" => self.container = Some(Container::List),
            "table" => {
                let labelled = attr("summary") == Some("Directory Listing");
                self.container = Some(if labelled { Container::Labelled } else { Container::Table });
            }
            "form" => self.asks = true,
            "input" if attr("type").is_some_and(|t| t.eq_ignore_ascii_case("password")) => self.asks = true,
            "meta" if attr("http-equiv").is_some_and(|h| h.eq_ignore_ascii_case("refresh")) => {
                self.asks = true
            }
            "tr" | "li" | "hr" | "br" | "p" => self.end_row(),
            "td" | "th" => self.push_text(" "),
            "a" => {
                if let Some(href) = attr("href") {
                    self.link(href);
                }
            }
            _ => {}
        }
        TokenSinkResult::Continue
    }

    fn end(&mut self, name: &str) {
        match name {
            "title" | "h1" | "h2" | "script" | "style" | "xmp" | "iframe" | "noembed" | "noframes" => {
                self.into = Into::Page;
            }
            "a" => self.in_link = false,
            "tr" | "li" | "pre" | "ul" | "table" | "p" => self.end_row(),
            "html" => self.closed = true,
            "body" if self.dialect == Some(Dialect::Anchors) => self.closed = true,
            _ => {}
        }
    }

    fn text(&mut self, text: &str) {
        match self.into {
            Into::Title => push(&mut self.title, text),
            Into::Heading => push(&mut self.heading, text),
            Into::Nothing => {}
            Into::Page => {
                push(&mut self.words, text);
                if self.in_link {
                    return;
                }
                if self.container != Some(Container::Pre) {
                    return self.push_text(text);
                }
                // In preformatted text a line is a row.
                for part in text.split_inclusive('\n') {
                    self.push_text(part);
                    if part.ends_with('\n') {
                        self.end_row();
                    }
                }
            }
        }
    }

    fn push_text(&mut self, text: &str) {
        push(self.row.as_mut().map_or(&mut self.lead, |row| &mut row.tail), text);
    }

    fn link(&mut self, href: &str) {
        if self.row.is_some() {
            self.end_row();
        }
        self.in_link = true;
        let href = to_bytes(href);
        let kind = classify(&href, self.reading.place);
        if self.parent_first.is_none() && kind != Href::Sort {
            self.parent_first = Some(href.trim_ascii() == b"../");
        }
        match kind {
            Href::Child { name, folder } => {
                // By the first entry everything that tells the dialects apart has gone by.
                self.dialect.get_or_insert_with(|| {
                    decide(&self.title, &self.heading, self.container, self.sorts, self.parent_first)
                });
                self.row = Some(Row { name, folder, tail: String::new() });
            }
            // Apache separates the two parts with a semicolon; other servers, whose columns are in
            // another order, with an ampersand.
            Href::Sort => self.sorts |= href.starts_with(b"?C=") && href.contains(&b';'),
            Href::Foreign => self.foreign = true,
            Href::Up | Href::Elsewhere => {}
        }
    }

    fn end_row(&mut self) {
        let lead = std::mem::take(&mut self.lead);
        self.in_link = false;
        let Some(row) = self.row.take() else { return };
        if self.entries.len() >= self.reading.max_entries {
            self.full = true;
            return;
        }
        let (size, time) = match self.dialect {
            Some(Dialect::Anchors) | None => {
                // Unknown columns are no size, but they change when the file does.
                let text = shown(&format!("{lead} {}", row.tail));
                (if text.is_empty() { ListedSize::Unknown } else { ListedSize::Rounded(text) }, None)
            }
            Some(_) => self.columns(&row.tail),
        };
        let size = if row.folder { ListedSize::Unknown } else { size };
        self.entries.push(Entry { name: row.name, folder: row.folder, size, time });
    }

    /// Date, time and size, as all known dialects order them behind the name.
    fn columns(&self, tail: &str) -> (ListedSize, Option<ListedTime>) {
        let mut words = tail.split_whitespace();
        let (first, second) = (words.next(), words.next());
        let time = first.zip(second).and_then(|(d, t)| parse_listed_time(d, t, self.reading.zone));
        (listed_size(if time.is_some() { words.next() } else { first }), time)
    }

    fn finish(mut self) -> Result<Page, PageError> {
        if self.reading.overflow {
            // The columns of the last row may be cut in the middle of a number.
            self.row = None;
        }
        self.end_row();
        let dialect = self.dialect.unwrap_or_else(|| {
            decide(&self.title, &self.heading, self.container, self.sorts, self.parent_first)
        });
        let name =
            [&self.title, &self.heading, &self.words].into_iter().map(|t| shown(t)).find(|t| !t.is_empty());
        let name = name.unwrap_or_else(|| "an empty page".to_owned());
        let titled = [&self.title, &self.heading].into_iter().any(|text| {
            let text = shown(text).to_ascii_lowercase();
            text.contains("index of") || text.contains("directory listing")
        });
        if dialect == Dialect::Anchors && (self.asks || !titled && (self.foreign || self.entries.is_empty()))
        {
            return Err(PageError::NotAListing(name));
        }
        // A page that opened no document element may leave out its end as well.
        let must_close = dialect != Dialect::Anchors || self.opened;
        if must_close && !self.closed && !self.reading.overflow {
            return Err(PageError::Cut);
        }
        Ok(Page {
            dialect: dialect.name(),
            entries: self.entries,
            sure: dialect != Dialect::Anchors || titled,
            closed: self.closed,
            partial: self.full || self.reading.overflow,
            title: name,
        })
    }
}

fn decide(
    title: &str,
    heading: &str,
    container: Option<Container>,
    sorts: bool,
    parent_first: Option<bool>,
) -> Dialect {
    let begins = |word: &str| title.trim_start().starts_with(word) || heading.trim_start().starts_with(word);
    match container {
        Some(Container::List) if begins("Directory listing for ") => Dialect::Python,
        _ if !begins("Index of ") => Dialect::Anchors,
        Some(Container::Labelled) => Dialect::Lighttpd,
        Some(Container::Table) if sorts => Dialect::ApacheTable,
        Some(Container::Pre) if !sorts && parent_first == Some(true) => Dialect::Nginx,
        Some(Container::Pre) => Dialect::ApacheFancy,
        Some(Container::List) => Dialect::ApachePlain,
        _ => Dialect::Anchors,
    }
}

fn push(into: &mut String, text: &str) {
    // A byte beyond ASCII is three of this text's: counted as such, what is kept would depend on the pieces that come.
    let room = MAX_TEXT.saturating_sub(into.chars().count());
    into.extend(text.chars().take(room));
}
