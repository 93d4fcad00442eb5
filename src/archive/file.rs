//! An archive in a folder of a local disk or a mounted share.
//!
//! Owns nothing but the folder. Every call begins by reading `.yarder/archive.json` in the folder
//! that it then works in, and does nothing where that is not the accepted archive.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use async_trait::async_trait;
use futures_util::future::join_all;

use super::patience::{Patience, Pulse};
use super::room::{IDENTITY, Publish, Room, Settings};
use super::{Archive, ArchiveError, ArchiveFailure, Created, ReadBack, StoreItem, Stored};
use crate::durable::Disk;
use crate::edges::Edges;

/// The one name of a text that [`Archive::replace`] may write over.
const MANIFEST: &str = "manifest-sha256.txt";
/// Most files that are open at a time in one job.
const GROUP: usize = 256;

/// Files of fewer bytes in all are stored by one thread, so that they share one flush.
const TOGETHER: u64 = 32 * 1024 * 1024;

/// What one thread does with its share of a call's items.
type Job<I, O> = fn(&Inside, &dyn Disk, &Pulse, &[I]) -> Result<Vec<O>, ArchiveError>;

/// An archive in a folder.
#[derive(Debug)]
pub struct FileArchive {
    patience: Patience,
    inside: Arc<Inside>,
}

#[derive(Debug)]
struct Inside {
    settings: Settings,
    accepted: Mutex<Option<Arc<[u8]>>>,
    publish: Mutex<Option<Publish>>,
    /// One replace at a time, so that one which was given up cannot undo a later one.
    replacing: Mutex<()>,
}

impl Inside {
    fn accepted(&self) -> Option<Arc<[u8]>> {
        self.accepted.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Enters the accepted archive to read.
    fn reading<'a>(&'a self, disk: &'a dyn Disk, pulse: &'a Pulse) -> Result<Room<'a>, ArchiveError> {
        let Some(accepted) = self.accepted() else {
            return Err(ArchiveError::new(ArchiveFailure::Away, "it has not been looked at yet"));
        };
        let mut room = Room::enter(disk, pulse, &self.settings)?;
        room.must_be(&accepted)?;
        // No word about what is to be read: an audit would call each of its copies wrong.
        room.settle_doubts().map_err(|e| ArchiveError { failure: ArchiveFailure::Away, ..e })?;
        Ok(room)
    }

    /// Enters the archive to write; the first time it is found out how.
    fn writing<'a>(&'a self, disk: &'a dyn Disk, pulse: &'a Pulse) -> Result<Room<'a>, ArchiveError> {
        let room = self.reading(disk, pulse)?;
        self.probed(room)
    }

    fn probed<'a>(&self, mut room: Room<'a>) -> Result<Room<'a>, ArchiveError> {
        let mut verdict = self.publish.lock().unwrap_or_else(PoisonError::into_inner);
        let publish = match *verdict {
            Some(known) => known,
            None => *verdict.insert(room.probe()?),
        };
        room.use_publish(publish);
        Ok(room)
    }
}

impl FileArchive {
    /// The archive at a folder, which is never created. `edges.work` must be threads of its own in
    /// a service ([`super::Pool`]); `deadline` is how long a call may show no progress before the
    /// archive counts as away.
    pub fn new(edges: Edges, root: PathBuf, file_mode: u32, deadline: Duration) -> Self {
        let settings = Settings {
            root,
            file_mode,
            owner: "any".to_owned(),
            run: edges.random.name(),
            random: edges.random.clone(),
            durable: Arc::default(),
        };
        let inside = Inside {
            settings,
            accepted: Mutex::default(),
            publish: Mutex::default(),
            replacing: Mutex::default(),
        };
        Self { patience: Patience::new(edges, deadline), inside: Arc::new(inside) }
    }

    /// Temporary files bear this name (letters and digits, the depot's install id); those that an
    /// earlier process of the same name left are removed at the first write.
    pub fn owned_by(mut self, owner: &str) -> Self {
        if let Some(inside) = Arc::get_mut(&mut self.inside) {
            inside.settings.owner = owner.to_owned();
        }
        self
    }

    /// How files get their names here; tried out in `.yarder/tmp/` once and then remembered.
    pub async fn publishes_by(&self) -> Result<Publish, ArchiveError> {
        let inside = self.inside.clone();
        let probe = move |disk: &Arc<dyn Disk>, pulse: &Pulse| {
            inside.writing(&**disk, pulse)?;
            let verdict = *inside.publish.lock().unwrap_or_else(PoisonError::into_inner);
            Ok(verdict.unwrap_or(Publish::Reserve))
        };
        self.patience.run(probe).await
    }

