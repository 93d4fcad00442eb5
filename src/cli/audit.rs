//! The command that compares the archives with the ledger, and mends wrong copies where it is asked to.

use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;

use crate::archive::{Archive, Archives, FileArchive, ReadBack};
use crate::config::{ArchiveConfig, ArchiveTarget};
use crate::edges::{Edges, Random};
use crate::ledger::Query;
use crate::ledger::state::Duty;
use crate::model::Digest;
use crate::report::words::{count, of, plain};

use super::Cx;
use super::mend::Mender;
use super::out::{Failure, Out, Outcome};

/// Read the archives back and tell every difference from the ledger
///
/// flipped: a copy has other bytes. missing: a copy is not there. foreign: a file is there that nobody
/// here stored. doubled: a logger's content stands at two places. pending: a copy is still owed, which
/// passes by itself while the service runs. Nothing is changed, unless --repair puts right bytes over a
/// flipped or a missing copy, from the spool or from another archive.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder audit                  every copy, byte by byte
  yarder audit --sample 2%      two copies of a hundred, by chance, one at least
  yarder audit --repair         every copy, and right bytes over what is wrong

Exit code 3: there is a difference that does not pass by itself.")]
pub struct Args {
    /// Share of the copies that is read
    #[arg(long, value_name = "SHARE", default_value = "100%", value_parser = share)]
    sample: Share,
    /// Restore what is flipped or missing from the spool or another archive
    #[arg(long)]
    repair: bool,
}

/// A share in millionths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Share(usize);

const WHOLE: usize = 1_000_000;

fn share(text: &str) -> Result<Share, String> {
    let wrong = || "use a percentage above 0% and up to 100%, such as 2%".to_owned();
    let number: f64 = text.strip_suffix('%').and_then(|n| n.trim().parse().ok()).ok_or_else(wrong)?;
    if number > 0.0 && number <= 100.0 {
        Ok(Share(((number * 10_000.0).round() as usize).max(1)))
    } else {
        Err(wrong())
    }
}

pub(super) async fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let (loaded, query) = cx.read()?;
    let mut total = Tally::default();
    let mut failed = Vec::new();
    let archives = Archives::default();
    // All of them first: a repair takes bytes from the others.
    for config in &loaded.config.archives {
        let (name, archive) = (config.name.as_str(), open(&cx.edges, config));
        match is_ours(&query, name, &*archive).await {
            Ok(true) => archives.put(name, archive),
            Ok(false) => {}
            Err(Failure::Failed(why)) => failed.push(why),
            Err(other) => return Err(other),
        }
    }
    let mender = args.repair.then(|| Mender::new(cx, &loaded, &query, &archives));
    for config in &loaded.config.archives {
        let name = config.name.as_str();
        let Some(archive) = archives.get(name) else { continue };
        let mut audit = Audit {
            query: &query,
            name,
            archive: &*archive,
            mender: mender.as_ref(),
            out,
            tally: Tally::default(),
        };
        match audit.run(args.sample, &cx.edges.random).await {
            Ok(()) => {}
            Err(Failure::Failed(why)) => failed.push(why),
            Err(other) => return Err(other),
        }
        total = total + audit.tally;
    }
    // Of an archive that could not be read nothing is known.
    if !out.json && (failed.is_empty() || total != Tally::default()) {
        out.line(format!(
            "Copies read: {}. {} that {} a person. Copies pending: {}.",
            count(total.read),
            of(total.differences, "difference"),
            if total.differences == 1 { "needs" } else { "need" },
            count(total.pending)
        ))?;
        if args.repair {
            out.line(format!("Copies repaired: {}.", count(total.repaired)))?;
        }
    }
    if !failed.is_empty() {
        return Err(Failure::Failed(failed.join("\n")));
    }
    Ok(Outcome::needs(total.differences > 0))
}

