//! Archives that hang, fail or refuse, and ends that wait for them.

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn a_share_that_hangs_is_no_failed_end_and_its_work_goes_on_at_the_next_start() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    depot.disk.hung.set(Some("archive.json"));
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.until(State::Whole, 1).await;
    // A call that has only just begun: its own deadline is later than the drain's.
    depot.disk.hung.waiting.store(0, Ordering::SeqCst);
    depot.disk.hung.someone().await;
    until.cancel();
    service.await.expect("joined").expect("nothing is undone that the ledger does not know");
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log whole 5000"]);
    depot.disk.hung.set(None);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log archived 5000"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_flushed_before_the_end_is_a_failed_end() {
    let depot = Depot::new("").await;
    depot.disk.hung.set(Some("spool"));
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.disk.hung.someone().await;
    until.cancel();
    let end = service.await.expect("joined");
    depot.disk.hung.set(None);
    assert!(matches!(end, Err(ServiceError::Drain(_))), "{end:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_command_that_hangs_keeps_neither_status_nor_another_nor_the_end_waiting() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    let ask = |request: Request| {
        let state = depot.dir.path().join("state");
        tokio::task::spawn_blocking(move || control::ask(&state, &request))
    };
    depot.disk.hung.set(Some("archive.json"));
    let adopt = ask(Request::Adopt { archive: "central".into() });
    depot.disk.hung.someone().await;
    for request in [Request::Status, Request::Reload { accept: false }] {
        let answer = ask(request.clone()).await.expect("joined").expect("asked").expect("runs");
        assert!(answer.ok, "{request:?}: {answer:?}");
    }
    let none = ask(Request::Drop { id: 99, reason: "test".into() }).await.expect("joined").expect("asked");
    assert!(none.expect("runs").text.contains("No file number 99"));
    until.cancel();
    let told = adopt.await.expect("joined").expect("asked").expect("runs");
    assert!(!told.ok && told.text.contains("Ask again"), "{told:?}");
    service.await.expect("joined").expect("ends in order");
    depot.disk.hung.set(None);
}

const EACCES: i32 = 13;
const EIO: i32 = 5;

/// A part of the path at which the archive fails, which of two files that holds up, and how.
async fn refuses(part: &str, number: i32, held_up: &[&str]) {
    let depot = Depot::new("").await;
    depot.disk.refused.set(part, number);
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let round = depot.once().await;
    assert!(round.away.is_empty(), "{part}: the archive is not away: {:?}", round.away);
    for row in depot.files() {
        let held_up = held_up.contains(&row.path.to_string().as_str());
        let wanted = if held_up { State::Whole } else { State::Archived };
        assert_eq!(row.state, wanted, "{part}: {}", row.path);
    }
    let findings = depot.ledger().findings(i64::MAX).expect("findings");
    let told: Vec<_> = findings.iter().filter(|f| f.code == "not-archived").collect();
    assert_eq!(told.len(), held_up.len().max(1), "{part}: {findings:?}");
    for (finding, file) in told.iter().zip(held_up) {
        assert!(finding.cause.contains(file) && finding.cause.contains("central"), "{finding:?}");
    }
    depot.disk.refused.nothing();
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log archived 5000", "00002.log archived 5000"], "{part}");
    assert!(depot.findings().is_empty(), "{part}: {:?}", depot.findings());
}

/// The name of the claim on such a file's content.
pub(super) fn claim_on(seed: u64, len: u64) -> String {
    Content::noise(seed, len).sha256().hex()
}

#[tokio::test]
async fn a_file_that_the_archive_refuses_or_fails_at_holds_up_itself_alone() {
    for number in [EACCES, EIO] {
        refuses("00001.log", number, &["00001.log"]).await;
        refuses(&claim_on(1, 5000), number, &["00001.log"]).await;
        refuses("manifest-sha256.txt", number, &[]).await;
    }
}

#[tokio::test]
async fn a_logger_whose_receipts_cannot_be_had_is_no_archive_that_is_away() {
    // There is one logger here: its files wait, and the archive is not said to be away.
    refuses("receipts", EIO, &["00001.log", "00002.log"]).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_share_that_fails_as_a_whole_is_away_and_no_file_is_blamed() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    depot.disk.refused.set(".yarder", EIO);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    while !depot.findings().contains(&"archive-away".to_owned()) {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    depot.until(State::Whole, 1).await;
    assert_eq!(depot.findings(), ["archive-away"]);
    depot.disk.refused.nothing();
    depot.until(State::Archived, 2).await;
    assert!(depot.findings().is_empty(), "{:?}", depot.findings());
    until.cancel();
    service.await.expect("joined").expect("ends in order");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_file_is_not_tried_with_every_other_one() {
    let depot = Depot::new("").await;
    depot.disk.refused.set("00001.log", EACCES);
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    let tried = depot.disk.refused.times.load(Ordering::SeqCst);
    for n in 3..5 {
        depot.add(&format!("0000{n}.log"), Content::noise(n, 5000), n as i64);
        depot.until(State::Archived, n as usize - 1).await;
    }
    assert_eq!(depot.disk.refused.times.load(Ordering::SeqCst), tried);
    // Its time comes.
    depot.pass(61);
    depot.disk.refused.nothing();
    depot.until(State::Archived, 4).await;
    until.cancel();
    service.await.expect("joined").expect("ends in order");
}

#[tokio::test]
async fn an_archive_that_cannot_be_used_has_one_reason_at_a_time() {
    let depot = Depot::new("").await;
    depot.once().await;
    let central = depot.dir.path().join("central");
    let own = std::fs::read_to_string(central.join(".yarder/archive.json")).expect("identity");
    let at = own.find("\"id\":\"").expect("an id") + 6;
    let other = format!("{}f00d{}", &own[..at], &own[at + 4..]);
    std::fs::write(central.join(".yarder/archive.json"), other).expect("exchanged");
    depot.once().await;
    assert_eq!(depot.findings(), ["archive-other"]);
    depot.disk.rename(&central, &depot.dir.path().join("elsewhere")).expect("moved");
    std::fs::write(&central, "in the way").expect("written");
    depot.once().await;
    assert_eq!(depot.findings(), ["archive-away"]);
}
