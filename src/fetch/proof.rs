//! How strongly a copy was checked: digests that the logger states, and second readings.

use crate::link::{Link, LinkError};
use crate::model::{Digest, DigestKind, OfferedDigest, RemotePath, RunningHash};
use crate::spool::Partial;

/// What a digest that was offered says of our bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Check {
    /// It is theirs too.
    Equal,
    /// It is not.
    Different,
}

/// Compares a stated digest with a file that is all here. SHA-256 is compared with the running
/// hash; for the others the file is read once more from our own disk. Blocking.
pub fn digest_matches(offered: &OfferedDigest, ours: &Digest, partial: &Partial) -> std::io::Result<Check> {
    let value = match offered.kind {
        DigestKind::Sha256 => ours.0.to_vec(),
        DigestKind::Sha512 => read_through::<sha2::Sha512>(partial)?,
        DigestKind::Sha1 => read_through::<sha1::Sha1>(partial)?,
        DigestKind::Md5 => read_through::<md5::Md5>(partial)?,
        DigestKind::Crc32 => {
            let mut crc = crc32fast::Hasher::new();
            each_block(partial, |bytes| crc.update(bytes))?;
            crc.finalize().to_be_bytes().to_vec()
        }
        DigestKind::Crc32c => {
            let mut crc = 0;
            each_block(partial, |bytes| crc = crc32c::crc32c_append(crc, bytes))?;
            crc.to_be_bytes().to_vec()
        }
    };
    Ok(if value == offered.value { Check::Equal } else { Check::Different })
}

fn read_through<D: sha2::Digest>(partial: &Partial) -> std::io::Result<Vec<u8>> {
    let mut hash = D::new();
    each_block(partial, |bytes| hash.update(bytes))?;
    Ok(hash.finalize().to_vec())
}

fn each_block(partial: &Partial, mut each: impl FnMut(&[u8])) -> std::io::Result<()> {
    let mut at = 0;
    loop {
        let bytes = partial.read(at, 256 * 1024)?;
        if bytes.is_empty() {
            return Ok(());
        }
        at += bytes.len() as u64;
        each(&bytes);
    }
}

/// Readings of one file at most, the first included.
const READINGS: usize = 5;

/// What second readings showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reread {
    /// A reading equal to our copy.
    Equal,
    /// Two readings equal to each other and not to our copy: ours is wrong.
    OursIsWrong,
    /// No two of five were equal.
    NoTwoEqual,
}

/// Reads the whole file again, over a request of its own, until two readings are equal. Two equal
/// ones of at most five decide.
pub(super) async fn reread(
    link: &mut dyn Link,
    path: &RemotePath,
    ours: Digest,
    look: &crate::model::Look,
    delivered: &mut (dyn FnMut(u64) + Send),
) -> Result<Reread, LinkError> {
    let mut readings = vec![ours];
    while readings.len() < READINGS {
        let opened = link.open(path, 0, look).await?;
        if opened.from != 0 {
            return Err(LinkError::protocol("a read from zero began elsewhere"));
        }
        let mut hash = RunningHash::default();
        while let Some(chunk) = link.chunk().await? {
            delivered(chunk.len() as u64);
            hash.update(&chunk);
            if look.size.is_some_and(|size| hash.len() > size) {
                link.stop().await;
                return Err(LinkError::new(
                    crate::link::LinkFailure::Changed,
                    "it grew while it was read again",
                ));
            }
        }
        let reading = hash.digest();
        match readings.iter().position(|r| *r == reading) {
            Some(0) => return Ok(Reread::Equal),
            Some(_) => return Ok(Reread::OursIsWrong),
            None => readings.push(reading),
        }
    }
    Ok(Reread::NoTwoEqual)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::check_values::{self, text, topic};

    /// `digest`: FIPS 180-4, RFC 1321 (A.5), RFC 3720 (B.4) and the catalogues of CRCs. The others stand in the tests of the
    /// readers that use them.
    #[test]
    fn a_copy_is_compared_with_a_stated_digest_of_each_kind() {
        let mut elsewhere = Vec::new();
        for entry in topic("digest", 16) {
            let id = text(&entry, "/id");
            let kind = match id.split('-').next() {
                Some("sha256") => DigestKind::Sha256,
                Some("md5") => DigestKind::Md5,
                Some("crc32") => DigestKind::Crc32,
                Some("crc32c") => DigestKind::Crc32c,
                _ => {
                    elsewhere.push(id.to_owned());
                    continue;
                }
            };
            let content = match text(&entry, "/input") {
                "\"a\" x 1000000" => vec![b'a'; 1_000_000],
                "32 bytes 00" => vec![0; 32],
                "32 bytes FF" => vec![0xff; 32],
                "00..1F" => (0..32).collect(),
                text => text.as_bytes().to_vec(),
            };
            let value = check_values::bytes(text(&entry, "/expected"));
            let mut partial = Partial::new("one".into());
            partial.hold(&[bytes::Bytes::from(content.clone())]);
            let offered = |value: Vec<u8>| OfferedDigest { kind, value, stated_by: "a test" };
            let check =
                |value| digest_matches(&offered(value), &Digest::of(&content), &partial).expect("read");
            assert_eq!(check(value.clone()), Check::Equal, "{entry}");
            let wrong = value.iter().map(|byte| byte ^ 1).collect();
            assert_eq!(check(wrong), Check::Different, "{entry}");
        }
        assert_eq!(elsewhere, ["crc15-can-check", "adler32"]);
    }
}
