//! Links whose volume costs, or is bounded.

use super::*;

/// A depot whose logger stands at an access point with these lines.
async fn metered(point: &'static str) -> Depot {
    Depot { point, ..Depot::new("").await }
}

#[tokio::test]
async fn what_a_link_may_carry_in_a_day_ends_there_and_no_restart_forgets_it() {
    let depot = metered("max_per_day = \"1 MB\"").await;
    for n in 1..=3 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 800_000), n as i64);
    }
    depot.once().await;
    let told = ["00001.log archived 800000", "00002.log fetching 800000", "00003.log listed 800000"];
    assert_eq!(
        (depot.states(), depot.findings()),
        (told.map(str::to_owned).into(), vec!["link-used-up".to_owned()])
    );
    let half = depot.files()[1].mark;
    assert!((100_000..700_000).contains(&half), "it ended at a mark: {half}");
    // Each round is a process of its own.
    depot.once().await;
    assert_eq!((depot.states(), depot.files()[1].mark), (told.map(str::to_owned).into(), half));
    let finding =
        depot.ledger().findings(i64::MAX).expect("findings").into_iter().find(|f| f.code == "link-used-up");
    let finding = finding.expect("told");
    assert_eq!((finding.id.as_str(), finding.vehicle), ("link-used-up:east", None));
    assert!(finding.cause.contains("of the 1.00 MB that it may carry a day"), "{}", finding.cause);
    // The day after it goes on where it ended.
    depot.pass(86_400);
    depot.once().await;
    assert_eq!(depot.states()[1], "00002.log archived 800000");
    assert_eq!(depot.findings(), ["link-used-up"], "the third file waits for another day");
    depot.pass(86_400);
    depot.once().await;
    assert_eq!((depot.stored("central").len(), depot.findings()), (3, vec![]));
}

#[tokio::test]
async fn a_metered_link_carries_the_newest_first_and_no_old_stock() {
    let depot = metered("metered = true\nmax_per_day = \"1 MB\"").await;
    depot.add("00001.log", Content::noise(1, 5_000), 1);
    depot.once().await;
    assert_eq!((depot.states(), depot.findings()), (vec!["00001.log listed 5000".to_owned()], vec![]));
    depot.add("00002.log", Content::noise(2, 800_000), 2);
    depot.add("00003.log", Content::noise(3, 800_000), 3);
    depot.once().await;
    assert_eq!(depot.states()[1..], ["00002.log fetching 800000", "00003.log archived 800000"]);
}

#[tokio::test]
async fn a_bound_that_is_taken_away_ends_the_finding() {
    let mut depot = metered("max_per_day = \"1 MB\"").await;
    depot.add("00001.log", Content::noise(1, 1_500_000), 1);
    depot.once().await;
    assert_eq!(depot.findings(), ["link-used-up"]);
    depot.point = "max_transfers = 2";
    depot.once().await;
    assert_eq!((depot.states(), depot.findings()), (vec!["00001.log archived 1500000".to_owned()], vec![]));
}
