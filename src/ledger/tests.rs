//! The ledger through its own doors: migrations, group commit, and what happens to files.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use futures_util::future::BoxFuture;
use jiff::Timestamp;
use rusqlite::Connection;
use serde_json::json;

use super::state::{Duty, Happening, State};
use super::*;
use crate::clock::Clock;
use crate::model::{Blocks, Digest, Edges as Ends, Look, Proof, RemotePath};
use crate::spool::Record;

mod coming_home;
mod deciding;
mod lasting;
mod looking;
mod mending;
mod older;
mod owing;

/// A clock that stands where it is put.
#[derive(Debug)]
struct Standing(AtomicI64);

impl Clock for Standing {
    fn now(&self) -> Timestamp {
        Timestamp::from_second(self.0.load(Ordering::SeqCst)).expect("time")
    }

    fn mono(&self) -> Duration {
        Duration::ZERO
    }

    fn sleep(&self, _: Duration) -> BoxFuture<'static, ()> {
        Box::pin(std::future::ready(()))
    }
}

const BEGAN: i64 = 1_770_000_000;

/// A ledger in memory with one logger.
struct Desk {
    ledger: Ledger,
    row: LoggerRow,
    clock: Arc<Standing>,
}

fn path(text: &str) -> RemotePath {
    RemotePath::new(text.as_bytes()).expect("path")
}

fn seen(name: &str, size: u64) -> Seen {
    let look = Look { size: Some(size), time: Timestamp::from_second(BEGAN - 60).ok(), ..Look::default() };
    Seen { path: path(name), listed: size.to_string(), look }
}

fn new(name: &str, size: u64) -> Change {
    Change::New { seen: seen(name, size), backlog: false, same_as: None, why: "listed" }
}

fn facts(id: VersionId, name: &str, size: u64, owed: &[&str]) -> WholeFacts {
    let sha256 = Digest::of(name.as_bytes());
    WholeFacts {
        id,
        spool: format!("spool-{name}"),
        look: seen(name, size).look,
        size,
        sha256,
        edges: Ends { head: sha256, tail: sha256 },
        blocks: Blocks(vec![sha256]),
        proof: Proof::Length,
        extends: None,
        owed: owed.iter().map(|o| (*o).to_owned()).collect(),
        detail: json!({}),
    }
}

impl Desk {
    async fn new() -> Self {
        let clock = Arc::new(Standing(AtomicI64::new(BEGAN)));
        let edges = Edges { clock: clock.clone(), ..Edges::real() };
        let ledger = Ledger::in_memory(&edges).expect("ledger");
        let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
        Self { ledger, row, clock }
    }

    async fn list(&self, changes: Vec<Change>) -> Applied {
        self.ledger.apply(&self.row, "PLOW-01", true, changes).await.expect("applied")
    }

    async fn known(&self, name: &str) -> Known {
        let known = self.ledger.known(&self.row, vec![path(name)], true).await.expect("known");
        known.into_iter().find(|k| k.path == path(name)).expect("known")
    }

    async fn archives(&self, archives: &[(&str, bool)]) {
        let archives = archives.iter().map(|(name, required)| ((*name).to_owned(), *required)).collect();
        self.ledger.follow_archives(archives).await.expect("followed");
    }

    async fn whole(&self, name: &str, owed: &[&str]) -> VersionId {
        self.list(vec![new(name, 5000)]).await;
        let id = self.known(name).await.id;
        self.ledger.grant(Grant { id, spool: format!("spool-{name}"), reserved: 0 }).expect("granted");
        self.ledger.whole(vec![(facts(id, name, 5000, owed), false)]).await.expect("whole");
        id
    }

    /// Gives what may leave the spool then.
    async fn verify(&self, archive: &str, id: VersionId) -> Vec<String> {
        let kept = Kept {
            id,
            location: format!("at/{}", id.0),
            seq: 1,
            verified: "disk-read",
            folder: None,
            note: "",
        };
        self.ledger.verified(archive, vec![kept], Vec::new()).await.expect("verified");
        self.ledger.let_go().await.expect("free")
    }

    /// What happened to a version, in words.
    async fn story(&self, id: VersionId) -> Vec<String> {
        let read = move |tx: &Tx<'_>| {
            let mut events = tx.db.prepare("SELECT what FROM events WHERE version = ? ORDER BY id")?;
            let events = events.query_map([id.0], |row| row.get(0))?;
            Ok(events.collect::<Result<_, _>>()?)
        };
        self.ledger.writer.ask(read).await.expect("events")
    }

    async fn due(&self, archive: &str) -> Vec<(Duty, Option<String>)> {
        let due = self.ledger.due(archive, [].into_iter(), 100).await.expect("due");
        due.into_iter().map(|d| (d.duty, d.location)).collect()
    }
}

