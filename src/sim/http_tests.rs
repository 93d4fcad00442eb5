//! The HTTP server and its faults, witnessed by curl.

use std::path::Path;
use std::process::Output;
use std::sync::Arc;

use super::super::{Content, DigestOffer, Effect, Options, Point, Protocol, SimLogger};
use super::*;

const SIZE: u64 = 300_000;

/// A logger with one file `logs/a b.log` and one in a folder, changed long ago.
async fn logger(options: Options) -> SimLogger {
    let logger = SimLogger::start(options).await.expect("port");
    let time = "2026-11-24T06:30:00Z".parse().expect("moment");
    logger.card().add("a b.log", content(), time);
    logger.card().add("day/b.log", Content::noise(2, 100), time);
    logger
}

fn content() -> Content {
    Content::noise(1, SIZE)
}

fn whole() -> Vec<u8> {
    content().read(0, usize::MAX).to_vec()
}

async fn curl(args: &[&str]) -> Output {
    let args: Vec<String> = args.iter().map(|a| (*a).to_owned()).collect();
    let run = move || std::process::Command::new("curl").args(["-s", "-m", "10"]).args(args).output();
    tokio::task::spawn_blocking(run).await.expect("thread").expect("curl is installed")
}

/// Status and head of a request.
async fn head(logger: &SimLogger, path: &str, args: &[&str]) -> String {
    let url = format!("{}{path}", logger.url());
    let out = curl(&[&["-D", "-", "-o", "/dev/null"], args, &[&url]].concat()).await;
    String::from_utf8_lossy(&out.stdout).into_owned()
}

async fn get(logger: &SimLogger, path: &str, args: &[&str]) -> Output {
    let url = format!("{}{path}", logger.url());
    curl(&[args, &[url.as_str()]].concat()).await
}

async fn resume(logger: &SimLogger, to: &Path) -> Option<i32> {
    let to = to.to_str().expect("path");
    get(logger, "a%20b.log", &["-C", "-", "-o", to]).await.status.code()
}

#[tokio::test]
async fn files_folders_and_errors_are_served() {
    let logger = logger(Options::http()).await;
    assert_eq!(get(&logger, "a%20b.log", &[]).await.stdout, whole());
    assert_eq!(get(&logger, "day/b.log", &[]).await.stdout.len(), 100);
    let page = String::from_utf8(get(&logger, "", &[]).await.stdout).expect("text");
    assert!(page.contains("<a href=\"day/\">day/</a>") && page.contains("24-Nov-2026 06:30"));
    assert!(head(&logger, "none.log", &[]).await.starts_with("HTTP/1.1 404"));
    assert!(head(&logger, "none/", &[]).await.starts_with("HTTP/1.1 404"));
    let moved = head(&logger, "day", &[]).await;
    assert!(moved.contains(&format!("Location: {}day/", logger.url())), "{moved}");
    let told = head(&logger, "a%20b.log", &["-I"]).await;
    for line in ["HTTP/1.1 200", "Content-Length: 300000", "Last-Modified: Tue, 24 Nov 2026 06:30:00 GMT"] {
        assert!(told.contains(line), "{told}");
    }
    let counters = logger.counters();
    assert_eq!((counters.of("a b.log"), counters.active, counters.most_at_once), (SIZE, 0, 1));
}

#[tokio::test]
async fn connections_are_kept() {
    let logger = logger(Options::http()).await;
    let url = format!("{}a%20b.log", logger.url());
    let both = curl(&[&url, &url]).await.stdout;
    assert_eq!(both, [whole(), whole()].concat());
    assert_eq!(logger.counters().connections, 1);
}

