//! The loggers behind the seam: knocks, listings, reads, deletions.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use bytes::Bytes;
use jiff::Timestamp;
use yarder::clock::Clock;
use yarder::config::{Logger, Poll, SerialFrom};
use yarder::link::{
    Dialer, Link, LinkCaps, LinkError, LinkFailure, ListCaps, Listing, Missing, Opened, Patterns,
};
use yarder::model::{
    Digest, DigestKind, ListedSize, ListedTime, Look, OfferedDigest, Precision, RemoteFile, RemotePath,
};
use yarder::remove::Permit;

use super::{Deletes, File, Ranges, Removed, Shared, Tag, Unit, chance};

/// Makes links to them.
pub struct Air(pub Shared);

impl Air {
    fn at(&self, logger: &Logger) -> usize {
        let yard = self.0.lock();
        yard.units.iter().position(|u| u.name == logger.id.as_str()).expect("a logger of the list")
    }
}

#[async_trait]
impl Dialer for Air {
    async fn knock(&self, logger: &Logger, _: &Poll) -> Result<usize, LinkError> {
        self.0.ask(self.at(logger), "knock", "", |_, _| Ok(0))
    }

    async fn dial(&self, logger: &Arc<Logger>, _: usize, poll: &Poll) -> Result<Box<dyn Link>, LinkError> {
        let at = self.at(logger);
        self.0.ask(at, "dial", "", |_, _| Ok(()))?;
        Ok(Box::new(Wire {
            shared: self.0.clone(),
            at,
            wanted: logger.kind.files.clone(),
            silence: poll.idle_timeout,
            resumes: None,
            listed: None,
            reading: None,
            read: BTreeMap::new(),
        }))
    }
}

/// What a whole listing showed, and when.
type Told = (BTreeMap<String, (Digest, Duration)>, Duration);

/// One conversation.
struct Wire {
    shared: Shared,
    at: usize,
    wanted: Patterns,
    silence: Duration,
    resumes: Option<bool>,
    /// What its last whole listing showed.
    listed: Option<Told>,
    /// The open read: its file, the next byte, and the end that was announced.
    reading: Option<(String, usize, Option<usize>)>,
    /// Contents that were read since it last said who it is.
    read: BTreeMap<String, Digest>,
}

/// Bytes that come at a time, at most.
const CHUNK: usize = 16 * 1024;

fn look_of(unit: &Unit, file: &File) -> Look {
    let tag = match unit.manner.tag {
        Tag::None => None,
        Tag::Weak | Tag::Strong => Some(file.sha.hex()[..12].to_owned()),
    };
    Look {
        size: Some(file.bytes.len() as u64),
        time: unit.manner.times.then_some(file.time),
        strong: unit.manner.tag == Tag::Strong,
        validator: tag,
    }
}

fn not_found() -> LinkError {
    LinkError::new(LinkFailure::NotFound, "404 Not Found")
}

fn file_of<'u>(unit: &'u Unit, path: &str) -> Result<&'u File, LinkError> {
    unit.card.files.get(path).ok_or_else(not_found)
}

impl Wire {
    fn listing(
        unit: &mut Unit,
        rng: &mut fastrand::Rng,
        wanted: &Patterns,
        now: Duration,
    ) -> (Listing, Option<Told>) {
        let mut listing = Listing { dialect: "memory", ..Listing::default() };
        let lies = chance(rng, unit.trouble.lies);
        for (name, file) in &unit.card.files {
            let path = RemotePath::new(name.as_bytes()).expect("path");
            if !wanted.wants(&path) {
                listing.skipped.add(path);
                continue;
            }
            let len = file.bytes.len() as u64 + if lies { rng.u64(1..5000) } else { 0 };
            let coarse = unit.manner.coarse;
            let size = match coarse {
                true => ListedSize::Rounded(format!("{:.1}K", len as f64 / 1024.0)),
                false => ListedSize::Exact(len),
            };
            let seconds = file.time.as_second();
            let seconds = if coarse { seconds - seconds.rem_euclid(60) } else { seconds };
            let time = ListedTime {
                at: Timestamp::from_second(seconds).expect("second"),
                precision: if coarse { Precision::Minute } else { Precision::Second },
                zone_told: true,
            };
            listing.files.push(RemoteFile {
                path,
                size,
                time: unit.manner.times.then_some(time),
                validator: None,
            });
        }
        if chance(rng, unit.trouble.cut_listing) {
            let keep = unit.trouble.cut_at.unwrap_or_else(|| rng.usize(..=listing.files.len()));
            listing.files.truncate(keep);
            listing.missing.push(Missing { folder: Vec::new(), why: "the page ended early".into() });
        }
        if lies {
            unit.told.clear();
            unit.lied_at = Some(now);
        }
        // What another logger shows, or another's card, is nobody's word.
        let whole = !lies && listing.missing.is_empty() && unit.is_itself();
        let shows = |listed: &RemoteFile| {
            let path = listed.path.to_string();
            let file = &unit.card.files[&path];
            (path, (file.sha, file.since))
        };
        let told = whole.then(|| (listing.files.iter().map(shows).collect(), now));
        (listing, told)
    }
}