fn open(edges: &Edges, config: &ArchiveConfig) -> Arc<dyn Archive> {
    match &config.target {
        ArchiveTarget::File(root) => {
            Arc::new(FileArchive::new(edges.clone(), root.clone(), config.file_mode, Duration::from_secs(60)))
        }
    }
}

/// Whether an archive is in use, and the one that was accepted: of another one every copy would be
/// missing.
async fn is_ours(query: &Query, name: &str, archive: &dyn Archive) -> Result<bool, Failure> {
    let known = query.archive_id(name)?;
    let failed = |e: String| Failure::Failed(format!("archive {name} {e}"));
    let there = archive.identify().await.map_err(|e| failed(format!("{e}. {}", e.help())))?;
    if let Some(bytes) = &there {
        archive.accept(bytes);
    }
    let id = there.and_then(|bytes| serde_json::from_slice::<serde_json::Value>(&bytes).ok());
    let id = id.as_ref().and_then(|v| v["id"].as_str());
    match (&known, id) {
        (None, None) => Ok(false),
        (Some(known), Some(id)) if known == id => Ok(true),
        _ => Err(failed(format!(
            "is not the one that was accepted: mount the right one, or accept this one with `yarder adopt {name}`"
        ))),
    }
}

/// How an archive differs from the ledger at one place.
#[derive(Debug, Serialize)]
struct Difference<'a> {
    kind: &'static str,
    archive: &'a str,
    location: &'a str,
    /// The SHA-256 that the ledger has; for `doubled` the first place.
    expected: Option<String>,
    /// What is there: a SHA-256, a size, another place, or how far a pending copy is.
    found: Option<String>,
    /// Where the right bytes came from that stand there now.
    repaired: Option<String>,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
struct Tally {
    read: u64,
    differences: u64,
    pending: u64,
    repaired: u64,
}

impl std::ops::Add for Tally {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            read: self.read + other.read,
            differences: self.differences + other.differences,
            pending: self.pending + other.pending,
            repaired: self.repaired + other.repaired,
        }
    }
}

/// Copies asked of the ledger, and names asked of the archive, at a time.
const PAGE: usize = 1024;
/// Copies read back at a time.
const GROUP: usize = 64;

struct Audit<'a> {
    query: &'a Query,
    name: &'a str,
    archive: &'a dyn Archive,
    mender: Option<&'a Mender<'a>>,
    out: &'a mut Out,
    tally: Tally,
}

