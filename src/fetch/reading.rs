//! Reading along: what is in a file is found out while its bytes come, and never at the cost of the transfer.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex, PoisonError};

use super::transfer::Transfer;
use crate::durable::Disk;
use crate::inspect::facts::Facts;
use crate::inspect::mdf::Source;
use crate::inspect::{Inspection, Inspector, Known, is_plain};
use crate::ledger::{LedgerError, Pending, VersionId};
use crate::spool::Partial;

/// Readers that wait for the rest of their files at most; the oldest goes first. Its file is read from the spool
/// then, once it is whole.
const WAITING: usize = 32;

/// A reader of one file.
#[derive(Debug, Default)]
pub(super) enum Reading {
    /// It has seen every byte so far.
    On(Box<Inspector<Facts>>),
    /// It has not: the file is read once it is all here.
    #[default]
    Missed,
    /// The file made it fail: nothing is told of it.
    Failed,
}

impl Reading {
    /// Takes the next bytes.
    pub fn push(&mut self, bytes: &[u8]) {
        if let Reading::On(inspector) = self
            && guarded(|| inspector.push(bytes)).is_none()
        {
            *self = Reading::Failed;
        }
    }

    /// Whether it wants bytes.
    pub fn is_on(&self) -> bool {
        matches!(self, Reading::On(inspector) if inspector.wants())
    }

    /// What was in the file, which is all in `partial`. Blocking.
    pub fn finish(self, partial: &Partial, known: &Known) -> Option<Inspection> {
        let read = match self {
            Reading::On(inspector) => guarded(|| inspector.finish(partial).map(Inspection::from))?,
            Reading::Missed => return inspect(partial, known),
            Reading::Failed => return None,
        };
        told(&partial.name, read)
    }
}

/// What is in a file that is all here; `None` where its own disk does not give it back, or it makes the reader
/// fail. Blocking.
pub fn inspect(partial: &Partial, known: &Known) -> Option<Inspection> {
    told(&partial.name, guarded(|| Inspection::of(partial, known))?)
}

/// Whether a file that was held in memory is read at once: what is packed may be much.
fn is_little(partial: &Partial) -> bool {
    let mut head = [0; 16];
    Source::read_at(partial, &mut head, 0).is_ok_and(|read| is_plain(head.get(..read).unwrap_or_default()))
}

fn told(name: &str, read: io::Result<Inspection>) -> Option<Inspection> {
    read.inspect_err(|e| tracing::warn!(name, "a file of the spool cannot be inspected: {e}")).ok()
}

/// A panic in a reader is a fault of ours, and no reason to lose a file.
fn guarded<T>(read: impl FnOnce() -> T) -> Option<T> {
    let end = catch_unwind(AssertUnwindSafe(read));
    end.inspect_err(|_| {
        tracing::error!("a reader failed: what is in that file is not told, the file is safe")
    })
    .ok()
}

impl Source for Partial {
    fn len(&self) -> u64 {
        Partial::len(self)
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        Partial::read_at(self, buffer, offset)
    }
}

/// The readers of files whose transfers ended early, so that they go on where they were.
#[derive(Debug, Clone, Default)]
pub struct Readers(Arc<Mutex<Vec<(VersionId, Reading)>>>);

impl Readers {
    /// The reader of a file of which so many bytes are here.
    pub(super) fn resume(&self, id: VersionId, have: u64, known: &Known) -> Reading {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let found = waiting.iter().position(|(of, _)| *of == id).map(|at| waiting.remove(at).1);
        match found {
            _ if have == 0 => Reading::On(Box::new(Inspection::begin(known))),
            Some(Reading::On(inspector)) if inspector.came() == have => Reading::On(inspector),
            Some(Reading::Failed) => Reading::Failed,
            _ => Reading::Missed,
        }
    }

    /// Keeps a reader for the rest of its file.
    pub(super) fn keep(&self, id: VersionId, reading: Reading) {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.retain(|(of, _)| *of != id);
        if matches!(reading, Reading::Missed) {
            return;
        }
        if waiting.len() >= WAITING {
            waiting.remove(0);
        }
        waiting.push((id, reading));
    }

    /// The transfer ended early: what unpacks holds too much memory to wait.
    pub(super) fn pause(&self, id: VersionId) {
        let light = |reading: &Reading| !matches!(reading, Reading::On(inspector) if inspector.is_packed());
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.retain(|(of, reading)| *of != id || light(reading));
    }
}