#[test]
fn an_older_ledger_is_brought_up_and_a_newer_one_is_refused() {
    let dir = tempfile::tempdir().expect("dir");
    let edges = Edges::real();
    let version = |set: i64| {
        let db = Connection::open(dir.path().join(FILE)).expect("open");
        db.pragma_update(None, "user_version", set).expect("set");
    };
    let old = Connection::open(dir.path().join(FILE)).expect("open");
    old.execute_batch(schema::MIGRATIONS[0]).expect("the first schema");
    old.execute("INSERT INTO loggers (name, vehicle) VALUES ('L-1', 'PLOW-01')", []).expect("row");
    drop(old);
    version(1);
    assert!(read(dir.path()).is_err(), "a reader does not change it");
    drop(Ledger::open(&edges, dir.path()).expect("brought up"));
    let db = Connection::open(dir.path().join(FILE)).expect("open");
    assert_eq!(schema::version(&db).expect("version"), schema::VERSION);
    let kept: String = db.query_row("SELECT name FROM loggers", [], |row| row.get(0)).expect("kept");
    assert_eq!(kept, "L-1");
    version(schema::VERSION + 1);
    let refused = LedgerError::Newer { found: schema::VERSION + 1, known: schema::VERSION };
    assert_eq!(Ledger::open(&edges, dir.path()).err(), Some(refused.clone()));
    assert_eq!(read(dir.path()).err(), Some(refused));
}

/// Each listing of each logger asks these; a ledger holds years.
#[test]
fn questions_of_every_listing_do_not_read_the_whole_ledger() {
    by_index(&[
        super::obligations::DUE,
        super::versions::PENDING,
        super::copies::COPIES,
        "SELECT count(*) FROM versions WHERE logger = ?1 AND state IN ('listed', 'open')",
        listings::LYING,
        "SELECT id FROM versions v WHERE state = 'whole' AND id > ?1",
        "SELECT id FROM versions v WHERE spool IS NOT NULL AND state IN ('archived', 'gone') AND id > ?1",
        "SELECT id FROM versions v WHERE v.spool IS NOT NULL AND v.state IN ('listed', 'lost') AND v.waits <= ?1",
        reports::LEFT,
        reports::CAME,
        reports::CAME_ELSEWHERE,
        reports::UNDONE,
        super::removal::REMOVABLE,
    ]);
}

/// A year of 500 vehicles is 20 million versions and more events.
#[test]
fn questions_of_a_report_read_their_day_and_not_the_whole_ledger() {
    use super::days::*;
    by_index(&[
        NEWS,
        ARCHIVED,
        DATA_UNTIL,
        VISITS,
        TIMED,
        BEFORE,
        UPS,
        BLIND,
        PROOFS,
        WAITING,
        USED,
        "SELECT max(began) FROM visits WHERE logger = ?",
        super::query::DUPLICATES,
        super::query::FINDINGS,
        super::query::FIRST_UP,
        super::query::UNFINISHED,
        super::query::LOST,
        super::query::OWED,
        super::query::NOT_HOME,
        super::facts::CAME,
        super::facts::NOT_HERE,
        super::facts::INSIDE,
        super::facts::CARD,
        super::air::AIR,
    ]);
}

/// That no question scans a table, nor a logger's or a card's whole past.
fn by_index(questions: &[&str]) {
    let mut db = Connection::open_in_memory().expect("db");
    schema::migrate(&mut db).expect("schema");
    for sql in questions {
        let mut plan = db.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).expect("plan");
        let count = plan.parameter_count();
        let any = rusqlite::params_from_iter(std::iter::repeat_n(1, count));
        let lines: Vec<String> =
            plan.query_map(any, |row| row.get(3)).expect("plan").map(|l| l.expect("line")).collect();
        let whole = |l: &String| {
            let due = l.contains("obligations_due") || l.contains("versions_spool");
            // The `max` or `min` at one end of an index reads one entry; a list is the question's own.
            let end = l.contains("uptimes_began") || l.contains("json_each");
            l.starts_with("SCAN") && !due && !end
                || l.contains("versions_name (card=?)")
                || l.contains("versions_state (logger=?)")
                || l.contains("versions_time") && l.contains("(logger=?)") && !sql.contains("LIMIT 1")
        };
        assert!(!lines.iter().any(whole), "{sql}: {lines:?}");
    }
}

