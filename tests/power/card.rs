//! One logger's card, read without a network.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;
use bytes::Bytes;
use jiff::Timestamp;
use yarder::clock::Clock;
use yarder::config::{Logger, Poll, SerialFrom};
use yarder::link::{Dialer, Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, Opened};
use yarder::model::{ListedSize, ListedTime, Look, OfferedDigest, Precision, RemoteFile, RemotePath};
use yarder::remove::Permit;

/// Bytes that come at a time, at most.
const CHUNK: usize = 16 * 1024;

/// What a logger holds, and how it behaves. Shared by all who reach it.
#[derive(Default)]
pub struct Card {
    pub files: Mutex<BTreeMap<String, (Bytes, Timestamp)>>,
    /// The connection breaks, once, when this byte of that file is reached.
    pub cut: Mutex<Option<(String, usize)>>,
    /// Bytes a second; 0 for all at once.
    pub rate: AtomicU64,
    /// Nobody answers.
    pub away: AtomicBool,
    /// Bytes of files that were sent.
    pub sent: AtomicU64,
    /// Is told when the wish to delete a file comes, before it is granted.
    pub deletes: Mutex<Option<Told>>,
}

type Told = Box<dyn Fn(&str) + Send>;

impl Card {
    pub fn add(&self, name: &str, bytes: Vec<u8>, time: Timestamp) {
        self.files.lock().expect("lock").insert(name.to_owned(), (bytes.into(), time));
    }
}

/// Reaches one card, whichever logger is asked for.
pub struct Air {
    pub card: Arc<Card>,
    pub clock: Arc<dyn Clock>,
}

#[async_trait]
impl Dialer for Air {
    async fn knock(&self, _: &Logger, _: &Poll) -> Result<usize, LinkError> {
        match self.card.away.load(Ordering::SeqCst) {
            true => Err(LinkError::new(LinkFailure::Absent, "no route to host")),
            false => Ok(0),
        }
    }

    async fn dial(&self, _: &Arc<Logger>, _: usize, _: &Poll) -> Result<Box<dyn Link>, LinkError> {
        Ok(Box::new(Wire { card: self.card.clone(), clock: self.clock.clone(), reading: None }))
    }
}

struct Wire {
    card: Arc<Card>,
    clock: Arc<dyn Clock>,
    /// The open read: its file, and the next byte.
    reading: Option<(String, usize)>,
}

impl Wire {
    fn file(&self, path: &str) -> Result<(Bytes, Timestamp), LinkError> {
        if self.card.away.load(Ordering::SeqCst) {
            return Err(LinkError::cut("no byte for 20 s"));
        }
        let files = self.card.files.lock().expect("lock");
        files.get(path).cloned().ok_or_else(|| LinkError::new(LinkFailure::NotFound, "404 Not Found"))
    }
}

fn look((bytes, time): &(Bytes, Timestamp)) -> Look {
    Look { size: Some(bytes.len() as u64), time: Some(*time), ..Look::default() }
}

#[async_trait]
impl Link for Wire {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: Some(true) }
    }

    async fn list(&mut self, _: &ListCaps) -> Result<Listing, LinkError> {
        let files = self.card.files.lock().expect("lock");
        let entry = |(name, (bytes, time)): (&String, &(Bytes, Timestamp))| RemoteFile {
            path: RemotePath::new(name.as_bytes()).expect("path"),
            size: ListedSize::Exact(bytes.len() as u64),
            time: Some(ListedTime { at: *time, precision: Precision::Second, zone_told: true }),
            validator: None,
        };
        Ok(Listing { dialect: "memory", files: files.iter().map(entry).collect(), ..Listing::default() })
    }

    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        Ok(look(&self.file(&path.to_string())?))
    }

    async fn open(&mut self, path: &RemotePath, from: u64, _: &Look) -> Result<Opened, LinkError> {
        let file = self.file(&path.to_string())?;
        self.reading = Some((path.to_string(), usize::try_from(from).expect("offset")));
        Ok(Opened { from, look: look(&file), digest: None })
    }

    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let Some((name, at)) = self.reading.clone() else { return Ok(None) };
        let (bytes, _) = self.file(&name)?;
        let mut end = bytes.len().min(at + CHUNK);
        {
            let mut cut = self.card.cut.lock().expect("lock");
            match &*cut {
                Some((file, byte)) if *file == name && *byte == at => {
                    *cut = None;
                    return Err(LinkError::cut("connection reset by peer"));
                }
                Some((file, byte)) if *file == name && *byte > at => end = end.min(*byte),
                _ => {}
            }
        }
        let chunk = bytes.slice(at.min(end)..end);
        let rate = self.card.rate.load(Ordering::SeqCst);
        if rate > 0 {
            self.clock.sleep(Duration::from_secs_f64(chunk.len() as f64 / rate as f64)).await;
        }
        self.card.sent.fetch_add(chunk.len() as u64, Ordering::SeqCst);
        if chunk.is_empty() {
            self.reading = None;
            return Ok(None);
        }
        self.reading = Some((name, end));
        Ok(Some(chunk))
    }

    async fn stop(&mut self) {
        self.reading = None;
    }

    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        let (bytes, _) = self.file(&path.to_string())?;
        let from = usize::try_from(from).expect("offset").min(bytes.len());
        let to = (from + usize::try_from(len).expect("length")).min(bytes.len());
        Ok(bytes.slice(from..to))
    }

    async fn digest(&mut self, _: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        Ok(None)
    }

    async fn says(&mut self, _: &SerialFrom) -> Result<String, LinkError> {
        Ok("00421".to_owned())
    }

    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        let name = permit.path().to_string();
        self.file(&name)?;
        if let Some(tell) = &*self.card.deletes.lock().expect("lock") {
            tell(&name);
        }
        self.card.files.lock().expect("lock").remove(&name);
        Ok(())
    }
}