impl Transfer<'_> {
    /// Says in the ledger what is in a file that is all here.
    pub(super) async fn inspected(&self, item: &Pending, partial: Partial) -> Result<Partial, LedgerError> {
        let known = self.logger.kind.content.clone();
        let reading = self.readers.resume(item.id, partial.len(), &known);
        let (partial, inspection) = match partial.is_held() && is_little(&partial) {
            // No work for another thread.
            true => {
                let inspection = reading.finish(&partial, &known);
                (partial, inspection)
            }
            false => {
                let read = move |_: &dyn Disk| {
                    let inspection = reading.finish(&partial, &known);
                    (partial, inspection)
                };
                self.edges.blocking(read).await
            }
        };
        if let Some(inspection) = inspection {
            self.ledger.inspected(item.id, &inspection)?;
        }
        Ok(partial)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn version(n: i64) -> VersionId {
        VersionId(n)
    }

    #[test]
    fn a_reader_goes_on_only_where_it_was() {
        let readers = Readers::default();
        let line = b"(1436509052.249713) can0 044#2A366C2BBA\n";
        let mut reading = readers.resume(version(1), 0, &Known::default());
        reading.push(line);
        readers.keep(version(1), reading);
        assert!(readers.resume(version(1), line.len() as u64, &Known::default()).is_on());
        // It was taken away.
        assert!(matches!(readers.resume(version(1), line.len() as u64, &Known::default()), Reading::Missed));
        let mut reading = readers.resume(version(1), 0, &Known::default());
        reading.push(line);
        readers.keep(version(1), reading);
        assert!(
            matches!(readers.resume(version(1), 7, &Known::default()), Reading::Missed),
            "bytes are missing"
        );
    }

    #[test]
    fn readers_that_wait_are_few_and_hold_no_window() {
        let readers = Readers::default();
        for n in 0..100 {
            readers.keep(version(n), Reading::On(Box::new(Inspection::begin(&Known::default()))));
        }
        assert_eq!(readers.0.lock().expect("lock").len(), WAITING);
        let mut packed = Reading::On(Box::new(Inspection::begin(&Known::default())));
        packed.push(b"\x1f\x8b\x08\0\0\0\0\0");
        readers.keep(version(7), packed);
        readers.pause(version(99));
        assert_eq!(readers.0.lock().expect("lock").len(), WAITING);
        readers.pause(version(7));
        assert_eq!(readers.0.lock().expect("lock").len(), WAITING - 1);
    }

    #[test]
    fn what_waits_is_worth_waiting_for() {
        let readers = Readers::default();
        readers.keep(version(1), Reading::Missed);
        assert!(readers.0.lock().expect("lock").is_empty());
    }

    #[test]
    fn a_small_file_is_read_at_once_only_where_it_cannot_grow() {
        let held = |bytes: &'static [u8]| {
            let mut partial = Partial::new("a".into());
            partial.hold(&[bytes::Bytes::from_static(bytes)]);
            is_little(&partial)
        };
        assert!(held(b"(1436509052.249713) can0 044#2A366C2BBA\n"));
        assert!(held(b""));
        for heavy in [
            &b"\x1f\x8b\x08\0\0\0"[..],
            b"\x28\xb5\x2f\xfd..",
            b"\xfd7zXZ\0",
            b"MDF     4.10    ",
            b"UnFinMF 4.10    ",
        ] {
            assert!(!held(heavy), "{heavy:?}");
        }
    }

    #[test]
    fn bytes_that_tell_nothing_are_not_asked_for() {
        let reading = |bytes: &[u8]| {
            let mut reading = Reading::On(Box::new(Inspection::begin(&Known::default())));
            reading.push(bytes);
            reading
        };
        assert!(!reading(&[b'x'; 5000]).is_on());
        assert!(!reading(&[&b"MDF     4.10    "[..], &[0; 5000]].concat()).is_on());
        assert!(reading(&[0; 5000]).is_on(), "zeros up to its end are told");
        assert!(reading(&b"(1436509052.249713) can0 044#2A366C2BBA\n".repeat(200)).is_on());
    }

    #[test]
    fn a_panic_of_a_reader_ends_the_reading_alone() {
        assert_eq!(guarded(|| -> u8 { panic!("a fault of ours") }), None);
        assert_eq!(guarded(|| 1), Some(1));
    }
}
