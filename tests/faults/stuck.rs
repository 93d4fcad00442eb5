//! One file that never comes whole holds up nobody.

use yarder::sim::{Effect, Options, Point};

use super::depot::{Depot, content, dice, logger};

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
