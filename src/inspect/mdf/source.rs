//! Where the bytes of a file come from.

use std::fs::File;
use std::io;

/// Bytes that can be read anywhere. An MDF file points back and forth, so a stream of bytes is not enough.
pub trait Source {
    /// How many bytes there are.
    fn len(&self) -> u64;

    /// Reads some of the bytes from `offset` on, as many as come at once; 0 only at the end or for an empty buffer.
    ///
    /// # Errors
    /// What the operating system says.
    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize>;

    /// Whether there are none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

impl Source for &[u8] {
    fn len(&self) -> u64 {
        <[u8]>::len(self) as u64
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        let rest = usize::try_from(offset).ok().and_then(|at| self.get(at..)).unwrap_or_default();
        let count = rest.len().min(buffer.len());
        buffer[..count].copy_from_slice(&rest[..count]);
        Ok(count)
    }
}

impl Source for File {
    /// A file whose length cannot be asked has none.
    fn len(&self) -> u64 {
        self.metadata().map_or(0, |metadata| metadata.len())
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        std::os::unix::fs::FileExt::read_at(self, buffer, offset)
    }
}

/// Fills the buffer from `offset` on; how much of it could be filled before the bytes ended.
pub(super) fn fill(source: &dyn Source, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    let mut filled = 0;
    while filled < buffer.len() {
        // No file is longer, and the operating system calls an offset behind it a mistake of ours.
        let at = offset.checked_add(filled as u64).filter(|at| i64::try_from(*at).is_ok());
        let Some(at) = at else { break };
        match source.read_at(&mut buffer[filled..], at) {
            Ok(0) => break,
            Ok(count) => filled = buffer.len().min(filled + count),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}
