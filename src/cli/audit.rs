//! The command that compares the archives with the ledger, and mends wrong copies where it is asked to.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::archive::{Archive, Archives, FileArchive};
use crate::audit::{Audit, AuditError, Difference, Progress, WHOLE};
use crate::config::{ArchiveConfig, ArchiveTarget, Depot};
use crate::durable;
use crate::edges::Edges;
use crate::ledger::Query;
use crate::report::words::{count, of, plain};

use super::Cx;
use super::mend::Mender;
use super::out::{Failure, Out, Outcome};

/// Read the archives back and tell every difference from the ledger
///
/// flipped: a copy has other bytes. missing: a copy is not there. foreign: a file is there that nobody
/// here stored. doubled: a logger's content stands at two places. pending: a copy is still owed, which
/// passes by itself while the service runs. Nothing is changed, unless --repair puts right bytes over a
/// flipped or a missing copy, from the spool or from another archive. At most 50 MB are read in a second, so
/// that the archive stays usable. An audit that was interrupted goes on where it was when the same command is
/// given within a week. The service audits a sample by itself, by `[audit]` in yarder.toml.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  yarder audit                  every copy, byte by byte
  yarder audit --sample 2%      two copies of a hundred, by chance, one at least
  yarder audit --repair         every copy, and right bytes over what is wrong
  yarder audit --anew           from the beginning, whatever was interrupted before

Exit code 3: there is a difference that does not pass by itself.")]
pub struct Args {
    /// Share of the copies that is read
    #[arg(long, value_name = "SHARE", default_value = "100%", value_parser = share)]
    sample: Share,
    /// Restore what is flipped or missing from the spool or another archive
    #[arg(long)]
    repair: bool,
    /// Begin again, though an audit was interrupted
    #[arg(long)]
    anew: bool,
}

/// Between two moments at which it is written down what was reached: an interruption costs so much.
const WRITTEN: Duration = Duration::from_secs(10);
/// What was reached is of no more use after so long: what was read first may have changed.
const STALE: Duration = Duration::from_secs(7 * 24 * 3600);
/// Bytes of what was reached, at most.
const BOOKMARK: usize = 64 * 1024;

/// A share in millionths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Share(u32);

fn share(text: &str) -> Result<Share, String> {
    let wrong = || "use a percentage above 0% and up to 100%, such as 2%".to_owned();
    let number: f64 = text.strip_suffix('%').and_then(|n| n.trim().parse().ok()).ok_or_else(wrong)?;
    if number > 0.0 && number <= 100.0 {
        Ok(Share(((number * 10_000.0).round() as u32).clamp(1, WHOLE)))
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
        let place = loaded.config.depot.state_dir.join(format!("audit-{name}.json"));
        let mut teller = Teller { name, archive: &*archive, mender: mender.as_ref(), out };
        match teller.run(cx, &loaded.config.depot, args, &place).await {
            Ok(tally) => total = total + tally,
            Err(Failure::Failed(why)) => failed.push(why),
            Err(other) => return Err(other),
        }
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

/// A difference, as it is printed.
#[derive(Debug, Serialize)]
struct Line<'a> {
    kind: &'static str,
    archive: &'a str,
    location: &'a str,
    /// The SHA-256 that the ledger has; for `doubled` the first place.
    expected: Option<&'a str>,
    /// What is there: a SHA-256, a size, another place, or how far a pending copy is.
    found: Option<&'a str>,
    /// Where the right bytes came from that stand there now.
    repaired: Option<&'a str>,
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

/// What was reached of an audit, in a file of the state folder for as long as it is not over.
#[derive(Debug, Serialize, Deserialize)]
struct Bookmark {
    began: Timestamp,
    progress: Progress,
    repaired: u64,
}

impl Bookmark {
    /// That of an audit of the same share, if it was interrupted a short while ago.
    fn find(cx: &Cx, sample: Share, path: &Path) -> Option<Self> {
        let bytes = durable::read_small(&*cx.edges.disk, path, BOOKMARK).ok()??;
        let found: Self = serde_json::from_slice(&bytes).ok()?;
        let age = Duration::try_from(cx.now().duration_since(found.began)).ok()?;
        (age <= STALE && found.progress.sample == sample.0).then_some(found)
    }

    fn write(&self, cx: &Cx, path: &Path) {
        let temporary = PathBuf::from(format!("{}.new", path.display()));
        // Every field can be written.
        let bytes = serde_json::to_vec(self).unwrap_or_default();
        if let Err(e) = durable::replace(&*cx.edges.disk, path, &temporary, &bytes, 0o640) {
            tracing::warn!("an interruption would let this audit begin again: {}: {e}", path.display());
        }
    }

    /// It is over.
    fn remove(cx: &Cx, path: &Path) {
        match cx.edges.disk.remove(path) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                tracing::warn!("{} cannot be removed: {e}", path.display());
            }
            _ => {}
        }
    }
}

