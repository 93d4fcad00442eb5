//! Which archives are in use.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

use super::Archive;

/// The archives in use, by name.
/// One that was exchanged gets its files from another, and removal looks at all of them.
#[derive(Clone, Default)]
pub struct Archives {
    all: Arc<Mutex<BTreeMap<String, InUse>>>,
    looks: Arc<Notify>,
}

struct InUse {
    archive: Arc<dyn Archive>,
    /// Whether a look has told if it is the one that it should be.
    looked: bool,
}

impl Archives {
    fn all(&self) -> MutexGuard<'_, BTreeMap<String, InUse>> {
        self.all.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// From now on this is the archive of that name.
    pub fn put(&self, name: &str, archive: Arc<dyn Archive>) {
        self.all().insert(name.to_owned(), InUse { archive, looked: true });
    }

    /// The same of one whose first look is still to come.
    pub fn put_unseen(&self, name: &str, archive: Arc<dyn Archive>) {
        self.all().insert(name.to_owned(), InUse { archive, looked: false });
    }

    /// The first look at an archive has ended, whatever it told.
    pub fn looked(&self, name: &str) {
        if let Some(one) = self.all().get_mut(name) {
            one.looked = true;
        }
        self.looks.notify_waiters();
    }

    /// The archive of that name, once it is in use.
    pub fn get(&self, name: &str) -> Option<Arc<dyn Archive>> {
        self.all().get(name).map(|one| one.archive.clone())
    }

    /// The same, after the first look at it.
    pub async fn seen(&self, name: &str) -> Option<Arc<dyn Archive>> {
        loop {
            let look = self.looks.notified();
            tokio::pin!(look);
            // From now on no look is missed.
            look.as_mut().enable();
            match self.all().get(name) {
                Some(one) if !one.looked => {}
                one => return one.map(|one| one.archive.clone()),
            }
            look.await;
        }
    }
}
