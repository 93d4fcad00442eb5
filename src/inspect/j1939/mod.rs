//! SAE J1939: who says what on a heavy vehicle's bus.
//!
//! Identifier and parameter groups: J1939-21. Signals and their ranges: J1939-71 and its digital annex; the standards are
//! sold, so scales were read in open interface descriptions (FMS standard, ISO 11783-7 notes) and open code.

mod transport;

pub use transport::{Message, Transport};

use jiff::Timestamp;
use jiff::civil::DateTime;

/// The parts of a 29-bit identifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Id {
    /// 0 goes first, 7 last.
    pub priority: u8,
    /// Number of the parameter group, 18 bits. The low byte of one that has a destination is 0.
    pub pgn: u32,
    /// Who sends.
    pub source: u8,
    /// Who is meant, where the group has a destination; 255 is everybody.
    pub destination: Option<u8>,
}

impl Id {
    /// J1939-21, 5.2.
    pub const fn of(id: u32) -> Self {
        let format = (id >> 16) as u8;
        let specific = (id >> 8) as u8;
        // Data page and extended data page stand in front of the format.
        let pgn = (id >> 8) & 0x3_FF00;
        Self {
            priority: (id >> 26) as u8 & 7,
            pgn: if format < 240 { pgn } else { pgn | specific as u32 },
            source: id as u8,
            destination: if format < 240 { Some(specific) } else { None },
        }
    }
}

/// Electronic engine controller 1: SPN 190.
pub const EEC1: u32 = 61_444;
/// Cruise control and vehicle speed: SPN 84.
pub const CCVS: u32 = 65_265;
/// Engine hours: SPN 247.
pub const HOURS: u32 = 65_253;
/// High resolution vehicle distance: SPN 917, 918.
pub const VDHR: u32 = 65_217;
/// Vehicle distance: SPN 245, 244.
pub const VD: u32 = 65_248;
/// Tachograph: SPN 1624.
pub const TCO1: u32 = 65_132;
/// Time and date: SPN 959 to 964, 1601, 1602.
pub const TIME_DATE: u32 = 65_254;
/// Active diagnostic trouble codes (DM1, J1939-73, 5.7.1).
pub const DM1: u32 = 65_226;
/// Vehicle identification: SPN 237.
pub const VI: u32 = 65_260;
/// Connection management of the transport protocol.
pub const TP_CM: u32 = 60_416;
/// Data transfer of the transport protocol.
pub const TP_DT: u32 = 60_160;

/// What a parameter holds (J1939-71, table 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Raw {
    /// A value.
    Value(u32),
    /// What the parameter itself defines.
    Specific,
    /// Reserved.
    Reserved,
    /// The sender says that it cannot know.
    Error,
    /// The sender has no such thing.
    NotAvailable,
}

impl Raw {
    const fn judged(value: u32, top: u8) -> Self {
        match top {
            0..=0xFA => Self::Value(value),
            0xFB => Self::Specific,
            0xFC | 0xFD => Self::Reserved,
            0xFE => Self::Error,
            0xFF => Self::NotAvailable,
        }
    }

    /// One byte.
    pub const fn byte(value: u8) -> Self {
        Self::judged(value as u32, value)
    }

    /// Two bytes, the low one first; its high byte decides.
    pub fn word(data: &[u8], at: usize) -> Self {
        let two = data.get(at..).and_then(<[u8]>::first_chunk);
        two.map_or(Self::NotAvailable, |two| Self::judged(u32::from(u16::from_le_bytes(*two)), two[1]))
    }

    /// Four bytes, the low one first; its highest byte decides.
    pub fn double(data: &[u8], at: usize) -> Self {
        let four = data.get(at..).and_then(<[u8]>::first_chunk);
        four.map_or(Self::NotAvailable, |four| Self::judged(u32::from_le_bytes(*four), four[3]))
    }

    /// The value times a scale, if there is one.
    pub fn scaled(self, scale: f64) -> Option<f64> {
        match self {
            Self::Value(value) => Some(f64::from(value) * scale),
            _ => None,
        }
    }
}

/// Engine speed in rpm (SPN 190), of [`EEC1`].
pub fn engine_speed(data: &[u8]) -> Option<f64> {
    Raw::word(data, 3).scaled(0.125)
}

/// Wheel-based speed in km/h (SPN 84), of [`CCVS`].
pub fn wheel_speed(data: &[u8]) -> Option<f64> {
    Raw::word(data, 1).scaled(1.0 / 256.0)
}

/// Tachograph's speed in km/h (SPN 1624), of [`TCO1`].
pub fn tachograph_speed(data: &[u8]) -> Option<f64> {
    Raw::word(data, 6).scaled(1.0 / 256.0)
}