/// RFC 9110, 14.1.2, 14.4, 15.3.7, 15.5.17 and 13.1.5.
#[tokio::test]
async fn ranges_are_right() {
    let logger = logger(Options::http()).await;
    let part = get(&logger, "a%20b.log", &["-r", "1000-1999"]).await.stdout;
    assert_eq!(part, whole()[1000..2000]);
    let told = head(&logger, "a%20b.log", &["-r", "1000-1999"]).await;
    assert!(told.starts_with("HTTP/1.1 206") && told.contains("Content-Range: bytes 1000-1999/300000"));
    assert_eq!(get(&logger, "a%20b.log", &["-r", "-7"]).await.stdout, whole()[299_993..]);
    let beyond = head(&logger, "a%20b.log", &["-r", "300000-"]).await;
    assert!(beyond.starts_with("HTTP/1.1 416") && beyond.contains("Content-Range: bytes */300000"));
    let tag = "If-Range: \"6a23e2b8-493e0\"";
    assert!(head(&logger, "a%20b.log", &["-r", "5-", "-H", tag]).await.starts_with("HTTP/1.1 200"));
    let told = head(&logger, "a%20b.log", &["-I"]).await;
    let tag = told.lines().find_map(|l| l.strip_prefix("ETag: ")).expect("tag").to_owned();
    for (given, status) in [
        (tag.as_str(), "206"),
        ("Tue, 24 Nov 2026 06:30:00 GMT", "206"),
        ("Tue, 24 Nov 2026 06:30:01 GMT", "200"),
    ] {
        let given = format!("If-Range: {given}");
        let told = head(&logger, "a%20b.log", &["-r", "5-", "-H", &given]).await;
        assert!(told.starts_with(&format!("HTTP/1.1 {status}")), "{given} {told}");
    }
}

#[test]
fn odd_ranges_are_ignored_and_empty_ones_refused() {
    for (value, size, want) in [
        ("bytes=0-0", 10, Asked::Part(0, 1)),
        ("bytes=5-99", 10, Asked::Part(5, 10)),
        ("bytes=0-", 0, Asked::Beyond),
        ("bytes=5-2", 10, Asked::Whole),
        ("bytes=0-1,3-4", 10, Asked::Whole),
        ("lines=0-1", 10, Asked::Whole),
        ("bytes=-", 10, Asked::Whole),
    ] {
        assert_eq!(parse_range(value, size), want, "{value}");
    }
}

#[tokio::test]
async fn a_cut_transfer_resumes_where_it_was_cut() {
    let logger = logger(Options::http()).await;
    logger.faults().cuts(&[100_000, 250_000], Effect::Fin);
    let dir = tempfile::tempdir().expect("folder");
    let to = dir.path().join("a");
    // 18: a file was only partly transferred (curl(1), exit codes).
    assert_eq!(resume(&logger, &to).await, Some(18));
    assert_eq!(std::fs::read(&to).expect("part"), whole()[..100_000]);
    assert_eq!(resume(&logger, &to).await, Some(18));
    assert_eq!(resume(&logger, &to).await, Some(0));
    assert_eq!(std::fs::read(&to).expect("whole"), whole());
    assert_eq!(logger.counters().of("a b.log"), SIZE);
    assert_eq!(logger.counters().broken, 2);
}

#[tokio::test]
async fn a_reset_is_a_reset_and_a_byte_that_breaks_breaks_always() {
    let logger = logger(Options::http()).await;
    logger.faults().once(Point::Transfer(70_000), Effect::Rst);
    // 56: failure in receiving network data.
    assert_eq!(get(&logger, "a%20b.log", &[]).await.status.code(), Some(56));
    logger.faults().always(Point::file("a b.log", 200_000), Effect::Fin);
    for _ in 0..2 {
        assert_eq!(get(&logger, "a%20b.log", &[]).await.stdout, whole()[..200_000]);
    }
    assert_eq!(get(&logger, "a%20b.log", &["-r", "150000-"]).await.stdout, whole()[150_000..200_000]);
    assert_eq!(get(&logger, "a%20b.log", &["-r", "200001-"]).await.stdout, whole()[200_001..]);
}

