//! An archive compared with the ledger, piece by piece: every copy that was chosen read back, every name
//! in the archive looked up.
//!
//! Owns nothing and changes nothing. What was reached is a value ([`Progress`]) that its caller keeps, so
//! that an audit which was killed goes on where it was. Between two pieces the caller waits as long as it is
//! told ([`Step::pause`]), so that the archive stays usable.

use std::path::Path;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use sha2::Digest as _;

use crate::archive::{Archive, ArchiveError};
use crate::edges::Edges;
use crate::forward::records::Claim;
use crate::forward::steps::{Verdict, VerifyWanted, claims, verify};
use crate::ledger::{self, LedgerError, OpenCopy, Query, StoredCopy};
use crate::model::LoggerId;

/// Bytes of copies that are read in a second at most, on average: about half of what one disk or a link of
/// 1 Gbit/s gives, so that the other half is left for what comes home. No single copy is read slower.
pub const RATE: u64 = 50_000_000;
/// All copies, as a sample in millionths.
pub const WHOLE: u32 = 1_000_000;
/// Copies asked of the ledger, and names asked of the archive, at a time.
const PAGE: usize = 1024;
/// Copies read back in one piece at most, and bytes of them after which it takes no more.
const GROUP: (usize, u64) = (64, 4 * 1024 * 1024);

/// What was reached of an audit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Progress {
    /// Share of the copies that is read, in millionths.
    pub sample: u32,
    /// Which ones those are.
    seed: i64,
    place: Place,
    /// What was found so far.
    pub counts: Counts,
}

/// What was found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Copies read back.
    pub copies: u64,
    /// Their bytes, as they should be.
    pub bytes: u64,
    /// Copies with other bytes, or that cannot be read.
    pub flipped: u64,
    /// Copies that are not there.
    pub missing: u64,
    /// Files that nobody here stored.
    pub foreign: u64,
    /// Contents that stand at two places.
    pub doubled: u64,
    /// Copies that are still owed.
    pub pending: u64,
}

impl Counts {
    /// Differences that do not pass by themselves.
    pub fn differences(&self) -> u64 {
        self.flipped + self.missing + self.foreign + self.doubled
    }

    /// One more of a kind.
    pub fn add(&mut self, kind: Kind) {
        *match kind {
            Kind::Flipped => &mut self.flipped,
            Kind::Missing => &mut self.missing,
            Kind::Foreign => &mut self.foreign,
            Kind::Doubled => &mut self.doubled,
            Kind::Pending => &mut self.pending,
        } += 1;
    }
}

/// What the ledger keeps of an archive's audits, as JSON.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// When the archive was first thought of: what was due before is not made up for (ms).
    pub since: i64,
    /// The one under way: when it began (ms), and what was reached.
    pub running: Option<(i64, Progress)>,
    /// The last one that ended.
    pub last: Option<Ended>,
}

/// An audit that ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ended {
    /// When it began, ms.
    pub began: i64,
    /// When it ended, ms.
    pub ended: i64,
    /// What it found.
    pub counts: Counts,
}

impl Kept {
    /// As the ledger has it; `None` for what an earlier version wrote in another form.
    pub fn parse(text: &str) -> Option<Self> {
        serde_json::from_str(text).ok()
    }

    /// Of an archive that is new.
    pub fn new(now: i64) -> Self {
        Self { since: now, running: None, last: None }
    }

    /// Whether one is due whose moment (ms) has come.
    pub fn is_due(&self, moment: i64) -> bool {
        let began = self.last.map_or(self.since, |last| last.began.max(self.since));
        began < moment
    }
}

/// Where it goes on; each behind a place that is done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
enum Place {
    /// Copies that were found wrong before, and are owed again.
    Owed(String),
    Copies(String),
    Foreign(String),
    Doubled,
    /// Behind the version of that number.
    Pending(i64),
    Over,
}

