//! SHA-256 over a file while it streams by, in a form that survives a restart.

use std::fmt;

use sha2::digest::common::hazmat::{SerializableState, SerializedState};
use sha2::{Digest as _, Sha256};

/// Bytes of the first and last part of a file whose digests tell one content from another.
pub const EDGE: u64 = 64 * 1024;
/// Bytes covered by one block digest.
pub const BLOCK: u64 = 8 * 1024 * 1024;

/// A SHA-256 value.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// The digest of bytes at hand.
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// From a ledger column or a receipt.
    pub fn from_slice(bytes: &[u8]) -> Option<Self> {
        bytes.try_into().ok().map(Self)
    }

    /// From 64 hexadecimal digits of either case.
    pub fn from_hex(text: &str) -> Option<Self> {
        let mut raw = [0; 32];
        hex::decode_to_slice(text, &mut raw).ok().map(|()| Self(raw))
    }

    /// 64 lower-case hexadecimal digits.
    pub fn hex(&self) -> String {
        hex::encode(self.0)
    }

    /// The first 16 hexadecimal digits, for names.
    pub fn short(&self) -> String {
        hex::encode(&self.0[..8])
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

/// Digests of the first and the last [`EDGE`] bytes. A file shorter than that has two equal ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edges {
    /// Of the first bytes.
    pub head: Digest,
    /// Of the last bytes.
    pub tail: Digest,
}

/// Digests of each [`BLOCK`] of a file, in order; the last may be of a shorter block.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Blocks(pub Vec<Digest>);

impl Blocks {
    /// The digests one after the other, for a ledger column.
    pub fn to_bytes(&self) -> Vec<u8> {
        self.0.iter().flat_map(|d| d.0).collect()
    }

    /// The reverse of [`Blocks::to_bytes`].
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let chunks = bytes.chunks_exact(32);
        if !chunks.remainder().is_empty() {
            return None;
        }
        chunks.map(Digest::from_slice).collect::<Option<_>>().map(Self)
    }
}

/// How a digest that a logger states was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DigestKind {
    /// FIPS 180-4.
    Sha256,
    /// FIPS 180-4.
    Sha512,
    /// FIPS 180-4; weak against intent, enough against damage.
    Sha1,
    /// RFC 1321; weak against intent, enough against damage.
    Md5,
    /// CRC-32 (ISO 3309), as FTP's XCRC states it.
    Crc32,
    /// CRC-32C (RFC 9260, appendix A); weak against intent, enough against damage.
    Crc32c,
}

impl DigestKind {
    /// How many bytes such a digest has.
    pub fn bytes(self) -> usize {
        match self {
            DigestKind::Sha512 => 64,
            DigestKind::Sha256 => 32,
            DigestKind::Sha1 => 20,
            DigestKind::Md5 => 16,
            DigestKind::Crc32 | DigestKind::Crc32c => 4,
        }
    }
}

/// A digest that a logger stated for a whole file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OfferedDigest {
    /// Its algorithm.
    pub kind: DigestKind,
    /// Its raw value.
    pub value: Vec<u8>,
    /// Where it was stated, for the event log: `Repr-Digest`, `HASH`, `side file`.
    pub stated_by: &'static str,
}

/// The hash of a file so far: of the whole, and of the current block.
#[derive(Clone)]
pub struct RunningHash {
    whole: Sha256,
    block: Sha256,
    blocks: Blocks,
    len: u64,
}

impl Default for RunningHash {
    fn default() -> Self {
        Self { whole: Sha256::new(), block: Sha256::new(), blocks: Blocks::default(), len: 0 }
    }
}

impl RunningHash {
    /// How many bytes it has seen.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Whether it has seen none.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Takes the next bytes.
    pub fn update(&mut self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            let room = usize::try_from(BLOCK - self.len % BLOCK).unwrap_or(usize::MAX);
            let (now, rest) = bytes.split_at(bytes.len().min(room));
            self.whole.update(now);
            // Up to the end of the first block its digest is the whole's, so that most files are
            // hashed once.
            if self.len >= BLOCK {
                self.block.update(now);
            }
            self.len += now.len() as u64;
            if self.len == BLOCK {
                self.blocks.0.push(self.digest());
            } else if self.len.is_multiple_of(BLOCK) {
                let full = std::mem::take(&mut self.block);
                self.blocks.0.push(Digest(full.finalize().into()));
            }
            bytes = rest;
        }
    }

    /// The digest so far, without ending.
    pub fn digest(&self) -> Digest {
        Digest(self.whole.clone().finalize().into())
    }

    /// The whole's digest and the blocks'.
    pub fn finish(mut self) -> (Digest, Blocks) {
        let whole = Digest(self.whole.finalize().into());
        if self.len < BLOCK {
            self.blocks.0.push(whole);
        } else if !self.len.is_multiple_of(BLOCK) {
            self.blocks.0.push(Digest(self.block.finalize().into()));
        }
        (whole, self.blocks)
    }

    /// The state as a ledger column holds it: the length (8 bytes, big-endian), both hash states,
    /// the digests of the blocks behind it.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = self.len.to_be_bytes().to_vec();
        bytes.extend_from_slice(&self.whole.serialize());
        bytes.extend_from_slice(&self.block.serialize());
        bytes.extend_from_slice(&self.blocks.to_bytes());
        bytes
    }

    /// The reverse of [`RunningHash::to_bytes`]; `None` for bytes that no state gives.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (len, rest) = bytes.split_first_chunk::<8>()?;
        let len = u64::from_be_bytes(*len);
        let state = SerializedState::<Sha256>::default().len();
        let (whole, rest) = rest.split_at_checked(state)?;
        let (block, blocks) = rest.split_at_checked(state)?;
        let blocks = Blocks::from_bytes(blocks)?;
        if blocks.0.len() as u64 != len / BLOCK {
            return None;
        }
        let take = |raw: &[u8]| Sha256::deserialize(raw.try_into().ok()?).ok();
        Some(Self { whole: take(whole)?, block: take(block)?, blocks, len })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// FIPS 180-4's worked example for the text "abc" (NIST, SHA-256 example values).
    #[test]
    fn the_standard_example() {
        let mut hash = RunningHash::default();
        hash.update(b"abc");
        assert_eq!(hash.finish().0.hex(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn blocks_are_the_digests_of_eight_mebibytes_each() {
        let bytes: Vec<u8> = (0..2 * BLOCK + 5).map(|i| (i * 7 % 251) as u8).collect();
        for len in [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK, 2 * BLOCK + 5] {
            let part = &bytes[..len as usize];
            let mut hash = RunningHash::default();
            for chunk in part.chunks(1_000_003) {
                hash.update(chunk);
                hash = RunningHash::from_bytes(&hash.to_bytes()).expect("own state");
            }
            let (whole, blocks) = hash.finish();
            assert_eq!(whole, Digest::of(part));
            let mut want: Vec<_> = part.chunks(BLOCK as usize).map(Digest::of).collect();
            if part.is_empty() {
                want.push(Digest::of(b""));
            }
            assert_eq!(blocks.0, want, "of {len} bytes");
        }
    }

    proptest! {
        #[test]
        fn a_state_from_a_column_is_refused_or_harmless(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            if let Some(mut hash) = RunningHash::from_bytes(&bytes) {
                hash.update(b"more");
                hash.finish();
            }
        }
    }
}
