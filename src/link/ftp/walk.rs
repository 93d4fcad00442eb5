//! The listing: every folder that the patterns let enter, broadest first, within bounds.

use std::collections::VecDeque;

use tokio::io::AsyncReadExt as _;
use tokio::time::{Instant, timeout};

use super::entry::{Line, What};
use super::lines::Lines;
use super::ls::{self, Around};
use super::session::{Habits, Session, Started};
use super::{FtpLink, mlsd};
use crate::link::{LinkError, LinkFailure, ListCaps, Listing, Missing};
use crate::model::amount::span;
use crate::model::{RemoteFile, RemotePath};

/// Read from the data connection at a time.
const READ: usize = 32 * 1024;
/// Pure-FTPd ends a listing here by default, and says so in the text of its closing reply alone.
const KNOWN_LIMIT: usize = 10_000;
/// Folders that end their connection, in one listing, before the rest is left out.
const MAX_CUTS: usize = 3;
/// Reasons that are told; a listing of nothing but bad names has no more.
const MAX_MISSING: usize = 1000;
/// Side files that are remembered.
const MAX_SIDE_FILES: usize = 20_000;

/// What is left of the bounds.
pub(super) struct Budget {
    pub bytes: u64,
    pub entries: usize,
    pub until: Instant,
}

impl Budget {
    fn is_spent(&self) -> Option<&'static str> {
        let time = Instant::now() >= self.until;
        [(self.bytes == 0, "bytes"), (self.entries == 0, "entries"), (time, "time")]
            .into_iter()
            .find_map(|(spent, what)| spent.then_some(what))
    }
}

/// One folder, read.
#[derive(Default)]
pub(super) struct Folder {
    pub entries: Vec<super::entry::Entry>,
    /// Why it is not whole.
    flaw: Option<String>,
    dialect: &'static str,
    /// The first line in no known form.
    pub unknown: Option<String>,
    /// A bound of the listing was met.
    spent: bool,
}

impl FtpLink {
    pub(super) async fn walk(&mut self, caps: &ListCaps) -> Result<Listing, LinkError> {
        let mut budget =
            Budget { bytes: caps.bytes, entries: caps.entries, until: Instant::now() + caps.time };
        let around = Around { zone: self.logger.kind.time_zone.clone(), now: self.clock.now() };
        let mut listing = Listing::default();
        let mut queue = VecDeque::from([None::<RemotePath>]);
        let mut session = Some(self.ready().await?);
        let mut cuts = 0;
        self.side_files.clear();
        while let Some(folder) = queue.pop_front() {
            let shown = folder.as_ref().map(|f| f.as_bytes().to_vec()).unwrap_or_default();
            let mut miss = |why: String| {
                if listing.missing.len() < MAX_MISSING {
                    listing.missing.push(Missing { folder: shown.clone(), why });
                }
            };
            let rest = queue.len();
            if let Some(what) = budget.is_spent() {
                miss(format!("not read, with {rest} more: the listing's bound of {what} was met"));
                break;
            }
            let mut now = match session.take() {
                Some(session) => session,
                None => self.ready().await?,
            };
            let at = self.folder(folder.as_ref());
            let read = read(&mut now, &mut self.habits, &at, &around, &mut budget, self.idle).await;
            if !now.spoiled && read.as_ref().map_or_else(LinkError::is_answer, |_| true) {
                session = Some(now);
            }
            let mut read = match read {
                Ok(read) => read,
                Err(e) if folder.is_none() => return Err(e),
                Err(e) => {
                    cuts += usize::from(!e.is_answer());
                    miss(e.to_string());
                    if cuts < MAX_CUTS {
                        continue;
                    }
                    miss(format!("{rest} more folders not read: the connection was cut {cuts} times"));
                    break;
                }
            };
            if folder.is_none() {
                if let (true, Some(title)) = (read.entries.is_empty(), &read.unknown) {
                    let title = title.chars().filter(|c| !c.is_control()).take(80).collect();
                    return Err(LinkError::new(LinkFailure::NotAListing { title }, "no line is an entry"));
                }
                listing.dialect = read.dialect;
            }
            read.flaw.into_iter().for_each(&mut miss);
            read.entries.sort_by(|a, b| a.name.cmp(&b.name));
            let mut last = None;
            for entry in read.entries {
                let path = match &folder {
                    Some(folder) => folder.child(&entry.name),
                    None if entry.name.contains(&b'/') => folder_in_name(&entry.name),
                    None => RemotePath::new(&entry.name),
                };
                let path = match path {
                    Ok(path) if last.as_ref() != Some(&path) => path,
                    Ok(path) => {
                        miss(format!("it names {path} twice"));
                        continue;
                    }
                    Err(e) => {
                        miss(e.to_string());
                        continue;
                    }
                };
                last = Some(path.clone());
                match entry.what {
                    What::Folder if !self.logger.kind.files.enters(&path) => {}
                    What::Folder if path.depth() > caps.depth => {
                        miss(format!("{path} is nested deeper than {} folders", caps.depth));
                    }
                    What::Folder => queue.push_back(Some(path)),
                    What::File => {
                        let side =
                            [&b".sha256"[..], b".md5"].iter().any(|end| path.as_bytes().ends_with(end));
                        if side && self.side_files.len() < MAX_SIDE_FILES {
                            self.side_files.insert(path.clone());
                        }
                        if self.logger.kind.files.wants(&path) {
                            let (size, time) = (entry.size, entry.time);
                            listing.files.push(RemoteFile { path, size, time, validator: None });
                        } else {
                            listing.skipped.add(path);
                        }
                    }
                }
            }
        }
        if let Some(session) = session {
            self.put_back(session);
        }
        listing.files.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(listing)
    }
}

