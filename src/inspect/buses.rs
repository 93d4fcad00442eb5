//! The names of buses, in order of first appearance.

use super::damage::Damage;
use super::frame::Sink;

/// Buses of one file at most: their numbers are bytes.
const MOST: usize = 256;
/// Bytes of a name at most; Linux allows 15 (`IFNAMSIZ`), other formats tell longer ones.
const LONGEST: usize = 64;

/// Gives each name its number.
#[derive(Debug, Default)]
pub(super) struct Buses {
    names: Vec<Vec<u8>>,
    last: u8,
    full: bool,
}

impl Buses {
    /// The number of the bus of that name. A new one is told to the sink.
    #[inline]
    pub fn number<S: Sink>(&mut self, name: &[u8], at: u64, sink: &mut S) -> u8 {
        let name = &name[..name.len().min(LONGEST)];
        if self.names.get(usize::from(self.last)).is_none_or(|last| last != name) {
            self.last = self.find(name, at, sink);
        }
        self.last
    }

    fn find<S: Sink>(&mut self, name: &[u8], at: u64, sink: &mut S) -> u8 {
        let found = self.names.iter().position(|known| known == name);
        if let Some(number) = found.and_then(|n| u8::try_from(n).ok()) {
            return number;
        }
        if self.names.len() == MOST {
            if !self.full {
                self.full = true;
                sink.damage(at, Damage::BadStructure("more than 256 buses"));
            }
            return u8::MAX;
        }
        let number = u8::try_from(self.names.len()).unwrap_or(u8::MAX);
        self.names.push(name.to_vec());
        sink.bus(number, &String::from_utf8_lossy(name));
        number
    }
}
