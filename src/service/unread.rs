//! Whole files of the spool of which nothing says what is in them: those that were adopted by their records after the ledger
//! was lost. They are read where they lie.
//!
//! # Crash
//! A file is read again until what is in it is committed.

use std::io;

use super::ServiceError;
use crate::durable::DiskFile;
use crate::fetch;
use crate::inspect::mdf::Source;
use crate::yard::Yard;

/// Reads them; the service goes on meanwhile.
pub(super) async fn keep(yard: Yard) -> Result<(), ServiceError> {
    read(&yard).await?;
    yard.stop.cancelled().await;
    Ok(())
}

/// Reads them all, unless the service stops before.
pub(super) async fn read(yard: &Yard) -> Result<(), ServiceError> {
    for file in yard.ledger.unread().await? {
        let (lies, known) = (yard.spool.lies(&file.spool), yard.known(&file.logger));
        let read = yard.edges.blocking(move |disk| {
            let inside = Inside { file: disk.open_read(&lies.path).ok()?, at: lies.at, len: file.size };
            fetch::inspect(&file.spool, &inside, &known)
        });
        let inspection = tokio::select! {
            biased;
            () = yard.stop.cancelled() => return Ok(()),
            read = read => read,
        };
        // One that cannot be read, or was let go meanwhile, is told of by those who need its bytes.
        if let Some(inspection) = inspection {
            yard.ledger.inspected(file.id, &inspection)?;
        }
    }
    Ok(())
}

/// A file's bytes within one of the spool's.
struct Inside {
    file: Box<dyn DiskFile>,
    at: u64,
    len: u64,
}

impl Source for Inside {
    fn len(&self) -> u64 {
        self.len
    }

    fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        let left = usize::try_from(self.len.saturating_sub(offset)).unwrap_or(usize::MAX);
        let wanted = buffer.len().min(left);
        self.file.read_at(&mut buffer[..wanted], self.at.saturating_add(offset))
    }
}
