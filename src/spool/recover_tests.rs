//! Every moment at which a crash can leave ledger and spool apart, as files on the disk and rows.

use bytes::Bytes;
use jiff::Timestamp;
use serde_json::json;
use tempfile::TempDir;

use super::*;
use crate::durable::OsDisk;
use crate::edges::{Edges, Inline};
use crate::ledger::state::Duty;
use crate::ledger::{Change, Grant, Kept, Known, LoggerRow, Pending, Seen, WholeFacts};
use crate::model::{Blocks, Digest, Edges as Ends, Look, Proof, RemotePath, RunningHash};

const BYTES: &[u8] = b"(1770000000.000000) can0 123#00";
const NAME: &str = "0123456789abcdef";
const GROUP: &str = "fedcba9876543210";
const WHOLE: &str = "fedcba9876543210-000";

struct Depot {
    dir: TempDir,
    edges: Edges,
    ledger: Ledger,
    row: LoggerRow,
    id: VersionId,
}

impl Depot {
    /// A depot whose ledger knows one listed file.
    async fn new() -> Self {
        let dir = tempfile::tempdir().expect("dir");
        let edges = Edges { work: std::sync::Arc::new(Inline), ..Edges::real() };
        std::fs::create_dir(dir.path().join("spool")).expect("spool");
        let ledger = Ledger::in_memory(&edges).expect("ledger");
        ledger.follow_archives(vec![("central".into(), true)]).await.expect("archives");
        let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
        let change = Change::New { seen: seen(), backlog: false, same_as: None, why: "listed" };
        ledger.apply(&row, "PLOW-01", true, vec![change]).await.expect("listed");
        let mut depot = Self { dir, edges, ledger, row, id: VersionId(0) };
        depot.id = depot.known().await.id;
        depot
    }

    /// It is being fetched, with a mark behind so many bytes.
    async fn fetching(&self, mark: usize) {
        self.ledger.grant(Grant { id: self.id, spool: NAME.into(), reserved: 0 }).expect("granted");
        if mark > 0 {
            let mut hash = RunningHash::default();
            hash.update(&BYTES[..mark]);
            let mark = Mark { offset: mark as u64, hash: hash.to_bytes(), look: None };
            self.ledger.mark(self.id, mark).await.expect("marked");
        }
    }

    fn lay(&self, name: &str, bytes: &[u8]) {
        std::fs::write(self.dir.path().join("spool").join(name), bytes).expect("laid");
    }

    fn lay_record(&self) {
        let record = Record::new(&self.facts(), NAME, "L-0101", "PLOW-01", &seen().path);
        self.lay(&format!("{GROUP}.json"), &record.line());
    }

    fn facts(&self) -> WholeFacts {
        let mut hash = RunningHash::default();
        hash.update(BYTES);
        let (sha256, blocks): (Digest, Blocks) = hash.finish();
        WholeFacts {
            id: self.id,
            spool: WHOLE.into(),
            look: seen().look,
            size: BYTES.len() as u64,
            sha256,
            edges: Ends { head: sha256, tail: sha256 },
            blocks,
            proof: Proof::Length,
            extends: None,
            owed: vec!["central".into()],
            detail: json!({}),
        }
    }

    /// It came home, as the ledger says; what lies in the spool is another matter.
    async fn is_whole(&self) {
        self.fetching(0).await;
        self.ledger.whole(vec![(self.facts(), false)]).await.expect("whole");
    }

    /// It lies in the spool, with its record.
    fn lay_whole(&self) {
        self.lay(&format!("{WHOLE}.log"), BYTES);
        self.lay_record();
    }

    async fn archived(&self) {
        let kept =
            Kept { id: self.id, location: "a".into(), seq: 1, verified: "disk-read", folder: None, note: "" };
        self.ledger.verified("central", vec![kept], Vec::new()).await.expect("archived");
    }

