use super::*;

use async_trait::async_trait;
use bytes::Bytes;

use crate::clock::SystemClock;
use crate::link::{LinkCaps, LinkFailure, Opened};
use crate::sim::{Content, Options, SimLogger};

/// The one logger of a configuration.
fn logger(url: &str, files: &str) -> (Arc<Logger>, Poll) {
    let dir = tempfile::tempdir().expect("dir");
    let depot =
        "[depot]\nname = \"n\"\ntime_zone = \"UTC\"\n[[archive]]\nname = \"a\"\nurl = \"file:///a\"\n";
    let fleet = format!(
        "[kind.wifi]\nfiles = {files}\n[[vehicle]]\nid = \"PLOW-01\"\n\
         [[logger]]\nid = \"L-1\"\nvehicle = \"PLOW-01\"\nkind = \"wifi\"\nurl = \"{url}\"\n"
    );
    std::fs::write(dir.path().join("yarder.toml"), depot).expect("written");
    std::fs::write(dir.path().join("vehicles.toml"), fleet).expect("written");
    let config = crate::config::load(&dir.path().join("yarder.toml")).expect("good").config;
    (config.loggers[0].clone(), config.poll)
}

#[tokio::test]
async fn a_logger_is_described_and_its_settings_are_toml() {
    let sim = SimLogger::start(Options::ftp()).await.expect("logger");
    let clock = SystemClock::new();
    sim.card().add("logs/0001.log", Content::noise(1, 300_000), clock.now());
    sim.card().add("logs/0002.log", Content::noise(2, 900), clock.now());
    sim.card().add("readme.txt", Content::noise(3, 10), clock.now());
    let (logger, poll) = logger(&sim.url(), "[\"**/*.log\"]");
    let dialer = NetDialer::new(Arc::new(SystemClock::new()));
    let probe = measure(&dialer, &clock, &logger, &poll).await;
    assert_eq!(probe.failed, None);
    assert_eq!((probe.files, probe.folders, probe.wanted, probe.whole), (3, 2, 2, Some(true)));
    assert_eq!(probe.tried_on.as_deref(), Some("logs/0001.log"));
    assert_eq!((probe.resumes, probe.rate_over), (Some(true), 300_000));
    let page = text(&probe);
    assert!(page.contains("yes, tried on logs/0001.log"), "{page}");
    assert!(page.contains("want 2 of 3 files"), "{page}");
    let settings: toml::Table = probe.settings.parse().expect("TOML");
    assert_eq!(settings["kind"]["wifi"]["order"].as_str(), Some("name"));
    assert_eq!(settings["logger"][0]["id"].as_str(), Some("L-1"));
}

#[test]
fn a_logger_whose_list_gives_a_host_is_printed_with_it() {
    let list = "[[logger]]\nid = \"L-1\"\nhost = \"10.0.0.7\"\n[[logger]]\nid = \"L-2\"\n";
    assert_eq!(host(list, "L-2"), None);
    let host = host(list, "L-1").expect("host");
    let settings = "kind = \"wifi\"\nurl = \"http://10.0.0.7/logs/\"\nuser = \"depot\"\n";
    assert_eq!(with_host(settings, &host), "kind = \"wifi\"\nhost = \"10.0.0.7\"\nuser = \"depot\"\n");
}

#[tokio::test]
async fn patterns_that_want_nothing_are_answered_with_ones_that_do() {
    let sim = SimLogger::start(Options::ftp()).await.expect("logger");
    let clock = SystemClock::new();
    for name in ["1.MF4", "2.mf4", "3.txt"] {
        sim.card().add(name, Content::noise(1, 10), clock.now());
    }
    let (logger, poll) = logger(&sim.url(), "[\"**/*.log\"]");
    let dialer = NetDialer::new(Arc::new(SystemClock::new()));
    let probe = measure(&dialer, &clock, &logger, &poll).await;
    assert_eq!((probe.wanted, probe.resumes), (0, None));
    assert!(probe.settings.contains(r#"files = ["**/*.mf4", "**/*.txt"]"#), "{}", probe.settings);
}

#[tokio::test]
async fn an_absent_logger_is_a_failure_that_says_what_to_do() {
    let (logger, poll) = logger("ftp://127.0.0.1:1/", "[\"**/*.log\"]");
    let clock = SystemClock::new();
    let probe = measure(&NetDialer::new(Arc::new(SystemClock::new())), &clock, &logger, &poll).await;
    let why = probe.failed.expect("absent");
    assert!(why.contains("L-1 does not answer") && why.contains("in range"), "{why}");
}

/// Says that it resumes, and delivers from the first byte all the same.
struct Liar(u64);

#[async_trait]
impl Link for Liar {
    fn caps(&self) -> LinkCaps {
        LinkCaps { secured: false, resumes: None }
    }
    async fn list(&mut self, _: &ListCaps) -> Result<Listing, LinkError> {
        let path = RemotePath::new(b"a\x1b[2J.log").expect("path");
        let file = RemoteFile { path, size: ListedSize::Exact(100_000), time: None, validator: None };
        Ok(Listing { files: vec![file], dialect: "made up", ..Listing::default() })
    }
    async fn look(&mut self, _: &RemotePath) -> Result<Look, LinkError> {
        Ok(Look { size: Some(100_000), ..Look::default() })
    }
    async fn open(&mut self, _: &RemotePath, from: u64, _: &Look) -> Result<Opened, LinkError> {
        self.0 = 0;
        Ok(Opened { from, look: Look::default(), digest: None })
    }
    async fn chunk(&mut self) -> Result<Option<Bytes>, LinkError> {
        let at = self.0;
        self.0 = (at + 1000).min(100_000);
        let bytes: Vec<u8> = (at..self.0).map(|n| (n % 251) as u8).collect();
        Ok((!bytes.is_empty()).then(|| bytes.into()))
    }
    async fn stop(&mut self) {}
    async fn read_range(&mut self, _: &RemotePath, _: u64, _: u64) -> Result<Bytes, LinkError> {
        Err(LinkError::new(LinkFailure::Protocol, "none"))
    }
    async fn digest(&mut self, _: &RemotePath) -> Result<Option<OfferedDigest>, LinkError> {
        Ok(None)
    }
}

struct Made;

#[async_trait]
impl Dialer for Made {
    async fn knock(&self, _: &Logger, _: &Poll) -> Result<usize, LinkError> {
        Ok(0)
    }
    async fn dial(&self, _: &Arc<Logger>, _: usize, _: &Poll) -> Result<Box<dyn Link>, LinkError> {
        Ok(Box::new(Liar(0)))
    }
}

#[tokio::test]
async fn a_resume_is_believed_by_its_bytes_alone() {
    let (logger, poll) = logger("ftp://127.0.0.1:1/", "[\"**/*.log\"]");
    let probe = measure(&Made, &SystemClock::new(), &logger, &poll).await;
    assert_eq!((probe.failed.as_deref(), probe.resumes), (None, Some(false)));
    let page = text(&probe);
    assert!(page.contains("no: every cut begins the file again"), "{page}");
    assert!(!page.chars().any(|c| c.is_control() && c != '\n'), "{page:?}");
}
