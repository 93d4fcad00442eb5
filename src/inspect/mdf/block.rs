//! The blocks that an MDF file is made of.
//!
//! Every block begins with 24 bytes: `##`, two letters, 4 reserved bytes, its length and its number of links (u64 each);
//! then the links (u64 offsets, 0 leads nowhere), then its data. All numbers are little endian (ASAM MDF 4.1, block
//! structure; from memory, confirmed by files that asammdf wrote and read).

use std::io;

use super::super::damage::Damage;
use super::source::{self, Source};

/// Bytes in front of a block's links.
pub(super) const HEAD: u64 = 24;

/// The longest text that we keep of a name.
const TEXT: usize = 256;

/// Why a block could not be had.
pub(super) enum Trouble {
    /// The bytes could not be read at all.
    Io(io::Error),
    /// The file is wrong there.
    Damaged(u64, Damage),
}

impl From<io::Error> for Trouble {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// What the first 24 bytes of a block say.
#[derive(Clone, Copy)]
pub(super) struct Header {
    pub(super) id: [u8; 2],
    /// With these 24 bytes.
    pub(super) length: u64,
    pub(super) links: u64,
}

/// The head of the block at `at`.
pub(super) fn header(source: &dyn Source, at: u64) -> Result<Header, Trouble> {
    let mut head = [0; HEAD as usize];
    if source::fill(source, &mut head, at)? < head.len() {
        return Err(Trouble::Damaged(source.len(), Damage::MissingEnd));
    }
    if !head.starts_with(b"##") {
        return Err(Trouble::Damaged(at, Damage::BadStructure("a link leads to no block")));
    }
    Ok(Header { id: [head[2], head[3]], length: u64_at(&head, 8), links: u64_at(&head, 16) })
}

/// A block's links and data, as many of them as were asked for; what the block does not have reads as zero.
pub(super) struct Block {
    links: [u64; 8],
    data: [u8; 96],
}

impl Block {
    /// Link `index`, 0 where there is none.
    pub(super) fn link(&self, index: usize) -> u64 {
        self.links.get(index).copied().unwrap_or(0)
    }

    /// The byte of the data at this place.
    pub(super) fn u8(&self, at: usize) -> u8 {
        self.data.get(at).copied().unwrap_or(0)
    }

    pub(super) fn u16(&self, at: usize) -> u16 {
        u16::from_le_bytes([self.u8(at), self.u8(at + 1)])
    }

    pub(super) fn u32(&self, at: usize) -> u32 {
        u32::try_from(u64_at(&self.data, at) & 0xFFFF_FFFF).unwrap_or(0)
    }

    pub(super) fn u64(&self, at: usize) -> u64 {
        u64_at(&self.data, at)
    }

    pub(super) fn f64(&self, at: usize) -> f64 {
        f64::from_bits(self.u64(at))
    }
}

/// Reads the block of kind `want` at `at`.
pub(super) fn read(source: &dyn Source, at: u64, want: [u8; 2]) -> Result<Block, Trouble> {
    let head = header(source, at)?;
    if head.id != want {
        return Err(Trouble::Damaged(at, Damage::BadStructure("a link leads to a block of another kind")));
    }
    let links_end =
        head.links.checked_mul(8).and_then(|bytes| bytes.checked_add(HEAD)).filter(|end| *end <= head.length);
    let (Some(links_end), Some(end)) = (links_end, at.checked_add(head.length)) else {
        return Err(Trouble::Damaged(at, Damage::BadStructure("a block shorter than its links")));
    };
    if end > source.len() {
        return Err(Trouble::Damaged(source.len(), Damage::MissingEnd));
    }
    let mut block = Block { links: [0; 8], data: [0; 96] };
    let mut links = [0; 64];
    let wanted = links.len().min(usize::try_from(links_end - HEAD).unwrap_or(usize::MAX));
    source::fill(source, &mut links[..wanted], at + HEAD)?;
    for (index, link) in block.links.iter_mut().enumerate() {
        *link = u64_at(&links, index * 8);
    }
    let wanted = block.data.len().min(usize::try_from(head.length - links_end).unwrap_or(usize::MAX));
    source::fill(source, &mut block.data[..wanted], at + links_end)?;
    Ok(block)
}

/// The text of the TX or MD block at `at`; empty where there is none or it cannot be read. No text matters enough to
/// call a file damaged.
pub(super) fn text(source: &dyn Source, at: u64) -> io::Result<String> {
    if at == 0 {
        return Ok(String::new());
    }
    let head = match header(source, at) {
        Ok(head) if matches!(&head.id, b"TX" | b"MD") => head,
        Ok(_) | Err(Trouble::Damaged(..)) => return Ok(String::new()),
        Err(Trouble::Io(error)) => return Err(error),
    };
    let mut bytes = [0; TEXT];
    let wanted = TEXT.min(usize::try_from(head.length.saturating_sub(HEAD)).unwrap_or(TEXT));
    let got = source::fill(source, &mut bytes[..wanted], at.saturating_add(HEAD))?;
    Ok(text_of(&bytes[..got]))
}

/// The text in front of the first zero byte, without blanks around it.
pub(super) fn text_of(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    String::from_utf8_lossy(&bytes[..end]).trim().to_owned()
}

/// The number at this place, zero where the bytes end before it does.
pub(super) fn u64_at(bytes: &[u8], at: usize) -> u64 {
    bytes.get(at..).and_then(<[u8]>::first_chunk).map_or(0, |chunk| u64::from_le_bytes(*chunk))
}
