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
