//! The command that asks one logger what it offers.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;

use crate::clock::Clock;
use crate::config::{Kind, Logger, Poll};

use crate::link::{Dialer, Link, LinkError, ListCaps, Listing, NetDialer, Patterns};
use crate::model::{ListedSize, Look, OfferedDigest, RemoteFile, RemotePath};
use crate::report::words::{count, of, plain, size};

use super::Cx;
use super::out::{Failure, Out, Outcome};

/// Ask one logger what it offers, and print the settings to write for it
///
/// Connects once, takes a listing, reads at most 8 MB of its largest file, and changes nothing: which
/// form its listing has, whether it is whole, whether a read may begin behind the first byte, which
/// digests it states, how far its clock is off, and how fast it is.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: yarder probe L-0421

Not while the service fetches from the same logger: many serve one client at a time.")]
pub struct Args {
    /// The logger's id in vehicles.toml
    #[arg(value_name = "ID")]
    id: String,
}

pub(super) async fn run(args: &Args, cx: &Cx, out: &mut Out) -> Result<Outcome, Failure> {
    let loaded = cx.load()?;
    let logger = loaded.config.loggers.iter().find(|l| l.id.as_str() == args.id).ok_or_else(|| {
        let ids = loaded.config.loggers.iter().map(|l| l.id.as_str());
        Failure::Usage(format!(
            "there is no logger {:?} in vehicles.toml; {}",
            args.id,
            closest(&args.id, ids)
        ))
    })?;
    let dialer = NetDialer::new(cx.edges.clock.clone());
    let mut probe = measure(&dialer, &*cx.edges.clock, logger, &loaded.config.poll).await;
    if let Some(host) = host(&loaded.pair.vehicles.text, &args.id) {
        probe.settings = with_host(&probe.settings, &host);
    }
    if out.json {
        out.value(&probe)?
    } else {
        out.text(&text(&probe))?
    }
    match probe.failed {
        Some(why) => Err(Failure::Failed(why)),
        None => Ok(Outcome::Done),
    }
}

/// The ids most like one, and how many others there are.
fn closest<'l>(id: &str, ids: impl Iterator<Item = &'l str>) -> String {
    let wanted = id.to_lowercase();
    let mut ids: Vec<_> = ids.map(|id| (strsim::osa_distance(&wanted, &id.to_lowercase()), id)).collect();
    ids.sort_unstable();
    let shown: Vec<&str> = ids.iter().take(3).map(|(_, id)| *id).collect();
    format!("nearest are {}", shown.join(", "))
}

/// The `host` that the vehicle list gives a logger, to be put into its kind's `url`.
fn host(list: &str, id: &str) -> Option<String> {
    let list: toml::Table = list.parse().ok()?;
    let loggers = list.get("logger")?.as_array()?;
    let logger = loggers.iter().find(|l| l.get("id").and_then(toml::Value::as_str) == Some(id))?;
    logger.get("host")?.as_str().map(str::to_owned)
}

/// The settings with `host` in place of the logger's `url`.
fn with_host(settings: &str, host: &str) -> String {
    let line = format!("host = {}", toml::Value::from(host));
    settings.lines().map(|l| if l.starts_with("url = ") { &line } else { l }.to_owned() + "\n").collect()
}

/// What one logger offers. What was not found out is null.
#[derive(Debug, Default, Serialize)]
struct Probe {
    logger: String,
    vehicle: String,
    address: Option<String>,
    login: Option<String>,
    secured: bool,
    dialect: Option<&'static str>,
    files: u64,
    folders: u64,
    /// Of files whose listed size is exact; null where none is.
    bytes: Option<u64>,
    wanted: u64,
    whole: Option<bool>,
    missing: Vec<String>,
    tried_on: Option<String>,
    resumes: Option<bool>,
    digests: Vec<String>,
    /// Positive: the logger's clock is ahead of ours.
    clock_offset_s: Option<i64>,
    rate: Option<u64>,
    rate_over: u64,
    failed: Option<String>,
    settings: String,
}

