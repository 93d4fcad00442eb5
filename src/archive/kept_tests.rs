//! What is known to be bad, or not known to be durable, is no copy.

use super::*;

/// The items of a store whose files are copied, never linked.
fn copied(folder: &TempDir, name: &str, bytes: &[u8]) -> StoreItem {
    StoreItem { own: false, ..item(folder.path(), name, bytes, &format!("P/d/{name}")) }
}

#[tokio::test]
async fn a_copy_that_reads_back_wrong_never_has_its_name() {
    let (archive, folder) = made(edges(|_, _| Ok(()))).await;
    let good = copied(&folder, "good", b"good");
    let mut bad = copied(&folder, "bad", b"bad bytes");
    bad.sha256 = crate::model::Digest::of(b"the right ones");
    let both = archive.store_and_read(vec![good.clone(), bad.clone()]).await;
    assert_eq!(failure(both), ArchiveFailure::Source);
    assert_eq!(failure(archive.store_and_read(vec![bad]).await), ArchiveFailure::Source);
    assert!(!folder.path().join("archive/P/d/bad").exists());
    let stored = archive.store_and_read(vec![good]).await.expect("stored");
    assert!(matches!(&*stored, [(Stored::New { .. }, Some(_))]), "{stored:?}");
}

#[tokio::test]
async fn what_lies_wrong_in_the_spool_is_not_linked() {
    let (archive, folder) = made(edges(|_, _| Ok(()))).await;
    let mut rotten = item(folder.path(), "rotten", b"rotten bytes", "P/d/rotten");
    rotten.sha256 = crate::model::Digest::of(b"the right ones");
    assert_eq!(failure(archive.store(vec![rotten]).await), ArchiveFailure::Source);
    assert!(!folder.path().join("archive/P/d/rotten").exists());
}

/// A flush of folder `P/d` fails once.
fn failing_once() -> (Arc<AtomicUsize>, Edges) {
    let left = Arc::new(AtomicUsize::new(0));
    let count = left.clone();
    let edges = edges(move |op, path| {
        let fails = op == "flush_dir" && path.ends_with("P/d") && count.load(Ordering::SeqCst) == 1;
        if fails {
            count.store(0, Ordering::SeqCst);
            return Err(io::Error::from_raw_os_error(5));
        }
        Ok(())
    });
    (left, edges)
}

#[tokio::test]
async fn a_name_whose_flush_failed_is_made_anew_before_it_is_believed() {
    let (fails, edges) = failing_once();
    let (archive, folder) = made(edges).await;
    let at = |name: &str| folder.path().join("archive/P/d").join(name);
    let inode = |name: &str| inode_of(&at(name));
    archive.store(vec![copied(&folder, "before", b"before")]).await.expect("stored");
    let before = inode("before");
    let both = vec![copied(&folder, "a", b"a"), copied(&folder, "b", b"b")];
    fails.store(1, Ordering::SeqCst);
    assert_eq!(failure(archive.store(both.clone()).await), ArchiveFailure::Broken);
    let first = [inode("a"), inode("b")];
    // Each by itself, as it is tried after a group failed.
    for item in both {
        archive.store(vec![item]).await.expect("stored");
    }
    assert!(first[0] != inode("a") && first[1] != inode("b"), "a later flush says nothing of these names");
    assert_eq!(inode("before"), before, "what was flushed before stays as it is");
    assert_eq!(std::fs::read(at("a")).expect("read"), b"a");
    let last = inode("a");
    archive.store(vec![copied(&folder, "a", b"a")]).await.expect("asked");
    assert_eq!(inode("a"), last, "once is enough");
}

#[tokio::test]
async fn a_small_object_whose_flush_failed_is_made_anew_before_anybody_reads_it() {
    let (fails, edges) = failing_once();
    let (archive, folder) = made(edges).await;
    let object = |name: &str, text: &str| vec![(format!(".yarder/P/d/{name}"), text.as_bytes().to_vec())];
    archive.create(object("before", "before")).await.expect("created");
    let path = |name: &str| folder.path().join("archive/.yarder/P/d").join(name);
    let before = inode_of(&path("before"));
    for read in [true, false] {
        let name = if read { "read" } else { "made again" };
        fails.store(1, Ordering::SeqCst);
        assert_eq!(failure(archive.create(object(name, "mine")).await), ArchiveFailure::Broken);
        let first = inode_of(&path(name));
        let key = object(name, "")[0].0.clone();
        if read {
            assert_eq!(archive.get(vec![key]).await, Ok(vec![Some(b"mine".to_vec())]));
        } else {
            assert_eq!(archive.create(object(name, "theirs")).await, Ok(vec![Created::Exists]));
        }
        assert_ne!(inode_of(&path(name)), first, "a later flush says nothing of this name");
        assert_eq!(std::fs::read(path(name)).expect("read"), b"mine");
    }
    assert_eq!(inode_of(&path("before")), before, "what was flushed before stays as it is");
}

#[tokio::test]
async fn what_fails_before_a_copy_is_looked_at_says_nothing_of_the_copy() {
    let (fails, edges) = failing_once();
    let (archive, folder) = made(edges).await;
    archive.store(vec![copied(&folder, "good", b"good")]).await.expect("stored");
    let object = vec![(".yarder/P/d/object".to_owned(), b"mine".to_vec())];
    fails.store(1, Ordering::SeqCst);
    assert_eq!(failure(archive.create(object).await), ArchiveFailure::Broken);
    let good = || archive.read_back(vec!["P/d/good".to_owned()]);
    fails.store(1, Ordering::SeqCst);
    assert_eq!(failure(good().await), ArchiveFailure::Away, "an audit would call each copy wrong");
    assert!(matches!(&*good().await.expect("read"), [Some(_)]));
}

#[tokio::test]
async fn what_an_earlier_process_made_is_durable_before_it_is_read() {
    let flushed = Arc::new(AtomicUsize::new(0));
    let count = flushed.clone();
    let edges = edges(move |op, path| {
        if op == "flush_dir" && path.ends_with(".yarder/receipts/L") {
            count.fetch_add(1, Ordering::SeqCst);
        }
        Ok(())
    });
    let (archive, folder) = made(edges).await;
    let receipts = folder.path().join("archive/.yarder/receipts/L");
    std::fs::create_dir_all(&receipts).expect("folders");
    std::fs::write(receipts.join("000000000001"), b"a receipt").expect("written");
    let key = ".yarder/receipts/L/000000000001".to_owned();
    for _ in 0..2 {
        assert_eq!(archive.get(vec![key.clone()]).await, Ok(vec![Some(b"a receipt".to_vec())]));
        assert_eq!(flushed.load(Ordering::SeqCst), 1, "once a process");
    }
}

fn inode_of(path: &Path) -> u64 {
    use std::os::unix::fs::MetadataExt as _;
    std::fs::metadata(path).expect("there").ino()
}