struct Teller<'a> {
    name: &'a str,
    archive: &'a dyn Archive,
    mender: Option<&'a Mender<'a>>,
    out: &'a mut Out,
}

impl Teller<'_> {
    async fn run(&mut self, cx: &Cx, depot: &Depot, args: &Args, path: &Path) -> Result<Tally, Failure> {
        let mut mark = match Bookmark::find(cx, args.sample, path).filter(|_| !args.anew) {
            Some(found) => {
                self.goes_on(&found, depot)?;
                found
            }
            None => {
                let seed = cx.edges.random.below(usize::MAX) as i64;
                Bookmark { began: cx.now(), progress: Progress::new(args.sample.0, seed), repaired: 0 }
            }
        };
        let from = (self.name, self.archive);
        let mut audit = Audit::new(&cx.edges, &depot.state_dir, from, &depot.name, mark.progress.clone());
        let mut written = cx.edges.clock.mono();
        while !audit.progress.is_over() {
            let step = match audit.step().await {
                Ok(step) => step,
                Err(e) => {
                    mark.write(cx, path);
                    return Err(match e {
                        AuditError::Ledger(e) => Failure::from(e),
                        AuditError::Archive(e) => self.failed(e),
                    });
                }
            };
            for difference in &step.differences {
                mark.repaired += u64::from(self.tell(difference).await?);
            }
            mark.progress = audit.progress.clone();
            if cx.edges.clock.mono().saturating_sub(written) >= WRITTEN {
                mark.write(cx, path);
                written = cx.edges.clock.mono();
            }
            cx.edges.clock.sleep(step.pause).await;
        }
        Bookmark::remove(cx, path);
        let (counts, repaired) = (mark.progress.counts, mark.repaired);
        let differences = counts.differences().saturating_sub(repaired);
        Ok(Tally { read: counts.copies, differences, pending: counts.pending, repaired })
    }

    fn goes_on(&mut self, mark: &Bookmark, depot: &Depot) -> Result<(), Failure> {
        if self.out.json {
            return Ok(());
        }
        let began = mark.began.to_zoned_datetime(depot.time_zone.clone());
        self.out.line(format!(
            "{}: goes on with the audit of {}: {} read, {} told. `--anew` begins again.",
            self.name,
            began.strftime("%a %d %b %H:%M"),
            of(mark.progress.counts.copies, "file"),
            of(mark.progress.counts.differences(), "difference"),
        ))
    }

    fn failed(&self, e: impl std::fmt::Display) -> Failure {
        Failure::Failed(format!("archive {} {e}", self.name))
    }

    /// Prints one, and gives whether it was repaired.
    async fn tell(&mut self, difference: &Difference) -> Result<bool, Failure> {
        let repaired = match (self.mender, &difference.copy) {
            (Some(mender), Some(copy)) => {
                mender.mend(self.archive, self.name, &copy.location, copy.size, copy.sha256).await?
            }
            _ => None,
        };
        let line = Line {
            kind: difference.kind.as_str(),
            archive: self.name,
            location: &difference.location,
            expected: difference.expected.as_deref(),
            found: difference.found.as_deref(),
            repaired: repaired.as_deref(),
        };
        if self.out.json {
            self.out.value(&line)?;
            return Ok(repaired.is_some());
        }
        let part =
            |name: &str, text: Option<&str>| text.map_or(String::new(), |t| format!("; {name} {}", plain(t)));
        let text = format!(
            "{:<8} {}: {}{}{}{}",
            line.kind,
            self.name,
            if line.location.is_empty() { "no place yet".to_owned() } else { plain(line.location) },
            part("expected", line.expected),
            part("found", line.found),
            part("repaired from", line.repaired)
        );
        self.out.line(text)?;
        Ok(repaired.is_some())
    }
}