/// Bytes read for the speed, at most.
const READ: u64 = 8 * 1024 * 1024;
/// Time spent on the speed, at most.
const READ_FOR: Duration = Duration::from_secs(5);
/// Smallest file on which a resume can be tried.
const SMALLEST: u64 = 1024;
/// Bytes compared behind the offset of a resume.
const COMPARED: usize = 512;

async fn measure(dialer: &dyn Dialer, clock: &dyn Clock, logger: &Arc<Logger>, poll: &Poll) -> Probe {
    let mut probe = Probe {
        logger: logger.id.to_string(),
        vehicle: logger.vehicle.to_string(),
        login: logger.login.as_ref().map(|l| l.user.clone()),
        ..Probe::default()
    };
    // Not an `?`: what was found out before a failure is worth printing.
    let failed = steps(dialer, clock, logger, poll, &mut probe).await.err();
    probe.failed = failed.map(|e| format!("{} {e}. {}", logger.id, e.help()));
    probe
}

async fn steps(
    dialer: &dyn Dialer,
    clock: &dyn Clock,
    logger: &Arc<Logger>,
    poll: &Poll,
    probe: &mut Probe,
) -> Result<(), LinkError> {
    let address = dialer.knock(logger, poll).await?;
    probe.address = logger.addresses.get(address).map(ToString::to_string);
    // Everything but what is excluded, so that patterns that want too little are seen.
    let mut all = vec!["**/*".to_owned()];
    all.extend(logger.kind.files_text.iter().filter(|p| p.starts_with('!')).cloned());
    let files = Patterns::new(&all).unwrap_or_default();
    let curious = Kind { files, files_text: all, ..(*logger.kind).clone() };
    let curious = Arc::new(Logger { kind: Arc::new(curious), ..(**logger).clone() });
    let mut link = dialer.dial(&curious, address, poll).await?;
    probe.secured = link.caps().secured;
    let listing = link.list(&ListCaps::default()).await?;
    let now = clock.now();
    probe.clock_offset_s = listing.server_time.map(|at| at.duration_since(now).as_secs());
    take_listing(probe, &listing, logger);
    probe.settings = settings(probe, &listing, logger, address);
    let exact = |f: &&RemoteFile| matches!(f.size, ListedSize::Exact(n) if n >= SMALLEST);
    let bytes = |f: &&RemoteFile| if let ListedSize::Exact(n) = f.size { n } else { 0 };
    let largest = listing.files.iter().filter(exact).max_by_key(bytes).or(listing.files.first());
    if let Some(file) = largest {
        probe.tried_on = Some(file.path.to_string());
        read(&mut *link, clock, &file.path, probe).await?;
        probe.settings = settings(probe, &listing, logger, address);
    }
    Ok(())
}

fn take_listing(probe: &mut Probe, listing: &Listing, logger: &Logger) {
    probe.dialect = Some(listing.dialect);
    probe.files = listing.files.len() as u64;
    probe.folders = listing.files.iter().map(|f| f.path.folder()).collect::<BTreeSet<_>>().len() as u64;
    probe.wanted = listing.files.iter().filter(|f| logger.kind.files.wants(&f.path)).count() as u64;
    for file in &listing.files {
        if let ListedSize::Exact(n) = file.size {
            probe.bytes = Some(probe.bytes.unwrap_or(0).saturating_add(n));
        }
    }
    probe.whole = Some(listing.is_whole());
    let shown = |m: &crate::link::Missing| format!("/{}: {}", String::from_utf8_lossy(&m.folder), m.why);
    probe.missing = listing.missing.iter().take(10).map(shown).collect();
}

