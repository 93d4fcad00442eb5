//! The walk over a logger's folders, breadth first, within bounds.

use std::collections::BTreeSet;
use std::time::Duration;

use bytes::Bytes;
use reqwest::header::{CONTENT_ENCODING, HeaderMap, LOCATION};
use reqwest::{Method, Response, StatusCode};
use tokio::time::timeout_at;

use super::body::Body;
use super::client::Conversation;
use super::headers::{date, media_type, refusal};
use super::page::{Entry, Page, PageError, Place, Reading, title};
use super::{html, json};
use crate::link::{LinkError, LinkFailure, ListCaps, Listing, Missing};
use crate::model::amount::{count, length, span};
use crate::model::{BadPath, RemoteFile, RemotePath};

/// Bytes of a page from which on it is read on a thread of its own.
const LARGE: usize = 128 * 1024;
/// Ends of side files' names.
pub(super) const SIDE: [&str; 2] = [".sha256", ".md5"];

/// Lists all folders. Side files with digests are noted in `side` whether or not they are wanted.
pub(super) async fn walk(
    talk: &mut Conversation,
    caps: &ListCaps,
    side: &mut BTreeSet<RemotePath>,
) -> Result<Listing, LinkError> {
    let deadline = tokio::time::Instant::now() + caps.time;
    let mut walk = Walk {
        caps,
        bytes: usize::try_from(caps.bytes).unwrap_or(usize::MAX),
        entries: caps.entries,
        listing: Listing::default(),
        next: Vec::new(),
        side,
    };
    let mut level = vec![None];
    'all: while !level.is_empty() {
        for folder in std::mem::take(&mut level) {
            let page = match timeout_at(deadline, walk.read(talk, folder.as_ref())).await {
                Ok(Ok(page)) => page,
                Ok(Err(error)) if folder.is_none() || ends_all(&error) => return Err(error),
                Ok(Err(error)) => {
                    walk.miss(folder.as_ref(), error.to_string());
                    continue;
                }
                Err(_) if folder.is_none() => return Err(LinkError::cut(too_long(caps.time))),
                Err(_) => {
                    walk.miss(folder.as_ref(), too_long(caps.time));
                    break 'all;
                }
            };
            let partial = page.partial;
            walk.take(talk, folder.as_ref(), page);
            if partial {
                let ListCaps { bytes, entries, .. } = caps;
                walk.miss(
                    folder.as_ref(),
                    format!("more than {} entries or {} in all", count(*entries as u64), length(*bytes)),
                );
                break 'all;
            }
        }
        level = std::mem::take(&mut walk.next);
        level.sort();
    }
    let mut listing = walk.listing;
    listing.files.sort_by(|a, b| a.path.cmp(&b.path));
    listing.files.dedup_by(|a, b| a.path == b.path);
    Ok(listing)
}

fn too_long(time: Duration) -> String {
    format!("the folders could not be read within {}", span(time.as_secs_f64()))
}

/// Failures that concern the conversation, not the folder.
fn ends_all(error: &LinkError) -> bool {
    matches!(error.failure, LinkFailure::Absent | LinkFailure::Login)
}

struct Walk<'a> {
    caps: &'a ListCaps,
    /// Bytes and entries that may still come.
    bytes: usize,
    entries: usize,
    listing: Listing,
    /// Folders of the next level.
    next: Vec<Option<RemotePath>>,
    side: &'a mut BTreeSet<RemotePath>,
}