#[tokio::test]
async fn a_job_that_fails_undoes_itself_alone_and_answers_come_after_the_commit() {
    let dir = tempfile::tempdir().expect("dir");
    let ledger = Ledger::open(&Edges::real(), dir.path()).expect("ledger");
    let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
    let illegal = Change::Closed { path: path("nobody") };
    let (good, bad, more) = tokio::join!(
        ledger.apply(&row, "PLOW-01", true, vec![new("a", 1)]),
        ledger.apply(&row, "PLOW-01", true, vec![new("b", 1), illegal]),
        ledger.apply(&row, "PLOW-01", true, vec![new("c", 1)]),
    );
    assert!(good.is_ok() && bad.is_err() && more.is_ok());
    let db = Connection::open(dir.path().join(FILE)).expect("another connection");
    let mut names = db.prepare("SELECT path FROM versions ORDER BY path").expect("names");
    let names: Vec<Vec<u8>> =
        names.query_map([], |row| row.get(0)).expect("names").map(|n| n.expect("name")).collect();
    assert_eq!(names, [b"a".to_vec(), b"c".to_vec()], "what was answered is there for others to see");
    let events: i64 = db
        .query_row("SELECT count(*) FROM events WHERE what = 'listed'", [], |row| row.get(0))
        .expect("events");
    assert_eq!(events, 2, "no event of what did not happen");
}

#[tokio::test]
async fn a_small_file_that_was_never_on_the_disk_is_granted_as_it_becomes_whole() {
    let desk = Desk::new().await;
    desk.list(vec![new("a", 5)]).await;
    let id = desk.known("a").await.id;
    desk.ledger.whole(vec![(facts(id, "a", 5, &[]), false)]).await.expect("whole");
    assert_eq!(desk.known("a").await.state, State::Whole);
    assert_eq!(desk.story(id).await, ["listed", "granted", "became-whole"]);
}

#[tokio::test]
async fn a_partial_is_kept_by_growth_and_by_nothing_else() {
    let desk = Desk::new().await;
    let moved = |name: &str, size: u64, second: i64| {
        let mut seen = seen(name, size);
        seen.look.time = Timestamp::from_second(second).ok();
        seen
    };
    for (name, now, kept) in [
        ("grown", moved("grown", 6000, BEGAN), true),
        ("same size", moved("same size", 5000, BEGAN), false),
        ("shrunk", moved("shrunk", 4000, BEGAN - 60), false),
    ] {
        desk.list(vec![new(name, 5000)]).await;
        let id = desk.known(name).await.id;
        desk.ledger.grant(Grant { id, spool: "x".into(), reserved: 0 }).expect("granted");
        let gaps = vec![Gap { from: 50, to: 100 }];
        desk.ledger.skipped(id, Mark { offset: 100, hash: vec![1], look: None }, gaps).await.expect("marked");
        desk.list(vec![Change::Changed { id, seen: now }]).await;
        let pending = desk.ledger.pending(desk.row.key).await.expect("pending");
        let item = pending.into_iter().find(|p| p.id == id).expect("pending");
        assert_eq!((item.mark.offset > 0, !item.gaps.is_empty()), (kept, kept), "{name}");
    }
}

#[tokio::test]
async fn what_comes_back_goes_on_from_its_mark_and_a_new_partial_begins_without_one() {
    let desk = Desk::new().await;
    desk.list(vec![new("a", 5000)]).await;
    let id = desk.known("a").await.id;
    desk.ledger.grant(Grant { id, spool: "one".into(), reserved: 0 }).expect("granted");
    desk.ledger.mark(id, Mark { offset: 100, hash: vec![1], look: None }).await.expect("marked");
    for _ in 0..2 {
        desk.list(vec![Change::Absent { id }]).await;
        desk.clock.0.fetch_add(600, Ordering::SeqCst);
    }
    assert_eq!(desk.known("a").await.state, State::Lost);
    desk.list(vec![Change::CameBack { id, seen: seen("a", 5000) }]).await;
    let offset = || async {
        let pending = desk.ledger.pending(desk.row.key).await.expect("pending");
        pending.first().map(|p| p.mark.offset)
    };
    desk.ledger.grant(Grant { id, spool: "one".into(), reserved: 0 }).expect("granted");
    assert_eq!(offset().await, Some(100));
    desk.ledger.mark(id, Mark { offset: 200, hash: vec![1], look: None }).await.expect("goes on");
    desk.ledger.grant(Grant { id, spool: "two".into(), reserved: 0 }).expect("granted");
    assert_eq!(offset().await, Some(0));
}

