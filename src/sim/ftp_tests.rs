//! The FTP server and its faults, witnessed by Python's ftplib and by curl.

use std::process::Output;

use super::super::{Content, DigestOffer, Effect, Options, Point, Protocol, SimLogger};
use super::*;

const SIZE: u64 = 300_000;

async fn logger(options: Options) -> SimLogger {
    let logger = SimLogger::start(options.login("depot", "plough")).await.expect("port");
    let time = "2026-11-24T06:30:00Z".parse().expect("moment");
    logger.card().add("a.log", content(), time);
    logger.card().add("day/b.log", Content::bytes("one\ntwo\n"), time);
    logger
}

fn content() -> Content {
    Content::noise(1, SIZE)
}

fn whole() -> Vec<u8> {
    content().read(0, usize::MAX).to_vec()
}

async fn run(program: &'static str, args: Vec<String>) -> Output {
    let run = move || std::process::Command::new(program).args(args).output();
    tokio::task::spawn_blocking(run).await.expect("thread").expect("installed")
}

/// Runs lines of Python with `f` logged in, and gives what they print.
async fn python(logger: &SimLogger, lines: &str) -> String {
    let (ip, port) = (logger.addr().ip(), logger.addr().port());
    let script = format!(
        "import ftplib, hashlib\nf = ftplib.FTP(timeout=10)\nf.connect('{ip}', {port})\n\
         f.login('depot', 'plough')\n{lines}\n"
    );
    let out = run("python3", vec!["-c".to_owned(), script]).await;
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8_lossy(&out.stdout).trim().to_owned()
}

async fn curl(logger: &SimLogger, path: &str, args: &[&str]) -> Output {
    let url = format!("{}{path}", logger.url());
    let all = [&["-s", "-m", "10", "-u", "depot:plough"], args, &[url.as_str()]].concat();
    run("curl", all.into_iter().map(str::to_owned).collect()).await
}

#[tokio::test]
async fn files_and_folders_are_served_to_ftplib() {
    let logger = logger(Options::ftp()).await;
    let out = python(
        &logger,
        "print(sorted((n, d['type'], d.get('size'), d['modify']) for n, d in f.mlsd('day')))\n\
         f.cwd('day'); print(f.pwd()); f.cwd('/')\n\
         f.voidcmd('TYPE I'); print(f.size('a.log'), f.sendcmd('MDTM a.log'))\n\
         h = hashlib.sha256(); f.retrbinary('RETR a.log', h.update); print(h.hexdigest())\n\
         f.set_pasv(True); f.af = 2\n\
         l = []; f.retrlines('LIST day', l.append); print(l)\n\
         print(f.sendcmd('MLST day/b.log').split(chr(10))[1])\n\
         print(f.sendcmd('FEAT').replace(chr(10), '|'))\nprint(f.quit())",
    )
    .await;
    for want in [
        "('b.log', 'file', '8', '20261124063000')",
        "\n/day\n",
        "300000 213 20261124063000",
        &content().sha256().hex(),
        "-rw-r--r--   1 ftp      ftp             8 Nov 24",
        " type=file;size=8;modify=20261124063000; /day/b.log\n",
        "| REST STREAM|",
        "221 Goodbye.",
    ] {
        assert!(out.contains(want), "{want}\n{out}");
    }
    assert_eq!(logger.counters().of("a.log"), SIZE);
}

/// ftplib uses `PASV` for IPv4; curl asks for `EPSV` first.
#[tokio::test]
async fn curl_downloads_by_epsv_and_by_pasv_after_a_refusal() {
    for epsv in [true, false] {
        let protocol = Protocol::Ftp(FtpOptions { epsv, mlsd: false });
        let logger = logger(Options { protocol, ..Options::ftp() }).await;
        assert_eq!(curl(&logger, "a.log", &[]).await.stdout, whole());
    }
}

#[tokio::test]
async fn a_cut_transfer_resumes_where_it_was_cut() {
    let logger = logger(Options::ftp()).await;
    logger.faults().cuts(&[100_000, 250_000], Effect::Fin);
    let dir = tempfile::tempdir().expect("folder");
    let to = dir.path().join("a");
    for (code, len) in [(Some(18), 100_000), (Some(18), 250_000), (Some(0), 300_000)] {
        let args = ["-C", "-", "-o", to.to_str().expect("path")];
        assert_eq!(curl(&logger, "a.log", &args).await.status.code(), code);
        assert_eq!(std::fs::read(&to).expect("part"), whole()[..len]);
    }
    assert_eq!(logger.counters().of("a.log"), SIZE);
    logger.faults().once(Point::Transfer(1000), Effect::Rst);
    assert_ne!(curl(&logger, "a.log", &[]).await.status.code(), Some(0));
    logger.faults().once(Point::Transfer(65_536), Effect::Stall);
    let out = curl(&logger, "a.log", &["-m", "1"]).await;
    assert_eq!((out.status.code(), out.stdout.len()), (Some(28), 65_536));
}

