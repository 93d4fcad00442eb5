//! HTTP(S) directory indexes: listings in the dialects that servers have, files by ranges.
//!
//! Owns the protocol's quirks. Follows no redirect, so that no request and no login leaves the
//! logger's address. Knows no ledger, no disk and no schedule.

mod auth;
mod body;
mod client;
mod headers;
#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
mod html;
mod json;
mod list;
mod page;
mod read;
mod remove;

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use async_trait::async_trait;
use bytes::Bytes;
use reqwest::Client;
use url::Url;

use self::client::Conversation;
use super::{Link, LinkCaps, LinkError, ListCaps, Listing, Opened};
use crate::config::{Logger, Poll, SerialFrom};
use crate::model::{Look, OfferedDigest, RemotePath};
use crate::remove::Permit;

/// Makes HTTP links that share one client: its idle connections, its TLS sessions, its trust.
#[derive(Debug, Default)]
pub struct HttpDialer {
    client: Mutex<Option<(Duration, Client)>>,
}

impl HttpDialer {
    /// A link to one address. Nothing is sent before its first call.
    ///
    /// # Errors
    /// [`LinkFailure::Protocol`](super::LinkFailure::Protocol) when this machine has no usable TLS trust.
    pub fn link(&self, logger: &Arc<Logger>, base: &Url, poll: &Poll) -> Result<HttpLink, LinkError> {
        let client = self.client(poll.connect_timeout)?;
        Ok(HttpLink::new(client, logger.clone(), base.clone(), poll.idle_timeout, poll.connect_timeout))
    }

    /// The shared client; a new one after a reload changed the time limit of connections.
    fn client(&self, connect_timeout: Duration) -> Result<Client, LinkError> {
        let mut shared = self.client.lock().unwrap_or_else(PoisonError::into_inner);
        match &*shared {
            Some((limit, client)) if *limit == connect_timeout => Ok(client.clone()),
            _ => {
                let client = client::build(connect_timeout)?;
                *shared = Some((connect_timeout, client.clone()));
                Ok(client)
            }
        }
    }
}

/// A conversation with one logger over HTTP/1.1.
pub struct HttpLink {
    talk: Conversation,
    resumes: Option<bool>,
    open: Option<read::Open>,
    /// Side files with digests that the last listing showed.
    side: BTreeSet<RemotePath>,
}

impl HttpLink {
    /// A link over a client at hand. `base` ends with `/` and holds no login; a reply's head may take
    /// both time limits together, each further part of it `idle_timeout`.
    pub fn new(
        client: Client,
        logger: Arc<Logger>,
        base: Url,
        idle_timeout: Duration,
        connect_timeout: Duration,
    ) -> Self {
        let talk = Conversation::new(client, logger, base, idle_timeout, connect_timeout);
        Self { talk, resumes: None, open: None, side: BTreeSet::new() }
    }
}

#[async_trait]
impl Link for HttpLink {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: self.talk.is_secured(), resumes: self.resumes }
    }

    async fn list(&mut self, caps: &ListCaps) -> Result<Listing, LinkError> {
        self.open = None;
        self.side.clear();
        list::walk(&mut self.talk, caps, &mut self.side).await
    }

    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        self.open = None;
        read::look(&mut self.talk, path).await
    }

    async fn open(&mut self, path: &RemotePath, from: u64, expect: &Look) -> Result<Opened, LinkError> {
        self.open = None;
        let (open, opened) = read::open(&mut self.talk, path, from, expect).await?;
        if from > 0 {
            // A whole reply may also say that the file changed; then it says nothing of ranges.
            match (open.is_part(), opened.look.agrees(expect)) {
                (true, _) => self.resumes = Some(true),
                (false, true) => self.resumes = Some(false),
                (false, false) => {}
            }
        }
        self.open = Some(open);
        Ok(opened)
    }

    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let Some(open) = &mut self.open else { return Ok(None) };
        let came = open.chunk().await;
        if !matches!(came, Ok(Some(_))) {
            self.open = None;
        }
        came
    }

    async fn stop(&mut self) {
        self.open = None;
    }

    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        self.open = None;
        read::range(&mut self.talk, path, from, len).await
    }

    async fn digest(&mut self, path: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        self.open = None;
        read::side_file(&mut self.talk, path, &self.side).await
    }

    async fn says(&mut self, from: &SerialFrom) -> Result<String, LinkError> {
        self.open = None;
        read::says(&mut self.talk, from).await
    }

    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        self.open = None;
        remove::remove(&mut self.talk, &permit).await
    }
}

#[cfg(test)]
mod recorded;
#[cfg(test)]
mod scripted;
#[cfg(test)]
mod tests;
