//! What is in a file is known, however it came home.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;

use serde_json::Value;
use yarder::sim::{Content, Options};

use super::depot::{Depot, dice, logger};
use super::proxy::{Ending, Proxy};

fn recording(name: &str) -> Content {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/recordings/can").join(name);
    Content::bytes(fs::read(path).expect("recording"))
}

/// A log of so many frames, a millisecond apart.
fn log(frames: u64) -> Content {
    let mut text = String::new();
    for n in 0..frames {
        let (seconds, micros) = (1_772_428_200 + n / 1000, n % 1000 * 1000);
        writeln!(text, "({seconds}.{micros:06}) can0 18FEF100#{n:016X}").expect("text");
    }
    Content::bytes(text)
}

/// Format, frames and span of a file, as `yarder files --json` tells them.
fn told(depot: &Depot) -> Vec<(String, Value)> {
    let output = depot.yarder(&["files", "--json"]).output().expect("start");
    let lines = String::from_utf8(output.stdout).expect("text");
    let line = |line: &str| {
        let file: Value = serde_json::from_str(line).expect("JSON");
        let path = file["path"].as_str().expect("path").to_owned();
        (path, serde_json::json!([file["format"], file["frames"], file["span"]]))
    };
    lines.lines().map(line).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_kind_of_file_is_known_once_it_is_home() {
    let depot = Depot::new().kind("files", "[\"**\"]");
    let files = [
        ("00001.log", recording("j1939/truck-b-2021-engine-on.log")),
        ("00002.mf4", recording("mdf4/truck-b-2021-engine-on.mf4")),
        ("00003.log.gz", recording("damaged/truck-a-two-buses-cut.log.gz")),
        ("00004.pcap", recording("synthetic/truck_ok.pcap")),
        ("00005.bin", Content::bytes(vec![7; 100_000])),
    ];
    let logger = logger(Options::http(), &files).await;
    depot.write(&[("1", logger.url())]);
    depot.once();
    let span = |from: &str, to: &str| serde_json::json!({ "from": from, "to": to });
    let truck = span("2021-07-21T22:04:02.645Z", "2021-07-21T22:04:14.685Z");
    let cut = span("2022-03-29T18:05:25.37Z", "2022-03-29T18:05:46.698Z");
    let made = span("2026-03-02T05:10:00Z", "2026-03-02T05:10:19.98Z");
    let mut told = told(&depot);
    told.sort_by(|a, b| a.0.cmp(&b.0));
    let known: Vec<_> = told.into_iter().map(|(_, facts)| facts).collect();
    assert_eq!(
        known,
        [
            serde_json::json!(["candump", 9950, truck]),
            serde_json::json!(["mdf4", 9950, truck]),
            serde_json::json!(["candump", 14115, cut]),
            serde_json::json!(["pcap", 1928, made]),
            serde_json::json!(["unknown", 0, null]),
        ]
    );
    let recorded: Vec<_> = depot.receipts("L-1").into_iter().filter_map(|receipt| receipt.recorded).collect();
    assert_eq!(recorded.len(), 4, "receipts tell of the files that could be read");
    let trace = depot.yarder(&["trace", "00003.log.gz", "--json"]).output().expect("start");
    let trace: Value = serde_json::from_slice(&trace.stdout).expect("JSON");
    assert_eq!(trace["inspection"]["compression"], "gzip");
    assert_eq!(trace["inspection"]["damage"][0]["code"], "missing-end");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_transfer_that_is_cut_tells_what_one_of_one_piece_tells() {
    let mut dice = dice("facts over cuts");
    let content = log(200_000);
    let logger = logger(Options::http(), &[("00001.log", content.clone())]).await;
    let cuts = (0..8).map(|_| dice.u64(100_000..10_000_000)).collect();
    let proxy = Proxy::start(logger.addr(), false, cuts, Ending::Fin).await;
    let depot = Depot::new();
    depot.write(&[("1", format!("http://{}/", proxy.addr()))]);
    for _ in 0..3 {
        depot.once();
    }
    depot.assert_archived("L-1", &[content]);
    assert_eq!(told(&depot)[0].1[1], 200_000);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_whose_transfer_goes_on_after_a_kill_is_read_whole() {
    let content = log(400_000);
    let logger = logger(Options::http(), &[("00001.log", content.clone())]).await;
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    let killed = depot.yarder(&["once"]).env("YARDER_KILL_AT", "mark-committed").output().expect("start");
    assert_eq!(killed.status.signal(), Some(9), "{killed:?}");
    depot.once();
    depot.assert_archived("L-1", &[content]);
    assert_eq!(told(&depot)[0].1[1], 400_000);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_logger_whose_server_shows_another_time_is_told_and_a_gateways_time_is_no_loggers() {
    let wrong = logger(Options::http(), &[("00001.log", log(10))]).await;
    wrong.card().set_clock_error(jiff::SignedDuration::from_mins(-90));
    let right = logger(Options::http(), &[("00001.log", log(20))]).await;
    let depot = Depot::new();
    depot.write(&[("1", wrong.url()), ("2", right.url())]);
    let clocks = |report: &Value| -> Vec<(String, f64)> {
        let vehicles = report["vehicles"].as_array().expect("vehicles");
        let findings = vehicles.iter().flat_map(|v| v["findings"].as_array().expect("findings"));
        let clocks = findings.filter(|f| f["code"] == "logger-clock");
        clocks
            .map(|f| {
                (f["id"].as_str().expect("id").to_owned(), f["evidence"]["server_s"].as_f64().expect("s"))
            })
            .collect()
    };
    let told = clocks(&depot.once());
    assert!(
        matches!(&told[..], [(id, s)] if id == "logger-clock:L-1" && (s + 5_400.0).abs() < 60.0),
        "{told:?}"
    );
    // Behind one server lie two loggers: it is neither of them.
    let gateway = Depot::new();
    gateway.write(&[("1", wrong.url()), ("2", format!("{}other/", wrong.url()))]);
    assert_eq!(clocks(&gateway.once()), []);
}
