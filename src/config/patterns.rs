//! A kind's `files`: patterns that are broken, or that could never match.

use super::notes::{At, Draft, Notes};
use super::raw::Table;
use crate::link::Patterns;

/// The default of `files`: the text and binary logs of the trade, and not what Windows puts on
/// every card.
pub(super) const DEFAULT: [&str; 3] = ["**/*.log", "**/*.mf4", "!System Volume Information/**"];

/// Reads `files`; gives the patterns and their texts.
pub(super) fn read(notes: &Notes, table: &mut Table<'_>) -> (Patterns, Vec<String>) {
    let item = table.item("files");
    let texts = match item {
        None => None,
        Some(item) => item.texts(),
    };
    if let (Some(item), Some(texts)) = (item, &texts)
        && !texts.iter().any(|at| !at.value.starts_with('!'))
    {
        let draft = Draft::error(item.spot, "`files` wants at least one pattern without `!`");
        notes.push(draft.help("write files = [\"**/*.log\"]; a pattern with `!` only takes files away"));
    }
    let Some(texts) = texts else {
        let texts = DEFAULT.map(str::to_owned).to_vec();
        return (Patterns::new(&texts).unwrap_or_default(), texts);
    };
    let all: Vec<&str> = texts.iter().map(|at| at.value).collect();
    for at in &texts {
        if let Err((_, why)) = Patterns::new(&[at.value]) {
            let draft = Draft::error(at.spot, format!("this pattern is broken: {why}"));
            notes.push(
                draft.help("write it like \"**/*.log\"; put `\\\\` before a letter that is meant itself"),
            );
        } else if let Some(help) = never_matches(at, &all) {
            notes.push(Draft::warning(at.spot, "this pattern never matches a file").help(help));
        }
    }
    (Patterns::new(&all).unwrap_or_default(), all.into_iter().map(str::to_owned).collect())
}

/// Paths on a logger are relative, and have neither empty parts nor `.` and `..`.
fn never_matches(at: &At<&str>, all: &[&str]) -> Option<&'static str> {
    let (excludes, glob) = match at.value.strip_prefix('!') {
        Some(glob) => (true, glob),
        None => (false, at.value),
    };
    if glob.starts_with('/') {
        return Some("take the `/` at its beginning out: paths begin at the logger's address");
    }
    if glob.ends_with('/') {
        return Some("write `**` behind the last `/` for all that lies in the folder");
    }
    if glob.split('/').any(|part| part == "." || part == "..") {
        return Some("take `.` and `..` out: paths begin at the logger's address");
    }
    if glob.split('/').any(str::is_empty) {
        return Some("write single slashes between folders, and something in the pattern");
    }
    if glob.contains('\\') && !glob.contains('/') {
        return Some("write `/` between folders, `\\` does not part them");
    }
    let taken = |other: &str| other == "**" || other == "**/*" || other.eq_ignore_ascii_case(glob);
    if !excludes && all.iter().filter_map(|other| other.strip_prefix('!')).any(taken) {
        return Some("a pattern with `!` takes away all that it matches");
    }
    None
}
