//! The archive among many files: what is wrong there is named, and nothing else.

use std::fs;

use yarder::sim::{Content, Options};

use super::depot::{Depot, dice, logger};

/// Every one has a content of its own.
const FILES: usize = 10_000;

#[tokio::test(flavor = "multi_thread")]
async fn one_flipped_one_missing_and_one_foreign_file_among_ten_thousand_are_named() {
    let mut dice = dice("audit");
    let names: Vec<_> = (0..FILES).map(|n| format!("{:02}/{n:05}.log", n / 500)).collect();
    let files: Vec<_> =
        names.iter().enumerate().map(|(n, name)| (name.as_str(), Content::noise(n as u64, 200))).collect();
    let logger = logger(Options::http(), &files).await;
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    depot.once();
    let stored = depot.stored();
    assert_eq!(stored.len(), FILES);
    let mut pick = || stored[dice.usize(..FILES)].location.clone();
    let (flipped, missing) = loop {
        let (one, other) = (pick(), pick());
        if one != other {
            break (one, other);
        }
    };
    let mut bytes = fs::read(depot.archive.join(&flipped)).expect("read");
    bytes[100] ^= 1;
    fs::write(depot.archive.join(&flipped), bytes).expect("written");
    fs::rename(depot.archive.join(&missing), depot.path().join("taken away")).expect("moved");
    let foreign = format!("{missing}.copy");
    fs::write(depot.archive.join(&foreign), "nobody here stored this").expect("written");
    let audit = depot.yarder(&["audit", "--json"]).output().expect("start");
    assert_eq!(audit.status.code(), Some(3), "{}", String::from_utf8_lossy(&audit.stderr));
    let text = String::from_utf8(audit.stdout).expect("text");
    let mut told: Vec<_> = text
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"))
        .map(|d| {
            (d["kind"].as_str().expect("kind").to_owned(), d["location"].as_str().expect("place").to_owned())
        })
        .collect();
    told.sort();
    let want = |kind: &str, place: &str| (kind.to_owned(), place.to_owned());
    assert_eq!(told, [want("flipped", &flipped), want("foreign", &foreign), want("missing", &missing)]);
}
