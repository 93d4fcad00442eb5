//! What an idle yard costs: 500 simulated loggers in this process, the service in another.
//!
//! `YARDER=PROGRAM` takes a built program (a release build gives the figures that count),
//! `YARDER_IDLE_SECONDS` the time measured (300), `YARDER_IDLE_PACE` the pace of knocks and
//! listings ("20s"; "default" leaves both at their defaults).
//!
//! `YARDER=target/release/yarder cargo nextest run --profile soak --run-ignored only -E 'test(soak_idle_yard)' --no-capture`

use std::fmt::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use yarder::clock::SystemClock;
use yarder::sim::idle_loggers;

const LOGGERS: usize = 500;

fn setting(name: &str, default: &str) -> String {
    std::env::var(name).unwrap_or_else(|_| default.to_owned())
}

/// Processor time in seconds (user and system) and the largest resident size in MiB of a process,
/// as proc(5) tells them.
fn cost(pid: u32) -> (f64, f64) {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).expect("it runs");
    let after = stat.rsplit_once(')').expect("proc(5)").1;
    let ticks: f64 =
        after.split_whitespace().skip(11).take(2).map(|n| n.parse::<f64>().expect("ticks")).sum();
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).expect("it runs");
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).expect("proc(5)");
    let kib: f64 = peak.trim().trim_end_matches(" kB").parse().expect("kB");
    // 100 ticks a second on every Linux of this kind (USER_HZ).
    (ticks / 100.0, kib / 1024.0)
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "a measurement of five minutes"]
async fn soak_idle_yard() {
    let loggers = idle_loggers(LOGGERS, Arc::new(SystemClock::new())).await.expect("loggers");
    let dir = tempfile::tempdir().expect("folder");
    let at = dir.path().display();
    let pace = setting("YARDER_IDLE_PACE", "20s");
    let (poll, quiet) = match pace.as_str() {
        "default" => (String::new(), String::new()),
        pace => (format!("[poll]\nevery = \"{pace}\"\n"), format!("quiet_when_done = \"{pace}\"\n")),
    };
    let depot = format!(
        "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\nstate_dir = \"{at}/state\"\n{poll}\
         [[archive]]\nname = \"central\"\nurl = \"file://{at}/archive\"\n"
    );
    let mut vehicles = format!("[kind.wifi]\nfiles = [\"**/*.log\"]\nopen_file = \"none\"\n{quiet}");
    for (n, logger) in loggers.iter().enumerate() {
        write!(
            vehicles,
            "[[vehicle]]\nid = \"PLOW-{n:03}\"\n[[logger]]\nid = \"L-{n:04}\"\nvehicle = \"PLOW-{n:03}\"\nkind = \"wifi\"\nurl = \"{}\"\n",
            logger.url()
        )
        .expect("text");
    }
    std::fs::create_dir(dir.path().join("archive")).expect("archive");
    std::fs::write(dir.path().join("yarder.toml"), depot).expect("written");
    std::fs::write(dir.path().join("vehicles.toml"), vehicles).expect("written");
    let mut service = Command::new(setting("YARDER", env!("CARGO_BIN_EXE_yarder")))
        .arg("--config")
        .arg(dir.path().join("yarder.toml"))
        .arg("run")
        .env("STATE_DIRECTORY", dir.path())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the service starts");
    // Until every logger was met and its few files are home, the yard is not idle.
    tokio::time::sleep(Duration::from_secs(60)).await;
    let seconds: u64 = setting("YARDER_IDLE_SECONDS", "300").parse().expect("seconds");
    let (before, _) = cost(service.id());
    tokio::time::sleep(Duration::from_secs(seconds)).await;
    let (after, peak) = cost(service.id());
    let listings: u64 = loggers.iter().map(|l| l.counters().listings).sum();
    println!(
        "idle yard of {LOGGERS} loggers, pace {pace}: {:.2} % of a core over {seconds} s, {peak:.1} MiB at most, {listings} listings in all",
        100.0 * (after - before) / seconds as f64
    );
    service.kill().expect("ends");
    service.wait().expect("ended");
}