    /// Starts again; gives what was found and what lies in the spool after.
    async fn start(&self) -> (Recovered, Vec<String>, u64) {
        let spool = Spool::open(self.edges.clone(), self.dir.path(), 1 << 30, 0).await.expect("spool");
        let found = spool.recover(&self.ledger, false).await.expect("recovered");
        let entries = OsDisk::new().read_dir(&self.dir.path().join("spool"), 100).expect("read");
        let names: Vec<String> = entries.iter().map(|e| e.name.to_string_lossy().into_owned()).collect();
        let lies: u64 =
            entries.iter().filter(|e| !e.name.to_string_lossy().ends_with("json")).map(|e| e.stat.len).sum();
        assert_eq!(spool.budget().used(), lies, "what lies there is counted, and nothing else");
        (found, names, lies)
    }

    async fn known(&self) -> Known {
        self.ledger.known(&self.row, vec![seen().path], true).await.expect("known").remove(0)
    }

    async fn pending(&self) -> Option<Pending> {
        self.ledger.pending(self.row.key).await.expect("pending").pop()
    }
}

fn seen() -> Seen {
    let look = Look {
        size: Some(BYTES.len() as u64),
        time: Timestamp::from_second(1_770_000_000).ok(),
        ..Look::default()
    };
    Seen { path: RemotePath::new(b"00001.log").expect("path"), listed: "31".into(), look }
}

#[tokio::test]
async fn bytes_behind_the_mark_are_thrown_away() {
    let depot = Depot::new().await;
    depot.fetching(10).await;
    depot.lay(&format!("{NAME}.part"), &BYTES[..20]);
    let (found, _, lies) = depot.start().await;
    assert_eq!((found.resumed, lies), (1, 10));
    let spool = Spool::open(depot.edges.clone(), depot.dir.path(), 1 << 30, 0).await.expect("spool");
    let item = depot.pending().await.expect("pending");
    let (mut partial, cut) =
        Partial::reopen(&OsDisk::new(), &spool, NAME, &item.mark).expect("opened").expect("good");
    partial.append(&OsDisk::new(), &spool, &[Bytes::from_static(&BYTES[10..])]).expect("goes on");
    assert_eq!((cut, partial.hash().digest()), (0, Digest::of(BYTES)));
}

#[tokio::test]
async fn a_partial_that_the_disk_lost_begins_again() {
    for left in [None, Some(&BYTES[..5])] {
        let depot = Depot::new().await;
        depot.fetching(10).await;
        if let Some(left) = left {
            depot.lay(&format!("{NAME}.part"), left);
        }
        let (found, names, _) = depot.start().await;
        assert_eq!(found.restarted, 1);
        assert!(names.is_empty(), "{names:?}");
        let item = depot.pending().await.expect("pending");
        assert_eq!((item.state, item.mark.offset, item.spool), (State::Listed, 0, None));
    }
}

#[tokio::test]
async fn a_kill_before_the_rename_is_back_at_the_mark() {
    let depot = Depot::new().await;
    depot.fetching(10).await;
    depot.lay(&format!("{NAME}.part"), BYTES);
    depot.lay_record();
    let (found, names, lies) = depot.start().await;
    assert_eq!((found.resumed, found.adopted, lies), (1, 0, 10));
    assert_eq!(names, [format!("{NAME}.part")]);
    assert_eq!(depot.known().await.state, State::Fetching);
}

#[tokio::test]
async fn a_kill_between_rename_and_commit_is_adopted_by_its_own_row() {
    let depot = Depot::new().await;
    depot.fetching(10).await;
    depot.lay_whole();
    let (found, ..) = depot.start().await;
    assert_eq!(found.adopted, 1);
    assert_eq!(depot.known().await.state, State::Whole);
    assert_eq!(depot.ledger.due("central", [].into_iter(), 9).await.expect("due").len(), 1);
    assert_eq!(depot.start().await.0.adopted, 0, "once");
}

#[tokio::test]
async fn what_a_record_tells_whole_does_not_begin_again_for_want_of_its_partial() {
    let depot = Depot::new().await;
    // An older ledger, in which another partial of that file was begun.
    depot
        .ledger
        .grant(Grant { id: depot.id, spool: "fedcba9876543210".into(), reserved: 0 })
        .expect("granted");
    depot.lay_whole();
    let (found, ..) = depot.start().await;
    assert_eq!((found.adopted, found.restarted), (1, 1), "in the other order");
    assert_eq!(depot.known().await.state, State::Whole);
}