impl Walk<'_> {
    fn miss(&mut self, folder: Option<&RemotePath>, why: String) {
        let folder = folder.map_or_else(Vec::new, |f| f.as_bytes().to_vec());
        self.listing.missing.push(Missing { folder, why });
    }

    async fn read(
        &mut self,
        talk: &mut Conversation,
        folder: Option<&RemotePath>,
    ) -> Result<Page, LinkError> {
        let mut path = folder.map_or_else(Vec::new, |f| f.as_bytes().to_vec());
        if !path.is_empty() {
            path.push(b'/');
        }
        let url = talk.url(&path);
        let place = Place::new(&url);
        let response = talk.send(Method::GET, url, HeaderMap::new()).await?;
        if response.status() != StatusCode::OK {
            let error = not_ok(&response);
            talk.discard(response).await;
            return Err(error);
        }
        if folder.is_none() {
            self.listing.server_time = date(response.headers());
        }
        let kind = media_type(response.headers());
        let is_json = kind.as_deref() == Some("application/json");
        if !is_json && !matches!(kind.as_deref(), None | Some("text/html" | "application/xhtml+xml" | "")) {
            let title = title(&kind.unwrap_or_default());
            return Err(LinkError::new(LinkFailure::NotAListing { title }, "its type is no index page's"));
        }
        if response
            .headers()
            .get(CONTENT_ENCODING)
            .is_some_and(|e| !e.as_bytes().eq_ignore_ascii_case(b"identity"))
        {
            return Err(LinkError::protocol(
                "it sends the listing in another encoding than the one asked for",
            ));
        }
        let mut body = Body::new(response, talk.idle);
        let (mut chunks, mut overflow) = (Vec::new(), false);
        while let Some(chunk) = body.next().await? {
            if chunk.len() > self.bytes {
                chunks.push(chunk.slice(..self.bytes));
                self.bytes = 0;
                overflow = true;
                break;
            }
            self.bytes -= chunk.len();
            chunks.push(chunk);
        }
        let zone = talk.logger().kind.time_zone.clone();
        let max_entries = self.entries;
        let read = move |chunks: Vec<Bytes>| {
            let reading = Reading { place: &place, zone: &zone, max_entries, overflow };
            if is_json { json::parse(&chunks, &reading) } else { html::parse(&chunks, &reading) }
        };
        let page = if chunks.iter().map(Bytes::len).sum::<usize>() < LARGE {
            read(chunks)
        } else {
            tokio::task::spawn_blocking(move || read(chunks))
                .await
                .map_err(|e| LinkError::protocol(format!("the page could not be read: {e}")))?
        };
        match page {
            Ok(page) if !page.closed && !body.tells_its_end() => {
                Err(LinkError::cut("nothing tells whether the page came to its end"))
            }
            Ok(page) => self.judge(talk, folder, page),
            Err(PageError::Cut) if body.tells_its_end() => {
                Err(LinkError::protocol("the page ended before its end, and the logger called that the end"))
            }
            Err(PageError::Cut) => Err(LinkError::cut("the page ended before its end")),
            Err(PageError::NotAListing(title)) => {
                Err(LinkError::new(LinkFailure::NotAListing { title }, "its form is no index's"))
            }
        }
    }

    /// A page that nothing but its links makes an index must lead to a folder or to a wanted file.
    fn judge(&self, talk: &Conversation, folder: Option<&RemotePath>, page: Page) -> Result<Page, LinkError> {
        let wants = |entry: &Entry| {
            entry.folder || join(folder, &entry.name).is_ok_and(|path| talk.logger().kind.files.wants(&path))
        };
        if page.sure || page.entries.iter().any(wants) {
            return Ok(page);
        }
        let title = page.title;
        Err(LinkError::new(LinkFailure::NotAListing { title }, "it leads to no folder and no wanted file"))
    }

    fn take(&mut self, talk: &Conversation, folder: Option<&RemotePath>, page: Page) {
        let files = &talk.logger().kind.files;
        if folder.is_none() {
            self.listing.dialect = page.dialect;
        }
        self.entries = self.entries.saturating_sub(page.entries.len());
        let mut unusable = None;
        for entry in page.entries {
            let path = match join(folder, &entry.name) {
                Ok(path) => path,
                Err(bad) => {
                    unusable.get_or_insert(bad);
                    continue;
                }
            };
            if !entry.folder {
                if SIDE.iter().any(|end| path.name().to_ascii_lowercase().ends_with(end.as_bytes())) {
                    self.side.insert(path.clone());
                }
                if files.wants(&path) {
                    let Entry { size, time, .. } = entry;
                    self.listing.files.push(RemoteFile { path, size, time, validator: None });
                } else {
                    self.listing.skipped.add(path);
                }
            } else if !files.enters(&path) {
            } else if path.depth() > self.caps.depth {
                self.miss(Some(&path), format!("it lies deeper than {} folders", self.caps.depth));
            } else {
                self.next.push(Some(path));
            }
        }
        if let Some(bad) = unusable {
            self.miss(folder, format!("an entry cannot be read: {bad}"));
        }
    }
}

/// A folder's child; the empty folder is the top.
pub(super) fn join(folder: Option<&RemotePath>, name: &[u8]) -> Result<RemotePath, BadPath> {
    match folder {
        Some(folder) => folder.child(name),
        None => RemotePath::new(name).and_then(|path| match path.depth() {
            1 => Ok(path),
            _ => Err(BadPath { shown: path.to_string(), why: "one part holds a `/`" }),
        }),
    }
}

/// Redirects are not followed: the address has its slash already, and what else a server would lead
/// to is no folder of ours.
fn not_ok(response: &Response) -> LinkError {
    let status = response.status();
    if !status.is_redirection() {
        return refusal(status);
    }
    let target = response.headers().get(LOCATION).map_or(&b""[..], |value| value.as_bytes());
    let title = title(&format!("a redirect to {}", String::from_utf8_lossy(target)));
    LinkError::new(LinkFailure::NotAListing { title }, format!("status {status}"))
}
