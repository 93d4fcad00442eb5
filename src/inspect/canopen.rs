//! CANopen (CiA 301): what a machine's bus tells about itself without being asked.

use jiff::Timestamp;

/// Identifier of the time object.
pub const TIME: u32 = 0x100;
/// 1984-01-01, from which the time object counts days, s since 1970.
const EPOCH: i64 = 441_763_200;

/// The node that owns an identifier between these two, when it is one of a node's.
const fn node(id: u32, base: u32) -> Option<u8> {
    match id.wrapping_sub(base) {
        node @ 1..=127 => Some(node as u8),
        _ => None,
    }
}

/// Time of day (CiA 301, 7.2.6): milliseconds in 28 bits, days in 16.
pub fn time(data: &[u8]) -> Option<Timestamp> {
    let [a, b, c, d, e, f] = *data else { return None };
    let ms = i64::from(u32::from_le_bytes([a, b, c, d & 0x0F]));
    let days = i64::from(u16::from_le_bytes([e, f]));
    if ms >= 86_400_000 {
        return None;
    }
    Timestamp::from_millisecond((EPOCH + days * 86_400) * 1000 + ms).ok()
}

/// The node that sends its heartbeat or boot-up message here: boot-up 0, stopped 4, operational 5, pre-operational 127.
pub fn heartbeat(id: u32, data: &[u8]) -> Option<u8> {
    matches!(*data, [0 | 4 | 5 | 127]).then(|| node(id, 0x700))?
}

/// A part of a node's identity, object 1018h, in the answer to somebody who read it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity {
    /// Whose.
    pub node: u8,
    /// 1 vendor, 2 product, 3 revision, 4 serial number.
    pub part: u8,
    /// Its value.
    pub value: u32,
}

/// An expedited answer with four bytes of object 1018h.
pub fn identity(id: u32, data: &[u8]) -> Option<Identity> {
    let [0x43, 0x18, 0x10, part @ 1..=4, value @ ..] = *<&[u8; 8]>::try_from(data).ok()? else { return None };
    Some(Identity { node: node(id, 0x580)?, part, value: u32::from_le_bytes(value) })
}

#[cfg(test)]
mod tests {
    use super::super::check_values::{bytes, number, text, topic};
    use super::*;

    /// `canopen`: CiA 301, 7.2.6 and the example in the documentation of canopen-rs.
    #[test]
    fn published_times_are_read() {
        let entries = topic("canopen", 2);
        let days = number(&entries[0], "/expected") as u16;
        let [low, high] = days.to_le_bytes();
        let day: Timestamp = "2026-11-24T00:00:00Z".parse().expect("day");
        assert_eq!(time(&[0, 0, 0, 0, low, high]), Some(day));
        let is = time(&bytes(text(&entries[1], "/expected"))).expect("time");
        let (ms, days) = (number(&entries[1], "/input/ms") as i64, number(&entries[1], "/input/days") as i64);
        assert_eq!(is.as_millisecond(), (EPOCH + days * 86_400) * 1000 + ms);
        assert_eq!(time(&[0; 8]), None, "a time object has six bytes");
        assert_eq!(time(&[0xFF; 6]), None, "a day has fewer milliseconds");
    }

    #[test]
    fn a_node_is_known_by_its_heartbeat_and_identity() {
        assert_eq!(heartbeat(0x70A, &[5]), Some(10));
        assert_eq!(heartbeat(0x700, &[5]), None);
        assert_eq!(heartbeat(0x70A, &[5, 0]), None);
        let serial = Identity { node: 10, part: 4, value: 123_456 };
        assert_eq!(identity(0x58A, &bytes("4318100440E20100")), Some(serial));
        assert_eq!(identity(0x60A, &bytes("4018100400000000")), None, "that is the question");
    }
}
