//! A group that failed, and a kill at any moment of what undoes it.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering::SeqCst};

use bytes::Bytes;
use serde_json::json;

use super::*;
use crate::durable::OsDisk;
use crate::edges::{Edges, Inline};
use crate::hooked::Hooked;
use crate::ledger::{Change, Grant, Mark, Seen, VersionId};
use crate::model::{Edges as Ends, Look, Proof};

const BYTES: &[u8] = b"(1770000000.000000) can0 123#00";

fn path(name: &str) -> RemotePath {
    RemotePath::new(name.as_bytes()).expect("path")
}

fn finished(id: VersionId, name: &str, partial: Partial) -> Finished {
    let (sha256, blocks) = partial.hash().clone().finish();
    let facts = WholeFacts {
        id,
        spool: partial.name.clone(),
        look: Look { size: Some(partial.len()), ..Look::default() },
        size: partial.len(),
        sha256,
        edges: Ends { head: sha256, tail: sha256 },
        blocks,
        proof: Proof::Length,
        extends: None,
        owed: Vec::new(),
        detail: json!({}),
    };
    let (logger, vehicle) = ("L-0101".into(), "PLOW-01".into());
    let answer = oneshot::channel().0;
    Finished { partial, facts, logger, vehicle, path: path(name), before: None, kept: false, answer }
}

#[tokio::test]
async fn a_group_that_failed_leaves_nothing_unexplained_wherever_it_is_killed() {
    for moment in 1.. {
        let dir = tempfile::tempdir().expect("dir");
        // Operations that still succeed; those of the start are not counted.
        let left = Arc::new(AtomicUsize::new(usize::MAX));
        let count = left.clone();
        let disk = Hooked::new(move |op, to| {
            let before = count.load(SeqCst);
            // The folder's flush after the names fails, and the kill comes so many operations later.
            if before == usize::MAX && op == "flush_dir" && to.join("armed").exists() {
                let named = std::fs::read_dir(to).expect("read").flatten();
                if named.into_iter().any(|e| e.path().extension().is_some_and(|e| e == "log")) {
                    count.store(moment, SeqCst);
                    return Err(std::io::Error::from_raw_os_error(5));
                }
            }
            if before < usize::MAX && count.fetch_update(SeqCst, SeqCst, |n| n.checked_sub(1)).is_err() {
                return Err(std::io::ErrorKind::Other.into());
            }
            Ok(())
        });
        let edges = Edges { work: Arc::new(Inline), disk: Arc::new(disk), ..Edges::real() };
        let ledger = Ledger::in_memory(&edges).expect("ledger");
        let row = ledger.logger("L-0101", "PLOW-01").await.expect("row");
        let listed = |name: &str| {
            let look = Look { size: Some(BYTES.len() as u64), ..Look::default() };
            let seen = Seen { path: path(name), listed: String::new(), look };
            Change::New { seen, backlog: false, same_as: None, why: "listed" }
        };
        ledger.apply(&row, "PLOW-01", true, vec![listed("a"), listed("b")]).await.expect("listed");
        let pending = ledger.pending(row.key).await.expect("pending");
        let spool = Spool::open(edges.clone(), dir.path(), 1 << 30, 0).await.expect("spool");
        let mut small = Partial::new("small".into());
        small.hold(&[Bytes::from_static(BYTES)]);
        ledger.grant(Grant { id: pending[1].id, spool: "own".into(), reserved: 0 }).expect("granted");
        let mut own = Partial::new("own".into());
        own.append(&*edges.disk, &spool, &[Bytes::from_static(&BYTES[..9])]).expect("written");
        let mark: Mark = own.flush(&*edges.disk, &spool).expect("flushed");
        ledger.mark(pending[1].id, mark).await.expect("marked");
        own.append(&*edges.disk, &spool, &[Bytes::from_static(&BYTES[9..])]).expect("written");
        std::fs::write(dir.path().join("spool/armed"), "").expect("armed");
        let group = vec![finished(pending[0].id, "a", small), finished(pending[1].id, "b", own)];
        finish(&spool, &ledger, group).await;
        let ended = left.load(SeqCst) > 0;
        // Another process, on a disk that is well.
        OsDisk::new().remove(&dir.path().join("spool/armed")).expect("disarmed");
        let edges = Edges { work: Arc::new(Inline), disk: Arc::new(OsDisk::new()), ..Edges::real() };
        let spool = Spool::open(edges, dir.path(), 1 << 30, 0).await.expect("spool");
        let found = spool.recover(&ledger, false).await.expect("recovered");
        assert_eq!(found.resumed, 1, "at moment {moment}: its mark stands: {found:?}");
        let names: Vec<_> = std::fs::read_dir(dir.path().join("spool")).expect("read").flatten().collect();
        let names: Vec<_> = names.into_iter().map(|e| e.file_name().into_string().expect("text")).collect();
        let adopted = found.adopted == 1 && names.len() == 3;
        assert!(names == ["own.part"] || adopted, "at moment {moment}: {names:?} {found:?}");
        if ended {
            break;
        }
    }
}
