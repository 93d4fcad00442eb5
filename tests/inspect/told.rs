//! What a file was told to be, counted as plainly as possible.

use std::collections::BTreeMap;
use std::path::PathBuf;

use yarder::inspect::damage::Damage;
use yarder::inspect::frame::{Frame, Kind, Sink};
use yarder::inspect::{Inspected, Inspector};

/// Everything that a reader told.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Told {
    pub times: Vec<i64>,
    pub frames: Vec<Vec<u8>>,
    pub ids: BTreeMap<String, u64>,
    pub ids_in_order: Vec<u32>,
    pub buses_in_order: Vec<u8>,
    pub kinds: Vec<Kind>,
    pub lengths: Vec<u8>,
    pub buses: BTreeMap<u8, u64>,
    pub names: BTreeMap<u8, String>,
    pub damage: Vec<(u64, Damage)>,
    pub dropped: Vec<Option<u64>>,
}

impl Sink for Told {
    fn frame(&mut self, frame: &Frame<'_>) {
        let wide = frame.kind.has(Kind::EXTENDED) || frame.kind.has(Kind::ERROR);
        let id = if wide { format!("{:08X}", frame.id) } else { format!("{:03X}", frame.id) };
        *self.ids.entry(id).or_default() += 1;
        *self.buses.entry(frame.bus).or_default() += 1;
        self.ids_in_order.push(frame.id);
        self.buses_in_order.push(frame.bus);
        self.times.push(frame.at);
        self.frames.push(frame.data.to_vec());
        self.kinds.push(frame.kind);
        self.lengths.push(frame.len);
    }

    fn dropped(&mut self, frames: Option<u64>) {
        self.dropped.push(frames);
    }

    fn damage(&mut self, at: u64, damage: Damage) {
        self.damage.push((at, damage));
    }

    fn bus(&mut self, bus: u8, name: &str) {
        assert_eq!(self.names.insert(bus, name.to_owned()), None, "a bus is named once");
    }
}

impl Told {
    pub fn count(&self, kind: Kind) -> u64 {
        self.kinds.iter().filter(|one| one.has(kind)).count() as u64
    }

    /// The damages, without where they are.
    pub fn damages(&self) -> Vec<Damage> {
        self.damage.iter().map(|(_, damage)| damage.clone()).collect()
    }

    pub fn sorted(&self) -> Vec<i64> {
        let mut times = self.times.clone();
        times.sort_unstable();
        times
    }
}

pub fn largest_gap(times: &[i64]) -> i64 {
    times.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap_or(0)
}

pub fn recordings() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/recordings/can")
}

pub fn recording(name: &str) -> Vec<u8> {
    std::fs::read(recordings().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// Reads a file in pieces of that many bytes.
pub fn inspect(bytes: &[u8], piece: usize) -> Inspected<Told> {
    let mut inspector = Inspector::new(Told::default());
    for piece in bytes.chunks(piece) {
        inspector.push(piece);
    }
    inspector.finish(&bytes).expect("a slice can be read")
}