#[tokio::test]
async fn a_stall_sends_nothing_and_ends_with_the_client() {
    let logger = logger(Options::http()).await;
    logger.faults().once(Point::Transfer(65_536), Effect::Stall);
    // 28: operation timed out.
    let out = get(&logger, "a%20b.log", &["-m", "1"]).await;
    assert_eq!((out.status.code(), out.stdout.len()), (Some(28), 65_536));
    logger.leave().await;
    assert_eq!(logger.counters().active, 0);
}

#[tokio::test]
async fn ranges_are_ignored_or_misnamed_when_told() {
    let logger = logger(Options::http()).await;
    logger.faults().wrong_content_range = true;
    let told = head(&logger, "a%20b.log", &["-r", "1000-1999"]).await;
    assert!(told.contains("Content-Range: bytes 1001-2000/300000"), "{told}");
    logger.faults().ignore_ranges = true;
    let told = head(&logger, "a%20b.log", &["-r", "1000-1999"]).await;
    assert!(told.starts_with("HTTP/1.1 200") && told.contains("Content-Length: 300000"), "{told}");
}

#[tokio::test]
async fn wrong_bytes_come_where_they_were_ordered() {
    let logger = logger(Options::http()).await;
    logger.faults().times(2, Point::file("a b.log", 70_000), Effect::Flip);
    let mut flipped = whole();
    flipped[70_000] ^= 0x10;
    assert_eq!(get(&logger, "a%20b.log", &[]).await.stdout, flipped);
    assert_eq!(get(&logger, "a%20b.log", &[]).await.stdout, flipped);
    assert_eq!(get(&logger, "a%20b.log", &[]).await.stdout, whole());
    logger.faults().always(Point::file("a b.log", 0), Effect::Noise);
    let (one, two) =
        (get(&logger, "a%20b.log", &[]).await.stdout, get(&logger, "a%20b.log", &[]).await.stdout);
    assert!(one != two && one != whole() && two != whole());
    assert_eq!(one[1..], whole()[1..]);
}

#[tokio::test]
async fn an_overwrite_gives_the_old_head_the_new_tail_and_status_200() {
    let logger = logger(Options::http()).await;
    let new = Content::noise(99, SIZE);
    logger.faults().once(Point::file("a b.log", 150_000), Effect::Overwrite(new.clone()));
    let out = get(&logger, "a%20b.log", &[]).await;
    assert_eq!(out.status.code(), Some(0));
    assert_eq!(out.stdout, [&whole()[..150_000], &new.read(150_000, usize::MAX)].concat());
    assert_ne!(logger.card().file("a b.log").expect("there").time.to_string(), "2026-11-24T06:30:00Z");
}

#[tokio::test]
async fn digests_are_stated_right_or_wrong() {
    let logger = logger(Options::http()).await;
    logger.faults().digest = DigestOffer::Wrong(1);
    let right = format!("Repr-Digest: sha-256=:{}:", STANDARD.encode(content().sha256().0));
    let told = head(&logger, "a%20b.log", &["-I"]).await;
    assert!(told.contains("Repr-Digest: sha-256=:") && !told.contains(&right), "{told}");
    assert!(head(&logger, "a%20b.log", &[]).await.contains(&right));
}

#[tokio::test]
async fn listings_fail_in_each_way() {
    let logger = logger(Options::http()).await;
    let page = async || String::from_utf8(get(&logger, "", &[]).await.stdout).expect("text");
    let good = page().await;
    logger.faults().listing = ListingFault::Truncated;
    assert_eq!(page().await, good[..good.len() / 2]);
    logger.faults().listing = ListingFault::Empty;
    assert!(!page().await.contains(".log"));
    logger.faults().listing = ListingFault::LoginPage;
    assert!(page().await.contains("password"));
    logger.faults().listing = ListingFault::Error;
    assert!(head(&logger, "", &[]).await.starts_with("HTTP/1.1 500"));
    logger.faults().listing = ListingFault::None;
    logger.faults().listing_shift = jiff::SignedDuration::from_hours(1);
    assert!(page().await.contains("24-Nov-2026 07:30"));
    logger.faults().failing_folders.insert(b"day".to_vec());
    assert!(head(&logger, "day/", &[]).await.starts_with("HTTP/1.1 500"));
    assert!(head(&logger, "", &[]).await.starts_with("HTTP/1.1 200"));
    logger.faults().busy = true;
    assert!(head(&logger, "", &[]).await.starts_with("HTTP/1.1 503"));
}

