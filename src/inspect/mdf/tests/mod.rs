mod bounds;
mod build;
mod cross;
mod hostile;
mod recordings;
mod shapes;

use super::super::damage::Damage;
use super::super::frame::{Frame, Kind, Sink};
use super::{Error, Head, Source, read};

/// A frame that was read, with its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Seen {
    at: i64,
    bus: u8,
    id: u32,
    kind: Kind,
    len: u8,
    data: Vec<u8>,
}

/// Keeps all that it is told.
#[derive(Debug, Default)]
struct Told {
    frames: Vec<Seen>,
    damages: Vec<(u64, Damage)>,
    buses: Vec<String>,
}

impl Sink for Told {
    fn frame(&mut self, frame: &Frame<'_>) {
        assert!(frame.len <= 64 && frame.data.len() <= usize::from(frame.len), "{frame:?}");
        let Frame { at, bus, id, kind, len, data } = *frame;
        self.frames.push(Seen { at, bus, id, kind, len, data: data.to_vec() });
    }

    fn dropped(&mut self, _: Option<u64>) {}

    fn damage(&mut self, at: u64, damage: Damage) {
        self.damages.push((at, damage));
    }

    fn bus(&mut self, bus: u8, name: &str) {
        assert_eq!(usize::from(bus), self.buses.len());
        self.buses.push(name.to_owned());
    }
}

/// What a file has, or why it has nothing.
fn told(bytes: &[u8]) -> (Result<Head, Error>, Told) {
    let mut told = Told::default();
    let head = read(&bytes, bytes.len() as u64, &mut told);
    (head, told)
}

/// What a file has that begins as one.
fn told_of(bytes: &[u8]) -> (Head, Told) {
    let (head, told) = told(bytes);
    (head.expect("an MDF file"), told)
}

/// A source that gives little at a time, as a slow disk may.
struct Drip<'a>(&'a [u8]);

impl Source for Drip<'_> {
    fn len(&self) -> u64 {
        self.0.len() as u64
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> std::io::Result<usize> {
        let count = buffer.len().min(7);
        Source::read_at(&self.0, &mut buffer[..count], offset)
    }
}

#[test]
fn what_a_disk_gives_in_drips_reads_the_same() {
    let bytes = build::sorted(&build::records(50));
    let mut told = Told::default();
    read(&Drip(&bytes), bytes.len() as u64, &mut told).expect("an MDF file");
    assert_eq!(told.frames, told_of(&bytes).1.frames);
    assert_eq!(told.frames.len(), 50);
}
