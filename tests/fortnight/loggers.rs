//! Loggers in memory, behind the seam at which the network begins.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use async_trait::async_trait;
use bytes::Bytes;
use jiff::Timestamp;
use yarder::clock::Clock;
use yarder::config::{Logger, Poll};
use yarder::link::{
    Dialer, Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, Missing, Opened, Patterns,
};
use yarder::model::{ListedSize, ListedTime, Look, OfferedDigest, Precision, RemoteFile, RemotePath};

use crate::clock::Virtual;

/// How a logger answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mood {
    #[default]
    Well,
    /// With a page that asks for a login.
    LoginPage,
    /// It refuses user and password.
    Refuses,
    /// In no protocol.
    Garbage,
}

/// A file on a card.
#[derive(Debug, Clone, Default)]
pub struct Planted {
    pub bytes: Bytes,
    pub time: Option<Timestamp>,
    /// The card does not give these bytes.
    pub hole: Option<(usize, usize)>,
    /// The line is cut at this byte, once.
    pub cut_once: Option<usize>,
    pub refused: bool,
    /// Bytes a second; all at once where not told.
    pub rate: Option<u64>,
}

/// A logger with its card.
#[derive(Debug, Clone, Default)]
pub struct Unit {
    /// In range and powered.
    pub here: bool,
    pub mood: Mood,
    /// Each transfer begins at zero.
    pub cannot_resume: bool,
    /// A folder that cannot be read.
    pub unreadable: Option<&'static str>,
    pub files: BTreeMap<String, Planted>,
    /// Behind the access point `west`.
    pub west: bool,
    /// It still runs, and writes nothing any more.
    pub dead: bool,
    /// What its files are called at the end.
    pub ending: &'static str,
    pub next: u32,
    /// Files recorded so far: no two have equal bytes.
    pub recorded: u64,
}

/// All of them.
#[derive(Debug, Default)]
pub struct World {
    pub units: BTreeMap<String, Unit>,
    /// Which logger answers at an address.
    pub answers: BTreeMap<String, String>,
    pub west_is_down: bool,
}

/// The world, for loggers and for the plot.
#[derive(Debug, Clone, Default)]
pub struct Shared(Arc<Mutex<World>>);

impl Shared {
    pub fn lock(&self) -> MutexGuard<'_, World> {
        self.0.lock().expect("lock")
    }

    /// Changes one logger.
    pub fn unit<T>(&self, name: &str, change: impl FnOnce(&mut Unit) -> T) -> T {
        let mut world = self.lock();
        change(world.units.get_mut(name).unwrap_or_else(|| panic!("no logger {name}")))
    }

    /// Asks the logger at an address, if it is there.
    fn at<T>(&self, host: &str, ask: impl FnOnce(&mut Unit) -> T) -> Result<T, LinkError> {
        let mut world = self.lock();
        let down = world.west_is_down;
        let name = world.answers.get(host).cloned().unwrap_or_default();
        match world.units.get_mut(&name) {
            Some(unit) if unit.here && !(unit.west && down) => Ok(ask(unit)),
            _ => Err(LinkError::new(LinkFailure::Absent, "no route to host")),
        }
    }
}

impl Unit {
    /// Writes a file of so many bytes, and gives its name.
    pub fn record(&mut self, seed: &str, size: usize, at: Timestamp) -> String {
        self.next += 1;
        self.recorded += 1;
        let name =
            format!("log_{:04}.{}", self.next, if self.ending.is_empty() { "log" } else { self.ending });
        let seed = seed.bytes().fold(self.recorded, |sum, b| sum.wrapping_mul(1_000_003) ^ u64::from(b));
        let mut rng = fastrand::Rng::with_seed(seed);
        let bytes: Vec<u8> = std::iter::repeat_with(|| rng.u8(..)).take(size).collect();
        self.files
            .insert(name.clone(), Planted { bytes: bytes.into(), time: Some(at), ..Planted::default() });
        name
    }

    pub fn file(&mut self, name: &str) -> &mut Planted {
        self.files.get_mut(name).unwrap_or_else(|| panic!("no file {name}"))
    }
}

/// Makes links to them.
pub struct Air {
    pub world: Shared,
    pub clock: Arc<Virtual>,
}

fn host(logger: &Logger, address: usize) -> String {
    logger.addresses.get(address).and_then(|a| a.host_str()).unwrap_or_default().to_owned()
}

#[async_trait]
impl Dialer for Air {
    async fn knock(&self, logger: &Logger, _: &Poll) -> Result<usize, LinkError> {
        self.world.at(&host(logger, 0), |_| 0)
    }

    async fn dial(&self, logger: &Arc<Logger>, at: usize, _: &Poll) -> Result<Box<dyn Link>, LinkError> {
        Ok(Box::new(Wire {
            world: self.world.clone(),
            clock: self.clock.clone(),
            host: host(logger, at),
            wanted: logger.kind.files.clone(),
            resumes: self.world.at(&host(logger, at), |unit| !unit.cannot_resume).ok(),
            reading: None,
        }))
    }
}