/// Tries a resume, measures the speed, asks for digests.
async fn read(
    link: &mut dyn Link,
    clock: &dyn Clock,
    path: &RemotePath,
    probe: &mut Probe,
) -> Result<(), LinkError> {
    let look = link.look(path).await?;
    let mut digests = BTreeSet::new();
    let mut offered = |d: Option<OfferedDigest>| {
        digests.extend(d.map(|d| format!("{:?} ({})", d.kind, d.stated_by)));
    };
    let resumed = match look.size {
        Some(bytes) if bytes >= SMALLEST => {
            let from = (bytes / 2).min(64 * 1024);
            resume(link, path, from, &look).await?.map(|bytes| (from, bytes))
        }
        _ => None,
    };
    let opened = link.open(path, 0, &look).await?;
    offered(opened.digest);
    let began = clock.mono();
    let mut start = Vec::new();
    while let Some(chunk) = link.chunk().await? {
        probe.rate_over += chunk.len() as u64;
        if start.len() < 64 * 1024 + COMPARED {
            start.extend_from_slice(&chunk);
        }
        if probe.rate_over >= READ || clock.mono().saturating_sub(began) >= READ_FOR {
            break;
        }
    }
    let took = clock.mono().saturating_sub(began);
    link.stop().await;
    let rate = u128::from(probe.rate_over) * 1_000_000 / took.as_micros().max(1);
    probe.rate = u64::try_from(rate).ok().filter(|_| probe.rate_over > 0);
    if look.size.is_some_and(|n| n >= SMALLEST) {
        // A server that ignores the offset, or takes another one, is found out by its bytes alone.
        let fits = |(from, bytes): (u64, Vec<u8>)| {
            let from = usize::try_from(from).unwrap_or(usize::MAX);
            !bytes.is_empty() && start.get(from..).is_some_and(|rest| rest.starts_with(&bytes))
        };
        probe.resumes = Some(resumed.is_some_and(fits));
    }
    offered(link.digest(path).await?);
    probe.digests = digests.into_iter().collect();
    Ok(())
}

/// The first bytes of a read that begins at `from`; `None` when the logger begins elsewhere.
async fn resume(
    link: &mut dyn Link,
    path: &RemotePath,
    from: u64,
    look: &Look,
) -> Result<Option<Vec<u8>>, LinkError> {
    let opened = match link.open(path, from, look).await {
        Ok(opened) => opened,
        Err(e) if e.is_answer() => return Ok(None),
        Err(e) => return Err(e),
    };
    let mut bytes = Vec::new();
    if opened.from == from {
        while bytes.len() < COMPARED
            && let Some(chunk) = link.chunk().await?
        {
            bytes.extend_from_slice(&chunk);
        }
        bytes.truncate(COMPARED);
    }
    link.stop().await;
    Ok((opened.from == from).then_some(bytes))
}

/// The lines for vehicles.toml.
fn settings(probe: &Probe, listing: &Listing, logger: &Logger, address: usize) -> String {
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let kind = &logger.kind;
    let mut lines = vec![format!("[kind.{}]", kind.name)];
    let mut set = |key: &str, value: String, why: String| {
        lines.push(format!("{:<40} # {why}", format!("{key} = {value}")));
    };
    let (patterns, why) = if probe.wanted == 0 && probe.files > 0 {
        (common_patterns(listing), "yours want none of its files".to_owned())
    } else {
        (kind.files_text.clone(), format!("want {} of {}", count(probe.wanted), of(probe.files, "file")))
    };
    let list: Vec<String> = patterns.iter().map(|p| quoted(p)).collect();
    set("files", format!("[{}]", list.join(", ")), why);
    let wanted = Patterns::new(&patterns).unwrap_or_default();
    let numbered = |f: &&RemoteFile| f.path.name().iter().any(u8::is_ascii_digit);
    let files: Vec<&RemoteFile> = listing.files.iter().filter(|f| wanted.wants(&f.path)).collect();
    if !files.is_empty() && files.iter().all(numbered) {
        set("order", quoted("name"), "its names bear numbers".into());
    } else {
        set("order", quoted("time"), "not all of its names bear numbers".into());
    }
    let zone = kind.time_zone.iana_name().unwrap_or("UTC");
    match files.iter().find_map(|f| f.time) {
        Some(time) if time.zone_told => set("time_zone", quoted(zone), "its listing tells the zone".into()),
        Some(_) => {
            set("time_zone", quoted(zone), "its listing tells none: compare a time with your clock".into())
        }
        None => {}
    }
    match (probe.digests.is_empty(), probe.secured) {
        (false, _) => set("proof", quoted("digest"), format!("it states {}", probe.digests.join(", "))),
        (true, true) => set("proof", quoted("secured"), "the channel authenticates every byte".into()),
        (true, false) => set("proof", quoted("length"), "it states no digests".into()),
    }
    lines.extend([
        String::new(),
        "[[logger]]".to_owned(),
        format!("id = {}", quoted(logger.id.as_str())),
        format!("vehicle = {}", quoted(logger.vehicle.as_str())),
        format!("kind = {}", quoted(&kind.name)),
    ]);
    if let Some(url) = logger.addresses.get(address) {
        lines.push(format!("url = {}", quoted(url.as_str())));
    }
    if let Some(login) = &logger.login {
        lines.push(format!("user = {}", quoted(&login.user)));
        lines.push(format!("password_file = {}", quoted(&format!("secrets/{}", logger.id))));
    }
    lines.join("\n") + "\n"
}