/// How an archive differs from the ledger at one place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A copy has other bytes.
    Flipped,
    /// A copy is not there.
    Missing,
    /// A file is there that nobody here stored.
    Foreign,
    /// A logger's content stands at two places.
    Doubled,
    /// A copy is still owed, which passes by itself.
    Pending,
}

impl Kind {
    /// The word in output and reports.
    pub fn as_str(self) -> &'static str {
        match self {
            Kind::Flipped => "flipped",
            Kind::Missing => "missing",
            Kind::Foreign => "foreign",
            Kind::Doubled => "doubled",
            Kind::Pending => "pending",
        }
    }
}

/// A difference.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Its kind.
    pub kind: Kind,
    /// The key; empty where a pending copy has no place yet.
    pub location: String,
    /// The SHA-256 that the ledger has; for `doubled` the first place.
    pub expected: Option<String>,
    /// What is there: a SHA-256, a size, another place, or how far a pending copy is.
    pub found: Option<String>,
    /// What should stand there, for `flipped` and `missing`.
    pub copy: Option<StoredCopy>,
}

/// A piece of an audit.
#[derive(Debug, Default)]
pub struct Step {
    /// What was found in it.
    pub differences: Vec<Difference>,
    /// So long the next piece waits, for the sake of the archive.
    pub pause: Duration,
}

/// Why a piece could not be done. It is to be tried again.
#[derive(Debug, thiserror::Error)]
pub enum AuditError {
    /// The ledger cannot be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The archive cannot be read.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
}

impl Progress {
    /// The beginning. The same seed chooses the same copies.
    pub fn new(sample: u32, seed: i64) -> Self {
        Self { sample, seed, place: Place::Owed(String::new()), counts: Counts::default() }
    }

    /// Whether all of it is done.
    pub fn is_over(&self) -> bool {
        self.place == Place::Over
    }

    fn chooses(&self, location: &str) -> bool {
        let hash =
            sha2::Sha256::new().chain_update(self.seed.to_le_bytes()).chain_update(location).finalize();
        let draw = hash.iter().take(4).fold(0, |draw, byte| draw << 8 | u64::from(*byte));
        draw * u64::from(WHOLE) < u64::from(self.sample) << 32
    }
}

/// An audit of one archive, which must be attached.
pub struct Audit<'a> {
    edges: &'a Edges,
    state_dir: &'a Path,
    name: &'a str,
    archive: &'a dyn Archive,
    /// Names of the depots that share the archive, once asked.
    depots: Option<Vec<String>>,
    depot: &'a str,
    /// What was reached.
    pub progress: Progress,
}

impl<'a> Audit<'a> {
    /// Goes on from there. `name` is the archive's, `depot` that of the depot whose ledger it is.
    pub fn new(
        edges: &'a Edges,
        state_dir: &'a Path,
        (name, archive): (&'a str, &'a dyn Archive),
        depot: &'a str,
        progress: Progress,
    ) -> Self {
        Self { edges, state_dir, name, archive, depots: None, depot, progress }
    }

    /// Does the next piece.
    pub async fn step(&mut self) -> Result<Step, AuditError> {
        let began = self.edges.clock.mono();
        let before = self.progress.counts.bytes;
        let (place, differences) = match self.progress.place.clone() {
            Place::Owed(after) => self.owed(after).await?,
            Place::Copies(after) => self.copies(after).await?,
            Place::Foreign(after) => self.foreign(after).await?,
            Place::Doubled => (Place::Pending(0), self.doubled().await?),
            Place::Pending(after) => self.pending(after).await?,
            Place::Over => (Place::Over, Vec::new()),
        };
        differences.iter().for_each(|difference| self.progress.counts.add(difference.kind));
        self.progress.place = place;
        let took = self.edges.clock.mono().saturating_sub(began);
        let bytes = self.progress.counts.bytes.saturating_sub(before);
        let pause = Duration::from_secs_f64(bytes as f64 / RATE as f64).saturating_sub(took);
        Ok(Step { differences, pause })
    }