#[tokio::test]
async fn a_ledger_from_a_backup_takes_a_whole_file_as_the_one_that_it_has_listed() {
    let depot = Depot::new().await;
    depot.lay_whole();
    depot.start().await;
    assert_eq!(depot.known().await.state, State::Whole);
    assert!(depot.pending().await.is_none(), "it is not fetched again");
}

#[tokio::test]
async fn a_kill_between_archived_and_unlinked_removes_the_files_at_the_next_start() {
    let depot = Depot::new().await;
    depot.is_whole().await;
    depot.lay_whole();
    depot.archived().await;
    let (found, names, _) = depot.start().await;
    assert_eq!((found.removed, names.len()), (1, 0));
}

#[tokio::test]
async fn a_file_that_came_back_goes_once_its_copies_are_read_back() {
    let depot = Depot::new().await;
    depot.is_whole().await;
    depot.archived().await;
    assert_eq!(depot.ledger.let_go().await.expect("let go"), [WHOLE]);
    // A power cut took the removal away; or the ledger is an older one, in which a copy stands that was
    // lost since: nothing tells the two apart.
    depot.lay_whole();
    for start in 0..2 {
        let (found, names, _) = depot.start().await;
        assert_eq!((found.adopted, found.removed, names.len()), (1 - start, 0, 2));
        assert_eq!(depot.known().await.state, State::Whole, "no removal from its logger relies on the copy");
    }
    let due = depot.ledger.due("central", [].into_iter(), 9).await.expect("due").remove(0);
    let at = (due.spool.as_deref(), due.duty, due.location.as_deref());
    assert_eq!(at, (Some(WHOLE), Duty::Stored, Some("a")), "it is read back where it was");
    depot.archived().await;
    let (found, names, _) = depot.start().await;
    assert_eq!((found.removed, names.len()), (1, 0));
}

#[tokio::test]
async fn a_lost_file_that_lies_in_the_spool_is_not_lost() {
    let depot = Depot::new().await;
    depot.is_whole().await;
    depot.ledger.unlinked(vec![depot.id]).expect("told");
    depot.ledger.no_source("central", vec![depot.id], Vec::new()).await.expect("told");
    assert_eq!(depot.known().await.state, State::Lost);
    depot.lay_whole();
    let (found, names, _) = depot.start().await;
    assert_eq!((found.adopted, names.len()), (1, 2));
    assert_eq!(depot.known().await.state, State::Whole);
    let due = depot.ledger.due("central", [].into_iter(), 9).await.expect("due").remove(0);
    assert_eq!(due.spool.as_deref(), Some(WHOLE));
}

#[tokio::test]
async fn a_file_that_is_owed_again_is_no_source_once_it_was_let_go_and_one_that_is_left_is_adopted() {
    let depot = Depot::new().await;
    depot.is_whole().await;
    depot.lay_whole();
    depot.ledger.accept_archive("central", "/srv/a", "one").await.expect("accepted");
    depot.archived().await;
    assert_eq!(depot.ledger.let_go().await.expect("let go"), [WHOLE]);
    // The archive is exchanged while the file is being removed, and then a kill comes.
    depot.ledger.accept_archive("central", "/srv/b", "two").await.expect("exchanged");
    depot.ledger.owe_again("central", 9).await.expect("owed");
    let source = async || depot.ledger.due("central", [].into_iter(), 9).await.expect("due").remove(0).spool;
    assert_eq!(source().await, None);
    let (found, names, _) = depot.start().await;
    assert_eq!((found.adopted, found.removed, names.len()), (1, 0, 2));
    assert_eq!(source().await.as_deref(), Some(WHOLE));
}

#[tokio::test]
async fn a_file_that_cannot_be_removed_holds_up_no_other() {
    let depot = Depot::new().await;
    let spool = Spool::open(depot.edges.clone(), depot.dir.path(), 1 << 30, 0).await.expect("spool");
    std::fs::create_dir(depot.dir.path().join("spool/ffff-000.log")).expect("in the way");
    depot.lay("ffff-001.log", BYTES);
    spool.unlink(vec!["ffff-000".into(), "ffff-001".into()]).await;
    assert!(!spool.whole("ffff-001").exists());
}

