//! Where a frame's parts lie in a record of its channel group.
//!
//! Names and meanings are those of ASAM MDF Bus Logging 1.0, CAN (from memory, confirmed with asammdf and python-can).

use super::super::frame::{Kind, LENGTHS};
use super::field::{Field, Time};

/// What we need to know of a channel (CN block).
#[derive(Debug, Clone, Default)]
pub(super) struct Channel {
    /// Where its block is.
    pub(super) block: u64,
    /// `CAN_DataFrame.ID` and the like.
    pub(super) name: String,
    /// 0 fixed length, 1 variable length, 2 master, 3 virtual master, 5 up to a maximum length.
    pub(super) kind: u8,
    /// Of a master: 1 is time.
    pub(super) sync: u8,
    /// 0, 1 unsigned (little, big endian), 2, 3 signed, 4, 5 real, above that bytes and texts.
    pub(super) data_type: u8,
    /// The first bit in the first byte.
    pub(super) bit: u8,
    pub(super) byte: u32,
    pub(super) bits: u32,
    /// The link to its variable-length data, or to the channel with its length.
    pub(super) data: u64,
    /// The link to its conversion.
    pub(super) conversion: u64,
}

/// What the records of a group are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Event {
    Data,
    Remote,
    Error,
    /// An overload frame carries nothing: it is counted, not given.
    Overload,
}

impl Event {
    /// The event that a channel of this name describes, and the name of its part (empty: the event as a whole).
    pub(super) fn of(name: &str) -> Option<(Self, &str)> {
        let (event, part) = name.split_once('.').unwrap_or((name, ""));
        let event = match event {
            "CAN_DataFrame" => Self::Data,
            "CAN_RemoteFrame" => Self::Remote,
            "CAN_ErrorFrame" => Self::Error,
            "CAN_OverloadFrame" => Self::Overload,
            _ => return None,
        };
        Some((event, part))
    }
}

/// Where the payload is.
#[derive(Debug, Clone, Copy)]
pub(super) enum Payload {
    /// Nowhere.
    None,
    /// In the record: first byte, most bytes.
    Inline(usize, usize),
    /// Elsewhere, behind the link: this field says at which byte of the signal data.
    Signal(Field, u64),
}

/// How to read a record.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) event: Event,
    pub(super) time: Time,
    pub(super) payload: Payload,
    /// Which bus; `None` where the group is of one bus.
    pub(super) bus: Option<Field>,
    id: Field,
    extended: Option<Field>,
    code: Field,
    length: Option<Field>,
    sent: Field,
    fd: Field,
    brs: Field,
    esi: Field,
    error: Field,
}

/// A record's frame, besides its time, its bus and its bytes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Parts {
    pub(super) id: u32,
    pub(super) kind: Kind,
    pub(super) len: u8,
}

impl Layout {
    /// The layout of records of `record` bytes with these channels; what is wrong where frames cannot be read from them.
    /// `part` says by which names the parts of the event go.
    pub(super) fn of(
        event: Event,
        time: Time,
        channels: &[Channel],
        record: u32,
    ) -> Result<Self, &'static str> {
        let channel = |part: &str| {
            channels.iter().find(|channel| match Event::of(&channel.name) {
                Some((of, name)) => of == event && name == part,
                None => channel.name == part,
            })
        };
        let optional = |part: &str| match channel(part) {
            Some(channel) => {
                Field::of(channel, record).map(Some).ok_or("a part of a frame outside its record")
            }
            None => Ok(None),
        };
        let field = |part: &str| optional(part).map(|field| field.unwrap_or(Field::NONE));
        let id = optional("ID")?;
        if id.is_none() && matches!(event, Event::Data | Event::Remote) {
            return Err("frames without an identifier");
        }
        let payload = match channel("DataBytes") {
            None => Payload::None,
            Some(bytes) if bytes.kind == 1 => Payload::Signal(
                Field::of(bytes, record).ok_or("a part of a frame outside its record")?,
                bytes.data,
            ),
            Some(bytes) => {
                let most = bytes.bits / 8;
                if bytes.bit != 0 || bytes.byte.checked_add(most).is_none_or(|end| end > record) {
                    return Err("a part of a frame outside its record");
                }
                Payload::Inline(bytes.byte as usize, most as usize)
            }
        };
        let length = match (optional("DataLength")?, channel("DataBytes")) {
            // The length of a value of up to a maximum length is in the channel that it links to.
            (None, Some(bytes)) if bytes.kind == 5 => channels
                .iter()
                .find(|channel| channel.block == bytes.data)
                .and_then(|channel| Field::of(channel, record)),
            // A remote frame has no bytes; what it asks for is in its length code.
            (_, _) if event == Event::Remote && channel("DLC").is_some() => None,
            (length, _) => length,
        };
        Ok(Self {
            event,
            time,
            payload,
            bus: optional("BusChannel")?,
            id: id.unwrap_or(Field::NONE),
            extended: optional("IDE")?,
            code: field("DLC")?,
            length,
            sent: field("Dir")?,
            fd: field("EDL")?,
            brs: field("BRS")?,
            esi: field("ESI")?,
            error: field("ErrorType")?,
        })
    }

    /// What the record that `window` begins with says.
    #[inline]
    pub(super) fn parts(&self, window: &[u8]) -> Parts {
        let raw = self.id.get(window);
        // Bit 31 marks an extended identifier where the record has no field for it.
        let extended = self
            .extended
            .map_or(raw & 0x8000_0000 != 0 || raw & 0x1FFF_FFFF > 0x7FF, |field| field.get(window) != 0);
        let fd = self.fd.get(window) != 0;
        let mut kind = Kind::DATA;
        let mut mark = |set: bool, what: Kind| {
            if set {
                kind = kind.with(what);
            }
        };
        mark(extended, Kind::EXTENDED);
        mark(fd, Kind::FD);
        mark(fd && self.brs.get(window) != 0, Kind::BRS);
        mark(fd && self.esi.get(window) != 0, Kind::ESI);
        mark(self.sent.get(window) == 1, Kind::SENT);
        mark(self.event == Event::Remote, Kind::REMOTE);
        mark(self.event == Event::Error, Kind::ERROR);
        let by_code = |most: u8| LENGTHS[(self.code.get(window) & 15) as usize].min(most);
        let len = match self.length {
            Some(length) => length.get(window).min(64) as u8,
            None => by_code(if fd { 64 } else { 8 }),
        };
        let id = match self.event {
            Event::Error => class(self.error.get(window)),
            _ => (raw & 0x1FFF_FFFF) as u32,
        };
        Parts { id, kind, len }
    }
}

/// The error class bits for a recorded error type: 1 bit, 2 form, 3 stuffing and 4 check sum are violations of the protocol,
/// 5 a missing acknowledgement (ASAM MDF Bus Logging, from memory; bits as in Linux `can/error.h`).
fn class(error: u64) -> u32 {
    match error {
        1..=4 => 0x08,
        5 => 0x20,
        _ => 0,
    }
}