#[tokio::test]
async fn a_clock_that_went_back_begins_the_waits_again() {
    let desk = Desk::new().await;
    desk.list(vec![new("a", 5000)]).await;
    desk.clock.0.fetch_sub(86_400, Ordering::SeqCst);
    desk.list(vec![]).await;
    assert_eq!(desk.known("a").await.still, (BEGAN - 86_400) * 1000);
}

#[tokio::test]
async fn what_went_from_a_card_long_ago_is_not_brought_to_mind_unless_it_is_listed() {
    let desk = Desk::new().await;
    desk.archives(&[("central", true)]).await;
    for n in 0..50 {
        let name = format!("{n:05}.log");
        let id = desk.whole(&name, &["central"]).await;
        desk.verify("central", id).await;
        if n < 45 {
            for _ in 0..2 {
                desk.list(vec![Change::Absent { id }]).await;
                desk.clock.0.fetch_add(600, Ordering::SeqCst);
            }
            assert_eq!(desk.known(&name).await.state, State::Gone);
        }
    }
    let listed = vec![path("00003.log"), path("00049.log"), path("00050.log")];
    let names = async |whole| -> Vec<_> {
        let known = desk.ledger.known(&desk.row, listed.clone(), whole).await.expect("known");
        known.iter().map(|k| k.path.to_string()).collect()
    };
    let want = ["00003.log", "00045.log", "00046.log", "00047.log", "00048.log", "00049.log"];
    assert_eq!(names(true).await, want, "those that lie there, and the one that came back");
    assert_eq!(names(false).await, ["00003.log", "00049.log"], "a part of a listing proves nothing absent");
}

#[tokio::test]
async fn an_earlier_card_has_nothing_more_to_give() {
    let mut desk = Desk::new().await;
    desk.list(vec![new("a", 5000)]).await;
    desk.row = desk.ledger.new_card(&desk.row, "test").await.expect("card");
    assert!(desk.ledger.pending(desk.row.key).await.expect("pending").is_empty());
    let known = desk.known("a").await;
    assert!(!known.on_card);
    desk.list(vec![Change::Absent { id: known.id }]).await;
    desk.clock.0.fetch_add(600, Ordering::SeqCst);
    assert_eq!(desk.list(vec![Change::Absent { id: known.id }]).await.lost, ["a"]);
}

#[tokio::test]
async fn contents_are_found_by_name_and_size_of_this_logger_or_of_others() {
    let desk = Desk::new().await;
    let id = desk.whole("a", &[]).await;
    let mine = |size, others| desk.ledger.contents_at(desk.row.key, &A, size, others);
    static A: std::sync::LazyLock<RemotePath> = std::sync::LazyLock::new(|| path("a"));
    let found = mine(5000, false).await.expect("found").first().map(|f| (f.id, f.waits));
    assert_eq!(found, Some((id, true)), "no archive has it yet");
    assert!(mine(5001, false).await.expect("none").is_empty());
    assert!(mine(5000, true).await.expect("none").is_empty());
    let other = desk.ledger.logger("L-0102", "PLOW-02").await.expect("row");
    let theirs = desk.ledger.contents_at(other.key, &A, 5000, true).await.expect("found");
    assert_eq!(theirs.first().map(|f| f.owner.as_str()), Some("L-0101"));
}

#[tokio::test]
async fn a_whole_file_without_a_ledger_is_adopted_once_by_its_record() {
    let desk = Desk::new().await;
    let facts = facts(VersionId(77), "a", 5000, &["one"]);
    let record = Record::new(&facts, "partial-a", "L-0999", "SWEEP-01", &path("a"));
    assert_eq!(desk.ledger.adopt_file(&record, false).await, Ok(Adopted::Whole));
    assert_eq!(desk.due("one").await, [(Duty::Owed, None)]);
    let mut again = record.clone();
    again.name = "spool-b".into();
    assert_eq!(desk.ledger.adopt_file(&again, false).await, Ok(Adopted::Known), "the same content again");
    let owner = desk.ledger.logger("L-0999", "SWEEP-01").await.expect("made");
    assert!(owner.met, "what lies on its card besides is no old stock");
}