#[tokio::test]
async fn nothing_whole_is_removed_before_it_is_archived() {
    let depot = Depot::new().await;
    depot.is_whole().await;
    depot.lay(&format!("{NAME}.part"), BYTES);
    depot.lay_record();
    let (_, names, _) = depot.start().await;
    assert_eq!(names, [format!("{WHOLE}.log"), format!("{GROUP}.json")], "the rename is made again");
    depot.lay("ffff-000.log", BYTES);
    depot.lay("ffff.json", b"not a record");
    let (_, names, _) = depot.start().await;
    assert!(names.contains(&"ffff-000.log".to_owned()), "it may be all there is");
    assert_eq!(depot.start().await.0.unexplained, ["ffff-000"], "and a person is told");
}

#[tokio::test]
async fn a_whole_file_that_is_not_there_is_told() {
    let depot = Depot::new().await;
    depot.is_whole().await;
    assert_eq!(depot.start().await.0.missing, [WHOLE]);
    let due = depot.ledger.due("central", [].into_iter(), 9).await.expect("due");
    assert_eq!(due[0].spool.as_deref(), Some(WHOLE), "a person may bring it back");

    // An older ledger may not know that it was archived, and has left the spool.
    let spool = Spool::open(depot.edges.clone(), depot.dir.path(), 1 << 30, 0).await.expect("spool");
    assert!(spool.recover(&depot.ledger, true).await.expect("recovered").missing.is_empty());
    let due = depot.ledger.due("central", [].into_iter(), 9).await.expect("due");
    assert_eq!(due[0].spool, None, "it is looked for elsewhere");
}

#[tokio::test]
async fn a_lost_files_partial_waits_and_an_unknown_one_goes() {
    let depot = Depot::new().await;
    depot.fetching(10).await;
    depot.lay(&format!("{NAME}.part"), &BYTES[..20]);
    depot.lay("ffff.part", BYTES);
    let change = vec![Change::Unwanted { path: seen().path }];
    depot.ledger.apply(&depot.row, "PLOW-01", true, change).await.expect("skipped");
    let change = vec![Change::Wanted { path: seen().path }];
    depot.ledger.apply(&depot.row, "PLOW-01", true, change).await.expect("wanted again");
    let (found, names, lies) = depot.start().await;
    assert_eq!((found.resumed, found.removed, lies), (1, 1, 10), "{names:?}");
}

#[tokio::test]
async fn a_held_file_that_was_being_kept_can_be_kept_again() {
    let depot = Depot::new().await;
    depot.fetching(0).await;
    depot.ledger.hold(depot.id, Some(NAME.into()), json!({}), None).await.expect("held");
    depot.lay_whole();
    depot.start().await;
    assert_eq!(depot.known().await.state, State::Held, "a person decides");
    let spool = Spool::open(depot.edges.clone(), depot.dir.path(), 1 << 30, 0).await.expect("spool");
    let partial = Partial::reread(&OsDisk::new(), &spool, NAME).expect("it has its old name");
    assert_eq!(partial.hash().digest(), Digest::of(BYTES));
}

#[tokio::test]
async fn the_records_of_a_group_go_with_its_last_file() {
    let depot = Depot::new().await;
    let other = "fedcba9876543210-001";
    depot.lay(&format!("{WHOLE}.log"), BYTES);
    depot.lay(&format!("{other}.log"), BYTES);
    depot.lay_record();
    let spool = Spool::open(depot.edges.clone(), depot.dir.path(), 1 << 30, 0).await.expect("spool");
    spool.recover(&depot.ledger, false).await.expect("recovered");
    let left = || std::fs::read_dir(depot.dir.path().join("spool")).expect("read").count();
    spool.unlink(vec![WHOLE.into(), WHOLE.into()]).await;
    assert_eq!(left(), 2, "the other file and its record");
    spool.unlink(vec![other.into()]).await;
    assert_eq!(left(), 0);
}

