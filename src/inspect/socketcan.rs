//! Packets that hold a CAN frame: link type 227 (tcpdump.org, `LINKTYPE_CAN_SOCKETCAN`), and the same
//! behind the headers of link types 113 and 276 (`LINKTYPE_LINUX_SLL`, `LINKTYPE_LINUX_SLL2`).

use super::buses::Buses;
use super::damage::Damage;
use super::frame::{Frame, Kind, Sink};

/// Link types in whose packets frames are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LinkType {
    /// 227.
    SocketCan,
    /// 113.
    Cooked,
    /// 276.
    Cooked2,
}

impl LinkType {
    /// By its number.
    pub fn new(number: u16) -> Option<Self> {
        match number {
            227 => Some(Self::SocketCan),
            113 => Some(Self::Cooked),
            276 => Some(Self::Cooked2),
            _ => None,
        }
    }
}

/// Tells the frames of a capture's packets.
#[derive(Debug, Default)]
pub(super) struct Packets {
    buses: Buses,
    foreign: bool,
}

impl Packets {
    /// Tells the frame of the packet that stands there in the file, or why it has none. `link` is `None` where no frames
    /// are found behind its link type, `name` the interface that it came over, where the packet does not tell.
    #[inline]
    pub fn tell<S: Sink>(
        &mut self,
        (at, time): (u64, i64),
        body: &[u8],
        (link, big): (Option<LinkType>, bool),
        name: Option<&[u8]>,
        sink: &mut S,
    ) {
        match link.map_or(Err(Other::Foreign), |link| packet(body, link, big)) {
            Ok(Packet { id, kind, len, data, interface }) => {
                let bus = match (interface, name) {
                    (Some(index), _) => self.buses.number(index.to_string().as_bytes(), at, sink),
                    (None, Some(name)) => self.buses.number(name, at, sink),
                    (None, None) => 0,
                };
                sink.frame(&Frame { at: time, bus, id, kind, len, data });
            }
            Err(Other::Short) => sink.damage(at, Damage::TornRecord),
            Err(Other::Xl) => sink.damage(at, Damage::BadStructure("a CAN XL frame, which is not read")),
            // A cooked capture of all interfaces has packets of the network, too: told once.
            Err(Other::Foreign) if !std::mem::replace(&mut self.foreign, true) => {
                sink.damage(at, Damage::BadStructure("packets that hold no CAN frame that is read"));
            }
            Err(Other::Foreign) => {}
        }
    }
}

/// A frame in a packet.
pub(super) struct Packet<'a> {
    pub id: u32,
    pub kind: Kind,
    pub len: u8,
    pub data: &'a [u8],
    /// Which interface it was on, where the packet tells.
    pub interface: Option<u32>,
}

/// What a packet is, when it is not a frame that we read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Other {
    /// It is shorter than its headers.
    Short,
    /// A CAN XL frame.
    Xl,
    /// No CAN frame.
    Foreign,
}

/// Reads a packet. `big` is the byte order of the machine that wrote the file: in cooked packets the
/// identifier has it (libpcap, `pcap-common.c`), behind 227 it is big-endian.
#[inline]
pub(super) fn packet(packet: &[u8], link: LinkType, big: bool) -> Result<Packet<'_>, Other> {
    /// Ethertypes of Linux (`if_ether.h`).
    const CAN: [u8; 2] = [0, 0x0c];
    const CAN_FD: [u8; 2] = [0, 0x0d];
    const CAN_XL: [u8; 2] = [0, 0x0e];
    let (protocol, kind, interface, frame) = match link {
        LinkType::SocketCan => return frame(packet, true, None),
        LinkType::Cooked => {
            let (head, frame) = packet.split_first_chunk::<16>().ok_or(Other::Short)?;
            ([head[14], head[15]], head[1], None, frame)
        }
        LinkType::Cooked2 => {
            let (head, frame) = packet.split_first_chunk::<20>().ok_or(Other::Short)?;
            let index = u32::from_be_bytes([head[4], head[5], head[6], head[7]]);
            ([head[0], head[1]], head[10], Some(index), frame)
        }
    };
    let mut read = match protocol {
        CAN | CAN_FD => self::frame(frame, big, interface)?,
        CAN_XL => return Err(Other::Xl),
        _ => return Err(Other::Foreign),
    };
    // Packet type 4: sent by us.
    if kind == 4 {
        read.kind = read.kind.with(Kind::SENT);
    }
    Ok(read)
}

#[inline]
fn frame(packet: &[u8], big: bool, interface: Option<u32>) -> Result<Packet<'_>, Other> {
    const EXTENDED: u32 = 0x8000_0000;
    const REMOTE: u32 = 0x4000_0000;
    const ERROR: u32 = 0x2000_0000;
    const FDF: u8 = 4;
    let ([i, d, e, n, len, flags, _, _], payload) = packet.split_first_chunk::<8>().ok_or(Other::Short)?;
    // The length of an XL frame is elsewhere: its flags lie where others have their length.
    if len & 0x80 != 0 {
        return Err(Other::Xl);
    }
    let word = if big { u32::from_be_bytes([*i, *d, *e, *n]) } else { u32::from_le_bytes([*i, *d, *e, *n]) };
    // What Linux hands out is 16 bytes long for a classic frame, and 72 for FD (`CAN_MTU`, `CANFD_MTU`).
    // Some writers leave the padding of the former as it was in memory, so that its flags say nothing.
    let fd = match packet.len() {
        16 => *len > 8,
        72 => true,
        _ => flags & FDF != 0 || *len > 8,
    };
    let mut kind = if word & EXTENDED != 0 { Kind::EXTENDED } else { Kind::DATA };
    let mut id = word & if word & EXTENDED != 0 { 0x1fff_ffff } else { 0x7ff };
    if word & ERROR != 0 {
        (kind, id) = (Kind::ERROR, word & 0x1fff_ffff);
    } else if fd {
        kind = kind.with(Kind::FD);
        for (bit, mark) in [(1, Kind::BRS), (2, Kind::ESI)] {
            if flags & bit != 0 {
                kind = kind.with(mark);
            }
        }
    } else if word & REMOTE != 0 {
        kind = kind.with(Kind::REMOTE);
    }
    let len = (*len).min(if fd { 64 } else { 8 });
    let kept = if kind.has(Kind::REMOTE) { 0 } else { usize::from(len).min(payload.len()) };
    Ok(Packet { id, kind, len, data: &payload[..kept], interface })
}
