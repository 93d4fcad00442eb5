//! The names by which an administrator calls things. Checked once, at the edge.

use std::fmt;
use std::sync::Arc;

/// Longest id in bytes: an id becomes a folder name in archives.
const MAX_ID: usize = 64;

/// Why a text cannot be an id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{0:?} cannot be an id: use 1 to 64 letters, digits, `-`, `_` or `.`, and begin with a letter or digit"
)]
pub struct BadId(pub String);

fn check(text: &str) -> Result<(), BadId> {
    let fits = !text.is_empty() && text.len() <= MAX_ID;
    let begins = text.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric());
    // A trailing dot is dropped by Windows shares, and two ids would meet in one folder.
    let ends = !text.ends_with('.');
    let plain = text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.'));
    if fits && begins && ends && plain { Ok(()) } else { Err(BadId(text.to_owned())) }
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Arc<str>);

        impl $name {
            /// Checks and takes a text.
            pub fn new(text: &str) -> Result<Self, BadId> {
                check(text).map(|()| Self(Arc::from(text)))
            }

            /// The id as it was written.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Debug::fmt(&self.0, f)
            }
        }
    };
}

id!(
    /// A vehicle of the list.
    VehicleId
);
id!(
    /// A logger of the list.
    LoggerId
);
id!(
    /// An archive of the configuration.
    ArchiveName
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_folder_names_on_every_share() {
        for good in ["PLOW-03", "a", "L_0421.b"] {
            assert!(LoggerId::new(good).is_ok(), "{good}");
        }
        for bad in ["", ".hidden", "a/b", "a b", "ä", "a.", "..", &"x".repeat(65)] {
            assert!(LoggerId::new(bad).is_err(), "{bad}");
        }
    }
}