#[async_trait]
impl Link for Wire {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: self.resumes }
    }

    async fn list(&mut self, _: &ListCaps) -> Result<Listing, LinkError> {
        let (wanted, now) = (self.wanted.clone(), self.shared.clock.mono());
        let before = std::mem::take(&mut self.listed);
        let listing = self.shared.ask(self.at, "list", "", |unit, rng| {
            // It goes on, and so has taken in what it was told last.
            if let Some((told, at)) = before {
                unit.shown.extend(told.iter().map(|(path, (sha, _))| (path.clone(), *sha)));
                (unit.told, unit.listed_at) = (told, at);
            }
            if chance(rng, unit.trouble.no_listing) {
                let title = "Welcome: please log in".to_owned();
                return Err(LinkError::new(LinkFailure::NotAListing { title }, "text/html"));
            }
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            Ok(Self::listing(unit, rng, &wanted, now))
        });
        let (listing, told) = listing?;
        self.listed = told;
        Ok(listing)
    }

    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        let path = path.to_string();
        self.shared.ask(self.at, "look", &path, |unit, rng| {
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            Ok(look_of(unit, file_of(unit, &path)?))
        })
    }

    async fn open(&mut self, path: &RemotePath, from: u64, expect: &Look) -> Result<Opened, LinkError> {
        let path = path.to_string();
        let opened = self.shared.ask(self.at, "open", &path, |unit, rng| {
            if chance(rng, unit.trouble.refuse) {
                return Err(LinkError::new(LinkFailure::Forbidden, "403 Forbidden"));
            }
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let file = file_of(unit, &path)?;
            let look = look_of(unit, file);
            if expect.strong && look.strong && expect.validator != look.validator {
                return Err(LinkError::new(LinkFailure::Changed, "412 Precondition Failed"));
            }
            if from > file.bytes.len() as u64 {
                return Err(LinkError::new(LinkFailure::BeyondEnd, "416 Range Not Satisfiable"));
            }
            let from = match unit.manner.ranges {
                Ranges::Serves => from,
                Ranges::Ignores => 0,
                Ranges::Early => from.saturating_sub(rng.u64(..100)),
            };
            let end = (!unit.manner.follows).then_some(file.bytes.len());
            Ok((Opened { from, look, digest: None }, end, unit.manner.ranges != Ranges::Ignores))
        });
        let (opened, end, ranges) = opened?;
        if from > 0 {
            self.resumes = Some(ranges);
        }
        self.reading = Some((path, usize::try_from(opened.from).expect("offset"), end));
        Ok(opened)
    }

    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let Some((path, at, end)) = self.reading.clone() else { return Ok(None) };
        let read = &mut self.read;
        let next = self.shared.ask(self.at, "chunk", &path, |unit, rng| {
            if chance(rng, unit.trouble.stall) {
                return Ok(None);
            }
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let gone = || LinkError::cut("connection reset by peer");
            let file = unit.card.files.get(&path).ok_or_else(gone)?;
            let to = end.unwrap_or(file.bytes.len());
            if at < to && at >= file.bytes.len() {
                return Err(LinkError::cut("the body ended early"));
            }
            let until = to.min(file.bytes.len()).min(at + CHUNK).max(at);
            if file.bad.is_some_and(|bad| (at..until).contains(&bad)) {
                return Err(LinkError::cut("the card does not give what is there"));
            }
            if at < until {
                read.insert(path.clone(), file.sha);
            }
            let mut bytes = file.bytes.get(at..until).unwrap_or_default().to_vec();
            if !bytes.is_empty() && chance(rng, unit.trouble.flip) {
                let (bits, drawn) = (bytes.len() * 8, rng.usize(..bytes.len() * 8));
                let mut others = (drawn..bits).chain(0..drawn);
                if let Some(bit) = others.find(|bit| unit.flipped.insert((path.clone(), at * 8 + bit))) {
                    bytes[bit / 8] ^= 1 << (bit % 8);
                }
            }
            Ok(Some((Bytes::from(bytes), unit.manner.rate)))
        });
        let Some((bytes, rate)) = next.inspect_err(|_| self.reading = None)? else {
            self.reading = None;
            self.shared.clock.sleep(self.silence).await;
            return Err(LinkError::cut("no byte for a while"));
        };
        if bytes.is_empty() {
            self.reading = None;
            return Ok(None);
        }
        self.shared.clock.sleep(Duration::from_secs_f64(bytes.len() as f64 / rate as f64)).await;
        self.reading = Some((path, at + bytes.len(), end));
        Ok(Some(bytes))
    }

    async fn stop(&mut self) {
        self.reading = None;
    }

    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        let path = path.to_string();
        let read = &mut self.read;
        self.shared.ask(self.at, "range", &path, |unit, rng| {
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            let file = file_of(unit, &path)?;
            let bytes = &file.bytes;
            let from = usize::try_from(from).expect("offset").min(bytes.len());
            let to = (from + usize::try_from(len).expect("length")).min(bytes.len());
            if file.bad.is_some_and(|bad| (from..to).contains(&bad)) {
                return Err(LinkError::cut("the card does not give what is there"));
            }
            read.insert(path.clone(), file.sha);
            Ok(bytes.slice(from..to))
        })
    }

    async fn digest(&mut self, path: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        let path = path.to_string();
        self.shared.ask(self.at, "digest", &path, |unit, _| {
            if !unit.manner.digests {
                return Ok(None);
            }
            let value = file_of(unit, &path)?.sha.0.to_vec();
            Ok(Some(OfferedDigest { kind: DigestKind::Sha256, value, stated_by: "side file" }))
        })
    }

    async fn says(&mut self, _: &SerialFrom) -> Result<String, LinkError> {
        self.read.clear();
        self.shared.ask(self.at, "says", "", |unit, rng| {
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            Ok(format!("{{\"serial\": \"{}\"}}", unit.serial))
        })
    }

    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        let path = permit.path().to_string();
        let read = self.read.get(&path).copied();
        let mut gone = None;
        let answer = self.shared.ask(self.at, "delete", &path, |unit, rng| {
            if chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            file_of(unit, &path)?;
            // Before it is done, or with the answer on its way.
            let quits = if unit.manner.quits { rng.u32(..8) } else { 8 };
            unit.here &= quits > 1;
            if quits == 0 {
                return Err(LinkError::cut("connection reset by peer"));
            }
            match unit.manner.deletes {
                Deletes::Refuses => return Err(LinkError::new(LinkFailure::Forbidden, "403 Forbidden")),
                Deletes::Pretends => return Ok(()),
                Deletes::Does => gone = unit.take(&path),
            }
            // The answer may be lost on its way.
            if !unit.here || chance(rng, unit.trouble.cut) {
                return Err(LinkError::cut("connection reset by peer"));
            }
            Ok(())
        });
        if let Some(file) = gone {
            self.deleted(path, &file, read);
        }
        answer
    }
}

