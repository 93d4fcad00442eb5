//! How much the spool may hold: reserved, partial and whole bytes never pass `spool_limit`, and
//! `spool_reserve` stays free on the disk.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use crate::durable::Disk;
use crate::model::amount::size;

/// There is no room for a transfer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the spool has no room for {} more ({why})", size(*.wanted))]
pub struct NoRoom {
    /// Bytes asked for.
    pub wanted: u64,
    /// Bytes that would have to go first.
    pub short: u64,
    /// Which bound.
    pub why: &'static str,
}

#[derive(Debug, Default)]
struct Account {
    held: u64,
    reserved: u64,
}

/// The spool's bytes.
#[derive(Debug)]
pub struct Budget {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    bounds: Mutex<(u64, u64)>,
    account: Mutex<Account>,
}

impl Budget {
    /// `limit` bytes at most, `reserve` bytes left free.
    pub fn new(disk: Arc<dyn Disk>, dir: PathBuf, limit: u64, reserve: u64) -> Self {
        Self { disk, dir, bounds: Mutex::new((limit, reserve)), account: Mutex::default() }
    }

    fn with<T>(&self, change: impl FnOnce(&mut Account) -> T) -> T {
        change(&mut self.account.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// New bounds, from a new configuration.
    pub fn set_bounds(&self, limit: u64, reserve: u64) {
        *self.bounds.lock().unwrap_or_else(PoisonError::into_inner) = (limit, reserve);
    }

    /// Bytes that lie in the spool, counted at start.
    pub fn found(&self, bytes: u64) {
        self.with(|a| a.held += bytes);
    }

    /// Bytes left the spool.
    pub fn free(&self, bytes: u64) {
        self.with(|a| a.held = a.held.saturating_sub(bytes));
    }

    /// Bytes held and reserved now.
    pub fn used(&self) -> u64 {
        self.with(|a| a.held + a.reserved)
    }

    /// Whether a tenth of what may be used is free again.
    pub fn has_air(&self) -> bool {
        let (limit, _) = *self.bounds.lock().unwrap_or_else(PoisonError::into_inner);
        self.used() <= limit / 10 * 9
    }

    /// Whether bytes are set aside for a transfer that goes on.
    pub fn is_reserved(&self) -> bool {
        self.with(|a| a.reserved > 0)
    }

    /// Sets bytes aside for a transfer.
    pub fn reserve(self: &Arc<Self>, bytes: u64) -> Result<Reservation, NoRoom> {
        let (limit, keep) = *self.bounds.lock().unwrap_or_else(PoisonError::into_inner);
        let free = self.disk.space(&self.dir).map(|s| s.free).unwrap_or(0);
        self.with(|a| {
            let wanted = a.reserved.saturating_add(bytes);
            let of_limit = a.held.saturating_add(wanted).saturating_sub(limit);
            let of_disk = wanted.saturating_add(keep).saturating_sub(free);
            let short = of_limit.max(of_disk);
            if short > 0 {
                let disk = "spool_reserve: the disk is nearly full";
                let why = if of_limit > 0 { "spool_limit" } else { disk };
                return Err(NoRoom { wanted: bytes, short, why });
            }
            a.reserved = wanted;
            Ok(Reservation { budget: self.clone(), left: bytes })
        })
    }
}

/// Bytes set aside; what was not written is given back when it is dropped.
#[derive(Debug)]
pub struct Reservation {
    budget: Arc<Budget>,
    left: u64,
}

impl Reservation {
    /// Sees that so many more bytes may be written, setting more aside where it must: a logger may
    /// send more than it told.
    pub fn cover(&mut self, bytes: u64) -> Result<(), NoRoom> {
        if bytes > self.left {
            let mut more = self.budget.reserve(bytes - self.left)?;
            self.left += std::mem::take(&mut more.left);
        }
        Ok(())
    }

    /// Bytes were written: they are held from now on. More than was set aside is counted too.
    pub fn wrote(&mut self, bytes: u64) {
        let covered = bytes.min(self.left);
        self.left -= covered;
        self.budget.with(|a| {
            a.reserved = a.reserved.saturating_sub(covered);
            a.held += bytes;
        });
    }

    /// Bytes of the partial were thrown away and will be written again.
    pub fn emptied(&mut self, bytes: u64) {
        self.left += bytes;
        self.budget.with(|a| {
            a.held = a.held.saturating_sub(bytes);
            a.reserved += bytes;
        });
    }
}

impl Drop for Reservation {
    fn drop(&mut self) {
        let left = self.left;
        self.budget.with(|a| a.reserved = a.reserved.saturating_sub(left));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::durable::OsDisk;

    #[test]
    fn reservations_and_files_together_stay_within_the_limit() {
        let dir = tempfile::tempdir().expect("dir");
        let budget = Arc::new(Budget::new(Arc::new(OsDisk::new()), dir.path().into(), 100, 0));
        budget.found(30);
        let mut first = budget.reserve(40).expect("room");
        assert_eq!(budget.reserve(31).expect_err("no room").short, 1);
        first.wrote(25);
        drop(first);
        assert_eq!(budget.used(), 55, "what was not written is given back");
        budget.free(30);
        assert!(budget.reserve(75).is_ok());
        let mut more = budget.reserve(10).expect("room");
        more.cover(75).expect("as much as there is");
        assert!(more.cover(76).is_err());
        assert_eq!(budget.used(), 25 + 75, "what was refused is not set aside");
        drop(more);
        budget.set_bounds(100, u64::MAX / 2);
        assert_eq!(budget.reserve(1).expect_err("reserve").why, "spool_reserve: the disk is nearly full");
    }
}
