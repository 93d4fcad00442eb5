//! Which identifiers there are, and what each asks for.

use crate::inspect::j1939::{self, Id};
use crate::inspect::{canopen, isotp};

/// What is done with the frames of an identifier; decided when it is first seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Class {
    /// Nothing besides counting: nearly all.
    Plain,
    EngineSpeed,
    Speed,
    TachographSpeed,
    Hours,
    FineDistance,
    Distance,
    TimeDate,
    Trouble,
    Identification,
    Transport,
    Answer,
    Time,
    Heartbeat,
    Service,
}

impl Class {
    fn of(id: u32, extended: bool) -> Self {
        if isotp::responder(id, extended).is_some() {
            return Self::Answer;
        }
        if !extended {
            return match id {
                canopen::TIME => Self::Time,
                0x581..=0x5FF => Self::Service,
                0x701..=0x77F => Self::Heartbeat,
                _ => Self::Plain,
            };
        }
        match Id::of(id).pgn {
            j1939::EEC1 => Self::EngineSpeed,
            j1939::CCVS => Self::Speed,
            j1939::TCO1 => Self::TachographSpeed,
            j1939::HOURS => Self::Hours,
            j1939::VDHR => Self::FineDistance,
            j1939::VD => Self::Distance,
            j1939::TIME_DATE => Self::TimeDate,
            j1939::DM1 => Self::Trouble,
            j1939::VI => Self::Identification,
            j1939::TP_CM | j1939::TP_DT => Self::Transport,
            _ => Self::Plain,
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Slot {
    /// The identifier, above it a mark that the slot is taken.
    key: u32,
    class: Class,
}

const FREE: Slot = Slot { key: 0, class: Class::Plain };
const TAKEN: u32 = 1 << 31;
const EXTENDED: u32 = 1 << 30;
/// Slots at first: the identifiers of an ordinary vehicle fit, and the table stays in the fastest cache.
const FIRST: usize = 1 << 9;
/// Slots at most; half of them are used. No vehicle has so many identifiers, a damaged file may.
const MOST: usize = 1 << 14;
/// Slots behind its own that an identifier may have. Those of a file made to do harm may all want the same one.
const REACH: usize = 32;

/// A table with open addressing.
#[derive(Debug)]
pub(super) struct Ids {
    slots: Vec<Slot>,
    used: usize,
    /// Frames whose identifier found no room.
    pub beyond: u64,
}

impl Default for Ids {
    fn default() -> Self {
        Self { slots: vec![FREE; FIRST], used: 0, beyond: 0 }
    }
}

impl Ids {
    /// Remembers the identifier of a frame.
    #[inline]
    pub fn see(&mut self, id: u32, extended: bool) -> Class {
        let key = id | TAKEN | if extended { EXTENDED } else { 0 };
        match self.place(key).map(|place| self.slots[place]) {
            Some(slot) if slot.key == key => slot.class,
            _ => self.add(key, Class::of(id, extended)),
        }
    }

    #[cold]
    fn add(&mut self, key: u32, class: Class) -> Class {
        loop {
            match self.place(key) {
                Some(place) if (self.used + 1) * 2 <= self.slots.len() => {
                    self.slots[place] = Slot { key, class };
                    self.used += 1;
                    return class;
                }
                _ if self.slots.len() == MOST => {
                    self.beyond += 1;
                    return class;
                }
                _ => self.grow(),
            }
        }
    }

    fn grow(&mut self) {
        let larger = vec![FREE; self.slots.len() * 2];
        let slots = std::mem::replace(&mut self.slots, larger);
        self.used = 0;
        for slot in slots.into_iter().filter(|slot| slot.key != 0) {
            match self.place(slot.key) {
                Some(place) => {
                    self.slots[place] = slot;
                    self.used += 1;
                }
                None => self.beyond += 1,
            }
        }
    }

    /// Where this key is, or would be; `None` where all that is near is taken by others.
    #[inline]
    fn place(&self, key: u32) -> Option<usize> {
        let mask = self.slots.len() - 1;
        let first = hash(key);
        (first..first + REACH)
            .map(|place| place & mask)
            .find(|place| matches!(self.slots[*place].key, 0) || self.slots[*place].key == key)
    }

    /// How many there are.
    pub fn count(&self) -> u64 {
        self.used as u64
    }

    /// Each with whether it has 29 bits.
    pub fn all(&self) -> impl Iterator<Item = (u32, bool)> {
        let taken = self.slots.iter().filter(|slot| slot.key != 0);
        taken.map(|slot| (slot.key & !(TAKEN | EXTENDED), slot.key & EXTENDED != 0))
    }
}

/// Identifiers differ in few bits, here and there; the product's high half depends on all of them.
fn hash(key: u32) -> usize {
    (u64::from(key).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_identifier_is_counted_once_while_the_table_grows() {
        let mut ids = Ids::default();
        for round in 0..3 {
            for id in 0..2048 {
                ids.see(id, false);
                ids.see(id * 8191 + round / 3, true);
            }
        }
        assert_eq!(ids.count(), 4096);
        assert_eq!(ids.all().collect::<std::collections::BTreeSet<_>>().len(), 4096);
        assert_eq!(ids.see(0x0CF0_0400, true), Class::EngineSpeed);
        assert_eq!(ids.see(0x0CF0_0400, true), Class::EngineSpeed);
    }

    #[test]
    fn more_identifiers_than_any_vehicle_has_take_no_more_room() {
        let mut ids = Ids::default();
        for id in 0..1_000_000 {
            ids.see(id, true);
        }
        assert_eq!(ids.slots.len(), MOST);
        assert_eq!(ids.count() + ids.beyond, 1_000_000);
        assert_eq!(ids.see(0x18FE_F100, true), Class::Speed, "without a slot it is still read");
    }

    #[test]
    fn identifiers_chosen_to_want_one_place_cost_no_search_through_all_of_them() {
        let same = |id: &u32| hash(id | TAKEN | EXTENDED) % MOST == 7;
        let wanted: Vec<_> = (0..1 << 26).filter(same).take(2_000).collect();
        let mut ids = Ids::default();
        for id in wanted {
            ids.see(id, true);
        }
        assert!(ids.count() <= REACH as u64, "{}", ids.count());
        assert_eq!(ids.see(0x18FE_F100, true), Class::Speed);
    }
}