impl Wire {
    /// Nothing leaves a logger by our hand unless its exact bytes are safe.
    fn deleted(&self, path: String, file: &File, read: Option<Digest>) {
        let mut yard = self.shared.lock();
        let yard = &mut *yard;
        // A file that is replaced between the comparison and the deletion goes: that much is told.
        let compared = read.unwrap_or(file.sha);
        yard.met.push(match () {
            () if compared != file.sha => "replaced between comparison and deletion",
            () => "deleted",
        });
        let required = yard.required.clone();
        let stands = |root: &str| self.shared.disk.stands(root, compared);
        let missing = required.iter().find(|root| !stands(root));
        let nowhere = required.is_empty() && !["/central", "/copy"].into_iter().any(stands);
        let unit = &mut yard.units[self.at];
        let now = self.shared.clock.mono();
        if yard.keeps_from.is_some_and(|from| from < now) {
            yard.broken.get_or_insert(format!(
                "{} lost {path} by our hand, and nothing is to be removed",
                unit.name
            ));
        }
        // A look at a copy holds for an hour.
        let harmed = yard.harmed_at.is_some_and(|at| now < at + Duration::from_secs(3600));
        if (missing.is_some() || nowhere) && !harmed {
            let all = required.join(" and ");
            yard.broken
                .get_or_insert(format!("{} lost {path} by our hand, and it is not in {all}", unit.name));
        }
        if compared == file.sha {
            unit.removed.push(Removed { path, sha: compared, required });
        }
    }
}