#[tokio::test]
async fn logins_are_checked() {
    for (auth, flag) in [(HttpAuth::Basic, "--basic"), (HttpAuth::Digest, "--digest")] {
        let protocol = Protocol::Http(HttpOptions { auth, ..HttpOptions::default() });
        let logger = logger(Options { protocol, ..Options::http() }.login("depot", "a:b c")).await;
        assert!(head(&logger, "", &[]).await.starts_with("HTTP/1.1 401"));
        let told = head(&logger, "", &[flag, "-u", "depot:a:b c"]).await;
        assert!(told.contains("HTTP/1.1 200"), "{auth:?} {told}");
        let told = head(&logger, "", &[flag, "-u", "depot:wrong"]).await;
        assert!(!told.contains("HTTP/1.1 200"), "{auth:?} {told}");
    }
}

#[tokio::test]
async fn an_absent_logger_refuses_and_comes_back_on_its_port() {
    let logger = logger(Options::http()).await;
    for _ in 0..3 {
        logger.leave().await;
        // 7: failed to connect.
        assert_eq!(get(&logger, "", &[]).await.status.code(), Some(7));
        logger.arrive().expect("its own port");
        assert_eq!(get(&logger, "", &[]).await.status.code(), Some(0));
    }
    logger.faults().silent = true;
    assert_eq!(get(&logger, "", &["-m", "1"]).await.status.code(), Some(28));
}

/// A clock on which waiting takes no time.
#[derive(Debug, Default)]
struct Leap(std::sync::Mutex<std::time::Duration>);

impl crate::clock::Clock for Leap {
    fn now(&self) -> jiff::Timestamp {
        "2026-11-24T20:00:00Z".parse().expect("moment")
    }

    fn mono(&self) -> std::time::Duration {
        *self.0.lock().expect("clock")
    }

    fn sleep(&self, span: std::time::Duration) -> futures_util::future::BoxFuture<'static, ()> {
        *self.0.lock().expect("clock") += span;
        Box::pin(std::future::ready(()))
    }
}

#[tokio::test]
async fn a_rate_paces_all_transfers_by_the_clock() {
    let clock = Arc::new(Leap::default());
    let logger = logger(Options::http().clock(clock.clone())).await;
    get(&logger, "a%20b.log", &[]).await;
    assert_eq!(crate::clock::Clock::mono(&*clock).as_millis(), 0, "as fast as it goes");
    logger.faults().rate = Some(600_000);
    get(&logger, "a%20b.log", &[]).await;
    get(&logger, "a%20b.log", &[]).await;
    let took = crate::clock::Clock::mono(&*clock).as_secs_f64();
    assert!((took - 1.0).abs() < 0.001, "600 kB at 600 kB/s, not {took} s");
}

#[tokio::test]
async fn transfers_at_once_are_counted() {
    let logger = logger(Options::http()).await;
    logger.faults().times(2, Point::Transfer(1000), Effect::Stall);
    tokio::join!(get(&logger, "a%20b.log", &["-m", "2"]), get(&logger, "a%20b.log", &["-m", "2"]));
    assert_eq!(logger.counters().most_at_once, 2);
}

#[tokio::test]
async fn many_idle_loggers_are_cheap() {
    let clock: Arc<dyn crate::clock::Clock> = Arc::new(crate::clock::SystemClock::new());
    let loggers = super::super::idle_loggers(200, clock).await.expect("ports");
    let last = get(&loggers[199], "", &[]).await;
    assert!(String::from_utf8_lossy(&last.stdout).contains("00000003.log"));
}
