//! Capture files with frames in their packets (draft-ietf-opsawg-pcap, "PCAP Capture File Format").
//!
//! A file tells neither how many packets it has nor where it ends: a cut between two packets does not show.

use super::damage::Damage;
use super::frame::Sink;
use super::pieces::{Pieces, Take};
use super::socketcan::{LinkType, Packets};

/// The file's header and that of a packet.
const HEAD: usize = 24;
const RECORD: usize = 16;
/// A packet's bytes at most: the largest limit that libpcap sets (`MAXIMUM_SNAPLEN`).
const LONGEST: u32 = 262_144;

/// How the numbers of a file are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Magic {
    pub big: bool,
    nanos: bool,
}

impl Magic {
    /// By the file's first four bytes.
    pub fn new(bytes: [u8; 4]) -> Option<Self> {
        match bytes {
            [0xa1, 0xb2, 0xc3, 0xd4] => Some(Self { big: true, nanos: false }),
            [0xa1, 0xb2, 0x3c, 0x4d] => Some(Self { big: true, nanos: true }),
            [0xd4, 0xc3, 0xb2, 0xa1] => Some(Self { big: false, nanos: false }),
            [0x4d, 0x3c, 0xb2, 0xa1] => Some(Self { big: false, nanos: true }),
            _ => None,
        }
    }
}

/// A number of four bytes.
pub(super) fn word(bytes: [u8; 4], big: bool) -> u32 {
    if big { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) }
}

/// Reads a capture file as it arrives.
#[derive(Debug, Default)]
pub struct Pcap {
    pieces: Pieces,
    reader: Reader,
}

#[derive(Debug, Default)]
struct Reader {
    head: Option<(Magic, LinkType)>,
    packets: Packets,
    /// Zero bytes where a packet should begin, from here on.
    zeros: Option<u64>,
}

impl Pcap {
    /// At the beginning of a file.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the next bytes.
    pub fn push<S: Sink>(&mut self, bytes: &[u8], sink: &mut S) {
        let reader = &mut self.reader;
        self.pieces.push(bytes, |at, bytes| reader.take(at, bytes, sink));
    }

    /// The file ends here.
    pub fn finish<S: Sink>(self, sink: &mut S) {
        let Some(left) = self.pieces.finish() else { return };
        let all_zero = left.bytes.iter().all(|byte| *byte == 0);
        let end = left.at + left.bytes.len() as u64;
        match self.reader.zeros {
            Some(from) if all_zero => sink.damage(from, Damage::NulTail(end - from)),
            _ if left.torn => sink.damage(left.at, Damage::TornRecord),
            _ => {}
        }
    }
}

impl Reader {
    fn take<S: Sink>(&mut self, at: u64, bytes: &[u8], sink: &mut S) -> Take {
        let Some((magic, link)) = self.head else { return self.begin(bytes, sink) };
        if self.zeros.is_some() {
            return self.zero(at, bytes, sink);
        }
        let Some((head, rest)) = bytes.split_first_chunk::<RECORD>() else { return Take::More };
        let field = |n: usize| word([head[n], head[n + 1], head[n + 2], head[n + 3]], magic.big);
        let (seconds, fraction, kept) = (field(0), field(4), field(8));
        if head == &[0; RECORD] {
            self.zeros = Some(at);
            return self.zero(at, bytes, sink);
        }
        if kept > LONGEST {
            sink.damage(at, Damage::BadStructure("a packet longer than any may be"));
            return Take::Stop;
        }
        let Some(body) = rest.get(..kept as usize) else { return Take::More };
        let scale = if magic.nanos { 1 } else { 1000 };
        let time = i64::from(seconds) * 1_000_000_000 + i64::from(fraction) * scale;
        self.packets.tell((at, time), body, (Some(link), magic.big), None, sink);
        Take::Used((RECORD + body.len()) as u64)
    }

    fn begin<S: Sink>(&mut self, bytes: &[u8], sink: &mut S) -> Take {
        let Some(head) = bytes.first_chunk::<HEAD>() else { return Take::More };
        let Some(magic) = Magic::new([head[0], head[1], head[2], head[3]]) else {
            sink.damage(0, Damage::BadStructure("no capture file"));
            return Take::Stop;
        };
        // The high half tells of frame check sequences.
        let number = word([head[20], head[21], head[22], head[23]], magic.big) as u16;
        let Some(link) = LinkType::new(number) else {
            sink.damage(20, Damage::BadStructure("its link type holds no CAN frames that are read"));
            return Take::Stop;
        };
        self.head = Some((magic, link));
        Take::Used(HEAD as u64)
    }

    fn zero<S: Sink>(&mut self, at: u64, bytes: &[u8], sink: &mut S) -> Take {
        match bytes.iter().position(|byte| *byte != 0) {
            None => Take::Used(bytes.len() as u64),
            Some(first) => {
                let what = "something behind zeros where a packet should begin";
                sink.damage(at + first as u64, Damage::BadStructure(what));
                Take::Stop
            }
        }
    }
}