/// Total engine hours (SPN 247), of [`HOURS`].
pub fn engine_hours(data: &[u8]) -> Option<f64> {
    Raw::double(data, 0).scaled(0.05)
}

/// Total distance in km, to 5 m (SPN 917), of [`VDHR`].
pub fn fine_distance(data: &[u8]) -> Option<f64> {
    Raw::double(data, 0).scaled(0.005)
}

/// Total distance in km, to 125 m (SPN 245), of [`VD`].
pub fn distance(data: &[u8]) -> Option<f64> {
    Raw::double(data, 4).scaled(0.125)
}

/// A lamp of the instrument panel that [`DM1`] can light (J1939-73, 5.7.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Lamp {
    /// Malfunction of what cleans the exhaust.
    Malfunction,
    /// Red: stop.
    Stop,
    /// Amber: a warning.
    Warning,
    /// Protect: not of the electronics.
    Protect,
}

/// An active trouble code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Trouble {
    /// Suspect parameter number, 19 bits.
    pub spn: u32,
    /// Failure mode, 0 to 31.
    pub fmi: u8,
    /// How often it came, 0 to 126; 127 where that is not counted.
    pub count: u8,
}

/// The lamps that are lit, of [`DM1`]: two bits each, of which 01 is on.
pub fn lamps(data: &[u8]) -> impl Iterator<Item = Lamp> {
    let status = data.first().copied().unwrap_or(0xFF);
    let lamps = [(6, Lamp::Malfunction), (4, Lamp::Stop), (2, Lamp::Warning), (0, Lamp::Protect)];
    lamps.into_iter().filter(move |(shift, _)| status >> shift & 3 == 1).map(|(_, lamp)| lamp)
}

/// The codes of [`DM1`]: four bytes each behind the two of the lamps. One of parameter 0 is none, nor is one of all ones.
/// What is of an older conversion method (its bit is set) orders the bits in ways that nothing tells, and is passed over.
pub fn troubles(data: &[u8]) -> impl Iterator<Item = Trouble> {
    let (codes, _) = data.get(2..).unwrap_or_default().as_chunks::<4>();
    codes.iter().filter_map(|&[low, high, top, last]| {
        let spn = u32::from(low) | u32::from(high) << 8 | u32::from(top >> 5) << 16;
        let code = Trouble { spn, fmi: top & 31, count: last & 127 };
        (last < 128 && !matches!(spn, 0 | 0x7_FFFF)).then_some(code)
    })
}

/// What [`TIME_DATE`] says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VehicleTime {
    /// Universal time.
    Utc(Timestamp),
    /// The sender's local time, of a zone that it does not tell; read as if it were universal.
    Local(Timestamp),
}

/// Time and date, of [`TIME_DATE`]; `None` for one that is not set. An hour offset of 125 says that the time is local
/// (ISO 11783-7, A.4).
pub fn time_date(data: &[u8]) -> Option<VehicleTime> {
    let [quarters, minute, hour, month, day, year, _, offset, ..] = *data else { return None };
    let quarters = match Raw::byte(quarters) {
        Raw::Value(quarters) if quarters < 240 => quarters as i32,
        _ => return None,
    };
    // Days count in quarters from 1, of which 1 to 4 are the first.
    let day = day.checked_sub(1).filter(|day| *day <= 0xFA)? / 4 + 1;
    let number = |value: u8| i8::try_from(value).ok();
    let date = DateTime::new(
        1985 + i16::from(year),
        number(month)?,
        number(day)?,
        number(hour)?,
        number(minute)?,
        i8::try_from(quarters / 4).ok()?,
        quarters % 4 * 250_000_000,
    );
    let at = date.ok()?.in_tz("UTC").ok()?.timestamp();
    Some(if offset == 250 { VehicleTime::Local(at) } else { VehicleTime::Utc(at) })
}

#[cfg(test)]
mod tests {
    use super::super::check_values::{bytes, number, text, topic};
    use super::*;

    /// `j1939_pgn`: SAE J1939-21, layout of the 29-bit identifier.
    #[test]
    fn published_identifiers_fall_into_their_parts() {
        for entry in topic("j1939_pgn", 20) {
            let id = u32::from_str_radix(text(&entry, "/input"), 16).expect("id");
            let parts = Id::of(id);
            let is = |at: &str| number(&entry, &format!("/expected/{at}")) as u32;
            assert_eq!(u32::from(parts.priority), is("priority"), "{entry}");
            assert_eq!(parts.pgn, is("pgn"), "{entry}");
            assert_eq!(u32::from(parts.source), is("sa"), "{entry}");
            let destination = entry["expected"]["da"].as_u64().and_then(|da| u8::try_from(da).ok());
            assert_eq!(parts.destination, destination, "{entry}");
            assert_eq!((parts.pgn >> 17, (parts.pgn >> 16) & 1), (is("edp"), is("dp")), "{entry}");
        }
    }

