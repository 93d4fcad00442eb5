//! Problems of a configuration as people and programs read them.
//!
//! A [`Problem`] carries the lines it shows, with every secret already masked, so that nothing
//! that renders or stores one can leak a password.

use std::fmt;
use std::ops::Range;
use std::path::PathBuf;

use annotate_snippets::{AnnotationKind, Level, Origin, Renderer, Snippet};
use serde::Serialize;

/// How bad a problem is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The pair cannot be used.
    Error,
    /// The pair can be used, and somebody should look at it.
    Warning,
}

/// Where a problem lies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Place {
    /// The file, as it was named.
    pub file: PathBuf,
    /// Line and column, both from 1, the column in characters; `None` for the file as a whole.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<(usize, usize)>,
    /// The line as it stands there, secrets masked.
    #[serde(skip)]
    pub excerpt: String,
    /// The bytes of the excerpt that are underlined.
    #[serde(skip)]
    pub underlined: Range<usize>,
    /// What stands there, beside the underline; may be empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub label: String,
}

/// One thing wrong with a configuration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// How bad it is.
    pub severity: Severity,
    /// What is wrong: one sentence without an end mark.
    pub message: String,
    /// How to mend it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub help: Option<String>,
    /// Where: the place itself first, then others that it has to do with.
    pub places: Vec<Place>,
}

impl Problem {
    fn render(&self, renderer: &Renderer) -> String {
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let mut group = level.primary_title(self.message.as_str()).elements([] as [Origin<'_>; 0]);
        for (nth, place) in self.places.iter().enumerate() {
            let file = place.file.display().to_string();
            group = match place.at {
                Some((line, _)) => {
                    let kind = if nth == 0 { AnnotationKind::Primary } else { AnnotationKind::Context };
                    let label = (!place.label.is_empty()).then_some(place.label.as_str());
                    let mark = kind.span(place.underlined.clone()).label(label);
                    group.element(
                        Snippet::source(place.excerpt.as_str()).line_start(line).path(file).annotation(mark),
                    )
                }
                None => group.element(Origin::path(file)),
            };
        }
        if let Some(help) = &self.help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        renderer.render(&[group])
    }
}

/// Everything wrong with a configuration, in the order of the files.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
#[serde(transparent)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// How many forbid the use of the pair.
    pub fn errors(&self) -> usize {
        self.0.iter().filter(|p| p.severity == Severity::Error).count()
    }

    /// How many do not.
    pub fn warnings(&self) -> usize {
        self.0.len() - self.errors()
    }

    /// All of them with their lines underlined, and a last line that counts them. ASCII alone
    /// but for what the files themselves hold; `colours` adds terminal escapes.
    pub fn render(&self, colours: bool) -> String {
        let renderer = if colours { Renderer::styled() } else { Renderer::plain() };
        let mut text = String::new();
        for problem in &self.0 {
            text.push_str(&problem.render(&renderer));
            text.push_str("\n\n");
        }
        text.push_str(&self.count());
        text
    }

    fn count(&self) -> String {
        fn of(n: usize, word: &str) -> String {
            format!("{n} {word}{}", if n == 1 { "" } else { "s" })
        }
        match (self.errors(), self.warnings()) {
            (0, 0) => "no problems".to_owned(),
            (0, w) => of(w, "warning"),
            (e, 0) => of(e, "error"),
            (e, w) => format!("{}, {}", of(e, "error"), of(w, "warning")),
        }
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Problems {}
