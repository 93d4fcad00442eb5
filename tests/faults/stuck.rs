//! One file that never comes whole holds up nobody.

use std::sync::Arc;

use yarder::sim::{Effect, Options, Point};

use super::depot::{Depot, TestClock, content, dice, eventually, logger, recorded};

#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_always_breaks_holds_up_no_other_and_is_told_after_three_visits() {
    let mut dice = dice("stuck");
    for options in [Options::http(), Options::ftp()] {
        let names: Vec<_> = (1..=20).map(|n| format!("{n:05}.log")).collect();
        let files: Vec<_> = names.iter().map(|n| (n.as_str(), content(&mut dice, 150_000))).collect();
        let logger = logger(options, &files).await;
        let (bad, at) = (dice.usize(..files.len()), dice.u64(1..150_000));
        println!("stuck: {} at byte {at}", names[bad]);
        logger.faults().always(Point::file(&names[bad], at), Effect::Fin);
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        let mut others: Vec<_> = files.iter().map(|(_, c)| c.sha256().hex()).collect();
        others.remove(bad);
        others.sort();
        for visit in 1..=3 {
            let report = depot.once();
            assert_eq!(depot.hashes(), others, "in visit {visit}");
            assert_eq!(report["vehicles"][0]["verdict"], "incomplete");
            let told = depot.findings("file-stuck");
            assert_eq!(told.len(), usize::from(visit == 3), "after visit {visit}");
            if let Some(finding) = told.first() {
                assert_eq!(finding.evidence["file"], names[bad].as_str());
                assert_eq!(finding.evidence["at_byte"], at);
            }
        }
        // The card is mended.
        logger.faults().clear_incidents();
        depot.once();
        depot.assert_archived("L-1", &files.into_iter().map(|(_, c)| c).collect::<Vec<_>>());
        assert!(depot.findings("file-stuck").is_empty());
    }
}

/// A logger that begins at zero each time, in a vehicle that leaves each night at 60 % of its file.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_never_fits_into_the_vehicles_stay_is_told_with_its_minutes_and_lets_others_first() {
    let mut dice = dice("stuck, drives off");
    // A minute passes in a second; 360 kB take 0.9 s.
    let clock = TestClock::fast(60);
    let logger = Arc::new(logger(Options::http(), &[("1.log", content(&mut dice, 600_000))]).await);
    logger.faults().ignore_ranges = true;
    logger.faults().rate = Some(400_000);
    logger.faults().always(Point::file("1.log", 360_000), Effect::Stall);
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    let mut others = Vec::new();
    for night in 1..=5 {
        assert_eq!(
            depot.path().join("state").exists() && !depot.findings("never-fits").is_empty(),
            night == 5
        );
        let other = content(&mut dice, 20_000);
        logger.card().add(format!("2-{night}.log"), other.clone(), recorded(night));
        others.push(other.sha256().hex());
        others.sort();
        let there = logger.clone();
        let leaves = tokio::task::spawn_blocking(move || {
            eventually("60 %", || (there.counters().broken == night as u64).then_some(()));
        });
        let leaves = async {
            leaves.await.expect("seen");
            logger.leave().await;
        };
        tokio::join!(depot.round(&clock), leaves);
        // That it cannot resume is seen in the second night: from the third on all others come first.
        let home = depot.hashes();
        assert_eq!(home, if night < 3 { &[][..] } else { &others }, "in night {night}");
        logger.arrive().expect("its port");
    }
    let told = &depot.findings("never-fits")[0];
    assert_eq!(told.evidence["file"], "1.log");
    let minutes = told.evidence["minutes"].as_u64().expect("minutes");
    assert!((2..6).contains(&minutes), "{minutes} min");
    assert!(told.cause.contains(&format!("{minutes} min")), "{}", told.cause);
    // It stays long enough.
    logger.faults().clear_incidents();
    depot.round(&clock).await;
    assert_eq!(depot.hashes().len(), 6);
    assert!(depot.findings("never-fits").is_empty());
}
