//! A line that breaks twenty times in one file: it comes home whole, and little of it twice.

use std::sync::LazyLock;

use bytes::Bytes;
use yarder::sim::{Content, Options};

use super::depot::{Depot, dice, logger};
use super::proxy::{Ending, Proxy};

const SIZE: u64 = 300_000_000;
const CUTS: usize = 20;
/// Bytes read again after a cut at most.
const OVERLAP: u64 = 64 * 1024;

static FILE: LazyLock<Bytes> = LazyLock::new(|| {
    let mut bytes = vec![0; SIZE as usize];
    fastrand::Rng::with_seed(300).fill(&mut bytes);
    bytes.into()
});

/// Fetches the file over a line that breaks at chance points; gives the bytes that the depot read
/// and those that the line passed on.
async fn fetched_through_cuts(test: &str, ftp: bool, ending: Ending) -> (u64, u64) {
    let mut dice = dice(test);
    let content = Content::bytes(FILE.clone());
    let options = if ftp { Options::ftp() } else { Options::http() };
    let logger = logger(options, &[("00001.log", content.clone())]).await;
    // A listing is shorter than the first 100 kB, so that every cut falls into the file.
    let cuts = (0..CUTS).map(|_| dice.u64(100_000..SIZE)).collect();
    let proxy = Proxy::start(logger.addr(), ftp, cuts, ending).await;
    let depot = Depot::new();
    let scheme = if ftp { "ftp" } else { "http" };
    depot.write(&[("1", format!("{scheme}://{}/", proxy.addr()))]);
    let mut read = 0;
    // Three cuts within one overlap would end the file's turn; it goes on in the next round.
    for _ in 0..3 {
        let totals = depot.once()["totals"].clone();
        read = totals["bytes_delivered"].as_u64().expect("bytes");
        assert!(totals["cuts"].as_u64() <= Some(CUTS as u64), "more cuts than there were: {totals}");
        if depot.states().get("archived") == Some(&1) {
            break;
        }
    }
    assert_eq!(proxy.cuts_left(), 0, "every cut came");
    depot.assert_archived("L-1", &[content]);
    println!("{test}: {read} bytes read, {} passed on, of {SIZE}", proxy.passed());
    (read, proxy.passed())
}

async fn little_comes_twice(test: &str, ftp: bool) {
    let (read, passed) = fetched_through_cuts(test, ftp, Ending::Fin).await;
    assert!(read <= SIZE + CUTS as u64 * OVERLAP, "{read} bytes read");
    // HTTP heads and listings are in it.
    let heads = 64 * 1024;
    assert!(passed <= SIZE + CUTS as u64 * OVERLAP + heads, "{passed} bytes passed on");
    assert!(passed >= read, "{read} bytes read of {passed}");
}

#[tokio::test(flavor = "multi_thread")]
async fn twenty_ends_cost_64_kib_each_over_http() {
    little_comes_twice("cuts, HTTP", false).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn twenty_ends_cost_64_kib_each_over_ftp() {
    little_comes_twice("cuts, FTP", true).await;
}

/// A reset throws away what the depot's machine has received and Yarder has not read: no bound.
#[tokio::test(flavor = "multi_thread")]
async fn twenty_resets_leave_it_whole() {
    for ftp in [false, true] {
        fetched_through_cuts(if ftp { "resets, FTP" } else { "resets, HTTP" }, ftp, Ending::Rst).await;
    }
}