impl Audit<'_> {
    async fn run(&mut self, sample: Share, random: &Random) -> Result<(), Failure> {
        self.copies(sample, random).await?;
        self.owed_again().await?;
        self.foreign().await?;
        self.doubled()?;
        self.pending()
    }

    fn failed(&self, e: impl std::fmt::Display) -> Failure {
        Failure::Failed(format!("archive {} {e}", self.name))
    }

    fn tell(
        &mut self,
        kind: &'static str,
        location: &str,
        expected: Option<String>,
        found: Option<String>,
    ) -> Result<(), Failure> {
        self.tell_repaired(kind, location, expected, found, None)
    }

    fn tell_repaired(
        &mut self,
        kind: &'static str,
        location: &str,
        expected: Option<String>,
        found: Option<String>,
        repaired: Option<String>,
    ) -> Result<(), Failure> {
        match (kind, &repaired) {
            ("pending", _) => self.tally.pending += 1,
            (_, Some(_)) => self.tally.repaired += 1,
            _ => self.tally.differences += 1,
        }
        let difference = Difference { kind, archive: self.name, location, expected, found, repaired };
        if self.out.json {
            return self.out.value(&difference);
        }
        let part = |name: &str, text: &Option<String>| {
            text.as_ref().map_or(String::new(), |t| format!("; {name} {}", plain(t)))
        };
        let (expected, found) = (&difference.expected, &difference.found);
        let text = format!(
            "{kind:<8} {}: {}{}{}{}",
            self.name,
            if location.is_empty() { "no place yet".to_owned() } else { plain(location) },
            part("expected", expected),
            part("found", found),
            part("repaired from", &difference.repaired)
        );
        self.out.line(text)
    }

    /// Reads copies back and compares.
    async fn copies(&mut self, sample: Share, random: &Random) -> Result<(), Failure> {
        let mut after = String::new();
        let mut first = None;
        loop {
            let page = self.query.copies(self.name, &after, PAGE)?;
            let Some((last, ..)) = page.last() else { break };
            after.clone_from(last);
            first = first.or_else(|| page.get(random.below(page.len())).cloned());
            let chosen: Vec<_> = page.into_iter().filter(|_| random.below(WHOLE) < sample.0).collect();
            for group in chosen.chunks(GROUP) {
                self.compare(group).await?;
            }
        }
        // A sample of nothing would say nothing of the archive.
        match first {
            Some(copy) if self.tally.read == 0 => self.compare(&[copy]).await,
            _ => Ok(()),
        }
    }

    async fn compare(&mut self, group: &[(String, u64, Digest)]) -> Result<(), Failure> {
        let keys = group.iter().map(|(location, ..)| location.clone()).collect();
        let read = self.archive.read_back(keys).await.map_err(|e| self.failed(e))?;
        for ((location, size, sha256), read) in group.iter().zip(read) {
            self.tally.read += 1;
            match read {
                Some(copy) if copy.sha256 == *sha256 && copy.size == *size => {}
                Some(copy) => self.wrong("flipped", (location, *size, sha256), Some(&copy)).await?,
                None => self.wrong("missing", (location, *size, sha256), None).await?,
            }
        }
        Ok(())
    }

    async fn wrong(
        &mut self,
        kind: &'static str,
        (location, size, sha256): (&str, u64, &Digest),
        found: Option<&ReadBack>,
    ) -> Result<(), Failure> {
        let repaired = match self.mender {
            Some(mender) => mender.mend(self.archive, self.name, location, size, *sha256).await?,
            None => None,
        };
        let found = found.map(|copy| copy.sha256.hex());
        self.tell_repaired(kind, location, Some(sha256.hex()), found, repaired)
    }

    /// What was found wrong before, and is owed again.
    async fn owed_again(&mut self) -> Result<(), Failure> {
        let wrong = self.query.owed_again(self.name)?;
        for group in wrong.chunks(GROUP) {
            self.compare(group).await?;
        }
        Ok(())
    }

    /// Finds files that the ledger does not know.
    async fn foreign(&mut self) -> Result<(), Failure> {
        let mut after = String::new();
        loop {
            let page = self.archive.list(String::new(), after.clone(), PAGE).await;
            let page = page.map_err(|e| self.failed(e))?;
            let Some((last, _)) = page.last() else { return Ok(()) };
            // The archive's own keeping may be larger than what it keeps: `0` comes after `/`.
            after = if last.starts_with(".yarder/") { ".yarder0".to_owned() } else { last.clone() };
            for (key, size) in &page {
                if !is_keeping(key) && self.query.copy_at(self.name, key)?.is_none() {
                    self.tell("foreign", key, None, Some(of(*size, "byte")))?;
                }
            }
        }
    }

    fn doubled(&mut self) -> Result<(), Failure> {
        let query = self.query;
        let mut end = Ok(());
        query.doubled(self.name, |_, first, other| {
            end = self.tell("doubled", &other, Some(first), Some(other.clone()));
            end.is_ok()
        })?;
        end
    }

    fn pending(&mut self) -> Result<(), Failure> {
        let (query, name) = (self.query, self.name);
        let mut end = Ok(());
        query.files(None, None, |row| {
            for copy in row.copies.iter().filter(|c| c.archive == name) {
                if !matches!(copy.duty, Duty::Verified | Duty::Waived) {
                    let place = copy.location.as_deref().unwrap_or_default();
                    let sha256 = row.sha256.map(|d| d.hex());
                    end = self.tell("pending", place, sha256, Some(copy.duty.as_str().to_owned()));
                }
                if end.is_err() {
                    return false;
                }
            }
            true
        })?;
        end
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
