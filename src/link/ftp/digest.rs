//! Digests that a logger states for a whole file: `HASH` and its older relatives, side files.

use std::time::Duration;

use super::session::{Session, wire};
use crate::link::LinkError;
use crate::model::{DigestKind, OfferedDigest};

/// A logger reads the whole file from its card before it answers.
const DIGEST_TIMEOUT: Duration = Duration::from_secs(300);
/// A side file is one line; more is not read.
pub(super) const SIDE_FILE: u64 = 4096;

/// The commands that replace each other, best first. None is standardized; `HASH` is described by
/// draft-bryan-ftpext-hash, the others are common practice.
const COMMANDS: [(&str, DigestKind); 4] = [
    ("HASH", DigestKind::Sha256),
    ("XSHA256", DigestKind::Sha256),
    ("XMD5", DigestKind::Md5),
    ("XCRC", DigestKind::Crc32),
];

/// What `FEAT` names (RFC 2389, 3.2), in capitals; empty where it is refused.
pub(super) async fn features(session: &mut Session) -> Result<Vec<String>, LinkError> {
    let reply = session.command("FEAT").await?;
    if reply.code == 421 {
        return Err(reply.refusal());
    }
    let known = reply.text.lines().filter(|_| reply.code == 211);
    Ok(known.filter_map(|line| line.strip_prefix(' ')).map(|l| l.trim().to_ascii_uppercase()).collect())
}

/// Asks with the best command among the features.
pub(super) async fn ask(
    session: &mut Session,
    features: &[String],
    path: &[u8],
) -> Result<Option<OfferedDigest>, LinkError> {
    let named = |command: &str| features.iter().find(|f| f.split(' ').next() == Some(command));
    let Some((line, (command, kind))) = COMMANDS.iter().find_map(|c| Some((named(c.0)?, *c))) else {
        return Ok(None);
    };
    if command == "HASH" && !session.hash_set && line.contains("SHA-256") {
        // Refused or not, the reply to HASH names its algorithm.
        session.command("OPTS HASH SHA-256").await?;
        session.hash_set = true;
    }
    let reply = session.command_within(&format!("{command} {}", wire(path)), DIGEST_TIMEOUT).await?;
    match reply.code {
        213 if command == "HASH" => Ok(hash_value(reply.value())),
        200..=299 => {
            Ok(hex_word(&reply.text, kind).map(|value| OfferedDigest { kind, value, stated_by: command }))
        }
        421 | 550..=553 => Err(reply.refusal()),
        _ => Ok(None),
    }
}

/// `SHA-256 0-5242880 6b4f... /big.mf4`: the algorithm, the range (which must begin at 0), the
/// digest, the name.
pub(super) fn hash_value(text: &str) -> Option<OfferedDigest> {
    let mut words = text.split_ascii_whitespace();
    let kind = match &words.next()?.to_ascii_uppercase()[..] {
        "SHA-256" => DigestKind::Sha256,
        "SHA-512" => DigestKind::Sha512,
        "SHA-1" => DigestKind::Sha1,
        "MD5" => DigestKind::Md5,
        "CRC32" => DigestKind::Crc32,
        _ => return None,
    };
    words.next().filter(|range| range.starts_with("0-"))?;
    Some(OfferedDigest { kind, value: digest(words.next()?, kind)?, stated_by: "HASH" })
}

fn digest(word: &str, kind: DigestKind) -> Option<Vec<u8>> {
    hex::decode(word).ok().filter(|value| value.len() == kind.bytes())
}

/// The one word of the reply that can be such a digest; none if there are
/// several different ones (a name may look like one).
pub(super) fn hex_word(text: &str, kind: DigestKind) -> Option<Vec<u8>> {
    let mut found = text.split_ascii_whitespace().filter_map(|word| digest(word, kind));
    let first = found.next()?;
    found.all(|other| other == first).then_some(first)
}

/// The digest in a side file: alone on its line, or on the line that ends with the file's name
/// (`sha256sum`'s form).
pub(super) fn side_file(text: &[u8], name: &[u8], kind: DigestKind) -> Option<OfferedDigest> {
    text.split(|b| *b == b'\n').find_map(|line| {
        let line = line.trim_ascii();
        let at = line.iter().position(u8::is_ascii_whitespace).unwrap_or(line.len());
        let (word, rest) = line.split_at(at);
        let rest = rest.trim_ascii_start();
        let rest = rest.strip_prefix(b"*").unwrap_or(rest);
        let of_it = rest.is_empty() || rest == name || rest.ends_with(&[b"/", name].concat());
        let value = digest(std::str::from_utf8(word).ok().filter(|_| of_it)?, kind)?;
        Some(OfferedDigest { kind, value, stated_by: "side file" })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SHA: &str = "6b4ff801f26a729b43a67658d5150320385eda92016bc0a773973b2a466f5ad8";

    #[test]
    fn hash_names_its_algorithm() {
        let found =
            hash_value("SHA-1 0-5242880 4d103d6e80a5a09616f670f015b885aae25bc98a /big.mf4").expect("digest");
        assert_eq!((found.kind, found.value.len()), (DigestKind::Sha1, 20));
        assert!(
            hash_value(&format!("SHA-256 100-5242880 {SHA} /big.mf4")).is_none(),
            "not of the whole file"
        );
        assert!(hash_value("SHA-256 0-5 4d10 x").is_none());
    }

    #[test]
    fn replies_of_one_and_of_several_lines() {
        let want = hex::decode(SHA).ok();
        for reply in [
            format!("250 {SHA}"),
            format!("250-Computing SHA256 digest\r\n250 {}", SHA.to_uppercase()),
            format!("250-Computing\r\n {SHA}\r\n250 done"),
        ] {
            assert_eq!(hex_word(&reply, DigestKind::Sha256), want, "{reply}");
        }
        assert_eq!(hex_word("250 9DFAF7FD", DigestKind::Crc32), Some(vec![0x9d, 0xfa, 0xf7, 0xfd]));
        assert_eq!(hex_word("250 deadbeef 9DFAF7FD", DigestKind::Crc32), None);
    }

    #[test]
    fn a_side_file_tells_of_its_own_file_alone() {
        let side = |text: &str| side_file(text.as_bytes(), b"a b.log", DigestKind::Sha256).map(|d| d.value);
        let want = hex::decode(SHA).ok();
        for good in [format!("{SHA}\n"), format!("{SHA}  a b.log\r\n"), format!("{SHA} *./a b.log")] {
            assert_eq!(side(&good), want, "{good}");
        }
        assert_eq!(side(&format!("{SHA}  other.log")), None);
        assert_eq!(side("<html>"), None);
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,80}") {
            hash_value(&text);
            hex_word(&text, DigestKind::Md5);
            side_file(text.as_bytes(), b"x", DigestKind::Md5);
        }
    }
}
