//! One file that never comes whole holds up nobody.

use std::sync::Arc;

use yarder::sim::{Content, Effect, Options, Point, SimLogger};

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
        // What could be read waits for a person, and is not read again and again.
        assert_eq!(depot.states(), [("archived", 19), ("held", 1)].into());
        let before = logger.counters().of(&names[bad]);
        depot.once();
        assert_eq!(logger.counters().of(&names[bad]), before);
        assert_eq!(depot.findings("file-stuck").len(), 1);
    }
}

fn command(depot: &Depot, args: &[&str]) -> serde_json::Value {
    let output = depot.yarder(args).output().expect("start");
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap_or_default()
}

/// A card with two parts that cannot be read, the second of them up to the file's end or not.
#[tokio::test(flavor = "multi_thread")]
async fn an_unreadable_part_of_a_card_is_read_around_and_the_rest_is_held_with_a_map() {
    const GRAIN: u64 = 64 * 1024;
    let mut dice = dice("stuck, around");
    for (ftp, to_the_end, killed) in [(false, false, true), (false, true, false), (true, false, false)] {
        let options = if ftp { Options::ftp() } else { Options::http() };
        let size = 2_000_000;
        let bad = Content::noise(dice.u64(..), size);
        let good = content(&mut dice, 90_000);
        let logger = logger(options, &[("1.log", bad.clone()), ("2.log", good.clone())]).await;
        let first = dice.u64(1..600_000);
        let second = dice.u64(1_000_000..1_500_000);
        let end = if to_the_end { size } else { second + 10_000 };
        logger.faults().unreadable =
            vec![(b"1.log".to_vec(), first..first + 100_000), (b"1.log".to_vec(), second..end)];
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        for visit in 1..=3 {
            assert!(
                depot.path().join("state").exists() == (visit > 1) || depot.findings("file-stuck").is_empty()
            );
            if visit == 3 && killed {
                let mut killed = depot.yarder(&["once"]);
                let status = killed.env("YARDER_KILL_AT", "mark-committed").output().expect("start").status;
                assert_eq!(status.code(), None, "killed");
            }
            depot.once();
            assert_eq!(depot.hashes(), [good.sha256().hex()], "the other is home in visit {visit}");
        }
        let gaps = [(first, first + 2 * GRAIN), (second, if to_the_end { size } else { second + GRAIN })];
        let map = serde_json::json!(gaps.map(|(from, to)| serde_json::json!({ "from": from, "to": to })));
        let held = command(&depot, &["held", "--json"]);
        assert_eq!((&held["path"], &held["gaps"]), (&"1.log".into(), &map), "FTP: {ftp}");
        let told = &depot.findings("file-stuck")[0];
        assert_eq!((&told.evidence["gaps"], &told.evidence["file"]), (&map, &"1.log".into()));
        assert!(told.action.contains("card reader"), "{}", told.action);

        // Kept by a person, it is what could be read, with zeros in the gaps.
        let mut want = bad.read(0, size as usize).to_vec();
        want[first as usize..][..2 * GRAIN as usize].fill(0);
        if to_the_end {
            want.truncate(second as usize);
        } else {
            want[second as usize..][..GRAIN as usize].fill(0);
        }
        let before = logger.counters().of("1.log");
        // What an FTP server had sent when a probe was broken off is in its count.
        assert!(ftp || before < 2 * size, "{before} bytes for one file");
        depot.once();
        command(&depot, &["held", "keep", &held["id"].to_string(), "--reason", "the card is damaged"]);
        for _ in 0..2 {
            depot.once();
        }
        assert_eq!(logger.counters().of("1.log"), before, "it is not fetched again");
        assert!(
            depot.hashes().contains(&Content::bytes(want).sha256().hex()),
            "FTP: {ftp}, to the end: {to_the_end}"
        );
        assert_eq!(depot.states(), [("archived", 2)].into());
        assert!(depot.findings("file-stuck").is_empty());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn where_ranges_do_not_work_what_came_before_the_unreadable_part_is_held() {
    let mut dice = dice("stuck, no ranges");
    let bad = content(&mut dice, 400_000);
    let logger = logger(Options::http(), &[("1.log", bad.clone()), ("2.log", content(&mut dice, 500))]).await;
    logger.faults().ignore_ranges = true;
    logger.faults().unreadable = vec![(b"1.log".to_vec(), 150_000..250_000)];
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    for _ in 0..3 {
        depot.once();
    }
    let held = command(&depot, &["held", "--json"]);
    assert_eq!(held["gaps"], serde_json::json!([{ "from": 150_000, "to": 400_000 }]));
    let file = depot.files().into_iter().find(|file| file.state.as_str() == "held").expect("held");
    let part =
        std::fs::read(depot.state_dir().join("spool").join(format!("{}.part", file.spool.expect("spool"))));
    assert_eq!(part.expect("there"), bad.read(0, 150_000));
    assert!(depot.findings("never-fits").is_empty());
}

/// A logger with one file that begins at zero each time and ends at 60 % of it, and its depot.
async fn leaves_at_sixty_percent(dice: &mut fastrand::Rng) -> (Arc<SimLogger>, Depot) {
    let logger = Arc::new(logger(Options::http(), &[("1.log", content(dice, 600_000))]).await);
    logger.faults().ignore_ranges = true;
    logger.faults().rate = Some(400_000);
    logger.faults().always(Point::file("1.log", 360_000), Effect::Stall);
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    (logger, depot)
}

/// A logger that begins at zero each time, in a vehicle that leaves each night at 60 % of its file.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_never_fits_into_the_vehicles_stay_is_told_with_its_minutes_and_lets_others_first() {
    let mut dice = dice("stuck, drives off");
    // A minute passes in a second; 360 kB take 0.9 s.
    let clock = TestClock::fast(60);
    let (logger, depot) = leaves_at_sixty_percent(&mut dice).await;
    let list = depot.path().join("vehicles.toml");
    let text = std::fs::read_to_string(&list).expect("the list");
    let leaves = "[[vehicle]]\nleaves = \"05:30\"";
    std::fs::write(&list, text.replace("[[vehicle]]", leaves)).expect("written");
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
    assert!(told.action.contains("for that long once before it leaves at 05:30"), "{}", told.action);
    // It stays long enough.
    logger.faults().clear_incidents();
    depot.round(&clock).await;
    assert_eq!(depot.hashes().len(), 6);
    assert!(depot.findings("never-fits").is_empty());
}

/// Files that take the whole stay leave no turn to one that did not come whole before, night after night.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_gets_no_turn_in_the_vehicles_stay_is_told_like_one_that_was_cut() {
    let mut dice = dice("stuck, no turn");
    let clock = TestClock::fast(60);
    let (logger, depot) = leaves_at_sixty_percent(&mut dice).await;
    for night in 1..=4 {
        assert!(night == 1 || depot.findings("never-fits").is_empty(), "before night {night}");
        // That it cannot resume is seen in the second night; from then on all others come first.
        if night > 2 {
            let name = format!("2-{night}.log");
            logger.card().add(&name, content(&mut dice, 200_000), recorded(night));
            logger.faults().always(Point::file(&name, 150_000), Effect::Stall);
        }
        let there = logger.clone();
        let leaves = tokio::task::spawn_blocking(move || {
            eventually("it stalls", || (there.counters().broken == night as u64).then_some(()));
        });
        let leaves = async {
            leaves.await.expect("seen");
            logger.leave().await;
        };
        tokio::join!(depot.round(&clock), leaves);
        logger.arrive().expect("its port");
    }
    let told = depot.findings("never-fits");
    let files: Vec<_> =
        told.iter().map(|f| f.evidence["file"].as_str().unwrap_or_default().to_owned()).collect();
    assert_eq!(files, ["1.log"]);
    assert!(told[0].evidence["minutes"].as_u64().is_some(), "{}", told[0].evidence);
}
