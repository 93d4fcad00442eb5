//! Packed content, unpacked as it arrives: gzip (RFC 1952), xz (its file format 1.2.1), Zstandard (RFC 8878).
//!
//! All three decoders are Rust and hold a bounded window. What comes out is bounded by what went in.

use flate2::{Decompress, FlushDecompress, Status};
use ruzstd::decoding::FrameDecoder;
use xz4rust::{XzDecoder, XzError};

use super::bounds;
use super::damage::Damage;

/// How content is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Packing {
    /// RFC 1952.
    Gzip,
    /// The format of XZ Utils.
    Xz,
    /// RFC 8878.
    Zstd,
}

impl Packing {
    /// By a file's first 6 bytes.
    pub fn detect(head: &[u8]) -> Option<Self> {
        match head {
            [0x1f, 0x8b, 8, ..] => Some(Self::Gzip),
            [0xfd, b'7', b'z', b'X', b'Z', 0, ..] => Some(Self::Xz),
            [0x28, 0xb5, 0x2f, 0xfd, ..] => Some(Self::Zstd),
            _ => None,
        }
    }

    /// Its word.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Gzip => "gzip",
            Self::Xz => "xz",
            Self::Zstd => "zstd",
        }
    }
}

/// A window's bytes at most: what `xz -9` needs.
const WINDOW: usize = 64 * 1024 * 1024;
/// Bytes that come out at a time.
const PIECE: usize = 64 * 1024;

/// Unpacks one file. Streams may follow each other, and what comes out is one content.
pub(super) struct Unpacker {
    decoder: Decoder,
    buffer: Vec<u8>,
    came: u64,
    went: u64,
    /// Zero bytes behind the end of the last stream; `None` within one.
    behind: Option<u64>,
    /// Whether this stream follows another and nothing of it has come out.
    follows: bool,
}

impl std::fmt::Debug for Unpacker {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Unpacker ({} bytes in, {} out)", self.came, self.went)
    }
}

/// What one step did.
#[derive(Default)]
struct Step {
    used: usize,
    made: usize,
    ended: bool,
    damage: Option<Damage>,
}

impl Step {
    fn broken(damage: Damage) -> Self {
        Self { damage: Some(damage), ..Self::default() }
    }
}

impl Unpacker {
    pub fn new(packing: Packing) -> Self {
        let decoder = Decoder::new(packing);
        Self { decoder, buffer: vec![0; PIECE], came: 0, went: 0, behind: None, follows: false }
    }

    /// Takes the next packed bytes. After damage nothing comes out any more.
    pub fn push(&mut self, packed: &[u8], out: &mut dyn FnMut(&[u8])) -> Result<(), Damage> {
        self.came += packed.len() as u64;
        let mut rest = packed;
        loop {
            if let Some(zeros) = &mut self.behind {
                // Padding, or what a disk was left with.
                let some = rest.iter().position(|byte| *byte != 0);
                *zeros += some.unwrap_or(rest.len()) as u64;
                let Some(some) = some else { return Ok(()) };
                rest = &rest[some..];
                self.behind = None;
                self.follows = true;
                self.decoder = Decoder::new(self.decoder.packing());
            }
            let step = self.decoder.step(rest, &mut self.buffer);
            self.tell(step.made, out)?;
            rest = &rest[step.used..];
            match step {
                Step { damage: Some(_), .. } if self.follows => {
                    return Err(Damage::BadStructure("something else behind the packed content"));
                }
                Step { damage: Some(damage), .. } => {
                    self.drain(out)?;
                    return Err(damage);
                }
                Step { ended: true, .. } => self.behind = Some(0),
                Step { used: 0, made: 0, .. } if rest.is_empty() => return Ok(()),
                Step { used: 0, made: 0, .. } => {
                    return Err(Damage::BadStructure("packed content that stands still"));
                }
                _ => {}
            }
        }
    }

    /// The file ends here.
    pub fn finish(mut self, out: &mut dyn FnMut(&[u8])) -> Result<(), Damage> {
        match self.behind {
            Some(0) => Ok(()),
            // xz pads with whole words; nobody else does.
            Some(zeros) if zeros % 4 == 0 && self.decoder.packing() == Packing::Xz => Ok(()),
            Some(zeros) => Err(Damage::NulTail(zeros)),
            None => {
                self.drain(out)?;
                Err(Damage::MissingEnd)
            }
        }
    }

