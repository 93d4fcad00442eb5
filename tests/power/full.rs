//! A disk that is full or fails stops the stage that needs it, and that alone: the service stays up,
//! says so, does not hammer on it, and goes on by itself once the disk is well.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use jiff::{SignedDuration, Timestamp};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use yarder::config::load;
use yarder::edges::Edges;
use yarder::ledger;
use yarder::model::Digest;
use yarder::progress::Progress;
use yarder::service::{self, RunOptions, ServiceError};

use crate::card::{Air, Card};
use crate::clock::Virtual;
use crate::depot::{FOLDERS, came_home, configure, edges, evening, folder, noise, recorded, under};
use crate::faulty::{Fails, Fault, Faulty};

const ENOSPC: i32 = 28;
const EIO: i32 = 5;

struct Run {
    task: JoinHandle<Result<(), ServiceError>>,
    until: CancellationToken,
}

impl Run {
    fn start(dir: &Path, edges: &Edges, card: &Arc<Card>) -> Self {
        let path = dir.join("yarder.toml");
        let loaded = load(&path).map_err(|e| e.to_string()).expect("configuration");
        let until = CancellationToken::new();
        let task = tokio::spawn(service::run(RunOptions {
            edges: edges.clone(),
            dialer: Arc::new(Air { card: card.clone(), clock: edges.clock.clone() }),
            path,
            loaded,
            broken: None,
            last_good: None,
            progress: Progress::default(),
            until: until.clone(),
            socket: None,
        }));
        Self { task, until }
    }

    fn is_up(&self) -> bool {
        !self.task.is_finished()
    }

    async fn stop(self) {
        self.until.cancel();
        self.task.await.expect("no panic").expect("an end in order");
    }
}

/// The codes of the findings that are there.
fn findings(dir: &Path) -> Vec<String> {
    let all = ledger::read(&dir.join("state")).expect("ledger").findings(i64::MAX).expect("findings");
    all.into_iter().filter(|f| f.gone.is_none()).map(|f| f.code).collect()
}

fn hours(from: Timestamp, count: i64) -> Timestamp {
    from + SignedDuration::from_hours(count)
}

/// The service for four hours, of which the disk fails for one; `code` is said meanwhile.
fn fails(what: &str, fault: Fault, code: &str) {
    let dir = folder();
    FOLDERS.iter().for_each(|f| fs::create_dir(dir.path().join(f)).expect("folder"));
    configure(dir.path(), "");
    let mut dice = fastrand::Rng::with_seed(9);
    let files: Vec<_> = (0..12).map(|n| noise(&mut dice, if n % 3 == 0 { 200_000 } else { 2000 })).collect();
    let clock = Virtual::new(evening());
    let disk = Arc::new(Faulty::default());
    let edges = edges(clock.clone(), disk.clone(), 3);
    let card = Arc::new(Card::default());
    card.rate.store(50_000, Ordering::SeqCst);
    let add = |range: std::ops::Range<usize>| {
        range.for_each(|n| card.add(&format!("{n:05}.log"), files[n].clone(), recorded(n)));
    };
    under(&clock, async {
        add(0..2);
        let run = Run::start(dir.path(), &edges, &card);
        clock.until(hours(evening(), 1)).await;
        disk.set(Some(fault));
        add(2..12);
        clock.until(hours(evening(), 2)).await;
        assert!(run.is_up(), "{what}: the service ended");
        let said = findings(dir.path());
        assert!(said.iter().any(|said| said == code), "{what}: {said:?}");
        // At most each listing, and each file of it.
        let times = disk.times();
        assert!((1..=800).contains(&times), "{what}: it was tried {times} times");
        disk.set(None);
        clock.until(hours(evening(), 4)).await;
        assert!(run.is_up(), "{what}: the service ended afterwards");
        assert!(!disk.flushed_again(), "{what}: a failed flush was made again");
        run.stop().await;
    });
    let said = findings(dir.path());
    assert!(said.iter().all(|said| said == "archive-first-use"), "{what}: still {said:?}");
    let digests: Vec<_> = files.iter().map(|bytes| Digest::of(bytes)).collect();
    came_home(dir.path(), &digests).unwrap_or_else(|why| panic!("{what}: {why}"));
}

#[test]
fn a_service_that_has_no_room_to_begin_waits_for_it() {
    let dir = folder();
    FOLDERS.iter().for_each(|f| fs::create_dir(dir.path().join(f)).expect("folder"));
    configure(dir.path(), "");
    let bytes = noise(&mut fastrand::Rng::with_seed(2), 5000);
    let clock = Virtual::new(evening());
    let disk = Arc::new(Faulty::default());
    let edges = edges(clock.clone(), disk.clone(), 5);
    let card = Arc::new(Card::default());
    card.add("00001.log", bytes.clone(), recorded(1));
    under(&clock, async {
        disk.set(Some(Fault { what: Fails::Create, below: "state", name: "", number: ENOSPC }));
        let run = Run::start(dir.path(), &edges, &card);
        clock.until(hours(evening(), 5)).await;
        assert!(run.is_up(), "to end would be to begin again at once");
        assert!((10..200).contains(&disk.times()), "{} tries in five hours", disk.times());
        disk.set(None);
        clock.until(hours(evening(), 7)).await;
        run.stop().await;
    });
    came_home(dir.path(), &[Digest::of(&bytes)]).expect("home");
}

