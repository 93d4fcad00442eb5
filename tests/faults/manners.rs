//! The service as a process: how it ends, who may run beside it, and edits of its configuration.

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::process::Command;
use std::time::Duration;

use yarder::sim::Options;

use super::depot::{Depot, Running, content, dice, eventually, json, logger, recorded};

#[tokio::test(flavor = "multi_thread")]
async fn sigterm_during_a_transfer_ends_in_order_and_the_partial_goes_on() {
    let mut dice = dice("manners, SIGTERM");
    for options in [Options::http(), Options::ftp()] {
        let file = content(&mut dice, 12_000_000);
        let logger = logger(options, &[("1.log", file.clone())]).await;
        logger.faults().rate = Some(4_000_000);
        let depot = Depot::new();
        depot.write(&[("1", logger.url())]);
        let service = Running::start(depot.yarder(&["run"]), &depot.path().join("run.log"));
        eventually("half of the file", || (logger.counters().bytes() > 6_000_000).then_some(()));
        assert_eq!(service.terminate(), Some(0), "it ends in order");
        let kept = depot.files()[0].mark;
        assert!(kept > 4_000_000, "{kept} bytes were kept");
        assert_eq!(depot.states(), [("fetching", 1)].into());
        logger.faults().rate = None;
        let report = depot.once();
        let read = report["totals"]["bytes_delivered"].as_u64().expect("bytes");
        println!("manners, SIGTERM: kept {kept}, read {read} in all");
        assert!(read <= file.len() + 64 * 1024, "{read} bytes read");
        depot.assert_archived("L-1", &[file]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_process_is_refused_and_told_who_has_the_folder() {
    println!("manners, two: no chance in it");
    let depot = Depot::new();
    let logger = logger(Options::http(), &[]).await;
    depot.write(&[("1", logger.url())]);
    let service = Running::start(depot.yarder(&["run"]), &depot.path().join("run.log"));
    eventually("the service", || (logger.counters().listings > 0).then_some(()));
    for command in ["run", "once"] {
        let refused = depot.yarder(&[command]).output().expect("start");
        assert_eq!(refused.status.code(), Some(1), "{command}");
        let said = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert!(said.contains(&format!("process {}", service.pid())), "{command}: {said}");
    }
    assert_eq!(service.terminate(), Some(0));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broken_edit_keeps_the_last_good_pair_and_a_good_one_is_taken() {
    let mut dice = dice("manners, edits");
    let mut contents = vec![content(&mut dice, 30_000)];
    let one = logger(Options::http(), &[("1.log", contents[0].clone())]).await;
    let other = content(&mut dice, 40_000);
    let two = logger(Options::http(), &[("1.log", other.clone())]).await;
    let depot = Depot::new();
    depot.write(&[("1", one.url())]);
    let list = depot.path().join("vehicles.toml");
    let start = || Running::start(depot.yarder(&["run"]), &depot.path().join("run.log"));
    let bring = |n: i64, content| {
        one.card().add(format!("{n}.log"), content, recorded(n));
        eventually("a file more", || (depot.archived() == n as usize).then_some(()));
    };
    let service = start();
    eventually("the first file", || (depot.archived() == 1).then_some(()));

    // A comma is missing, and the list is a torn one.
    fs::write(&list, depot.vehicles(&[("1", one.url())]).replace("[kind.sim]", "[kind.sim")).expect("edit");
    eventually("the finding", || (depot.findings("config-broken").len() == 1).then_some(()));
    contents.push(content(&mut dice, 20_000));
    bring(2, contents[1].clone());
    let check = depot.yarder(&["check"]).output().expect("start");
    assert_eq!(check.status.code(), Some(2), "other commands refuse the broken files");
    for command in [&["status"][..], &["report"], &["files"], &["trace", "1.log"], &["held"], &["reload"]] {
        let refused = depot.yarder(command).output().expect("start");
        assert_eq!(refused.status.code(), Some(2), "{command:?}");
        assert!(refused.stdout.is_empty(), "{command:?}");
        let said = String::from_utf8_lossy(&refused.stderr).into_owned();
        for part in ["[kind.sim", "A service that runs goes on with the last good pair", "`yarder check`"] {
            assert!(said.contains(part), "{command:?}: {said}");
        }
    }

    // Started again with the broken files it runs the last good ones.
    assert_eq!(service.terminate(), Some(0));
    let service = start();
    contents.push(content(&mut dice, 10_000));
    bring(3, contents[2].clone());
    assert_eq!(depot.findings("config-broken").len(), 1);

    // Mended, with one logger more.
    fs::write(&list, depot.vehicles(&[("1", one.url()), ("2", two.url())])).expect("edit");
    eventually("the new logger's file", || (depot.archived() == 4).then_some(()));
    eventually("the end of the finding", || depot.findings("config-broken").is_empty().then_some(()));
    assert_eq!(service.terminate(), Some(0));
    let mut wanted: Vec<_> = contents.iter().chain([&other]).map(|c| c.sha256().hex()).collect();
    wanted.sort();
    assert_eq!(depot.hashes(), wanted);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_command_that_hangs_on_a_share_delays_neither_watchdog_nor_status_nor_the_end() {
    let mut dice = dice("manners, hung command");
    let file = content(&mut dice, 20_000);
    let logger = logger(Options::http(), &[("1.log", file.clone())]).await;
    let depot = Depot::new();
    depot.write(&[("1", logger.url())]);
    let socket = depot.path().join("notify");
    let systemd = UnixDatagram::bind(&socket).expect("socket");
    systemd.set_read_timeout(Some(Duration::from_secs(20))).expect("timeout");
    let heard = |what: &str| loop {
        let mut text = [0; 512];
        let len = systemd.recv(&mut text).expect("the service tells systemd how it is");
        if String::from_utf8_lossy(&text[..len]).contains(what) {
            return;
        }
    };
    let log = depot.path().join("run.log");
    let mut run = depot.yarder(&["run"]);
    run.env("NOTIFY_SOCKET", &socket).env("WATCHDOG_USEC", "400000").env_remove("WATCHDOG_PID");
    let service = Running::start(run, &log);
    eventually("the file", || (depot.archived() == 1).then_some(()));
    heard("READY=1");

    // Opening a pipe that nobody writes into hangs, as a share does whose server is gone.
    let (id, aside) = (depot.archive.join(".yarder/archive.json"), depot.path().join("aside"));
    let shell =
        |line: String| assert!(Command::new("sh").args(["-c", &line]).status().expect("sh").success());
    shell(format!("mv '{0}' '{1}' && mkfifo '{0}'", id.display(), aside.display()));
    let mut adopt =
        depot.yarder(&["adopt", "central"]).stderr(std::process::Stdio::piped()).spawn().expect("start");
    eventually("the command", || fs::read_to_string(&log).expect("log").contains("accept").then_some(()));
    systemd.set_nonblocking(true).expect("socket");
    while systemd.recv(&mut [0; 512]).is_ok() {}
    systemd.set_nonblocking(false).expect("socket");
    for _ in 0..3 {
        heard("WATCHDOG=1");
    }
    let status = depot.yarder(&["status", "--json"]).output().expect("start");
    assert_eq!(json(&status)["service"]["text"], "The service runs.");
    assert!(adopt.try_wait().expect("wait").is_none(), "it still waits");
    assert_eq!(service.terminate(), Some(0), "it ends in order");
    let told = adopt.wait_with_output().expect("end");
    assert_eq!(told.status.code(), Some(1), "{told:?}");
    assert!(String::from_utf8_lossy(&told.stderr).contains("is not accepted"), "{told:?}");

    shell(format!("mv -f '{}' '{}'", aside.display(), id.display()));
    depot.once();
    depot.assert_archived("L-1", &[file]);
}
