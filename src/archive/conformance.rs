//! What every archive must do, as one suite for all adapters.
//!
//! `archive_conformance!(make)` in an adapter's tests makes one test of each promise below; `make`
//! gives an accepted, otherwise empty archive and a folder for the spool's files.

use std::path::Path;

use super::{Archive, Created, StoreItem, Stored};
use crate::model::Digest;

/// A file in the spool, and the item that stores it.
pub(crate) fn item(spool: &Path, name: &str, bytes: &[u8], key: &str) -> StoreItem {
    let source = spool.join(name);
    std::fs::write(&source, bytes).expect("spool file");
    StoreItem {
        source,
        at: 0,
        own: true,
        key: key.to_owned(),
        size: bytes.len() as u64,
        sha256: Digest::of(bytes),
    }
}

fn objects(pairs: &[(&str, &str)]) -> Vec<(String, Vec<u8>)> {
    pairs.iter().map(|(key, text)| ((*key).to_owned(), text.as_bytes().to_vec())).collect()
}

async fn hash_at(archive: &dyn Archive, key: &str) -> Option<Digest> {
    archive.read_back(vec![key.to_owned()]).await.expect("read").remove(0).map(|r| r.sha256)
}

/// Each promise becomes a function, and a test wherever the suite is used.
macro_rules! promises {
    ($d:tt $($(#[$doc:meta])* async fn $name:ident($archive:ident, $spool:ident) $body:block)*) => {
        $($(#[$doc])* pub(crate) async fn $name($archive: &dyn Archive, $spool: &Path) $body)*

        macro_rules! archive_conformance {
            ($d make:expr) => {
                $(#[tokio::test]
                async fn $name() {
                    let (archive, spool) = $d make.await;
                    $crate::archive::conformance::$name(&archive, spool.path()).await;
                })*
            };
        }
        pub(crate) use archive_conformance;
    };
}

promises! { $
    async fn an_object_is_created_once(archive, _spool) {
        let key = ".yarder/claims/L-1/a";
        let first = archive.create(objects(&[(key, "one")])).await.expect("create");
        let second = archive.create(objects(&[(key, "two")])).await.expect("create");
        assert_eq!((first, second), (vec![Created::New], vec![Created::Exists]));
        let got = archive.get(vec![key.to_owned(), ".yarder/claims/L-1/b".to_owned()]).await.expect("get");
        assert_eq!(got, [Some(b"one".to_vec()), None]);
    }

    async fn one_key_twice_in_a_group_has_one_winner(archive, _spool) {
        let key = ".yarder/claims/L-1/a";
        let created = archive.create(objects(&[(key, "one"), (key, "two")])).await.expect("create");
        assert_eq!(created.iter().filter(|c| **c == Created::New).count(), 1, "{created:?}");
    }

    async fn racing_creates_have_one_winner(archive, _spool) {
        for round in 0..20 {
            let key = format!(".yarder/receipts/L-1/{round}");
            let racers = (0..8).map(|n| archive.create(vec![(key.clone(), vec![n])]));
            let outcomes = futures_util::future::join_all(racers).await;
            let wins = outcomes.iter().filter(|o| o.as_deref() == Ok(&[Created::New])).count();
            assert_eq!(wins, 1, "{outcomes:?}");
        }
    }

    async fn a_part_of_a_file_is_stored_and_a_reading_on_the_way_is_of_the_right_bytes(archive, spool) {
        let part = |key: &str, bytes: &[u8]| StoreItem {
            at: 3,
            own: false,
            size: bytes.len() as u64,
            sha256: Digest::of(bytes),
            ..item(spool, "three", b"onetwothree", key)
        };
        let stored = archive.store_and_read(vec![part("P-1/a", b"two")]).await.expect("store");
        let [(Stored::New { .. }, right)] = &*stored else { panic!("{stored:?}") };
        assert!(right.as_ref().is_none_or(|back| back.sha256 == Digest::of(b"two")), "{right:?}");
        assert_eq!(hash_at(archive, "P-1/a").await, Some(Digest::of(b"two")));
        assert!(archive.store_and_read(vec![part("P-1/b", b"TWO")]).await.is_err());
        assert_eq!(hash_at(archive, "P-1/b").await, None, "what is not the right bytes has no name");
    }

    async fn a_stored_file_is_never_replaced(archive, spool) {
        let key = "P-1/2026-11-24/yard/data/L-1/a.log";
        let first = archive.store(vec![item(spool, "a", b"first", key)]).await.expect("store");
        assert!(matches!(*first, [Stored::New { .. }]), "{first:?}");
        let second = archive.store(vec![item(spool, "b", b"second", key)]).await.expect("store");
        assert_eq!(second, [Stored::Exists]);
        assert_eq!(hash_at(archive, key).await, Some(Digest::of(b"first")));
    }

    async fn answers_come_in_the_order_of_the_items(archive, spool) {
        let items: Vec<_> = (0..30u8)
            .map(|n| item(spool, &format!("s{n}"), &vec![n; usize::from(n) * 1000], &format!("P/{}/{n}", n % 3)))
            .collect();
        let taken = archive.store(vec![items[7].clone()]).await.expect("store");
        assert!(matches!(*taken, [Stored::New { .. }]));
        let stored = archive.store(items.clone()).await.expect("store");
        let exists: Vec<_> = (0..30).filter(|n| stored[*n] == Stored::Exists).collect();
        // A link of the same spool file may be told either way.
        assert!(exists.iter().all(|n| *n == 7), "{stored:?}");
        let back = archive.read_back(items.iter().map(|i| i.key.clone()).collect()).await.expect("read");
        for (item, back) in items.iter().zip(back) {
            let back = back.expect("there");
            assert_eq!((back.size, back.sha256), (item.size, item.sha256), "{}", item.key);
        }
    }

    async fn a_large_file_comes_through_whole(archive, spool) {
        // More than a buffer, and no multiple of one.
        let bytes: Vec<u8> = (0..3_000_017u32).map(|i| (i * 7 % 251) as u8).collect();
        archive.store(vec![item(spool, "big", &bytes, "P/big")]).await.expect("store");
        let empty = archive.store(vec![item(spool, "empty", b"", "P/empty")]).await.expect("store");
        assert!(matches!(*empty, [Stored::New { .. }]));
        assert_eq!(hash_at(archive, "P/big").await, Some(Digest::of(&bytes)));
        assert_eq!(hash_at(archive, "P/empty").await, Some(Digest::of(b"")));
        assert_eq!(hash_at(archive, "P/none").await, None);
    }

    async fn a_key_in_the_way_of_another_is_taken(archive, spool) {
        archive.store(vec![item(spool, "a", b"a file", "P/a")]).await.expect("store");
        let below = archive.store(vec![item(spool, "b", b"below it", "P/a/b")]).await.expect("store");
        assert_eq!(below, [Stored::Exists]);
        archive.store(vec![item(spool, "c", b"deep", "P/c/d")]).await.expect("store");
        let above = archive.store(vec![item(spool, "d", b"a folder's name", "P/c")]).await.expect("store");
        assert_eq!(above, [Stored::Exists]);
        assert_eq!(archive.read_back(vec!["P/c".into(), "P/a/b".into()]).await.expect("read"), [None, None]);
        assert_eq!(archive.get(vec!["P/c".into(), "P/a/b".into()]).await.expect("get"), [None, None]);
    }

    async fn keys_that_leave_the_archive_are_refused(archive, spool) {
        for bad in ["../a", "/a", "a//b", "a/../../b", "a\\b", ""] {
            assert!(archive.create(objects(&[(bad, "x")])).await.is_err(), "{bad}");
            assert!(archive.store(vec![item(spool, "a", b"a", bad)]).await.is_err(), "{bad}");
            assert!(archive.get(vec![bad.to_owned()]).await.is_err(), "{bad}");
        }
    }

    async fn only_a_manifest_is_written_over(archive, _spool) {
        let key = "P/2026-11-24/yard/manifest-sha256.txt".to_owned();
        archive.replace(key.clone(), b"one".to_vec()).await.expect("replace");
        archive.replace(key.clone(), b"two".to_vec()).await.expect("replace");
        assert_eq!(archive.get(vec![key]).await.expect("get"), [Some(b"two".to_vec())]);
        assert!(archive.replace("P/a.log".to_owned(), b"x".to_vec()).await.is_err());
    }

    async fn a_listing_is_in_byte_order_and_goes_on_where_it_ended(archive, _spool) {
        let keys = ["P/a", "P/a-b", "P/a.b", "P/a0/x", "P/a0/y/z", "P/a1", "Q/a"];
        let pairs: Vec<_> = keys.iter().map(|k| (*k, "four")).collect();
        archive.create(objects(&pairs)).await.expect("create");
        let all = archive.list("P/".to_owned(), String::new(), 100).await.expect("list");
        assert_eq!(all, keys[..6].iter().map(|k| ((*k).to_owned(), 4)).collect::<Vec<_>>());
        let mut paged = Vec::new();
        loop {
            let after = paged.last().map_or(String::new(), |(key, _): &(String, u64)| key.clone());
            let page = archive.list("P/".to_owned(), after, 1).await.expect("list");
            if page.is_empty() {
                break;
            }
            paged.extend(page);
        }
        assert_eq!(paged, all);
        assert_eq!(archive.list("none/".to_owned(), String::new(), 9).await.expect("list"), []);
    }

    async fn nothing_is_no_work(archive, _spool) {
        assert_eq!(archive.create(vec![]).await, Ok(vec![]));
        assert_eq!(archive.store(vec![]).await, Ok(vec![]));
        assert_eq!(archive.get(vec![]).await, Ok(vec![]));
        assert_eq!(archive.read_back(vec![]).await, Ok(vec![]));
    }
}
