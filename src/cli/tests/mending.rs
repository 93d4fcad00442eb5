//! What a repair puts where, and what it takes that from.

use std::fs::OpenOptions;
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;

use super::*;

#[tokio::test]
async fn a_repair_puts_right_bytes_over_wrong_ones_and_names_what_it_cannot_mend() {
    let depot = Depot::new().await;
    depot.night().await;
    std::fs::write(depot.archive("logs/1.log"), "flipped").expect("flipped");
    remove(&depot.archive("logs/2.log"));
    // The spool has the one; what it has in place of the other is no source.
    let state = depot.dir.path().join("state");
    for (path, bytes) in [("logs/1.log", content("logs/1.log")), ("logs/2.log", vec![0; 5000])] {
        let names = ledger::read(&state).and_then(|query| query.in_spool(Digest::of(&content(path))));
        let lies = crate::spool::lies_in(&state, &names.expect("names")[0]);
        std::fs::create_dir_all(lies.path.parent().expect("parent")).expect("folder");
        let file =
            OpenOptions::new().write(true).create(true).truncate(false).open(lies.path).expect("opened");
        file.write_all_at(&bytes, lies.at).expect("written");
    }
    let (end, told) = depot.lines(&["audit", "--repair", "--json"]).await;
    assert_eq!(end, Outcome::NeedsPerson);
    let of = |place: &str| told.iter().find(|d| d["location"] == place).expect("told").clone();
    assert_eq!(
        (&of("logs/1.log")["kind"], &of("logs/1.log")["repaired"]),
        (&"flipped".into(), &"the spool".into())
    );
    assert_eq!((&of("logs/2.log")["kind"], &of("logs/2.log")["repaired"]), (&"missing".into(), &Value::Null));
    assert_eq!(std::fs::read(depot.archive("logs/1.log")).expect("there"), content("logs/1.log"));
    assert!(!depot.archive("logs/2.log").exists(), "wrong bytes are put nowhere");
    assert_eq!(std::fs::read_dir(depot.archive(".yarder/tmp")).expect("folder").count(), 0);
    let (_, story) = depot.lines(&["trace", "logs/1.log", "--json"]).await;
    assert!(story[0].to_string().contains("repaired"), "{story:?}");
}

#[tokio::test]
async fn a_repair_takes_no_bytes_from_an_archive_that_is_not_the_accepted_one() {
    for (id, repaired) in [("two", true), ("three", false)] {
        let depot = Depot::new().await;
        depot.night().await;
        let mirror = depot.dir.path().join("mirror");
        std::fs::create_dir_all(mirror.join(".yarder")).expect("folder");
        std::fs::write(mirror.join(".yarder/archive.json"), format!(r#"{{"schema":1,"id":"{id}"}}"#))
            .expect("id");
        std::fs::write(mirror.join("other.log"), content("logs/1.log")).expect("copy");
        let config = OpenOptions::new().append(true).open(depot.dir.path().join("yarder.toml"));
        let more = format!(
            "[[archive]]\nname = \"mirror\"\nurl = \"file://{}\"\nrequired = false\n",
            mirror.display()
        );
        config.expect("open").write_all(more.as_bytes()).expect("written");
        depot.ledger.accept_archive("mirror", "there", "two").await.expect("accepted");
        let logger = depot.logger("L-0401", "PLOW-01").await;
        depot.list(&logger, "PLOW-01", &["other.log"]).await;
        let copy = depot.fetch_for(&logger, "other.log", "logs/1.log", "mirror").await;
        let location = "other.log".to_owned();
        let kept = Kept { id: copy, location, seq: 1, verified: "disk-read", folder: None, note: "" };
        depot.ledger.verified("mirror", vec![kept], Vec::new()).await.expect("verified");
        std::fs::write(depot.archive("logs/1.log"), "flipped").expect("flipped");
        let (end, _) = depot.run(&["audit", "--repair"]).await;
        assert_eq!(end.is_ok(), repaired, "{end:?}");
        let there = std::fs::read(depot.archive("logs/1.log")).expect("there");
        assert_eq!(there == content("logs/1.log"), repaired, "{id}");
    }
}