    /// What was unpacked and is still held for those that could have referred to it.
    fn drain(&mut self, out: &mut dyn FnMut(&[u8])) -> Result<(), Damage> {
        if let Decoder::Zstd(zstd) = &mut self.decoder {
            zstd.give_up();
            loop {
                let made = zstd.read(&mut self.buffer);
                if made == 0 {
                    return Ok(());
                }
                self.went += made as u64;
                out(&self.buffer[..made]);
            }
        }
        Ok(())
    }

    fn tell(&mut self, made: usize, out: &mut dyn FnMut(&[u8])) -> Result<(), Damage> {
        self.went += made as u64;
        if self.went > bounds::unpacked(self.came) {
            return Err(bounds::TOO_MUCH);
        }
        if made > 0 {
            self.follows = false;
            out(&self.buffer[..made]);
        }
        Ok(())
    }
}

enum Decoder {
    Gzip(Box<Decompress>),
    /// With what it could not use yet.
    Xz(Box<XzDecoder<'static>>, Vec<u8>),
    Zstd(Box<Zstd>),
}

impl Decoder {
    fn new(packing: Packing) -> Self {
        match packing {
            Packing::Gzip => Self::Gzip(Box::new(Decompress::new_gzip(15))),
            Packing::Xz => Self::Xz(XzDecoder::in_heap_with_alloc_dict_size(0, WINDOW), Vec::new()),
            Packing::Zstd => Self::Zstd(Box::default()),
        }
    }

    fn packing(&self) -> Packing {
        match self {
            Self::Gzip(_) => Packing::Gzip,
            Self::Xz(..) => Packing::Xz,
            Self::Zstd(_) => Packing::Zstd,
        }
    }

    fn step(&mut self, packed: &[u8], buffer: &mut [u8]) -> Step {
        match self {
            Self::Gzip(inflate) => gzip(inflate, packed, buffer),
            Self::Xz(decoder, held) => xz(decoder, held, packed, buffer),
            Self::Zstd(zstd) => zstd.step(packed, buffer),
        }
    }
}

fn gzip(inflate: &mut Decompress, packed: &[u8], buffer: &mut [u8]) -> Step {
    let (came, went) = (inflate.total_in(), inflate.total_out());
    let status = inflate.decompress(packed, buffer, FlushDecompress::None);
    let moved = |now: u64, before: u64| usize::try_from(now - before).unwrap_or(0);
    Step {
        used: moved(inflate.total_in(), came).min(packed.len()),
        made: moved(inflate.total_out(), went).min(buffer.len()),
        ended: matches!(status, Ok(Status::StreamEnd)),
        damage: status.is_err().then_some(Damage::BadChecksum),
    }
}

fn xz(decoder: &mut XzDecoder<'_>, held: &mut Vec<u8>, packed: &[u8], buffer: &mut [u8]) -> Step {
    // A decoder that fails keeps what it made of the bytes that it was given with those it failed at.
    let packed = packed.get(..1).unwrap_or_default();
    // A header is read at once, and may come in pieces.
    let from_packed = held.is_empty();
    let added = if from_packed { 0 } else { packed.len() };
    held.extend_from_slice(&packed[..added]);
    let offered = if from_packed { packed } else { &held[..] };
    match decoder.decode(offered, buffer) {
        Ok(done) => {
            let (eaten, made, ended) =
                (done.input_consumed(), done.output_produced(), done.is_end_of_stream());
            if from_packed {
                return Step { used: eaten, made, ended, damage: None };
            }
            // What was held before has been offered all along: only new bytes are given back.
            let left = held.len() - eaten;
            if left <= added {
                held.clear();
                return Step { used: added - left, made, ended, damage: None };
            }
            held.drain(..eaten);
            Step { used: added, made, ended, damage: None }
        }
        Err(XzError::NeedsLargerInputBuffer) if from_packed => {
            held.extend_from_slice(packed);
            Step { used: packed.len(), ..Step::default() }
        }
        Err(XzError::NeedsLargerInputBuffer) if held.len() < PIECE => Step { used: added, ..Step::default() },
        Err(XzError::DictionaryTooLarge(_)) => {
            Step::broken(Damage::BadStructure("its window is larger than 64 MiB"))
        }
        Err(_) => Step::broken(Damage::BadChecksum),
    }
}

/// Frames of Zstandard. The decoder is given one block at a time, since it unpacks all that it is given.
struct Zstd {
    decoder: FrameDecoder,
    /// The beginning of the next part, as far as it has come.
    held: Vec<u8>,
    part: Part,
    /// Bytes of a skippable frame still to be passed over.
    skip: Option<u64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Header,
    Block,
    Checksum,
}

impl Default for Zstd {
    fn default() -> Self {
        let mut decoder = FrameDecoder::new();
        decoder.set_max_window_size(WINDOW as u64);
        Self { decoder, held: Vec::new(), part: Part::Header, skip: None }
    }
}

impl Zstd {
    fn step(&mut self, packed: &[u8], buffer: &mut [u8]) -> Step {
        if let Some(skip) = self.skip {
            let used = usize::try_from(skip).unwrap_or(usize::MAX).min(packed.len());
            self.skip = Some(skip - used as u64);
            return Step { used, ended: skip == used as u64, ..Step::default() };
        }
        if self.part != Part::Header {
            let made = self.read(buffer);
            if made > 0 {
                return Step { made, ..Step::default() };
            }
            if self.decoder.is_finished() {
                let (told, found) =
                    (self.decoder.get_checksum_from_data(), self.decoder.get_calculated_checksum());
                let damage = told.is_some_and(|told| Some(told) != found).then_some(Damage::BadChecksum);
                return Step { ended: true, damage, ..Step::default() };
            }
        }
        let mut used = 0;
        loop {
            let needs = self.needs();
            let more = needs.saturating_sub(self.held.len()).min(packed.len() - used);
            self.held.extend_from_slice(&packed[used..used + more]);
            used += more;
            if self.held.len() < needs {
                return Step { used, ..Step::default() };
            }
            if self.needs() == needs {
                break;
            }
        }
        Step { used, damage: self.part(), ..Step::default() }
    }

