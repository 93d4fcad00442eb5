//! What a depot learns from an archive that it shares.

use super::*;
use crate::model::Day;
use crate::report::{Facts, Verdict, build};
use crate::service::Parts;

/// The depot's sister: the same list and archive, another name and state folder, and no logger
/// answers there.
async fn sister(depot: &Depot) -> Parts {
    let mut config = depot.config();
    config.depot.name = "south-yard".into();
    config.depot.state_dir = depot.dir.path().join("sister");
    std::fs::create_dir(&config.depot.state_dir).expect("state");
    let stop = CancellationToken::new();
    let dialer = Arc::new(NetDialer::new(depot.clock.clone()));
    Parts::build(depot.edges(), dialer, Progress::default(), config, "test", stop).await.expect("parts")
}

#[tokio::test]
async fn a_logger_that_another_depot_fetched_from_is_elsewhere_and_not_missed() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.once().await;
    assert_eq!(depot.reached_home(), 2);

    let sister = sister(&depot).await;
    let config = sister.yard.config.borrow().clone();
    let forwarder = sister.forwarder(&config.archives[0]).expect("forwarder");
    forwarder.attach(true).await.expect("attached");
    let now = depot.clock.now();
    let day = Day::at(now, config.depot.day_starts, &config.depot.time_zone).expect("day");
    let facts = || {
        let query = ledger::read(&config.depot.state_dir).expect("ledger");
        Facts::read(&query, &config, &day, now).expect("facts")
    };
    assert!(facts().elsewhere.is_empty());
    for _ in 0..2 {
        forwarder.look_elsewhere().await.expect("asked");
        let facts = facts();
        assert_eq!(facts.elsewhere, [("L-0101".to_owned(), "north-yard".to_owned())].into());
        let report = build(&config, &facts, &day, now);
        assert_eq!(report.vehicles[0].verdict, Verdict::Elsewhere);
        assert_eq!(report.vehicles[0].loggers[0].depot.as_deref(), Some("north-yard"));
        assert!(report.vehicles[0].findings.is_empty());
    }
    // What its own depot has fetched is no news of another one.
    let own = Facts::read(&depot.ledger(), &config, &day, now).expect("facts");
    assert!(own.elsewhere.is_empty());
}

#[tokio::test]
async fn a_receipt_that_cannot_be_read_is_passed_over() {
    let depot = Depot::new("").await;
    let sister = sister(&depot).await;
    let config = sister.yard.config.borrow().clone();
    let forwarder = sister.forwarder(&config.archives[0]).expect("forwarder");
    forwarder.attach(true).await.expect("attached");
    let folder = depot.dir.path().join("central/.yarder/receipts/L-0101");
    std::fs::create_dir_all(&folder).expect("folder");
    std::fs::write(folder.join("000000000001"), "no receipt").expect("written");
    forwarder.look_elsewhere().await.expect("asked");
    let query = ledger::read(&config.depot.state_dir).expect("ledger");
    assert!(query.elsewhere(0, i64::MAX).expect("read").is_empty());
}

impl Depot {
    /// Files that are archived.
    fn reached_home(&self) -> usize {
        self.states().iter().filter(|state| state.contains("archived")).count()
    }
}
