//! Capture files of blocks (draft-ietf-opsawg-pcapng, "PCAP Now Generic (pcapng) Capture File Format").

use super::damage::Damage;
use super::frame::Sink;
use super::pcap::word;
use super::pieces::{Pieces, Take};
use super::socketcan::{LinkType, Packets};

/// Block types (section 4; the obsolete packet block: appendix A).
const SECTION: u32 = 0x0a0d_0d0a;
const INTERFACE: u32 = 1;
const OLD_PACKET: u32 = 2;
const SIMPLE_PACKET: u32 = 3;
const PACKET: u32 = 6;
/// Bytes of a block that is read; longer ones are passed over where nothing of ours can be in them.
const LONGEST: u64 = 1024 * 1024;
/// Interfaces of a section at most.
const MOST: usize = 1024;

/// One interface, as its block describes it.
#[derive(Debug, Clone)]
struct Interface {
    link: Option<LinkType>,
    /// Its name, else its number.
    name: Vec<u8>,
    /// What one tick lasts.
    tick: Tick,
    /// Seconds to add.
    offset: i64,
}

#[derive(Debug, Clone, Copy)]
enum Tick {
    /// 10 to the minus n seconds.
    Ten(u8),
    /// 2 to the minus n seconds.
    Two(u8),
}

impl Tick {
    /// Nanoseconds of that many ticks; what 64 bits cannot hold is held at their end.
    #[inline]
    fn nanoseconds(self, ticks: u64, offset: i64) -> i64 {
        let ticks = i128::from(ticks);
        let nanos = match self {
            Tick::Ten(n @ 0..=9) => ticks * 10i128.pow(9 - u32::from(n)),
            Tick::Ten(n) => 10i128.checked_pow(u32::from(n) - 9).map_or(0, |scale| ticks / scale),
            Tick::Two(n) => (ticks * 1_000_000_000).checked_shr(n.into()).unwrap_or(0),
        };
        let sum = nanos + i128::from(offset) * 1_000_000_000;
        i64::try_from(sum).unwrap_or(if sum < 0 { i64::MIN } else { i64::MAX })
    }
}

/// Reads a capture file as it arrives.
#[derive(Debug, Default)]
pub struct Pcapng {
    pieces: Pieces,
    reader: Reader,
}

#[derive(Debug, Default)]
struct Reader {
    big: bool,
    begun: bool,
    interfaces: Vec<Interface>,
    packets: Packets,
    /// The last packet's time, for those that tell none.
    last: i64,
    timeless: bool,
    zeros: Option<u64>,
}

impl Pcapng {
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
        let end = left.at + left.bytes.len() as u64;
        match self.reader.zeros {
            Some(from) => sink.damage(from, Damage::NulTail(end - from)),
            None if left.torn => sink.damage(left.at, Damage::TornRecord),
            None => {}
        }
    }
}

impl Reader {
    fn take<S: Sink>(&mut self, at: u64, bytes: &[u8], sink: &mut S) -> Take {
        if self.zeros.is_some() || bytes.first_chunk::<8>() == Some(&[0; 8]) {
            if let Some(first) = bytes.iter().position(|byte| *byte != 0) {
                return broken(at + first as u64, "something behind zeros where a block should begin", sink);
            }
            self.zeros.get_or_insert(at);
            return Take::Used(bytes.len() as u64);
        }
        let Some(head) = bytes.first_chunk::<12>() else { return Take::More };
        let field = |n: usize, big| word([head[n], head[n + 1], head[n + 2], head[n + 3]], big);
        // The same in both byte orders; the third word says which one the section has.
        if field(0, true) == SECTION {
            self.big = match field(8, true) {
                0x1a2b_3c4d => true,
                0x4d3c_2b1a => false,
                _ => return broken(at, "a section without its byte order", sink),
            };
            self.begun = true;
        } else if !self.begun {
            return broken(at, "no capture file", sink);
        }
        let (kind, length) = (field(0, self.big), u64::from(field(4, self.big)));
        if length < 12 || length % 4 != 0 {
            return broken(at, "a block whose length cannot be", sink);
        }
        let ours = matches!(kind, SECTION | INTERFACE | OLD_PACKET | SIMPLE_PACKET | PACKET);
        if !ours {
            return Take::Used(length);
        }
        if length > LONGEST {
            return broken(at, "a block longer than any of its kind", sink);
        }
        let Some(block) = usize::try_from(length).ok().and_then(|length| bytes.get(..length)) else {
            return Take::More;
        };
        let (inner, end) = (&block[8..block.len() - 4], &block[block.len() - 4..]);
        if end != &block[4..8] {
            return broken(at, "a block whose two lengths differ", sink);
        }
        match kind {
            SECTION => self.interfaces.clear(),
            INTERFACE => {
                if self.interfaces.len() == MOST {
                    return broken(at, "more interfaces than any section has", sink);
                }
                match self.interface(inner) {
                    Some(interface) => self.interfaces.push(interface),
                    None => return broken(at, "an interface that is not described", sink),
                }
            }
            _ => {
                if self.packet(at, kind, inner, sink).is_none() {
                    sink.damage(at, Damage::BadStructure("a packet that its block does not hold"));
                }
            }
        }
        Take::Used(length)
    }