    /// Bytes of the next part, as far as those that came tell.
    fn needs(&self) -> usize {
        match (self.part, &self.held[..]) {
            (Part::Checksum, _) => 4,
            // A skippable frame tells its length (section 3.1.2).
            (Part::Header, [0x50..=0x5f, 0x2a, 0x4d, 0x18, ..]) => 8,
            // Frame header descriptor (section 3.1.1.1.1).
            (Part::Header, [_, _, _, _, descriptor, ..]) => {
                let single = usize::from(descriptor >> 5 & 1);
                let dictionary = [0, 1, 2, 4][usize::from(descriptor & 3)];
                let size = [single, 2, 4, 8][usize::from(descriptor >> 6)];
                5 + (1 - single) + dictionary + size
            }
            (Part::Header, _) => 5,
            // Block header (section 3.1.1.2): last, type, size; of a run, a single byte follows.
            (Part::Block, [a, b, c, ..]) => {
                let size = usize::from(*a) >> 3 | usize::from(*b) << 5 | usize::from(*c) << 13;
                3 + if a >> 1 & 3 == 1 { 1 } else { size }
            }
            (Part::Block, _) => 3,
        }
    }

    /// Hands the held part to the decoder.
    fn part(&mut self) -> Option<Damage> {
        let held = std::mem::take(&mut self.held);
        if self.part == Part::Header {
            if let [0x50..=0x5f, 0x2a, 0x4d, 0x18, a, b, c, d] = held[..] {
                self.skip = Some(u32::from_le_bytes([a, b, c, d]).into());
                return None;
            }
            self.part = Part::Block;
            return self
                .decoder
                .init(&held[..])
                .err()
                .map(|_| Damage::BadStructure("a frame that cannot be unpacked"));
        }
        if self.part == Part::Block && held[0] & 1 == 1 {
            self.part = Part::Checksum;
        }
        match self.decoder.decode_from_to(&held, &mut []) {
            Ok((used, _)) if used == held.len() => None,
            _ => Some(Damage::BadChecksum),
        }
    }

    fn read(&mut self, buffer: &mut [u8]) -> usize {
        std::io::Read::read(&mut self.decoder, buffer).unwrap_or(0)
    }

    /// Nothing more will come: an empty last block makes the decoder give what it holds.
    fn give_up(&mut self) {
        let last: &[u8] = match self.part {
            Part::Header => return,
            // The header of a block of no bytes, and a checksum.
            Part::Block => &[1, 0, 0, 0, 0, 0, 0],
            Part::Checksum => &[0; 4],
        };
        let _ = self.decoder.decode_from_to(last, &mut []);
    }
}
