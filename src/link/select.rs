//! Which files of a logger are wanted: the kind's `files` patterns.

use std::collections::BTreeMap;

use globset::{GlobBuilder, GlobMatcher};

use crate::model::RemotePath;

/// A kind's `files`. ASCII case does not matter; `!` excludes and is not entered; a file is wanted
/// when a pattern matches it and no `!` pattern does.
#[derive(Debug, Clone, Default)]
pub struct Patterns {
    wanted: Vec<GlobMatcher>,
    excluded: Vec<GlobMatcher>,
}

/// The pattern to write beside others that want none of these files: by the ending that most of
/// them have. `None` where an exclusion keeps them out, so that no pattern would help.
pub fn propose(written: &[String], unwanted: &[RemotePath]) -> Option<String> {
    let mut endings: BTreeMap<String, usize> = BTreeMap::new();
    for path in unwanted {
        let name = path.name().to_ascii_lowercase();
        if [".sha256", ".md5"].iter().any(|side| name.ends_with(side.as_bytes())) {
            continue;
        }
        let end = name.rsplit(|b| *b == b'.').next().filter(|end| end.len() < name.len());
        let plain =
            end.filter(|end| (1..=8).contains(&end.len()) && end.iter().all(u8::is_ascii_alphanumeric));
        let pattern = match plain {
            // Numbers go on.
            Some(end) if end.iter().all(u8::is_ascii_digit) => format!("**/*.{}", "[0-9]".repeat(end.len())),
            Some(end) => format!("**/*.{}", String::from_utf8_lossy(end)),
            None => "**/*".to_owned(),
        };
        *endings.entry(pattern).or_default() += 1;
    }
    let (pattern, _) = endings.into_iter().max_by_key(|(_, files)| *files)?;
    let all: Vec<&str> = written.iter().map(String::as_str).chain([pattern.as_str()]).collect();
    let patterns = Patterns::new(&all).ok()?;
    unwanted.iter().any(|path| patterns.wants(path)).then_some(pattern)
}

impl Patterns {
    /// Checks and takes the patterns; the error is a sentence about the one at that place.
    pub fn new<S: AsRef<str>>(patterns: &[S]) -> Result<Self, (usize, String)> {
        let mut all = Self::default();
        for (at, text) in patterns.iter().enumerate() {
            let text = text.as_ref();
            let (list, glob) = match text.strip_prefix('!') {
                Some(rest) => (&mut all.excluded, rest),
                None => (&mut all.wanted, text),
            };
            let built = GlobBuilder::new(glob)
                .literal_separator(true)
                .backslash_escape(true)
                .case_insensitive(true)
                .build()
                .map_err(|e| (at, e.kind().to_string()))?;
            list.push(built.compile_matcher());
        }
        Ok(all)
    }

    /// Whether a file is wanted.
    pub fn wants(&self, path: &RemotePath) -> bool {
        let path = as_path(path.as_bytes());
        self.wanted.iter().any(|g| g.is_match(path)) && !self.excluded.iter().any(|g| g.is_match(path))
    }

    /// Whether a folder is worth entering: not when it, or all that lies in it, is excluded.
    pub fn enters(&self, folder: &RemotePath) -> bool {
        let inside = [folder.as_bytes(), b"/x"].concat();
        !self.excluded.iter().any(|g| {
            g.is_match(as_path(folder.as_bytes()))
                || g.is_match(as_path(&inside)) && g.glob().glob().ends_with("**")
        })
    }
}

fn as_path(bytes: &[u8]) -> &std::path::Path {
    use std::os::unix::ffi::OsStrExt as _;
    std::path::Path::new(std::ffi::OsStr::from_bytes(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(text: &str) -> RemotePath {
        RemotePath::new(text.as_bytes()).expect("path")
    }

    #[test]
    fn a_proposed_pattern_wants_what_no_other_does_and_none_is_proposed_that_would_not_help() {
        for (written, names, pattern) in [
            (&["**/*.log"][..], &["a.bin", "b.BIN", "x/c.txt"][..], Some("**/*.bin")),
            (&["**/*.log"], &["rec.001", "rec.002"], Some("**/*.[0-9][0-9][0-9]")),
            (&["**/*.log"], &["x/REC0001"], Some("**/*")),
            (&["**/*.log"], &["a.[x]*"], Some("**/*")),
            (&["**/*.log"], &["a.mf4", "a.mf4.sha256", "b.mf4.md5", "b.md5"], Some("**/*.mf4")),
            (&["**/*.log", "!tmp/**"], &["tmp/a.bin"], None),
            (&["**/*.log", "!**/*.bin"], &["a.bin"], None),
            (&["**/*.log"], &[], None),
        ] {
            let written: Vec<String> = written.iter().map(|p| (*p).to_owned()).collect();
            let names: Vec<RemotePath> = names.iter().map(|name| path(name)).collect();
            let proposed = propose(&written, &names);
            assert_eq!(proposed.as_deref(), pattern, "{names:?}");
            if let Some(proposed) = proposed {
                assert!(Patterns::new(&[proposed]).expect("good").wants(&names[0]));
            }
        }
    }

    #[test]
    fn patterns_select_by_path_and_case_does_not_matter() {
        let patterns =
            Patterns::new(&["**/*.log", "**/*.mf4", "!System Volume Information/**", "!tmp/*.log"])
                .expect("good");
        for (text, wanted) in [
            ("a.log", true),
            ("A/B/C.LOG", true),
            ("x.MF4", true),
            ("x.txt", false),
            ("System Volume Information/x.log", false),
            ("system volume information/deep/x.log", false),
            ("tmp/x.log", false),
            ("tmp/deep/x.log", true),
        ] {
            assert_eq!(patterns.wants(&path(text)), wanted, "{text}");
        }
        assert!(!patterns.enters(&path("System Volume Information")));
        assert!(patterns.enters(&path("tmp")));
        assert!(patterns.enters(&path("a")));
    }

    #[test]
    fn a_broken_pattern_is_named() {
        assert_eq!(Patterns::new(&["**/*.log", "a[b"]).expect_err("broken").0, 1);
    }
}