    /// Deals the items out to so many of the archive's threads and gathers the answers in their
    /// order.
    async fn spread<I, O>(&self, items: Vec<I>, hands: usize, job: Job<I, O>) -> Result<Vec<O>, ArchiveError>
    where
        I: Send + 'static,
        O: Send + 'static,
    {
        let hands = hands.min(items.len());
        let mut dealt: Vec<Vec<I>> = (0..hands).map(|_| Vec::new()).collect();
        for (at, item) in items.into_iter().enumerate() {
            if let Some(hand) = dealt.get_mut(at % hands) {
                hand.push(item);
            }
        }
        let calls = dealt.into_iter().map(|hand| {
            let inside = self.inside.clone();
            self.patience.run(move |disk, pulse| {
                let mut answers = Vec::with_capacity(hand.len());
                for group in hand.chunks(GROUP) {
                    answers.extend(job(&inside, &**disk, pulse, group)?);
                }
                Ok(answers)
            })
        });
        // All of them end before an error is told, so that none works on behind the caller.
        let hands: Result<Vec<_>, _> = join_all(calls).await.into_iter().collect();
        let mut hands: Vec<_> = hands?.into_iter().map(Vec::into_iter).collect();
        let mut answers = Vec::new();
        loop {
            let before = answers.len();
            answers.extend(hands.iter_mut().filter_map(Iterator::next));
            if answers.len() == before {
                return Ok(answers);
            }
        }
    }
}

#[async_trait]
impl Archive for FileArchive {
    async fn identify(&self) -> Result<Option<Vec<u8>>, ArchiveError> {
        let inside = self.inside.clone();
        let look = move |disk: &Arc<dyn Disk>, pulse: &Pulse| {
            Room::enter(&**disk, pulse, &inside.settings)?.identity()
        };
        self.patience.run(look).await
    }

    fn accept(&self, identity: &[u8]) {
        let mut accepted = self.inside.accepted.lock().unwrap_or_else(PoisonError::into_inner);
        if accepted.as_deref() != Some(identity) {
            *accepted = Some(identity.into());
            *self.inside.publish.lock().unwrap_or_else(PoisonError::into_inner) = None;
        }
    }

    async fn create(&self, objects: Vec<(String, Vec<u8>)>) -> Result<Vec<Created>, ArchiveError> {
        if self.inside.accepted().is_none() && objects.iter().all(|(key, _)| key == IDENTITY) {
            let inside = self.inside.clone();
            let begin = move |disk: &Arc<dyn Disk>, pulse: &Pulse| {
                let room = Room::enter(&**disk, pulse, &inside.settings)?;
                if room.identity()?.is_some() {
                    return Ok(vec![Created::Exists; objects.len()]);
                }
                inside.probed(room)?.create(&objects)
            };
            return self.patience.run(begin).await;
        }
        // Small things: by one thread, so that they share one flush.
        self.spread(objects, 1, |inside, disk, pulse, group| inside.writing(disk, pulse)?.create(group)).await
    }

    async fn get(&self, keys: Vec<String>) -> Result<Vec<Option<Vec<u8>>>, ArchiveError> {
        self.spread(keys, self.patience.threads(), |inside, disk, pulse, group| {
            inside.reading(disk, pulse)?.get(group)
        })
        .await
    }

    async fn store(&self, items: Vec<StoreItem>) -> Result<Vec<Stored>, ArchiveError> {
        Ok(self.store_and_read(items).await?.into_iter().map(|(stored, _)| stored).collect())
    }

    async fn store_and_read(
        &self,
        items: Vec<StoreItem>,
    ) -> Result<Vec<(Stored, Option<ReadBack>)>, ArchiveError> {
        let bytes: u64 = items.iter().map(|item| item.size).sum();
        let hands = if bytes < TOGETHER { 1 } else { self.patience.threads() };
        self.spread(items, hands, |inside, disk, pulse, group| inside.writing(disk, pulse)?.store(group))
            .await
    }

    fn file(&self, key: &str) -> Option<PathBuf> {
        super::is_key(key).then(|| self.inside.settings.root.join(key))
    }

    async fn read_back(&self, keys: Vec<String>) -> Result<Vec<Option<ReadBack>>, ArchiveError> {
        self.spread(keys, self.patience.threads(), |inside, disk, pulse, group| {
            let mut room = inside.reading(disk, pulse)?;
            group.iter().map(|key| room.read_back(key)).collect()
        })
        .await
    }

    async fn replace(&self, key: String, bytes: Vec<u8>) -> Result<(), ArchiveError> {
        if key.rsplit('/').next() != Some(MANIFEST) {
            return Err(ArchiveError::new(
                ArchiveFailure::Refused,
                format!("{key} is no manifest, and nothing else is ever replaced"),
            ));
        }
        let inside = self.inside.clone();
        let write = move |disk: &Arc<dyn Disk>, pulse: &Pulse| {
            let _one = inside.replacing.lock().unwrap_or_else(PoisonError::into_inner);
            inside.writing(&**disk, pulse)?.replace(&key, &bytes)
        };
        self.patience.run(write).await
    }

    async fn repair(&self, item: StoreItem) -> Result<bool, ArchiveError> {
        let inside = self.inside.clone();
        let mend = move |disk: &Arc<dyn Disk>, pulse: &Pulse| {
            let _one = inside.replacing.lock().unwrap_or_else(PoisonError::into_inner);
            inside.writing(&**disk, pulse)?.repair(&item)
        };
        self.patience.run(mend).await
    }

    async fn list(
        &self,
        prefix: String,
        after: String,
        limit: usize,
    ) -> Result<Vec<(String, u64)>, ArchiveError> {
        let inside = self.inside.clone();
        let walk = move |disk: &Arc<dyn Disk>, pulse: &Pulse| {
            inside.reading(&**disk, pulse)?.list(&prefix, &after, limit)
        };
        self.patience.run(walk).await
    }
}

#[cfg(test)]
#[path = "file_tests.rs"]
mod tests;
