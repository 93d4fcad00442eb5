//! What is asked of a logger while files are removed from it, and in which order.

use async_trait::async_trait;
use bytes::Bytes;
use tokio::sync::watch;

use super::removing::{NAMED, REMOVES};
use super::*;
use crate::config::{Logger, Poll, SerialFrom};
use crate::link::{Dialer, Link, LinkCaps, LinkError, ListCaps, Listing, Opened};
use crate::model::{LoggerId, Look, OfferedDigest, RemotePath};
use crate::remove::Permit;
use crate::service::Parts;
use crate::yard;

/// Hears what is asked, and changes the configuration when the first file has been deleted.
#[derive(Clone)]
struct Ear {
    dialer: Arc<NetDialer>,
    heard: Arc<Mutex<Vec<String>>>,
    edit: Arc<Mutex<Option<watch::Sender<Arc<Config>>>>>,
}

impl Ear {
    fn on(depot: &Depot) -> Arc<Self> {
        let dialer = Arc::new(NetDialer::new(depot.edges().clock));
        let (heard, edit) = Default::default();
        Arc::new(Self { dialer, heard, edit })
    }

    fn note(&self, what: &str) {
        self.heard.lock().expect("lock").push(what.to_owned());
    }

    fn heard(&self, what: &str) -> usize {
        self.heard.lock().expect("lock").iter().filter(|heard| *heard == what).count()
    }
}

struct Line {
    ear: Ear,
    link: Box<dyn Link>,
}

#[async_trait]
impl Dialer for Ear {
    async fn knock(&self, logger: &Logger, poll: &Poll) -> Result<usize, LinkError> {
        self.dialer.knock(logger, poll).await
    }
    async fn dial(&self, to: &Arc<Logger>, address: usize, poll: &Poll) -> Result<Box<dyn Link>, LinkError> {
        let link = self.dialer.dial(to, address, poll).await?;
        Ok(Box::new(Line { ear: self.clone(), link }))
    }
}

#[async_trait]
impl Link for Line {
    fn caps(&self) -> LinkCaps {
        self.link.caps()
    }
    async fn list(&mut self, caps: &ListCaps) -> Result<Listing, LinkError> {
        self.ear.note("list");
        self.link.list(caps).await
    }
    async fn look(&mut self, path: &RemotePath) -> Result<Look, LinkError> {
        self.link.look(path).await
    }
    async fn open(&mut self, path: &RemotePath, from: u64, expect: &Look) -> Result<Opened, LinkError> {
        self.ear.note("open");
        self.link.open(path, from, expect).await
    }
    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        self.link.chunk().await
    }
    async fn stop(&mut self) {
        self.link.stop().await;
    }
    async fn read_range(&mut self, path: &RemotePath, from: u64, len: u64) -> Result<Bytes, LinkError> {
        self.link.read_range(path, from, len).await
    }
    async fn digest(&mut self, path: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        self.link.digest(path).await
    }
    async fn says(&mut self, from: &SerialFrom) -> Result<String, LinkError> {
        self.link.says(from).await
    }
    async fn remove(&mut self, permit: Permit) -> Result<(), LinkError> {
        self.ear.note("remove");
        let removed = self.link.remove(permit).await;
        if let Some(edit) = self.ear.edit.lock().expect("lock").take() {
            edit.send_modify(|config| *config = Arc::new(Config::clone(config)));
        }
        removed
    }
}

impl Depot {
    /// A round through that ear.
    async fn through(&self, ear: &Arc<Ear>) {
        let (stop, progress) = (CancellationToken::new(), Progress::default());
        let round = crate::service::once(self.edges(), ear.clone(), progress, self.config(), stop).await;
        assert_eq!(round.expect("the round ends well").trouble, []);
    }
}

#[tokio::test]
async fn a_saved_edit_ends_a_batch_before_its_next_deletion() {
    let mut depot = Depot { more: NAMED, ..Depot::with(Options::http(), "proof = \"reread\"").await };
    depot.logger.set_serial(Some("00421"));
    for n in 1..=9 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 10_000), n as i64);
    }
    depot.once().await;
    depot.kind = REMOVES;
    let (ear, stop, config) = (Ear::on(&depot), CancellationToken::new(), depot.config());
    let parts = Parts::build(depot.edges(), ear.clone(), Progress::default(), config.clone(), "remove", stop);
    let parts = parts.await.expect("parts");
    parts.forwarder(&config.archives[0]).expect("forwarder").attach(false).await.expect("attached");
    *ear.edit.lock().expect("lock") = Some(parts.config.clone());
    yard::remove_now(&parts.yard, &LoggerId::new("L-0101").expect("id")).await.expect("removed");
    assert_eq!(ear.heard("remove"), 1, "the eight others are judged by the new settings");
}

#[tokio::test]
async fn what_is_removed_was_listed_after_the_last_transfer() {
    let depot = Depot::safe(Options::http(), REMOVES).await;
    depot.add("00004.log", Content::noise(4, 1000), 4);
    let ear = Ear::on(&depot);
    depot.through(&ear).await;
    let heard = ear.heard.lock().expect("lock").clone();
    let at = |what: &str| heard.iter().position(|heard| heard == what).expect("asked");
    let fetched = heard.iter().rposition(|heard| heard == "open").expect("fetched");
    assert!(fetched < at("remove"), "{heard:?}");
    assert!(heard[fetched..at("remove")].contains(&"list".to_owned()), "{heard:?}");
}

#[tokio::test]
async fn no_more_than_a_batch_is_tried_without_a_listing() {
    const FILES: u64 = 150;
    let mut depot = Depot { more: NAMED, ..Depot::with(Options::http(), "proof = \"reread\"").await };
    depot.logger.set_serial(Some("00421"));
    for n in 0..FILES {
        depot.add(&format!("{n:05}.log"), Content::noise(n, 500), n as i64);
    }
    depot.once().await;
    depot.kind = REMOVES;
    let ear = Ear::on(&depot);
    depot.through(&ear).await;
    let heard = ear.heard.lock().expect("lock").clone();
    let longest = heard.split(|heard| heard == "list").map(<[String]>::len).max();
    assert!(longest.is_some_and(|longest| longest <= 64), "{longest:?}");
    assert_eq!(depot.in_state(State::Removed) as u64, FILES - 1, "all of them, one batch after the other");
}