/// The refusal of a name with a `/` in it, in the words of every other refusal.
fn folder_in_name(name: &[u8]) -> Result<RemotePath, crate::model::BadPath> {
    RemotePath::new(&[name, b"/"].concat())
}

/// Enters and lists one folder.
///
/// The folder is entered first: all servers refuse a missing or unreadable one there, while most
/// list it as empty, with a closing 226, when asked by its name.
async fn read(
    session: &mut Session,
    habits: &mut Habits,
    folder: &[u8],
    around: &Around,
    budget: &mut Budget,
    idle: std::time::Duration,
) -> Result<Folder, LinkError> {
    let entered = session.on("CWD", folder).await?;
    if entered.code / 100 != 2 {
        return Err(entered.refusal());
    }
    let mut started = None;
    if habits.mlsd {
        started = match session.transfer(habits, "MLSD", 0).await? {
            Started::Refused(reply) if reply.is_unknown_command() => {
                habits.mlsd = false;
                None
            }
            started => Some(started),
        };
    }
    let started = match started {
        Some(started) => started,
        None => session.transfer(habits, "LIST", 0).await?,
    };
    let mut out = Folder { dialect: if habits.mlsd { "MLSD" } else { "LIST" }, ..Folder::default() };
    let mut data = match started {
        Started::Data(data, _) => data,
        Started::Empty(_) => return Err(LinkError::protocol("the listing was closed before it began")),
        Started::Refused(reply) => return Err(reply.refusal()),
    };
    let mut lines = Lines::default();
    let mut buf = vec![0; READ];
    while !out.spent {
        let left = budget.until.saturating_duration_since(Instant::now());
        let n = match timeout(idle.min(left), data.read(&mut buf)).await {
            Ok(Ok(0)) => break,
            Ok(Ok(n)) => n,
            Ok(Err(e)) => return Err(LinkError::cut(e)),
            Err(_) if budget.is_spent().is_some() => 0,
            Err(_) => return Err(LinkError::cut(format!("no line for {}", span(idle.as_secs_f64())))),
        };
        let fits = n.min(usize::try_from(budget.bytes).unwrap_or(n));
        budget.bytes -= fits as u64;
        lines.feed(&buf[..fits], |line| out.take(line, habits.mlsd, around, budget));
        out.spent |= budget.is_spent().is_some() || fits < n;
    }
    if out.spent {
        let what = budget.is_spent().unwrap_or("bytes");
        out.flaw = Some(format!("cut short: the listing's bound of {what} was met"));
        session.spoiled = true;
        return Ok(out);
    }
    lines.end(|line| out.take(line, habits.mlsd, around, budget));
    drop(data);
    let closing = session.closing().await?;
    if !closing.is_complete() {
        return Err(closing.refusal());
    }
    if lines.overlong {
        out.flaw = Some("a line is too long to be read".to_owned());
    } else if let Some(line) = &out.unknown {
        out.flaw = Some(format!("a line has no known form: {line}"));
    }
    if lines.count == KNOWN_LIMIT || closing.text.to_ascii_lowercase().contains("truncat") {
        out.flaw = Some(format!("the logger cut the listing short: {}", closing.text));
    }
    Ok(out)
}

impl Folder {
    pub fn take(&mut self, line: &[u8], mlsd: bool, around: &Around, budget: &mut Budget) {
        let (line_is, dialect) = if mlsd { (mlsd::parse(line), "MLSD") } else { ls::parse(line, around) };
        match line_is {
            // What stands behind the bound is not taken; the reading loop sees that it is spent.
            Line::Entry(_) if budget.entries == 0 => self.spent = true,
            Line::Entry(entry) => {
                budget.entries -= 1;
                self.entries.push(entry);
            }
            Line::Nothing => {}
            Line::Unknown => {
                let text: String = String::from_utf8_lossy(line).chars().take(120).collect();
                self.unknown.get_or_insert(text);
                return;
            }
        }
        self.dialect = dialect;
    }
}
