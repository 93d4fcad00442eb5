//! Whose file it is: the VINs that were heard, and from whom.

use super::summary::{VinLine, VinSource};
use crate::model::vin;

/// Different pairs of VIN and sender that are kept.
const MOST: usize = 16;

#[derive(Debug, Default)]
pub(super) struct Identity {
    vins: Vec<(u8, VinLine)>,
}

impl Identity {
    /// Characters in the place of a VIN. What is no VIN is no statement: a control unit that was never told its vehicle
    /// sends blanks, `NOTAVAILABLE`, or all ones.
    pub fn heard(&mut self, bus: u8, source: VinSource, address: u8, text: &[u8]) {
        let text = text.split(|byte| *byte == b'*').next().unwrap_or_default();
        let Ok(text) = std::str::from_utf8(text) else { return };
        let Ok(value) = vin::parse(text.trim_matches(|c: char| c == '\0' || c.is_ascii_whitespace())) else {
            return;
        };
        let known = self
            .vins
            .iter()
            .any(|(on, vin)| (*on, vin.source, vin.address) == (bus, source, address) && vin.value == value);
        if !known && self.vins.len() < MOST {
            let check_digit = vin::check_digit_fits(&value);
            self.vins.push((bus, VinLine { value, source, address, check_digit }));
        }
    }

    /// The vehicle's VIN, and all that were heard: an exchanged control unit may still tell the vehicle that it comes
    /// from, so most senders decide, and among as many the engine's, which has the lowest address.
    pub fn end(self) -> (Option<VinLine>, Vec<VinLine>) {
        let vins: Vec<VinLine> = self.vins.into_iter().map(|(_, vin)| vin).collect();
        let votes = |vin: &VinLine| vins.iter().filter(|other| other.value == vin.value).count();
        let chosen = vins.iter().min_by_key(|vin| (std::cmp::Reverse(votes(vin)), vin.source, vin.address));
        (chosen.cloned(), vins)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OURS: &[u8] = b"1M8GDM9AXKP042788*";
    const OTHER: &[u8] = b"1G4AH59H45G118341*";

    #[test]
    fn most_senders_decide_then_the_engine() {
        let mut identity = Identity::default();
        identity.heard(0, VinSource::J1939, 0, OTHER);
        identity.heard(0, VinSource::J1939, 0x21, OURS);
        identity.heard(0, VinSource::J1939, 0xEE, OURS);
        identity.heard(0, VinSource::J1939, 0xEE, OURS);
        let (vin, vins) = identity.end();
        assert_eq!(vin.map(|vin| (vin.value, vin.address)), Some(("1M8GDM9AXKP042788".into(), 0x21)));
        assert_eq!(vins.len(), 3);
        let mut identity = Identity::default();
        identity.heard(0, VinSource::J1939, 0x21, OURS);
        identity.heard(0, VinSource::J1939, 0, OTHER);
        assert_eq!(identity.end().0.map(|vin| vin.address), Some(0));
    }

    #[test]
    fn what_is_no_vin_is_no_statement() {
        let mut identity = Identity::default();
        for text in
            [&b"*"[..], b"", b"NOTAVAILABLE*", &[0xFF; 17], b"OSEV__ BMS       ", b"1M8GDM9AXKP04278*"]
        {
            identity.heard(0, VinSource::Obd, 0xE8, text);
        }
        identity.heard(0, VinSource::J1939, 0, b"\0\0 1m8gdm9axkp042788 *rest");
        let (vin, vins) = identity.end();
        assert_eq!(vins.len(), 1);
        assert!(vin.is_some_and(|vin| vin.check_digit && vin.value == "1M8GDM9AXKP042788"));
    }
}