    /// Asks the ledger as it is now.
    async fn ask<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&Query, &str) -> Result<T, LedgerError> + Send + 'static,
    ) -> Result<T, AuditError> {
        let (dir, name) = (self.state_dir.to_owned(), self.name.to_owned());
        let asked = self.edges.blocking(move |disk| ask(&ledger::read_on(disk, &dir)?, &name));
        Ok(asked.await?)
    }

    /// Reads back what is owed again and has its receipt. A receipt that names another place than the claim
    /// was damaged: another file may stand there, and forwarding finds the true one.
    async fn owed(&mut self, after: String) -> Result<(Place, Vec<Difference>), AuditError> {
        let mut owed = self.ask(|query, name| query.owed_again(name)).await?;
        owed.retain(|(copy, ..)| copy.location > after);
        owed.truncate(GROUP.0);
        let place = match owed.last() {
            Some((last, ..)) => Place::Owed(last.location.clone()),
            None => Place::Copies(String::new()),
        };
        let named = owed.into_iter().filter_map(|(copy, logger, key)| {
            let logger = LoggerId::new(&logger).ok()?;
            Some((copy, (logger, key)))
        });
        let (copies, of): (Vec<_>, Vec<_>) = named.unzip();
        let claimed = |(copy, claim): (StoredCopy, Option<Claim>)| {
            claim.is_some_and(|claim| claim.allows(&copy.location)).then_some(copy)
        };
        let claims = claims(self.archive, &of).await?;
        let copies = copies.into_iter().zip(claims).filter_map(claimed).collect();
        Ok((place, self.compare(copies).await?))
    }

    /// Reads copies back, and those alone that were chosen. A sample of nothing would say nothing of the
    /// archive: it has one copy at least.
    async fn copies(&mut self, after: String) -> Result<(Place, Vec<Difference>), AuditError> {
        // Of a sample few of a page are read; of all copies no more than a piece has.
        let most = if self.progress.sample < WHOLE { PAGE } else { GROUP.0 + 1 };
        let page = self.ask(move |query, name| query.copies(name, &after, most)).await?;
        if page.is_empty() {
            let mut first = match self.progress.counts.copies {
                0 => self.ask(|query, name| query.copies(name, "", PAGE)).await?,
                _ => Vec::new(),
            };
            let any = self.progress.seed.unsigned_abs().checked_rem(first.len() as u64).unwrap_or(0);
            let one = first.drain(..).skip(any as usize).take(1).collect();
            return Ok((Place::Foreign(String::new()), self.compare(one).await?));
        }
        let (mut chosen, mut bytes, mut reached) = (Vec::new(), 0_u64, String::new());
        for copy in page {
            // Places that differ in case alone are one step.
            if (chosen.len() >= GROUP.0 || bytes >= GROUP.1) && copy.folded != reached {
                break;
            }
            reached.clone_from(&copy.folded);
            if self.progress.chooses(&copy.location) {
                bytes = bytes.saturating_add(copy.size);
                chosen.push(copy);
            }
        }
        Ok((Place::Copies(reached), self.compare(chosen).await?))
    }

    async fn compare(&mut self, copies: Vec<StoredCopy>) -> Result<Vec<Difference>, AuditError> {
        let wanted: Vec<_> = copies
            .iter()
            .map(|copy| VerifyWanted {
                location: copy.location.clone(),
                size: copy.size,
                sha256: copy.sha256,
            })
            .collect();
        let mut differences = Vec::new();
        for (copy, verdict) in copies.into_iter().zip(verify(self.archive, &wanted).await) {
            let (kind, found) = match verdict {
                Ok(Verdict::Good(_)) => (None, None),
                Ok(Verdict::Corrupt(back)) => (Some(Kind::Flipped), Some(back.sha256.hex())),
                Ok(Verdict::Missing) => (Some(Kind::Missing), None),
                Err(e) if e.failure.is_outage() => return Err(e.into()),
                Err(e) => (Some(Kind::Flipped), Some(format!("it cannot be read: {}", e.detail))),
            };
            self.progress.counts.copies += 1;
            self.progress.counts.bytes = self.progress.counts.bytes.saturating_add(copy.size);
            differences.extend(kind.map(|kind| Difference {
                kind,
                location: copy.location.clone(),
                expected: Some(copy.sha256.hex()),
                found,
                copy: Some(copy),
            }));
        }
        Ok(differences)
    }

    /// Finds files that neither the ledger nor a receipt knows. What stands in the folder of another depot
    /// is for that one to judge.
    async fn foreign(&mut self, after: String) -> Result<(Place, Vec<Difference>), AuditError> {
        let page = self.archive.list(String::new(), after, PAGE).await?;
        let Some((last, _)) = page.last() else { return Ok((Place::Doubled, Vec::new())) };
        // The archive's own keeping may be larger than what it keeps: `0` comes after `/`.
        let place = if last.starts_with(".yarder/") { ".yarder0".to_owned() } else { last.clone() };
        let depots = match self.depots.take() {
            Some(depots) => depots,
            None => self.others().await?,
        };
        let theirs = |key: &str| key.split('/').any(|part| depots.iter().any(|depot| depot == part));
        let page: Vec<_> = page.into_iter().filter(|(key, _)| !is_keeping(key) && !theirs(key)).collect();
        self.depots = Some(depots);
        let strange = self.ask(move |query, name| {
            let mut strange = Vec::new();
            for (key, size) in page {
                if !query.is_known(name, &key)? {
                    strange.push((key, size));
                }
            }
            Ok(strange)
        });
        let strange = strange.await?.into_iter().map(|(location, size)| Difference {
            kind: Kind::Foreign,
            location,
            expected: None,
            found: Some(crate::report::words::of(size, "byte")),
            copy: None,
        });
        Ok((Place::Foreign(place), strange.collect()))
    }

    async fn others(&self) -> Result<Vec<String>, AuditError> {
        const DEPOTS: &str = ".yarder/depots/";
        let all = self.archive.list(DEPOTS.to_owned(), String::new(), PAGE).await?;
        let names = all.iter().filter_map(|(key, _)| key.strip_prefix(DEPOTS));
        Ok(names.filter(|name| *name != self.depot).map(str::to_owned).collect())
    }

    async fn doubled(&self) -> Result<Vec<Difference>, AuditError> {
        let all = self.ask(|query, name| query.doubled(name)).await?;
        let difference = |(first, other): (String, String)| Difference {
            kind: Kind::Doubled,
            location: other.clone(),
            expected: Some(first),
            found: Some(other),
            copy: None,
        };
        Ok(all.into_iter().map(difference).collect())
    }

    async fn pending(&self, after: i64) -> Result<(Place, Vec<Difference>), AuditError> {
        let page = self.ask(move |query, name| query.open_copies(name, after, PAGE)).await?;
        let place = page.last().map_or(Place::Over, |last| Place::Pending(last.id.0));
        let difference = |copy: OpenCopy| Difference {
            kind: Kind::Pending,
            location: copy.location.unwrap_or_default(),
            expected: copy.sha256.map(|sha256| sha256.hex()),
            found: Some(copy.duty),
            copy: None,
        };
        Ok((place, page.into_iter().map(difference).collect()))
    }
}

/// Whether a key is the archive's own keeping: `.yarder/`, or the tag files of a day's bag (RFC 8493,
/// section 2), which never lie below its `data/`.
fn is_keeping(key: &str) -> bool {
    const TAGS: [&str; 4] = ["manifest-sha256.txt", "tagmanifest-sha256.txt", "bagit.txt", "bag-info.txt"];
    let (folder, name) = key.rsplit_once('/').unwrap_or(("", key));
    let payload = folder.split('/').any(|part| part == "data");
    key.starts_with(".yarder/") || !payload && TAGS.contains(&name)
}
