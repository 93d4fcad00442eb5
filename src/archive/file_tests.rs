//! Promises of the folder archive alone.
#![expect(clippy::disallowed_methods, reason = "an unmount is played by renaming the folder")]

use std::fmt;
use std::io;
use std::path::Path;
use std::sync::Condvar;
use std::sync::atomic::{AtomicUsize, Ordering};

use futures_util::future::BoxFuture;
use tempfile::TempDir;

use super::*;
use crate::archive::conformance::{archive_conformance, item};
use crate::archive::pool::Pool;
use crate::clock::{Clock, SystemClock};
use crate::edges::{Inline, Random};
use crate::hooked::Hooked;

#[path = "kept_tests.rs"]
mod kept;

const DEADLINE: Duration = Duration::from_secs(30);

fn edges(before: impl Fn(&str, &Path) -> io::Result<()> + Send + Sync + 'static) -> Edges {
    Edges {
        clock: Arc::new(SystemClock::new()),
        disk: Arc::new(Hooked::new(before)),
        work: Arc::new(Inline),
        random: Arc::new(Random::from_seed(7)),
        network: Arc::new(crate::network::Interfaces),
    }
}

/// An archive in `<folder>/archive`, begun and accepted.
async fn begun(edges: Edges, folder: &TempDir) -> FileArchive {
    let root = folder.path().join("archive");
    std::fs::create_dir_all(&root).expect("root");
    let archive = FileArchive::new(edges, root, 0o640, DEADLINE).owned_by("me");
    let identity = b"{\"id\":\"one\"}".to_vec();
    archive.create(vec![(IDENTITY.to_owned(), identity)]).await.expect("begin");
    archive.accept(&archive.identify().await.expect("identify").expect("begun"));
    archive
}

fn unsupported(these: &'static [&'static str]) -> Edges {
    edges(move |op, _| if these.contains(&op) { Err(io::ErrorKind::Unsupported.into()) } else { Ok(()) })
}

async fn made(edges: Edges) -> (FileArchive, TempDir) {
    let folder = tempfile::tempdir().expect("folder");
    (begun(edges, &folder).await, folder)
}

mod inline {
    use super::*;
    archive_conformance!(made(edges(|_, _| Ok(()))));
}

mod pooled {
    use super::*;
    archive_conformance!(made(Edges {
        work: Arc::new(Pool::new("archive", 4).expect("threads")),
        ..edges(|_, _| Ok(()))
    }));
}

mod without_links {
    use super::*;
    archive_conformance!(made(unsupported(&["link"])));
}

mod without_anything {
    use super::*;
    archive_conformance!(made(unsupported(&["link", "rename_new"])));
}

/// The files below a folder, with their sizes.
fn files(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("folder").flatten() {
        found.push(entry.path().display().to_string());
        if entry.path().is_dir() {
            found.extend(files(&entry.path()));
        }
    }
    found
}

fn failure<T: fmt::Debug>(outcome: Result<T, ArchiveError>) -> ArchiveFailure {
    outcome.expect_err("must fail").failure
}

#[tokio::test]
async fn what_the_file_system_can_do_is_found_out() {
    for (missing, expected) in [
        (&[][..], Publish::Rename),
        (&["rename_new"], Publish::Link),
        (&["link", "rename_new"], Publish::Reserve),
    ] {
        let (archive, folder) = made(unsupported(missing)).await;
        assert_eq!(archive.publishes_by().await, Ok(expected));
        assert_eq!(files(&folder.path().join("archive/.yarder/tmp")), [""; 0], "nothing is left");
    }
}

#[tokio::test]
async fn an_archive_begins_in_an_empty_folder_alone() {
    let folder = tempfile::tempdir().expect("folder");
    let root = folder.path().join("share");
    let archive = FileArchive::new(edges(|_, _| Ok(())), root.clone(), 0o640, DEADLINE);
    assert_eq!(failure(archive.identify().await), ArchiveFailure::Away);
    assert!(!root.exists(), "a missing folder is never created");
    std::fs::create_dir_all(root.join("lost+found")).expect("folder");
    assert_eq!(archive.identify().await, Ok(None));
    std::fs::write(root.join("holiday.jpg"), "x").expect("file");
    assert_eq!(failure(archive.identify().await), ArchiveFailure::NotAnArchive);
    let begin = vec![(IDENTITY.to_owned(), b"id".to_vec())];
    assert_eq!(failure(archive.create(begin).await), ArchiveFailure::NotAnArchive);
    assert_eq!(files(&root).len(), 2, "nothing was created");
}

