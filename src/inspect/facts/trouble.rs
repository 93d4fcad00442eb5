//! What the vehicle says is wrong with it.

use std::collections::{BTreeMap, BTreeSet};

use super::summary::{TroubleCode, TroubleLine};
use crate::inspect::j1939::{Lamp, Trouble, lamps, troubles};

/// Codes that are told.
const MOST: usize = 50;
/// A count that nobody counts (J1939-73, 5.7.1).
const NOT_COUNTED: u8 = 127;

#[derive(Debug, Default)]
pub(super) struct Troubles {
    lamps: BTreeSet<Lamp>,
    /// How often, by address, parameter and failure mode.
    codes: BTreeMap<(u8, u32, u8), u8>,
}

impl Troubles {
    /// Somebody tells its active codes.
    pub fn heard(&mut self, address: u8, data: &[u8]) {
        self.lamps.extend(lamps(data));
        for Trouble { spn, fmi, count } in troubles(data) {
            let key = (address, spn, fmi);
            if self.codes.len() < MOST || self.codes.contains_key(&key) {
                self.codes.insert(key, count);
            }
        }
    }

    /// All of them.
    pub fn end(self) -> TroubleLine {
        let code = |((address, spn, fmi), count)| TroubleCode {
            address,
            spn,
            fmi,
            count: Some(count).filter(|count| *count < NOT_COUNTED),
        };
        TroubleLine {
            lamps: self.lamps.into_iter().collect(),
            codes: self.codes.into_iter().map(code).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::{Inspection, Known};

    /// One code in a frame of its own, then two in a broadcast of two packets (J1939-73, 5.7.1; J1939-21, 5.10).
    #[test]
    fn codes_come_in_a_frame_or_in_several() {
        let log = "(1772428200.000000) can0 18FECA03#04FFB804030AFFFF\n\
                   (1772428201.000000) can0 18ECFF00#200A0002FFCAFE00\n\
                   (1772428201.060000) can0 18EBFF00#0110FFB804030A72\n\
                   (1772428201.120000) can0 18EBFF00#02000105FFFFFFFF\n";
        let found = Inspection::of(&log.as_bytes(), &Known::default()).expect("in memory");
        let TroubleLine { lamps, codes } = found.facts.trouble;
        assert_eq!(lamps, [Lamp::Stop, Lamp::Warning]);
        let codes: Vec<_> = codes.iter().map(|c| (c.address, c.spn, c.fmi, c.count)).collect();
        assert_eq!(codes, [(0, 114, 1, Some(5)), (0, 1208, 3, Some(10)), (3, 1208, 3, Some(10))]);
    }
}
