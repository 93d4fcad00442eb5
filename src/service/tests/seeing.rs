//! What the ledger keeps of a service that could not see.

use std::sync::atomic::AtomicBool;

use super::*;
use crate::clock::BUILT;
use crate::config::Logger;
use crate::ledger::Watched;
use crate::network::Network;
use crate::service::Parts;
use crate::service::lived::Life;

/// A network that is there or not.
#[derive(Debug)]
struct Cable(AtomicBool);

impl Network for Cable {
    fn up(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}

/// A service whose logger has that address.
async fn parts(depot: &Depot, address: &str, cable: &Arc<Cable>) -> Parts {
    let mut config = depot.config();
    let logger =
        Logger { addresses: vec![address.parse().expect("address")], ..(*config.loggers[0]).clone() };
    config.loggers[0] = Arc::new(logger);
    let edges = Edges { network: cable.clone(), ..depot.edges() };
    let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
    let stop = CancellationToken::new();
    Parts::build(edges, dialer, Progress::default(), config, "run", stop).await.expect("parts")
}

impl Depot {
    /// Everything that was noted, in whole minutes since a moment.
    async fn noted(&self, parts: &Parts, since: Timestamp) -> (Vec<(i64, i64)>, Vec<(String, i64, i64)>) {
        parts.yard.ledger.settled().await.expect("committed");
        let Watched { ups, blind, .. } = self.ledger().watched(0, i64::MAX).expect("watched");
        let minute = |ms: i64| (ms - since.as_millisecond()).div_euclid(60_000);
        let blind = blind.into_iter().map(|(why, a, b)| (why, minute(a), minute(b))).collect();
        (ups.into_iter().map(|(a, b)| (minute(a), minute(b))).collect(), blind)
    }
}

#[tokio::test]
async fn a_pulled_cable_is_noted_for_as_long_as_it_is_out() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(true)));
    let parts = parts(&depot, "http://192.0.2.1/logs/", &cable).await;
    let began = depot.clock.now();
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    for up in [true, false, false, true] {
        depot.pass(60);
        cable.0.store(up, Ordering::SeqCst);
        life.goes_on().await.expect("goes on");
        parts.yard.ledger.settled().await.expect("committed");
        assert_eq!(depot.findings().contains(&"network-down".to_owned()), !up);
    }
    assert_eq!(depot.noted(&parts, began).await, (vec![(0, 4)], vec![("network".to_owned(), 2, 4)]));
}

#[tokio::test]
async fn loggers_on_this_very_machine_need_no_network() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(false)));
    let parts = parts(&depot, "http://127.0.0.1:9/logs/", &cable).await;
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    life.goes_on().await.expect("goes on");
    parts.yard.ledger.settled().await.expect("committed");
    assert!(depot.findings().is_empty());
}

#[tokio::test]
async fn a_clock_that_falls_back_is_not_believed_and_the_hole_is_filled_in_once_it_is_right() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(true)));
    let parts = parts(&depot, "http://127.0.0.1:9/logs/", &cable).await;
    let began = depot.clock.now();
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    let mut step = async |seconds: i64| {
        depot.pass(seconds);
        life.goes_on().await.expect("goes on");
        parts.yard.ledger.settled().await.expect("committed");
        depot.findings().contains(&"clock-not-plausible".to_owned())
    };
    assert!(!step(3600).await);
    assert!(!step(-300).await, "a time server does that");
    assert!(step(-30 * 86_400).await);
    assert!(step(60).await);
    assert!(!step(30 * 86_400 + 7200).await);
    // 60 to 55 minutes, then two hours and a minute later.
    let (ups, blind) = depot.noted(&parts, began).await;
    assert_eq!(blind, [("clock".to_owned(), 55, 176)]);
    assert_eq!(ups, [(0, 55), (176, 176)]);
}

#[tokio::test]
async fn a_machine_that_sleeps_sees_nothing_meanwhile() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(true)));
    let parts = parts(&depot, "http://127.0.0.1:9/logs/", &cable).await;
    let began = depot.clock.now();
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    for (awake, asleep) in [(600, 0), (0, 7200), (600, 0), (0, 60), (600, 0)] {
        depot.pass(awake + asleep);
        depot.clock.slept.fetch_add(asleep as u32, Ordering::SeqCst);
        life.goes_on().await.expect("goes on");
    }
    assert_eq!(depot.noted(&parts, began).await, (vec![(0, 10), (130, 151)], vec![]));
}

#[tokio::test]
async fn what_is_found_while_the_clock_is_wrong_is_as_old_as_it_is() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(true)));
    let parts = parts(&depot, "http://127.0.0.1:9/logs/", &cable).await;
    let began = depot.clock.now().as_millisecond();
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    let found = |name: &str| crate::ledger::Finding {
        code: "archive-away",
        subject: name.into(),
        severity: crate::ledger::Severity::Act,
        vehicle: None,
        logger: None,
        evidence: serde_json::json!({}),
        cause: "it is away".into(),
        action: "Mount it.".into(),
    };
    let ledger = &parts.yard.ledger;
    ledger.raise(found("before")).expect("raised");
    ledger.settled().await.expect("committed");
    depot.pass(-30 * 86_400);
    life.goes_on().await.expect("goes on");
    ledger.raise(found("meanwhile")).expect("raised");
    ledger.clear("archive-away", "before").expect("cleared");
    ledger.settled().await.expect("committed");
    depot.pass(30 * 86_400);
    life.goes_on().await.expect("goes on");
    ledger.settled().await.expect("committed");
    let all = depot.ledger().findings(0).expect("findings");
    assert_eq!(all.len(), 3, "{all:?}");
    for row in all {
        let near = |at: i64| (at - began).abs() < 60_000;
        assert!(near(row.since) && near(row.last) && row.gone.is_none_or(near), "{row:?}");
    }
}

#[tokio::test]
async fn a_clock_from_before_the_program_was_built_is_wrong_from_the_start() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(true)));
    let parts = parts(&depot, "http://127.0.0.1:9/logs/", &cable).await;
    let right = depot.clock.now().as_second() - BUILT.as_second() + 3600;
    depot.pass(-right);
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    parts.yard.ledger.settled().await.expect("committed");
    assert_eq!(depot.findings(), ["clock-not-plausible"]);
    assert_eq!(depot.noted(&parts, BUILT).await, (vec![], vec![]), "no moment is known");
    depot.pass(right);
    life.goes_on().await.expect("goes on");
    parts.yard.ledger.settled().await.expect("committed");
    assert!(depot.findings().is_empty());
}

#[tokio::test]
async fn a_clock_that_was_wrong_in_the_future_needs_nobody() {
    let depot = Depot::new("").await;
    let cable = Arc::new(Cable(AtomicBool::new(true)));
    let parts = parts(&depot, "http://127.0.0.1:9/logs/", &cable).await;
    depot.pass(3650 * 86_400);
    let mut life = Life::begin(&parts.yard).await.expect("begins");
    depot.pass(-3650 * 86_400);
    life.goes_on().await.expect("goes on");
    parts.yard.ledger.settled().await.expect("committed");
    depot.clock.lived.store(50_000, Ordering::SeqCst);
    life.goes_on().await.expect("goes on");
    parts.yard.ledger.settled().await.expect("committed");
    assert_eq!(depot.findings(), ["clock-not-plausible"]);
    depot.clock.lived.store(86_401, Ordering::SeqCst);
    life.goes_on().await.expect("goes on");
    parts.yard.ledger.settled().await.expect("committed");
    assert!(depot.findings().is_empty());
}