#[tokio::test]
async fn a_first_use_that_was_killed_is_begun_again() {
    let folder = tempfile::tempdir().expect("folder");
    std::fs::create_dir_all(folder.path().join("archive/.yarder/tmp")).expect("folder");
    let archive = begun(edges(|_, _| Ok(())), &folder).await;
    let again = vec![(IDENTITY.to_owned(), b"other".to_vec())];
    let fresh = FileArchive::new(edges(|_, _| Ok(())), folder.path().join("archive"), 0o640, DEADLINE);
    assert_eq!(fresh.create(again).await, Ok(vec![Created::Exists]));
    assert_eq!(archive.get(vec![IDENTITY.to_owned()]).await, Ok(vec![Some(b"{\"id\":\"one\"}".to_vec())]));
}

#[tokio::test]
async fn under_an_unmounted_share_nothing_appears() {
    let folder = tempfile::tempdir().expect("folder");
    let archive = begun(edges(|_, _| Ok(())), &folder).await;
    let root = folder.path().join("archive");
    std::fs::rename(&root, folder.path().join("gone")).expect("unmount");
    std::fs::create_dir(&root).expect("mount point");
    let away = ArchiveFailure::Away;
    assert_eq!(failure(archive.create(vec![("a".to_owned(), vec![1])]).await), away);
    assert_eq!(failure(archive.store(vec![item(folder.path(), "s", b"s", "P/s")]).await), away);
    assert_eq!(failure(archive.replace("P/manifest-sha256.txt".to_owned(), vec![]).await), away);
    assert_eq!(failure(archive.get(vec!["a".to_owned()]).await), away);
    assert_eq!(failure(archive.read_back(vec!["a".to_owned()]).await), away);
    assert_eq!(failure(archive.list(String::new(), String::new(), 9).await), away);
    assert_eq!(files(&root), [""; 0]);
    // Another archive in its place is none of ours either.
    std::fs::create_dir(root.join(".yarder")).expect("folder");
    std::fs::write(root.join(IDENTITY), "{\"id\":\"two\"}").expect("file");
    assert_eq!(failure(archive.get(vec!["a".to_owned()]).await), away);
    assert_eq!(failure(archive.create(vec![("a".to_owned(), vec![1])]).await), away);
    assert_eq!(files(&root).len(), 2);
}

#[tokio::test]
async fn an_unmount_at_any_moment_of_a_store_leaves_the_mount_point_empty() {
    for moment in 0.. {
        let folder = tempfile::tempdir().expect("folder");
        let (root, gone) = (folder.path().join("archive"), folder.path().join("gone"));
        let left = Arc::new(AtomicUsize::new(usize::MAX));
        let (count, swap) = (left.clone(), (root.clone(), gone.clone()));
        let archive = begun(
            edges(move |_, _| {
                if count.fetch_sub(1, Ordering::SeqCst) == 0 {
                    std::fs::rename(&swap.0, &swap.1)?;
                    std::fs::create_dir(&swap.0)?;
                }
                Ok(())
            }),
            &folder,
        )
        .await;
        left.store(moment, Ordering::SeqCst);
        let stored = archive.store(vec![item(folder.path(), "s", b"bytes", "P/day/s")]).await;
        if !gone.exists() {
            assert!(moment > 8, "the store has more moments than {moment}");
            break;
        }
        assert_eq!(files(&root), [""; 0], "at moment {moment}");
        // What was told to be stored lies in the archive itself.
        let there = std::fs::read(gone.join("P/day/s")).ok();
        assert_eq!(stored.is_ok(), there.is_some_and(|bytes| bytes == b"bytes"), "{stored:?}");
    }
}

#[tokio::test]
async fn a_file_of_the_same_disk_is_linked_and_of_another_copied() {
    let (archive, folder) = made(edges(|_, _| Ok(()))).await;
    let linked = archive.store(vec![item(folder.path(), "s", b"bytes", "P/s")]).await;
    assert_eq!(linked, Ok(vec![Stored::New { shared: true }]));
    let again = archive.store(vec![item(folder.path(), "s", b"bytes", "P/s")]).await;
    assert_eq!(again, Ok(vec![Stored::New { shared: true }]), "it is this very file");
    use std::os::unix::fs::MetadataExt as _;
    let meta = std::fs::metadata(folder.path().join("archive/P/s")).expect("stored");
    assert_eq!((meta.nlink(), meta.mode() & 0o777), (2, 0o640));
    let (archive, folder) = made(edges(|op, to| {
        let data = op == "link" && !to.to_string_lossy().contains(".yarder") && to.ends_with("apart");
        if data { Err(io::ErrorKind::CrossesDevices.into()) } else { Ok(()) }
    }))
    .await;
    let apart = item(folder.path(), "s", b"bytes", "P/apart");
    assert!(archive.store(vec![apart]).await.is_ok(), "the link crosses devices: it is copied");
    let meta = std::fs::metadata(folder.path().join("archive/P/apart")).expect("stored");
    assert_eq!((meta.nlink(), meta.mode() & 0o777), (1, 0o640));
    assert_eq!(files(&folder.path().join("archive/.yarder/tmp")), [""; 0]);
}

