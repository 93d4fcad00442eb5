//! A kill on the way to a removal: what is gone is archived, and what the ledger says is so.

use std::os::unix::process::ExitStatusExt as _;

use yarder::sim::{Options, SimLogger};

use super::depot::{Depot, content, dice, logger};
use super::kills::REMOVING;

fn depot() -> Depot {
    Depot::new()
        .kind("proof", "\"reread\"")
        .kind("remove", "\"archived\"")
        .kind("remove_after", "\"0s\"")
        .serial("00421")
}

fn on_card(logger: &SimLogger) -> usize {
    logger.card().files().count()
}

async fn killed_at(point: &str) {
    assert!(REMOVING.contains(&point));
    for options in [Options::http(), Options::ftp()] {
        let mut dice = dice(&format!("killed at {point}"));
        let names: Vec<_> = (1..=4).map(|n| format!("day/{n:05}.log")).collect();
        let files: Vec<_> = names.iter().map(|n| (n.as_str(), content(&mut dice, 150_000))).collect();
        let logger = logger(options, &files).await;
        logger.set_serial(Some("00421"));
        let depot = depot();
        depot.write(&[("1", logger.url())]);
        depot.once();
        assert_eq!((depot.archived(), on_card(&logger)), (4, 4));
        let killed = depot.yarder(&["once"]).env("YARDER_KILL_AT", point).output().expect("start");
        assert_eq!(killed.status.signal(), Some(9), "{point} was not passed");
        assert_eq!(depot.states().get("removing"), Some(&1));
        assert_eq!(on_card(&logger), if point == "after-DELETE" { 3 } else { 4 });
        depot.once();
        assert_eq!(depot.states(), [("archived", 1), ("removed", 3)].into());
        assert_eq!(on_card(&logger), 1);
        assert!(depot.findings("remove-failed").is_empty(), "nobody asked before the kill, or it was done");
        let contents: Vec<_> = files.into_iter().map(|(_, content)| content).collect();
        depot.assert_archived("L-1", &contents);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn killed_when_a_removal_is_intended() {
    killed_at("removal-intent").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn killed_after_a_deletion() {
    killed_at("after-DELETE").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_command_lists_what_would_go_and_removes_it_without_the_service() {
    let mut dice = dice("remove");
    let files = [("00001.log", content(&mut dice, 1000)), ("00002.log", content(&mut dice, 2000))];
    let logger = logger(Options::http(), &files).await;
    logger.set_serial(Some("00421"));
    let depot = depot();
    depot.write(&[("1", logger.url())]);
    depot.once();
    let said = |args: &[&str]| {
        let output = depot.yarder(args).output().expect("start");
        (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let (code, listed) = said(&["remove", "--dry-run"]);
    assert_eq!(code, Some(0), "{listed}");
    assert!(listed.contains("L-1         00001.log  1.00 kB") || listed.contains("00001.log"), "{listed}");
    assert!(
        listed.contains("1 file would go") && listed.contains("1 file would stay: no later file"),
        "{listed}"
    );
    assert_eq!(on_card(&logger), 2, "a dry run removes nothing");
    assert_eq!(said(&["remove"]), (Some(0), "L-1: 1 file removed\n".to_owned()));
    assert_eq!((on_card(&logger), depot.states()), (1, [("archived", 1), ("removed", 1)].into()));
    let (_, listed) = said(&["remove", "--dry-run", "--json"]);
    assert!(listed.contains("\"goes\":false") && listed.contains("last-of-stream"), "{listed}");
}
