//! Looks at a ledger beside its writer.

use super::*;
use crate::edges::Edges;

#[tokio::test]
async fn a_look_stays_at_its_moment_and_another_one_beside_it_sees_the_same_ledger() {
    let dir = tempfile::tempdir().expect("dir");
    let ledger = Ledger::open(&Edges::real(), dir.path()).expect("ledger");
    ledger.logger("L-0101", "PLOW-01").await.expect("row");
    ledger.settled().await.expect("committed");
    let query = read(dir.path()).expect("query");
    let beside = query.beside().expect("a second one");
    let names = |query: &Query| {
        let all = query.loggers(0, 1).expect("loggers");
        all.into_iter().map(|row| row.logger).collect::<Vec<_>>()
    };
    let moment = query.moment().expect("moment");
    assert_eq!(names(&query), ["L-0101"]);
    ledger.logger("L-0102", "PLOW-02").await.expect("row");
    ledger.settled().await.expect("committed");
    assert_eq!(names(&query), ["L-0101"], "as of its first question");
    assert_eq!(names(&beside), ["L-0101", "L-0102"]);
    drop(moment);
    assert_eq!(names(&query), ["L-0101", "L-0102"]);
}

#[tokio::test]
async fn a_logger_with_files_to_fetch_has_the_pace_of_its_timed_transfers() {
    const DAY: i64 = 86_400_000;
    let dir = tempfile::tempdir().expect("dir");
    let clock = Arc::new(Standing(AtomicI64::new(BEGAN)));
    let ledger = Ledger::open(&Edges { clock, ..Edges::real() }, dir.path()).expect("ledger");
    let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
    let hourly = |to: i64| {
        let query = read(dir.path()).expect("query");
        query.loggers(to - DAY, to).expect("loggers")[0].hourly
    };
    let day = BEGAN * 1000 + DAY;
    // One visit of an earlier program, and two that were timed: 90 MB in half an hour.
    for (bytes, took) in [(7_000_000_000, 0), (60_000_000, 600), (30_000_000, 1_200)] {
        let visit = ledger.begin_visit(row.key).await.expect("visit");
        let took = Duration::from_secs(took);
        ledger.visit(visit, VisitCounts { bytes, took, ..VisitCounts::default() }, None).expect("told");
    }
    ledger.settled().await.expect("committed");
    assert_eq!(hourly(day), None, "nothing waits");
    ledger.apply(&row, "PLOW-01", true, vec![new("a", 5000)]).await.expect("listed");
    ledger.settled().await.expect("committed");
    assert_eq!(hourly(day), Some(180_000_000));
    assert_eq!(hourly(day + 20 * DAY), None, "of two weeks");
}

#[tokio::test]
async fn what_came_over_the_air_stands_in_the_hours_in_which_it_came() {
    const HOUR: i64 = 3_600_000;
    let dir = tempfile::tempdir().expect("dir");
    let clock = Arc::new(Standing(AtomicI64::new(BEGAN)));
    let ledger = Ledger::open(&Edges { clock: clock.clone(), ..Edges::real() }, dir.path()).expect("ledger");
    let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
    let visit = ledger.begin_visit(row.key).await.expect("visit");
    // 60 MB in an hour and a half; told again with nothing new; 5 MB in a minute, two hours later.
    let first = BEGAN / 3600 * HOUR;
    for (at, bytes, minutes) in [(2 * HOUR, 60, 90), (2 * HOUR, 60, 90), (4 * HOUR - 1, 65, 91)] {
        clock.0.store((first + at) / 1000, Ordering::SeqCst);
        let (bytes, took) = (bytes * 1_000_000, Duration::from_secs(minutes * 60));
        ledger.visit(visit, VisitCounts { bytes, took, ..VisitCounts::default() }, None).expect("told");
        ledger.settled().await.expect("committed");
    }
    let query = read(dir.path()).expect("query");
    let air = |from: i64, to: i64| {
        let all = query.air(first + from, first + to).expect("air");
        all.get("L-0101").map(|each| each.iter().map(|bytes| bytes / 1_000_000).collect::<Vec<_>>())
    };
    assert_eq!(air(0, 5 * HOUR), Some(vec![20, 40, 0, 5, 0]));
    assert_eq!(air(HOUR / 2, 3 * HOUR / 2 + 1), Some(vec![40, 10]), "of any depot's hours");
    assert_eq!(air(4 * HOUR, 9 * HOUR), None);
}