/// Two small files of one group.
const PACKED: [&str; 2] = ["fedcba9876543210-000@0", "fedcba9876543210-001@31"];

impl Depot {
    /// What becomes of two small files when their group is published.
    fn lay_pack(&self, name: &str) {
        self.lay_pack_of(name, "never on the disk");
    }

    fn lay_pack_of(&self, name: &str, part: &str) {
        let record = |name: &str| {
            let facts = WholeFacts { spool: name.into(), ..self.facts() };
            Record::new(&facts, part, "L-0101", "PLOW-01", &seen().path).line()
        };
        self.lay(name, &[BYTES, BYTES].concat());
        self.lay(&format!("{GROUP}.json"), &PACKED.map(record).concat());
    }

    async fn spool(&self) -> Spool {
        Spool::open(self.edges.clone(), self.dir.path(), 1 << 30, 0).await.expect("spool")
    }
}

#[tokio::test]
async fn a_small_file_is_adopted_where_it_lies_among_others() {
    let depot = Depot::new().await;
    depot.lay_pack(&format!("{GROUP}.log"));
    let (found, names, lies) = depot.start().await;
    assert_eq!((found.adopted, lies), (1, 2 * BYTES.len() as u64), "{names:?}");
    assert_eq!(depot.known().await.state, State::Whole);
    let due = depot.ledger.due("central", [].into_iter(), 9).await.expect("due").remove(0);
    let lies = depot.spool().await.lies(&due.spool.expect("in the spool"));
    assert_eq!((lies.at, lies.own), (0, false), "no link of it may be taken for it alone");
}

#[tokio::test]
async fn a_small_file_that_was_being_fetched_is_adopted_and_not_begun_again() {
    let depot = Depot::new().await;
    depot.fetching(4).await;
    depot.lay_pack_of(&format!("{GROUP}.log"), NAME);
    let (found, names, _) = depot.start().await;
    assert_eq!((found.adopted, found.restarted), (1, 0), "{names:?}");
    assert_eq!(depot.known().await.state, State::Whole);
}

#[tokio::test]
async fn a_group_of_small_files_and_one_of_its_own_goes_with_the_last() {
    let depot = Depot::new().await;
    let own = "fedcba9876543210-002";
    depot.lay_pack(&format!("{GROUP}.log"));
    depot.lay(&format!("{own}.log"), BYTES);
    let facts = WholeFacts { spool: own.into(), ..depot.facts() };
    let line = Record::new(&facts, "never on the disk", "L-0101", "PLOW-01", &seen().path).line();
    let records = depot.dir.path().join(format!("spool/{GROUP}.json"));
    let all = [std::fs::read(&records).expect("records"), line].concat();
    std::fs::write(records, all).expect("laid");
    let spool = depot.spool().await;
    spool.recover(&depot.ledger, false).await.expect("recovered");
    spool.unlink([PACKED[0], PACKED[1], own].map(Into::into).into()).await;
    let left = std::fs::read_dir(depot.dir.path().join("spool")).expect("read").count();
    assert_eq!((left, spool.budget().used()), (0, 0));
}

#[tokio::test]
async fn small_files_go_with_the_last_of_them_however_often_one_is_let_go() {
    let depot = Depot::new().await;
    depot.lay_pack(&format!("{GROUP}.log"));
    let spool = depot.spool().await;
    spool.recover(&depot.ledger, false).await.expect("recovered");
    let left = || std::fs::read_dir(depot.dir.path().join("spool")).expect("read").count();
    spool.unlink(vec![PACKED[0].into(), PACKED[0].into()]).await;
    assert_eq!(left(), 2, "the other lies in the same file");
    spool.unlink(vec![PACKED[1].into()]).await;
    assert_eq!((left(), spool.budget().used()), (0, 0));
}

