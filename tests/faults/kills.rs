//! A kill at every named point: each file is archived exactly once afterwards.

use std::os::unix::fs::MetadataExt as _;
use std::os::unix::process::ExitStatusExt as _;

use yarder::killpoint::POINTS;
use yarder::sim::Options;

use super::depot::{Depot, content, dice, logger};

/// One test for each point.
macro_rules! killed_at {
    ($($test:ident $point:literal)*) => {
        const TESTED: &[&str] = &[$($point),*];
        $(
            #[tokio::test(flavor = "multi_thread")]
            async fn $test() {
                killed_at($point).await;
            }
        )*
    };
}

killed_at! {
    killed_when_a_partial_is_flushed "partial-flushed"
    killed_when_a_mark_is_committed "mark-committed"
    killed_when_a_record_is_flushed "record-flushed"
    killed_when_a_file_is_published "published"
    killed_when_the_folder_is_flushed "folder-flushed"
    killed_when_whole_is_committed "whole-committed"
    killed_when_a_claim_is_intended "claim-intended"
    killed_when_a_claim_is_stored "claim-stored"
    killed_when_its_place_is_committed "place-committed"
    killed_when_the_copy_is_flushed "archive-temp-flushed"
    killed_when_the_copy_is_published "archive-published"
    killed_when_the_archive_folder_is_flushed "archive-folder-flushed"
    killed_when_the_receipt_is_stored "receipt-stored"
    killed_when_archived_is_committed "archived-committed"
    killed_when_the_spool_lets_go "spool-let-go"
    killed_when_the_manifest_is_replaced "manifest-replaced"
}

/// Those that a removal passes are in `removals`.
pub const REMOVING: &[&str] = &["removal-intent", "after-DELETE"];

#[test]
fn every_point_has_its_test() {
    assert_eq!([TESTED, REMOVING].concat(), POINTS);
}

async fn killed_at(point: &str) {
    let mut dice = dice(&format!("killed at {point}"));
    for (archive, depot) in [("linked", Depot::new()), ("copied", Depot::with_archive_elsewhere())] {
        let same = std::fs::metadata(&depot.archive).expect("archive").dev()
            == std::fs::metadata(depot.path()).expect("folder").dev();
        assert_eq!(same, archive == "linked", "which way this archive is written");
        // The first is large enough for two marks; the day's folder gets more than one file.
        let sizes = [17_000_000, 1000, 70_000, 5, 300_000];
        let names: Vec<_> = (1..=sizes.len()).map(|n| format!("day/{n:05}.log")).collect();
        let files: Vec<_> =
            names.iter().zip(sizes).map(|(n, size)| (n.as_str(), content(&mut dice, size))).collect();
        let logger = logger(Options::http(), &files).await;
        depot.write(&[("1", logger.url())]);

        let killed = depot.yarder(&["once"]).env("YARDER_KILL_AT", point).output().expect("start");
        assert_eq!(killed.status.signal(), Some(9), "{archive}: {point} was not passed");
        let contents: Vec<_> = files.into_iter().map(|(_, content)| content).collect();
        let wanted: Vec<_> = contents.iter().map(|c| c.sha256().hex()).collect();
        assert!(depot.hashes().iter().all(|hash| wanted.contains(hash)), "{archive}: half a file has a name");
        // The next attempt is killed as well, if it comes to this other point.
        let other = POINTS[dice.usize(..POINTS.len())];
        let again = depot.yarder(&["once"]).env("YARDER_KILL_AT", other).output().expect("start");
        println!("killed at {point}, {archive}; at {other}: {}", again.status);
        depot.once();
        println!("killed at {point}, {archive}: {} bytes sent in all", logger.counters().bytes());
        depot.assert_archived("L-1", &contents);
    }
}