/// Patterns for the three most frequent endings.
fn common_patterns(listing: &Listing) -> Vec<String> {
    let mut endings: BTreeMap<String, usize> = BTreeMap::new();
    for file in &listing.files {
        let name = String::from_utf8_lossy(file.path.name()).to_ascii_lowercase();
        if let Some((_, ending)) = name.rsplit_once('.')
            && ending.len() <= 8
            && ending.bytes().all(|b| b.is_ascii_alphanumeric())
        {
            *endings.entry(ending.to_owned()).or_default() += 1;
        }
    }
    let mut endings: Vec<_> = endings.into_iter().collect();
    endings.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let patterns: Vec<String> = endings.into_iter().take(3).map(|(e, _)| format!("**/*.{e}")).collect();
    if patterns.is_empty() { vec!["**/*".to_owned()] } else { patterns }
}

fn text(probe: &Probe) -> String {
    let mut page = String::new();
    let mut line = |key: &str, value: String| page.push_str(&format!("  {key:<10}{}\n", plain(&value)));
    let Some(address) = &probe.address else { return page };
    line("address", address.clone());
    if let (Some(dialect), Some(whole)) = (probe.dialect, probe.whole) {
        let login = probe.login.as_deref().map_or("none sent".to_owned(), |u| format!("accepted as {u}"));
        line("login", login);
        let wholeness = if whole { "whole" } else { "not whole" };
        line(
            "listing",
            format!(
                "{dialect}: {} in {}, {}, {wholeness}",
                of(probe.files, "file"),
                of(probe.folders, "folder"),
                probe.bytes.map_or("sizes not told".to_owned(), size)
            ),
        );
        probe.missing.iter().for_each(|m| line("", format!("not seen: {m}")));
        line("wanted", format!("{} of them by the kind's `files`", count(probe.wanted)));
        line(
            "clock",
            match probe.clock_offset_s {
                None => "it does not tell".to_owned(),
                Some(-2..=2) => "right".to_owned(),
                Some(s) => format!(
                    "{} {} ours",
                    seconds(s.unsigned_abs()),
                    if s > 0 { "ahead of" } else { "behind" }
                ),
            },
        );
    }
    if let Some(path) = &probe.tried_on {
        line(
            "resume",
            match probe.resumes {
                Some(true) => format!("yes, tried on {path}"),
                Some(false) => format!("no: every cut begins the file again (tried on {path})"),
                None => format!("not tried: no file of 1 KiB or more ({path})"),
            },
        );
        let digests = if probe.digests.is_empty() { "none".into() } else { probe.digests.join(", ") };
        line("digests", digests);
        if let Some(rate) = probe.rate {
            line("speed", format!("{}/s over {}", size(rate), size(probe.rate_over)));
        }
    }
    let page = format!("{} of {}\n{page}", plain(&probe.logger), plain(&probe.vehicle));
    if probe.settings.is_empty() { page } else { format!("{page}\n{}", probe.settings) }
}

fn seconds(n: u64) -> String {
    match n {
        0..120 => of(n, "second"),
        120..7_200 => of(n / 60, "minute"),
        7_200..172_800 => of(n / 3_600, "hour"),
        _ => of(n / 86_400, "day"),
    }
}

#[cfg(test)]
#[path = "probe_tests.rs"]
mod tests;
