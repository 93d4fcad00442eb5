//! Which files of a logger are wanted: the kind's `files` patterns.

use globset::{GlobBuilder, GlobMatcher};

use crate::model::RemotePath;

/// A kind's `files`. ASCII case does not matter; `!` excludes and is not entered; a file is wanted
/// when a pattern matches it and no `!` pattern does.
#[derive(Debug, Clone, Default)]
pub struct Patterns {
    wanted: Vec<GlobMatcher>,
    excluded: Vec<GlobMatcher>,
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