#[tokio::test]
async fn a_short_file_is_called_whole_and_a_restart_may_be_ignored() {
    let logger = logger(Options::ftp()).await;
    logger.faults().once(Point::Transfer(1000), Effect::Short);
    let fetch = "b = bytearray(); print(f.retrbinary('RETR a.log', b.extend), len(b))";
    let out = python(&logger, fetch).await;
    assert_eq!(out, "226 Transfer complete. 1000");
    let from = |rest: u64| {
        format!("b = bytearray(); f.retrbinary('RETR a.log', b.extend, rest={rest}); print(len(b))")
    };
    assert_eq!(python(&logger, &from(299_000)).await, "1000");
    // RFC 3659, 5.3: an offset holds for one transfer.
    let twice = format!("{}; b.clear(); f.retrbinary('RETR a.log', b.extend); print(len(b))", from(299_000));
    assert_eq!(python(&logger, &twice).await, "1000\n300000");
    logger.faults().ignore_ranges = true;
    assert_eq!(python(&logger, &from(299_000)).await, "300000");
}

#[tokio::test]
async fn refusals_have_their_codes() {
    let logger = logger(Options::ftp()).await;
    logger.faults().failing_folders.insert(b"day".to_vec());
    let out = python(
        &logger,
        "def code(c):\n  try: return f.sendcmd(c)[:3]\n  except ftplib.Error as e: return str(e)[:3]\n\
         print(code('SIZE a.log'), code('TYPE I'), code('SIZE none'), code('CWD none'), code('CWD day'), \
         code('RETR a.log'), code('REST x'), code('STOR x'), code('HASH a.log'), code('LIST day'))",
    )
    .await;
    assert_eq!(out, "550 200 550 550 550 425 501 500 500 550");
    logger.faults().busy = true;
    let refused = curl(&logger, "a.log", &[]).await;
    assert!(refused.stdout.is_empty() && !refused.status.success());
}

#[tokio::test]
async fn a_wrong_password_and_the_ascii_type_are_as_on_real_servers() {
    let logger = logger(Options::ftp()).await;
    let out = curl(&logger, "a.log", &["-u", "depot:wrong"]).await;
    // 67: the remote server denied curl to login.
    assert_eq!((out.status.code(), logger.counters().refused), (Some(67), 1));
    let lines = "b = bytearray(); f.voidcmd('TYPE A'); s = f.transfercmd('RETR day/b.log')\n\
                 while (p := s.recv(99)): b.extend(p)\nprint(bytes(b))";
    assert_eq!(python(&logger, lines).await, "b'one\\r\\ntwo\\r\\n'");
}

#[tokio::test]
async fn digests_are_stated_right_or_wrong() {
    let logger = logger(Options::ftp()).await;
    logger.faults().digest = DigestOffer::Wrong(1);
    let out = python(&logger, "print(f.sendcmd('HASH a.log'))\nprint(f.sendcmd('HASH a.log'))").await;
    let right = format!("213 SHA-256 0-300000 {} a.log", content().sha256().hex());
    let lines: Vec<&str> = out.lines().collect();
    assert!(lines[0] != right && lines[1] == right, "{out}");
}

#[tokio::test]
async fn listings_fail_in_each_way() {
    let logger = logger(Options::ftp()).await;
    let list = "l = []; f.retrlines('MLSD', l.append); print(len(l))";
    assert_eq!(python(&logger, list).await, "3");
    logger.faults().listing = ListingFault::Empty;
    assert_eq!(python(&logger, list).await, "1");
    logger.faults().listing = ListingFault::LoginPage;
    assert!(python(&logger, "f.retrlines('MLSD')").await.contains("password"));
    logger.faults().listing = ListingFault::Error;
    let refused = "try: f.retrlines('LIST')\nexcept ftplib.error_perm as e: print(e)";
    assert_eq!(python(&logger, refused).await, "550 Cannot open the directory.");
}