    /// Section 4.2: link type, a reserved half word, the longest packet, options.
    fn interface(&self, block: &[u8]) -> Option<Interface> {
        let (head, mut options) = block.split_first_chunk::<8>()?;
        let mut interface = Interface {
            link: LinkType::new(self.half([head[0], head[1]])),
            name: self.interfaces.len().to_string().into_bytes(),
            tick: Tick::Ten(6),
            offset: 0,
        };
        while let Some((head, rest)) = options.split_first_chunk::<4>() {
            let (code, length) = (self.half([head[0], head[1]]), usize::from(self.half([head[2], head[3]])));
            let value = rest.get(..length)?;
            match (code, value) {
                (0, _) => break,
                (2, name) if !name.is_empty() => interface.name = name.to_vec(),
                (9, [tick]) if tick & 0x80 != 0 => interface.tick = Tick::Two(tick & 0x7f),
                (9, [tick]) => interface.tick = Tick::Ten(*tick),
                (14, &[a, b, c, d, e, f, g, h]) => {
                    let bytes = [a, b, c, d, e, f, g, h];
                    interface.offset =
                        if self.big { i64::from_be_bytes(bytes) } else { i64::from_le_bytes(bytes) };
                }
                _ => {}
            }
            options = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        }
        Some(interface)
    }

    /// Sections 4.3 and 4.4, and the obsolete block. `None` where the block contradicts itself.
    fn packet<S: Sink>(&mut self, at: u64, kind: u32, block: &[u8], sink: &mut S) -> Option<()> {
        let field = |n: usize| Some(word(*block.get(n..)?.first_chunk::<4>()?, self.big));
        let (number, ticks, kept, from) = match kind {
            SIMPLE_PACKET => (0, None, field(0)?.min(u32::try_from(block.len() - 4).ok()?), 4),
            _ => {
                let number = match kind {
                    PACKET => field(0)?,
                    _ => u32::from(self.half(*block.first_chunk::<2>()?)),
                };
                (number, Some(u64::from(field(4)?) << 32 | u64::from(field(8)?)), field(12)?, 20)
            }
        };
        let body = block.get(from..)?.get(..usize::try_from(kept).ok()?)?;
        let interface = self.interfaces.get(usize::try_from(number).ok()?)?;
        let time = match ticks {
            Some(ticks) => interface.tick.nanoseconds(ticks, interface.offset),
            None => {
                if !self.timeless {
                    self.timeless = true;
                    sink.damage(at, Damage::BadStructure("packets that tell no time"));
                }
                self.last
            }
        };
        self.last = time;
        let (link, name) = ((interface.link, self.big), Some(&interface.name[..]));
        self.packets.tell((at, time), body, link, name, sink);
        Some(())
    }

    fn half(&self, bytes: [u8; 2]) -> u16 {
        if self.big { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) }
    }
}

fn broken<S: Sink>(at: u64, what: &'static str, sink: &mut S) -> Take {
    sink.damage(at, Damage::BadStructure(what));
    Take::Stop
}
