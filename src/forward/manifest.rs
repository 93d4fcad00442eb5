//! The manifest of one vehicle's day.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::archive::is_key;
use crate::model::Digest;

/// Its name, in the folder above `data/`.
pub const NAME: &str = "manifest-sha256.txt";

/// The text that `sha256sum -c` reads and RFC 8493 (2.1.3) asks for: one line a file, its hash, two
/// spaces, its path relative to the manifest. A path that is no key is left out: it would need the
/// escapes on which the two disagree, and no stored file has one.
pub fn text(files: &BTreeMap<String, Digest>) -> String {
    let mut text = String::with_capacity(files.len() * 128);
    for (path, sha256) in files.iter().filter(|(path, _)| is_key(path)) {
        let _ = writeln!(text, "{sha256}  {path}");
    }
    text
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    use super::*;
    use crate::archive::fit_part;

    /// GNU coreutils' own program is the judge.
    #[test]
    fn sha256sum_agrees_and_sees_a_flipped_byte() {
        let folder = tempfile::tempdir().expect("folder");
        let mut files = BTreeMap::new();
        for name in
            [&b"a.log"[..], b"100%25\\ \n.log", b" lead", b"-rf", b"\xe9=41.", b"*star", "Größe".as_bytes()]
        {
            let path = format!("data/L-1/{}", fit_part(name));
            std::fs::create_dir_all(folder.path().join("data/L-1")).expect("folder");
            std::fs::write(folder.path().join(&path), name).expect("file");
            files.insert(path, Digest::of(name));
        }
        files.insert("data/bad\nname".to_owned(), Digest::of(b""));
        std::fs::write(folder.path().join(NAME), text(&files)).expect("manifest");
        let check = || {
            let ran = Command::new("sha256sum")
                .args(["--check", "--strict", "--quiet", NAME])
                .current_dir(folder.path())
                .output();
            ran.expect("sha256sum").status.success()
        };
        assert!(check());
        std::fs::write(folder.path().join("data/L-1/-rf"), "-rF").expect("file");
        assert!(!check());
    }
}