struct Wire {
    world: Shared,
    clock: Arc<Virtual>,
    host: String,
    wanted: Patterns,
    resumes: Option<bool>,
    /// The open read: its file, and the next byte.
    reading: Option<(String, usize)>,
}

/// Bytes that come at a time, at most.
const CHUNK: usize = 16 * 1024;

impl Wire {
    fn file<T>(
        &self,
        path: &RemotePath,
        ask: impl FnOnce(&mut Unit, &Planted) -> Result<T, LinkError>,
    ) -> Result<T, LinkError> {
        let name = path.to_string();
        self.world.at(&self.host, |unit| match unit.files.get(&name).cloned() {
            Some(file) => ask(unit, &file),
            None => Err(LinkError::new(LinkFailure::NotFound, "404 Not Found")),
        })?
    }
}

fn look(file: &Planted) -> Look {
    Look { size: Some(file.bytes.len() as u64), time: file.time, ..Look::default() }
}

#[async_trait]
impl Link for Wire {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: self.resumes }
    }

    async fn list(&mut self, _: &ListCaps) -> Result<Listing, LinkError> {
        self.world.at(&self.host, |unit| {
            match unit.mood {
                Mood::Well => {}
                Mood::LoginPage => {
                    let title = "Welcome: please log in".to_owned();
                    return Err(LinkError::new(LinkFailure::NotAListing { title }, "text/html"));
                }
                Mood::Refuses => return Err(LinkError::new(LinkFailure::Login, "401 Unauthorized")),
                Mood::Garbage => return Err(LinkError::protocol("no status line")),
            }
            let mut listing = Listing { dialect: "memory", ..Listing::default() };
            for (name, file) in &unit.files {
                let path = RemotePath::new(name.as_bytes()).expect("path");
                if !self.wanted.wants(&path) {
                    listing.skipped.add(path);
                    continue;
                }
                listing.files.push(RemoteFile {
                    path,
                    size: ListedSize::Exact(file.bytes.len() as u64),
                    time: file.time.map(|at| ListedTime {
                        at,
                        precision: Precision::Second,
                        zone_told: true,
                    }),
                    validator: None,
                });
            }
            let missing =
                |folder: &str| Missing { folder: folder.into(), why: "500 Internal Server Error".into() };
            listing.missing.extend(unit.unreadable.map(missing));
            Ok(listing)
        })?
    }

    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        self.file(path, |_, file| Ok(look(file)))
    }

    async fn open(&mut self, path: &RemotePath, from: u64, _: &Look) -> Result<Opened, LinkError> {
        let opened = self.file(path, |unit, file| {
            if file.refused {
                return Err(LinkError::new(LinkFailure::Forbidden, "403 Forbidden"));
            }
            let from = if unit.cannot_resume { 0 } else { from };
            Ok(Opened { from, look: look(file), digest: None })
        })?;
        self.reading = Some((path.to_string(), usize::try_from(opened.from).expect("offset")));
        Ok(opened)
    }

    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let Some((name, at)) = self.reading.clone() else { return Ok(None) };
        let silence = || LinkError::cut("no byte for 20 s");
        let next = |unit: &mut Unit| {
            let file = unit.files.get_mut(&name).ok_or_else(silence)?;
            if file.hole.is_some_and(|(from, to)| from <= at && at < to) {
                return Err(silence());
            }
            if file.cut_once == Some(at) {
                file.cut_once = None;
                return Err(LinkError::cut("connection reset by peer"));
            }
            let stop = |stop: Option<usize>| stop.filter(|stop| *stop > at).unwrap_or(usize::MAX);
            let end = file.bytes.len().min(stop(file.hole.map(|(from, _)| from))).min(stop(file.cut_once));
            let most = file.rate.map_or(CHUNK, |rate| (rate as usize * 100).clamp(1, CHUNK));
            let end = end.min(at + most);
            Ok((file.bytes.slice(at.min(end)..end), file.rate))
        };
        let (bytes, rate) = self.world.at(&self.host, next).unwrap_or_else(|_| Err(silence()))?;
        if let Some(rate) = rate {
            self.clock.sleep(Duration::from_secs_f64(bytes.len() as f64 / rate as f64)).await;
            // It may have driven off meanwhile.
            self.world.at(&self.host, |_| ()).map_err(|_| silence())?;
        }
        if bytes.is_empty() {
            self.reading = None;
            return Ok(None);
        }
        self.reading = Some((name, at + bytes.len()));
        Ok(Some(bytes))
    }

    async fn stop(&mut self) {
        self.reading = None;
    }

    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        self.file(path, |_, file| {
            let from = usize::try_from(from).expect("offset").min(file.bytes.len());
            let to = (from + usize::try_from(len).expect("length")).min(file.bytes.len());
            match file.hole {
                Some((start, end)) if from < end && start < to => Err(LinkError::cut("no byte for 20 s")),
                _ => Ok(file.bytes.slice(from..to)),
            }
        })
    }

    async fn digest(&mut self, _: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        Ok(None)
    }
}
