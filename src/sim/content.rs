//! What a simulated file holds: bytes that can be made for any range, without memory.

use std::sync::Arc;

use bytes::Bytes;
use sha2::{Digest as _, Sha256};

use super::candump::Log;
use crate::model::Digest;

/// The bytes of one file. Cheap to clone. A longer [`Content::Log`] or [`Content::Noise`] of the
/// same origin begins with the shorter one.
#[derive(Debug, Clone)]
pub enum Content {
    /// Bytes as they are.
    Bytes(Bytes),
    /// Bytes without pattern.
    Noise {
        /// Another seed gives other bytes.
        seed: u64,
        /// Bytes.
        len: u64,
    },
    /// A candump text log.
    Log(Arc<Log>),
}

/// Sebastiano Vigna's SplitMix64 output function: a number without visible relation to its argument.
pub(super) fn mix(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Content {
    /// Those bytes.
    pub fn bytes(bytes: impl Into<Bytes>) -> Self {
        Self::Bytes(bytes.into())
    }

    /// `len` bytes without pattern.
    pub fn noise(seed: u64, len: u64) -> Self {
        Self::Noise { seed, len }
    }

    /// Bytes.
    pub fn len(&self) -> u64 {
        match self {
            Self::Bytes(bytes) => bytes.len() as u64,
            Self::Noise { len, .. } => *len,
            Self::Log(log) => log.len(),
        }
    }

    /// Whether it holds no byte.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The bytes `from..from + len`, fewer at the end, none behind it.
    pub fn read(&self, from: u64, len: usize) -> Bytes {
        let left = self.len().saturating_sub(from);
        let len = len.min(usize::try_from(left).unwrap_or(usize::MAX));
        match self {
            _ if len == 0 => Bytes::new(),
            // `from` lies within the bytes at hand, so it fits.
            Self::Bytes(bytes) => bytes.slice(from as usize..from as usize + len),
            Self::Noise { seed, .. } => noise(*seed, from, len).into(),
            Self::Log(log) => log.read(from, len).into(),
        }
    }

    /// This content grown (or cut) to that length. Bytes at hand grow by noise.
    pub fn with_len(&self, len: u64) -> Self {
        match self {
            Self::Bytes(bytes) => {
                let tail = noise(self.len(), 0, len.saturating_sub(self.len()) as usize);
                let mut all = bytes.to_vec();
                all.extend_from_slice(&tail);
                all.truncate(len as usize);
                Self::bytes(all)
            }
            Self::Noise { seed, .. } => Self::Noise { seed: *seed, len },
            Self::Log(log) => Self::Log(Arc::new(log.with_len(len))),
        }
    }

    /// The SHA-256 of all of it, by streaming. Blocks for about a second a gigabyte.
    pub fn sha256(&self) -> Digest {
        let mut hash = Sha256::new();
        let mut at = 0;
        loop {
            let part = self.read(at, 1 << 20);
            if part.is_empty() {
                return Digest(hash.finalize().into());
            }
            hash.update(&part);
            at += part.len() as u64;
        }
    }
}

fn noise(seed: u64, from: u64, len: usize) -> Vec<u8> {
    let lead = (from % 8) as usize;
    let mut out = Vec::with_capacity(lead + len + 8);
    let mut word = from / 8;
    while out.len() < lead + len {
        out.extend_from_slice(&mix(seed ^ mix(word)).to_le_bytes());
        word += 1;
    }
    out.truncate(lead + len);
    out.drain(..lead);
    out
}

#[cfg(test)]
mod tests {
    use super::super::candump::Bus;
    use super::*;

    fn all() -> Vec<Content> {
        let bus = Arc::new(Bus::new(7));
        vec![
            Content::bytes(b"hello yard".to_vec()),
            Content::noise(3, 100_003),
            Content::Log(Arc::new(bus.log(1_000, 1_764_000_000_000_000, 70_001))),
        ]
    }

    #[test]
    fn any_range_equals_that_part_of_the_whole() {
        for content in all() {
            let whole = content.read(0, usize::MAX);
            assert_eq!(whole.len() as u64, content.len());
            assert_eq!(Digest::of(&whole), content.sha256());
            for from in [0, 1, 7, 8, 50, 51, 52, 65_537, content.len() - 1, content.len(), u64::MAX] {
                for len in [0, 1, 51, 1000] {
                    let start = (from.min(content.len())) as usize;
                    let end = (start + len).min(whole.len());
                    assert_eq!(content.read(from, len), whole[start..end], "{from} {len}");
                }
            }
        }
    }

    #[test]
    fn a_grown_content_begins_with_the_shorter_one() {
        for content in all() {
            let longer = content.with_len(content.len() + 1_234);
            assert_eq!(longer.len(), content.len() + 1_234);
            let len = content.len() as usize;
            assert_eq!(longer.read(0, len), content.read(0, len));
            assert_eq!(longer.with_len(content.len()).sha256(), content.sha256());
        }
    }

    #[test]
    fn another_seed_gives_other_bytes() {
        assert_ne!(Content::noise(1, 100).sha256(), Content::noise(2, 100).sha256());
    }
}
