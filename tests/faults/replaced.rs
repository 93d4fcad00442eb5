//! A file that another one replaces between two cuts, with the same name and size.

use yarder::sim::{Content, Effect, EtagStyle, HttpOptions, Options, Point, Protocol, SimLogger};

use super::depot::{Depot, content, dice, logger, recorded};

const NAME: &str = "00001.log";
const SIZE: usize = 1_500_000;
const CUT: u64 = 700_000;

fn servers() -> Vec<(&'static str, Options)> {
    let http = |etag| Protocol::Http(HttpOptions { etag, ..HttpOptions::default() });
    let with = |protocol| Options { protocol, ..Options::http() };
    vec![
        ("HTTP, tags from time and size", with(http(EtagStyle::TimeSize))),
        ("HTTP, weak tags", with(http(EtagStyle::Weak))),
        ("HTTP, a tag for each change", with(http(EtagStyle::Unique))),
        ("HTTP, no tags", with(http(EtagStyle::None))),
        ("FTP", Options::ftp()),
    ]
}

/// The first part of `old` lies in the depot's spool, and the logger has `new`.
async fn half_fetched(depot: &Depot, options: Options, old: &Content) -> SimLogger {
    let logger = logger(options, &[(NAME, old.clone())]).await;
    depot.write(&[("1", logger.url())]);
    logger.faults().always(Point::file(NAME, CUT), Effect::Fin);
    depot.once();
    assert_eq!(depot.states(), [("fetching", 1)].into());
    assert_eq!(depot.files()[0].mark, CUT, "bytes kept");
    logger.faults().clear_incidents();
    logger
}

/// Puts `new` in its place, cuts once more further on, and lets the depot finish.
fn replace(depot: &Depot, logger: &SimLogger, new: &Content, later: bool) {
    logger.card().add(NAME, new.clone(), recorded(if later { 90 } else { 0 }));
    logger.faults().once(Point::file(NAME, CUT + 300_000), Effect::Fin);
    for _ in 0..3 {
        depot.once();
        if depot.states() == [("archived", 1)].into() {
            return;
        }
    }
    panic!("it did not come home: {:?}", depot.states());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_replaced_file_is_never_mixed() {
    let mut dice = dice("replaced");
    for later in [true, false] {
        for (name, options) in servers() {
            let depot = Depot::new();
            let (old, new) = (content(&mut dice, SIZE), content(&mut dice, SIZE));
            let logger = half_fetched(&depot, options, &old).await;
            replace(&depot, &logger, &new, later);
            println!("replaced: {name}, another time: {later}, {:?}", depot.states());
            depot.assert_archived("L-1", &[new]);
        }
    }
}

/// The same bytes from some way before the cut on, others before that.
fn unlike_at_the_start(old: &Content) -> Content {
    let mut bytes = old.read(0, SIZE).to_vec();
    bytes[1000] ^= 1;
    Content::bytes(bytes)
}

fn untagged() -> Options {
    let options = HttpOptions { etag: EtagStyle::None, ..HttpOptions::default() };
    Options { protocol: Protocol::Http(options), ..Options::http() }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_nothing_could_tell_is_called_a_proof_by_length() {
    let mut dice = dice("replaced, unseen");
    for options in [untagged(), Options::ftp()] {
        let depot = Depot::new();
        let old = content(&mut dice, SIZE);
        let new = unlike_at_the_start(&old);
        let logger = half_fetched(&depot, options, &old).await;
        replace(&depot, &logger, &new, false);
        let proofs: Vec<_> = depot.files().iter().map(|f| f.proof.map(|p| p.as_str())).collect();
        assert_eq!(proofs, [Some("length")]);
        assert_eq!(depot.receipts("L-1")[0].proof.as_str(), "length");
        assert_eq!(depot.hashes(), [old.sha256().hex()], "nobody could know better");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_reading_finds_what_nothing_else_could_tell() {
    let mut dice = dice("replaced, reread");
    for options in [untagged(), Options::ftp()] {
        let depot = Depot::new().kind("proof", "\"reread\"");
        let old = content(&mut dice, SIZE);
        let new = unlike_at_the_start(&old);
        let logger = half_fetched(&depot, options, &old).await;
        replace(&depot, &logger, &new, false);
        depot.assert_archived("L-1", std::slice::from_ref(&new));
        assert_eq!(depot.receipts("L-1")[0].proof.as_str(), "reread");
        // Told, and over once the right content is home.
        let told = depot.ledger().findings(0).expect("findings");
        assert!(told.iter().any(|f| f.code == "reread-differs" && f.gone.is_some()), "{told:?}");
    }
}