#[tokio::test]
async fn a_source_on_another_file_system_is_copied() {
    // Memory on most Linux machines; where it is no other file system, the link is right as well.
    let Ok(other) = tempfile::tempdir_in("/dev/shm") else { return };
    let (archive, folder) = made(edges(|_, _| Ok(()))).await;
    let stored = archive.store(vec![item(other.path(), "s", b"bytes", "P/s")]).await.expect("store");
    use std::os::unix::fs::MetadataExt as _;
    let device = |path: &Path| std::fs::metadata(path).expect("there").dev();
    let shared = device(other.path()) == device(folder.path());
    assert_eq!(stored, [Stored::New { shared }]);
    let meta = std::fs::metadata(folder.path().join("archive/P/s")).expect("stored");
    assert_eq!((meta.nlink() > 1, meta.mode() & 0o777), (shared, 0o640));
}

#[tokio::test]
async fn a_link_whose_answer_was_lost_is_a_success() {
    let (archive, _folder) = made(edges(|op, _| {
        // As NFS answers a request that was sent twice.
        match op {
            "rename_new" => Err(io::ErrorKind::Unsupported.into()),
            "linked" => Err(io::ErrorKind::AlreadyExists.into()),
            _ => Ok(()),
        }
    }))
    .await;
    let created = archive.create(vec![("P/a".to_owned(), b"a".to_vec())]).await;
    assert_eq!(created, Ok(vec![Created::New]));
}

#[tokio::test]
async fn data_is_flushed_before_its_name_and_the_name_before_the_answer() {
    let log = Arc::new(Mutex::new(Vec::new()));
    let (writes, other) = (log.clone(), tempfile::tempdir_in("/dev/shm"));
    let Ok(other) = other else { return };
    let (archive, _folder) = made(edges(move |op, path| {
        let at = path.to_string_lossy();
        let at = at.split_once("/fd/").and_then(|(_, rest)| rest.split_once('/')).map_or("", |(_, key)| key);
        if matches!(op, "flush_files" | "rename_new" | "flush_dir") && !at.contains(".yarder") {
            writes.lock().expect("log").push(format!("{op} {at}"));
        }
        Ok(())
    }))
    .await;
    archive.create(vec![("P/d/seen".to_owned(), vec![])]).await.expect("create");
    log.lock().expect("log").clear();
    let items = vec![item(other.path(), "a", b"a", "P/d/a"), item(other.path(), "b", b"b", "P/d/b")];
    archive.store(items).await.expect("store");
    let log = log.lock().expect("log").join(", ");
    let flushed = log.find("flush_files").expect("flushed");
    let named = log.find("rename_new P/d/a").expect("named");
    assert!(flushed < named, "{log}");
    assert!(log.ends_with("rename_new P/d/b, flush_dir P/d"), "{log}");
    assert_eq!(log.matches("flush_files").count(), 1, "{log}");
}

#[tokio::test]
async fn trouble_is_told_by_its_kind() {
    for (errno, expected) in [
        (28, ArchiveFailure::Full),    // ENOSPC
        (122, ArchiveFailure::Full),   // EDQUOT
        (13, ArchiveFailure::Refused), // EACCES
        (30, ArchiveFailure::Refused), // EROFS
        (5, ArchiveFailure::Broken),   // EIO
        (116, ArchiveFailure::Away),   // ESTALE
        (107, ArchiveFailure::Away),   // ENOTCONN
        (110, ArchiveFailure::Away),   // ETIMEDOUT
        (112, ArchiveFailure::Away),   // EHOSTDOWN
    ] {
        for op in ["create_dir", "flush_dir", "flush_files", "rename_new"] {
            let on = Arc::new(AtomicUsize::new(0));
            let armed = on.clone();
            let (archive, _folder) = made(edges(move |this, _| {
                let fail = this == op && armed.load(Ordering::SeqCst) == 1;
                if fail { Err(io::Error::from_raw_os_error(errno)) } else { Ok(()) }
            }))
            .await;
            on.store(1, Ordering::SeqCst);
            let failed = archive.create(vec![("P/a".to_owned(), vec![1])]).await;
            assert_eq!(failure(failed), expected, "errno {errno} of {op}");
            on.store(0, Ordering::SeqCst);
            assert!(archive.create(vec![("P/b".to_owned(), vec![1])]).await.is_ok(), "it goes on");
        }
    }
    let (archive, folder) = made(edges(|_, _| Ok(()))).await;
    let mut missing = item(folder.path(), "s", b"s", "P/s");
    missing.size = 2;
    assert_eq!(failure(archive.store(vec![missing.clone()]).await), ArchiveFailure::Source);
    missing.source = folder.path().join("none");
    assert_eq!(failure(archive.store(vec![missing]).await), ArchiveFailure::Source);
}