    /// `j1939_signal`: SAE J1939-71 scales, cross-read in open interface documents and open code.
    #[test]
    fn published_signals_have_their_values() {
        let entries = topic("j1939_signal", 14);
        let of = |id: &str| {
            let entry = entries.iter().find(|e| e["id"] == id).expect("entry");
            (bytes(text(entry, "/input/bytes")), text(entry, "/expected").to_owned())
        };
        // The number in front of the words.
        let expect = |id: &str, value: fn(&[u8]) -> Option<f64>| {
            let (data, expected) = of(id);
            let expected: f64 = expected.split(' ').next().and_then(|n| n.parse().ok()).expect("number");
            let is = value(&data).expect("value");
            assert!((is - expected).abs() < 1e-9, "{id}: {is}");
        };
        expect("spn190-800", engine_speed);
        expect("spn190-1500", engine_speed);
        expect("spn190-max", engine_speed);
        expect("spn84", wheel_speed);
        expect("spn247", engine_hours);
        expect("spn917", fine_distance);
        expect("spn245", distance);
        assert_eq!(Raw::word(&of("spn190-na").0, 3), Raw::NotAvailable);
        assert_eq!(Raw::word(&of("spn190-err").0, 3), Raw::Error);
        assert_eq!(tachograph_speed(&[0xFF; 8]), None);
        assert_eq!(tachograph_speed(&[0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0x50]), Some(80.0));
    }

    /// `j1939_signal`, PGN 65226: J1939-73, layout of a trouble code.
    #[test]
    fn active_trouble_codes_are_read() {
        for (id, lit, codes) in [
            ("dm1-none", None, vec![]),
            ("dm1-1", Some(Lamp::Warning), vec![Trouble { spn: 1208, fmi: 3, count: 10 }]),
            ("dm1-19bit", None, vec![Trouble { spn: 524_273, fmi: 3, count: 127 }]),
        ] {
            let entries = topic("j1939_signal", 14);
            let entry = entries.iter().find(|e| e["id"] == id).expect("entry");
            let data = bytes(text(entry, "/input/bytes"));
            assert_eq!(lamps(&data).collect::<Vec<_>>(), lit.into_iter().collect::<Vec<_>>(), "{entry}");
            assert_eq!(troubles(&data).collect::<Vec<_>>(), codes, "{entry}");
        }
        assert_eq!(troubles(&bytes("04FFB804038AFFFF")).next(), None, "of another conversion method");
        assert_eq!((lamps(&[]).next(), troubles(&[0xFF; 3]).next()), (None, None));
        assert_eq!(troubles(&[0xFF; 8]).next(), None, "not available");
    }

    /// `j1939_signal`, PGN 65254: J1939-71 and ISO 11783-7, A.4.
    #[test]
    fn time_and_date_know_whether_they_are_local() {
        let at = "2026-03-02T05:10:07Z".parse().expect("time");
        assert_eq!(time_date(&bytes("1C0A050305297D7D")), Some(VehicleTime::Utc(at)));
        assert_eq!(time_date(&bytes("1C0A050305297DFA")), Some(VehicleTime::Local(at)));
        for unset in
            ["FFFFFFFFFFFFFFFF", "1C0A0503052", "F00A050305297D7D", "1C0A050300297D7D", "1C0A051F09297D7D"]
        {
            let data = hex::decode(unset).unwrap_or_else(|_| vec![0x1C, 0x0A]);
            assert_eq!(time_date(&data), None, "{unset}");
        }
    }

    /// `j1939_ranges`: SAE J1939-71, table 1.
    #[test]
    fn ranges_begin_and_end_where_the_table_says() {
        let entries = topic("j1939_ranges", 3);
        for (member, is) in [
            ("valid", (|raw| matches!(raw, Raw::Value(_))) as fn(Raw) -> bool),
            ("parameter_specific", |raw| raw == Raw::Specific),
            ("reserved", |raw| raw == Raw::Reserved),
            ("error", |raw| raw == Raw::Error),
            ("not_available", |raw| raw == Raw::NotAvailable),
        ] {
            for entry in &entries {
                let range = text(entry, &format!("/expected/{member}"));
                let (low, high) = range.split_once('-').unwrap_or((range, range));
                for (text, filler) in [(low, "0"), (high, "F")] {
                    let mut bytes = bytes(&text.replace('x', filler));
                    bytes.reverse();
                    let raw = match *bytes {
                        [byte] => Raw::byte(byte),
                        [_, _] => Raw::word(&bytes, 0),
                        _ => Raw::double(&bytes, 0),
                    };
                    assert!(is(raw), "{member} {text}: {raw:?}");
                }
            }
        }
    }
}
