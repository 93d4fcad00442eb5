//! Which archives are in use.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use super::Archive;

/// The archives in use, by name.
/// One that was exchanged gets its files from another, and removal looks at all of them.
#[derive(Clone, Default)]
pub struct Archives(Arc<Mutex<BTreeMap<String, Arc<dyn Archive>>>>);

impl Archives {
    /// From now on this is the archive of that name.
    pub fn put(&self, name: &str, archive: Arc<dyn Archive>) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(name.to_owned(), archive);
    }

    /// The archive of that name, once it is in use.
    pub fn get(&self, name: &str) -> Option<Arc<dyn Archive>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(name).cloned()
    }
}