#[tokio::test]
async fn a_file_that_waits_for_its_place_is_told_though_another_content_of_its_name_has_one() {
    for code in ["place-taken", "archive-copy-wrong"] {
        let desk = Desk::new().await;
        desk.archives(&[("one", true)]).await;
        let places = |k: u8| (format!("k{k}"), format!("k{k}~1"), format!("k{k}"));
        let intend = async |id: VersionId, k: u8| {
            let (k0, k1, fold) = places(k);
            desk.ledger.intend("one", vec![(id, k0, k1, fold)]).await.expect("intended");
        };
        let first = desk.whole("a", &["one"]).await;
        intend(first, 0).await;
        let taken = Finding {
            code,
            subject: "one/L-0101/a".into(),
            severity: Severity::Act,
            vehicle: None,
            logger: None,
            evidence: json!({}),
            cause: String::new(),
            action: String::new(),
        };
        desk.ledger.raise(taken).expect("told");
        match code {
            "place-taken" => {
                desk.ledger.blocked("one", first, "both are taken".into()).await.expect("blocked")
            }
            _ => desk.ledger.put_off("one", first, "it holds other bytes".into()).await.expect("put off"),
        }
        desk.list(vec![new("a", 6000)]).await;
        let all = desk.ledger.known(&desk.row, vec![path("a")], true).await.expect("known");
        let second = all.iter().map(|known| known.id).find(|id| *id != first).expect("another");
        desk.ledger.grant(Grant { id: second, spool: "spool-b".into(), reserved: 0 }).expect("granted");
        let whole = WholeFacts { spool: "spool-b".into(), ..facts(second, "b", 6000, &["one"]) };
        desk.ledger.whole(vec![(whole, false)]).await.expect("whole");
        intend(second, 1).await;
        desk.verify("one", second).await;
        let open = "SELECT count(*) FROM findings WHERE gone IS NULL";
        let open: i64 = desk
            .ledger
            .writer
            .ask(|tx| Ok(tx.db.query_row(open, [], |row| row.get(0))?))
            .await
            .expect("findings");
        assert_eq!(open, 1);
    }
}

#[tokio::test]
async fn a_held_file_is_kept_or_dropped_by_a_person_alone() {
    let desk = Desk::new().await;
    for (name, keep) in [("a", true), ("b", false)] {
        desk.list(vec![new(name, 5000)]).await;
        let id = desk.known(name).await.id;
        desk.ledger.grant(Grant { id, spool: name.into(), reserved: 0 }).expect("granted");
        desk.ledger.hold(id, Some(name.into()), json!({}), None).await.expect("held");
        let by_transfer = desk.ledger.whole(vec![(facts(id, name, 5000, &["one"]), false)]).await;
        assert!(matches!(by_transfer.as_deref(), Ok([Err(_)])), "{by_transfer:?}");
        assert!(desk.ledger.restart(id, Happening::Restarted, "no".into()).await.is_err());
        if keep {
            desk.ledger.whole(vec![(facts(id, name, 5000, &["one"]), true)]).await.expect("kept");
            assert_eq!(desk.known(name).await.state, State::Whole);
        } else {
            let facts = facts(id, name, 5000, &[]);
            let content = Some((facts.sha256, facts.edges));
            desk.ledger.drop_held(id, content, "r".into()).await.expect("dropped");
            assert_eq!(desk.known(name).await.state, State::Dropped);
            assert_eq!(desk.ledger.let_go().await.expect("free"), ["b"]);
        }
    }
}

#[tokio::test]
async fn what_a_person_dropped_is_refused_until_a_person_keeps_it() {
    let desk = Desk::new().await;
    let content = facts(VersionId(0), "dropped", 5000, &[]);
    let fetch = async |name: &str, held: bool| {
        desk.list(vec![new(name, 5000)]).await;
        let id = desk.known(name).await.id;
        desk.ledger.grant(Grant { id, spool: name.into(), reserved: 0 }).expect("granted");
        if held {
            desk.ledger.hold(id, Some(name.into()), json!({}), None).await.expect("held");
        }
        id
    };
    let whole = async |id, name: &str, kept| {
        let facts = WholeFacts { id, owed: vec!["one".into()], ..content.clone() };
        desk.ledger.whole(vec![(facts, kept)]).await.expect("whole");
        desk.known(name).await.state
    };
    let id = fetch("a", true).await;
    desk.ledger.drop_held(id, Some((content.sha256, content.edges)), "r".into()).await.expect("dropped");
    let id = fetch("b", false).await;
    assert_eq!(whole(id, "b", false).await, State::Dropped);
    assert!(desk.due("one").await.is_empty());
    let id = fetch("c", true).await;
    assert_eq!(whole(id, "c", true).await, State::Whole, "a person has the last word");
    let id = fetch("d", false).await;
    assert_eq!(whole(id, "d", false).await, State::Whole);
}