#[tokio::test]
async fn what_an_earlier_process_left_is_removed_and_no_more() {
    let folder = tempfile::tempdir().expect("folder");
    drop(begun(edges(|_, _| Ok(())), &folder).await);
    let tmp = folder.path().join("archive/.yarder/tmp");
    for name in ["me-0123-01", "other-0123-01"] {
        std::fs::write(tmp.join(name), "half").expect("file");
    }
    let root = folder.path().join("archive");
    let next = FileArchive::new(edges(|_, _| Ok(())), root, 0o640, DEADLINE).owned_by("me");
    next.accept(b"{\"id\":\"one\"}");
    next.publishes_by().await.expect("probe");
    assert_eq!(files(&tmp), [tmp.join("other-0123-01").display().to_string()]);
}

/// A share that hangs until it is told to go on.
#[derive(Debug, Default)]
struct Gate {
    state: Mutex<(bool, usize)>,
    changed: Condvar,
    entered: tokio::sync::Notify,
}

impl Gate {
    fn pass(&self) {
        let mut state = self.state.lock().expect("gate");
        state.1 += 1;
        self.entered.notify_one();
        while state.0 {
            state = self.changed.wait(state).expect("gate");
        }
        state.1 -= 1;
    }

    fn close(&self, closed: bool) {
        self.state.lock().expect("gate").0 = closed;
        self.changed.notify_all();
    }
}

/// A clock on which time passes only while a thread hangs in the gate.
#[derive(Debug)]
struct Waiting(Arc<Gate>, SystemClock);

impl Clock for Waiting {
    fn now(&self) -> jiff::Timestamp {
        self.1.now()
    }
    fn mono(&self) -> Duration {
        self.1.mono()
    }
    fn sleep(&self, _span: Duration) -> BoxFuture<'static, ()> {
        let gate = self.0.clone();
        Box::pin(async move { gate.entered.notified().await })
    }
}

#[tokio::test]
async fn a_share_that_hangs_is_away_and_comes_back() {
    let gate = Arc::new(Gate::default());
    let hang = gate.clone();
    let edges = Edges {
        work: Arc::new(Pool::new("archive", 2).expect("threads")),
        clock: Arc::new(Waiting(gate.clone(), SystemClock::new())),
        ..edges(move |op, _| {
            if op == "hold" && hang.state.lock().expect("gate").0 {
                hang.pass();
            }
            Ok(())
        })
    };
    let folder = tempfile::tempdir().expect("folder");
    let archive = begun(edges, &folder).await;
    archive.create(vec![("a".to_owned(), b"a".to_vec())]).await.expect("create");
    gate.close(true);
    // Time goes on as long as a thread hangs.
    let tick = async {
        loop {
            tokio::task::yield_now().await;
            if gate.state.lock().expect("gate").1 > 0 {
                gate.entered.notify_one();
            }
        }
    };
    let until_refused = async {
        loop {
            let error = archive.get(vec!["a".to_owned()]).await.expect_err("it hangs");
            assert_eq!(error.failure, ArchiveFailure::Away);
            if error.detail.contains("2 earlier calls") {
                break;
            }
        }
    };
    tokio::select! {
        biased;
        () = until_refused => {}
        () = tick => {}
    }
    gate.close(false);
    // The threads come back by themselves, and with them the archive.
    loop {
        match archive.get(vec!["a".to_owned()]).await {
            Ok(got) => break assert_eq!(got, [Some(b"a".to_vec())]),
            Err(e) => assert_eq!(e.failure, ArchiveFailure::Away),
        }
        tokio::task::yield_now().await;
    }
}