#[tokio::test]
async fn small_files_whose_records_cannot_be_read_stay() {
    let depot = Depot::new().await;
    depot.lay_pack(&format!("{GROUP}.log"));
    depot.lay(&format!("{GROUP}.json"), b"{");
    let spool = depot.spool().await;
    let found = spool.recover(&depot.ledger, false).await.expect("recovered");
    spool.unlink(PACKED.map(str::to_owned).into()).await;
    assert!(spool.whole(PACKED[0]).exists(), "it may be all there is");
    assert_eq!(found.unexplained, [GROUP], "and a person is told");
}

#[tokio::test]
async fn a_group_of_small_files_that_lost_its_name_gets_it_again() {
    let depot = Depot::new().await;
    let facts = WholeFacts { spool: PACKED[0].into(), ..depot.facts() };
    depot.ledger.whole(vec![(facts, false)]).await.expect("whole");
    depot.lay_pack(&format!("{GROUP}.part"));
    let (found, names, _) = depot.start().await;
    assert_eq!((found.missing.len(), names), (0, vec![format!("{GROUP}.json"), format!("{GROUP}.log")]));
    // Without a row that names it, it is what a crash left before anything was whole.
    let depot = Depot::new().await;
    depot.lay_pack(&format!("{GROUP}.part"));
    let (found, names, _) = depot.start().await;
    assert_eq!((found.removed, names.len()), (1, 0), "{names:?}");
}

#[tokio::test]
async fn a_ledger_that_is_behind_has_said_so_before_it_adopts_anything() {
    let depot = Depot::new().await;
    // Let go last, and unknown to the ledger.
    let record = Record::new(&depot.facts(), NAME, "L-0102", "PLOW-02", &seen().path);
    std::fs::write(depot.dir.path().join("last-let-go.json"), record.line()).expect("laid");
    let (found, ..) = depot.start().await;
    assert!(found.behind);
    assert_eq!(depot.ledger.behind().await.expect("asked"), ["central"]);
}

#[tokio::test]
async fn a_whole_file_that_went_back_to_its_mark_is_a_partial_again() {
    // Its group failed, and could not be given its old name.
    let depot = Depot::new().await;
    depot.fetching(10).await;
    depot.lay(&format!("{WHOLE}.log"), &BYTES[..10]);
    depot.lay_record();
    let (found, names, lies) = depot.start().await;
    assert_eq!((found.resumed, found.adopted, lies), (1, 0, 10), "{names:?}");
    assert_eq!(names, [format!("{NAME}.part")]);
}

#[tokio::test]
async fn a_small_file_that_is_archived_is_not_in_doubt_for_the_sake_of_another_in_its_group() {
    let depot = Depot::new().await;
    let path = RemotePath::new(b"00002.log").expect("path");
    let other = Seen { path: path.clone(), ..seen() };
    let change = Change::New { seen: other, backlog: false, same_as: None, why: "listed" };
    depot.ledger.apply(&depot.row, "PLOW-01", true, vec![change]).await.expect("listed");
    let all = depot.ledger.pending(depot.row.key).await.expect("pending");
    let facts = |at: usize| WholeFacts { id: all[at].id, spool: PACKED[at].into(), ..depot.facts() };
    for (at, name) in [NAME, "fedcba9876543210"].into_iter().enumerate() {
        depot.ledger.grant(Grant { id: all[at].id, spool: name.into(), reserved: 0 }).expect("granted");
    }
    depot.ledger.whole(vec![(facts(0), false), (facts(1), false)]).await.expect("whole");
    depot.lay(&format!("{GROUP}.log"), &[BYTES, BYTES].concat());
    let record = |at: usize| Record::new(&facts(at), "in memory", "L-0101", "PLOW-01", &all[at].path).line();
    depot.lay(&format!("{GROUP}.json"), &[record(0), record(1)].concat());
    depot.archived().await;
    assert_eq!(depot.ledger.let_go().await.expect("let go"), [PACKED[0]]);
    for _ in 0..2 {
        let (found, ..) = depot.start().await;
        assert_eq!((found.adopted, depot.known().await.state), (0, State::Archived));
    }
    // An older ledger may know less of either.
    let spool = depot.spool().await;
    assert_eq!(spool.recover(&depot.ledger, true).await.expect("recovered").adopted, 1);
    assert_eq!(depot.known().await.state, State::Whole);
}
