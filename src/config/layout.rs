//! The template of an archive's locations, from its text.

use std::fmt;

use super::{Layout, LayoutField, LayoutPart};

/// Each placeholder with its name.
const FIELDS: &[(&str, LayoutField)] = &[
    ("vehicle", LayoutField::Vehicle),
    ("logger", LayoutField::Logger),
    ("depot", LayoutField::Depot),
    ("date", LayoutField::Date),
    ("year", LayoutField::Year),
    ("month", LayoutField::Month),
    ("path", LayoutField::Path),
    ("name", LayoutField::Name),
    ("sha256", LayoutField::Sha256),
];

/// Why a text is no layout.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLayout {
    /// What is wrong.
    pub message: String,
    /// How to mend it.
    pub help: String,
}

impl fmt::Display for BadLayout {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.message, self.help)
    }
}

impl std::error::Error for BadLayout {}

fn bad<T>(message: impl Into<String>, help: impl Into<String>) -> Result<T, BadLayout> {
    Err(BadLayout { message: message.into(), help: help.into() })
}

impl Layout {
    /// From its text. It must tell one file from another, stay inside the archive, and have names
    /// that Linux and Windows shares both take.
    pub fn parse(text: &str) -> Result<Self, BadLayout> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(open);
            let close = from.find('}').filter(|at| *at > 0);
            let Some(close) = close else {
                return bad("`layout` has a brace without its partner", "write placeholders like `{path}`");
            };
            if !before.is_empty() {
                parts.push(LayoutPart::Text(before.to_owned()));
            }
            parts.push(LayoutPart::Field(field(&from[1..close])?));
            rest = &from[close + 1..];
        }
        if !rest.is_empty() {
            parts.push(LayoutPart::Text(rest.to_owned()));
        }
        check_places(text)?;
        let telling = [LayoutField::Path, LayoutField::Name, LayoutField::Sha256];
        if !parts.iter().any(|p| matches!(p, LayoutPart::Field(f) if telling.contains(f))) {
            return bad(
                "`layout` gives every file of a logger the same place",
                "put `{path}`, `{name}` or `{sha256}` into it",
            );
        }
        Ok(Self(parts))
    }

    /// Whether each folder above `data/` is one vehicle's day from one depot, and so has a manifest.
    pub fn is_default(&self) -> bool {
        Self::parse(Self::DEFAULT).is_ok_and(|default| default == *self)
    }
}

fn field(name: &str) -> Result<LayoutField, BadLayout> {
    if let Some((_, field)) = FIELDS.iter().find(|(known, _)| *known == name) {
        return Ok(*field);
    }
    if name == "recorded_date" {
        return bad(
            "`{recorded_date}` in `layout` is not supported by this version of Yarder",
            "use `{date}`, the day on which the file reached the archive",
        );
    }
    let names: Vec<_> = FIELDS.iter().map(|(known, _)| *known).collect();
    let help = match super::raw::nearest(name, names.iter().copied()) {
        Some(near) => format!("did you mean `{{{near}}}`?"),
        None => format!("the placeholders are {{{}}}", names.join("} {")),
    };
    bad(format!("`{{{name}}}` is no placeholder of `layout`"), help)
}

fn check_places(text: &str) -> Result<(), BadLayout> {
    if text.starts_with('/') {
        return bad("`layout` begins at the root", "take the `/` at its beginning out: it starts at `url`");
    }
    if text.split('/').any(str::is_empty) {
        return bad("`layout` has a folder without a name", "write single slashes, and none at the end");
    }
    if text.split('/').any(|part| part == "." || part == "..") {
        return bad("`layout` has `.` or `..` as a folder", "take it out: everything lies below `url`");
    }
    if text.split('/').next() == Some(".yarder") {
        return bad("`layout` begins with `.yarder`", "take another name: that folder is Yarder's own");
    }
    if let Some(odd) = text.chars().find(|c| c.is_control() || "\\<>:\"|?*".contains(*c)) {
        return bad(
            format!("`layout` has {odd:?}, which Windows shares do not take in a name"),
            "use letters, digits, `-`, `_` and `.`",
        );
    }
    if text.split('/').any(|part| part.ends_with(['.', ' '])) {
        return bad(
            "`layout` has a folder name that ends with a dot or a space",
            "take it out: Windows shares drop it, and two folders would meet",
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_is_the_default_however_it_came() {
        let default = Layout::parse(Layout::DEFAULT).expect("default");
        assert!(default.is_default());
        assert_eq!(default.0.len(), 9);
        assert!(!Layout::parse("{vehicle}/{path}").expect("other").is_default());
    }

    #[test]
    fn every_placeholder_is_taken() {
        let all = "{vehicle}-{logger}/{depot}/{date}/{year}/{month}/{path}/x{name}.{sha256}";
        assert_eq!(Layout::parse(all).expect("all").0.len(), 17);
    }

    #[test]
    fn a_layout_that_loses_files_or_leaves_the_archive_is_refused() {
        for (text, word) in [
            ("", "without a name"),
            ("{vehicle}/{date}", "the same place"),
            ("/{path}", "root"),
            ("a//{path}", "without a name"),
            ("{path}/", "without a name"),
            ("../{path}", "`..`"),
            ("{path", "partner"),
            ("path}", "partner"),
            ("}{path}", "partner"),
            ("{}/{path}", "no placeholder"),
            (".yarder/{path}", ".yarder"),
            ("a:b/{path}", "Windows"),
            ("{depot}./{path}", "dot"),
            ("{recorded_date}/{path}", "not supported"),
        ] {
            let bad = Layout::parse(text).expect_err(text);
            assert!(bad.message.contains(word), "{text}: {bad}");
        }
        assert_eq!(Layout::parse("{vehicel}/{path}").expect_err("near").help, "did you mean `{vehicle}`?");
    }
}