/// Bytes of files, whole or not, that lie in the spool.
fn spooled(dir: &Path) -> u64 {
    let entries = fs::read_dir(dir.join("state/spool")).expect("spool");
    let entries = entries.map(|e| e.expect("entry"));
    let files = entries.filter(|e| e.path().extension().is_none_or(|end| end != "json"));
    files.map(|e| e.metadata().map_or(0, |m| m.len())).sum()
}

#[test]
fn a_small_spool_outlives_a_week_without_an_archive() {
    const LIMIT: u64 = 24_000_000;
    let dir = folder();
    FOLDERS.iter().for_each(|f| fs::create_dir(dir.path().join(f)).expect("folder"));
    configure(dir.path(), "spool_limit = \"24 MB\"\n[poll]\nevery = \"10min\"\nlist_every = \"10min\"");
    let mut dice = fastrand::Rng::with_seed(24);
    // 60 MB, of which some files alone take most of the spool.
    let sizes = [15_000_000, 9_000_000].into_iter().chain(std::iter::repeat_n(1_000_000, 36));
    let files: Vec<_> = sizes.map(|len| noise(&mut dice, len)).collect();
    let clock = Virtual::new(evening());
    let disk = Arc::new(Faulty::default());
    let edges = edges(clock.clone(), disk, 5);
    let card = Arc::new(Card::default());
    card.rate.store(4_000_000, Ordering::SeqCst);
    let (archive, away) = (dir.path().join("archive"), dir.path().join("away"));
    under(&clock, async {
        card.add("00000.log", files[0].clone(), recorded(0));
        let run = Run::start(dir.path(), &edges, &card);
        clock.until(hours(evening(), 1)).await;
        fs::rename(&archive, &away).expect("renamed");
        for (n, bytes) in files.iter().enumerate().skip(1) {
            card.add(&format!("{n:05}.log"), bytes.clone(), recorded(n));
        }
        for hour in 2..=7 * 24 {
            // Cuts on the way, so that partials lie about.
            *card.cut.lock().expect("lock") = Some((format!("{:05}.log", hour % 38), 300_000));
            clock.until(hours(evening(), hour)).await;
            assert!(run.is_up(), "after {hour} hours");
            assert!(spooled(dir.path()) <= LIMIT, "{} bytes after {hour} hours", spooled(dir.path()));
        }
        let said = findings(dir.path());
        assert!(["archive-away", "spool-full"].iter().all(|code| said.iter().any(|s| s == code)), "{said:?}");
        assert!(spooled(dir.path()) > LIMIT / 2, "as much as there is room for came home");
        fs::rename(&away, &archive).expect("renamed");
        clock.until(hours(evening(), 8 * 24)).await;
        assert!(run.is_up());
        run.stop().await;
    });
    let digests: Vec<_> = files.iter().map(|bytes| Digest::of(bytes)).collect();
    came_home(dir.path(), &digests).expect("everything is home");
    let said = findings(dir.path());
    assert!(said.iter().all(|said| said == "archive-first-use"), "still {said:?}");
}

macro_rules! fails {
    ($($test:ident $what:ident $below:literal $name:literal $number:ident $code:literal)*) => {$(
        #[test]
        fn $test() {
            let fault = Fault { what: Fails::$what, below: $below, name: $name, number: $number };
            fails(stringify!($test), fault, $code);
        }
    )*};
}

fails! {
    no_room_for_a_partial Create "spool" ".part" ENOSPC "spool-full"
    no_room_for_the_bytes_of_a_partial Write "spool" ".part" ENOSPC "spool-full"
    a_partial_that_cannot_be_written Write "spool" ".part" EIO "spool-failed"
    a_partial_that_cannot_be_flushed Flush "spool" ".part" EIO "spool-failed"
    no_room_when_a_partial_is_flushed Flush "spool" ".part" ENOSPC "spool-full"
    no_room_for_a_record Create "spool" ".json" ENOSPC "spool-full"
    a_record_that_cannot_be_written Write "spool" ".json" EIO "spool-failed"
    a_record_that_cannot_be_flushed Flush "spool" ".json" EIO "spool-failed"
    a_whole_file_that_cannot_get_its_name Rename "spool" ".log" EIO "spool-failed"
    a_spool_whose_folder_cannot_be_flushed FlushDir "state" "spool" EIO "spool-failed"
    no_room_in_the_archive Create "archive" "" ENOSPC "archive-full"
    no_room_for_the_bytes_of_a_copy Write "tmp" "" ENOSPC "archive-full"
    a_copy_that_cannot_be_written Write "tmp" "" EIO "archive-away"
    a_copy_that_cannot_be_flushed Flush "tmp" "" EIO "archive-away"
    an_archive_whose_folders_cannot_be_flushed FlushDir "archive" "" EIO "archive-away"
    a_copy_that_cannot_get_its_name Link "archive" ".log" EIO "not-archived"
    a_manifest_that_cannot_be_replaced Rename "archive" "manifest-sha256.txt" EIO "not-archived"
}
