//! `yarder once` over whole trees: what a server lists and serves is archived, once, and proven.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use yarder::model::RemotePath;

use crate::depot::{Depot, FileLine, codes};
use crate::proxy::Proxy;
use crate::servers::{Program, Running};
use crate::tree::{self, Tree, Truth};

/// The ends of ten files are compared in each visit, 64 KiB at either end.
const ENDS: u64 = 10 * 128 * 1024;
/// What the second round may bring over the wire besides: listings of 5,000 files, and what a server
/// had sent before it saw that a read was broken off.
const LISTINGS: u64 = 20 * 1024 * 1024;
/// Content of this size is stored once a logger, smaller content once a name.
const STORED_ONCE: u64 = 4096;

macro_rules! rounds {
    ($($name:ident, $odd:ident: $program:ident;)*) => {$(
        #[test]
        fn $name() {
            comes_home(Program::$program);
        }

        #[test]
        fn $odd() {
            odd_names(Program::$program);
        }
    )*};
}

rounds! {
    real_nginx_html_comes_home, real_nginx_html_odd_names: NginxHtml;
    real_nginx_json_comes_home, real_nginx_json_odd_names: NginxJson;
    real_lighttpd_comes_home, real_lighttpd_odd_names: Lighttpd;
    real_python_http_comes_home, real_python_http_odd_names: PythonHttp;
    real_vsftpd_comes_home, real_vsftpd_odd_names: Vsftpd;
    real_pyftpdlib_comes_home, real_pyftpdlib_odd_names: Pyftpdlib;
}

fn at(program: Program, addr: std::net::SocketAddr) -> String {
    format!("{}://{addr}/", program.scheme())
}

/// A card of 5,000 small files, 300 MB in one more, and every name that all servers can tell.
fn comes_home(program: Program) {
    let tree = tree::card();
    let server = Running::start(program, &tree.dir);
    let proxy = Proxy::start(server.addr, program.scheme() == "ftp");
    let depot = Depot::new(&at(program, proxy.addr), program.login());
    let begun = Instant::now();
    assert_eq!(depot.once(), Some(0));
    let (first, took) = (proxy.take(), begun.elapsed());
    let expected = served(program, tree);
    let files = depot.files();
    all_archived(&expected, &files);
    manifests_agree(&depot.archive(), &files);
    let delivered = report_is_clean(&depot);

    let begun = Instant::now();
    assert_eq!(depot.once(), Some(0));
    let (second, again) = (proxy.take(), begun.elapsed());
    assert_eq!(depot.files(), files, "the second round changed something");
    manifests_agree(&depot.archive(), &files);
    let more = report_is_clean(&depot) - delivered;
    assert!(more <= ENDS, "{more} bytes of files came again");
    assert!(second <= ENDS + LISTINGS, "{second} bytes came over the wire again");
    eprintln!(
        "{program:?}: {} of {} files archived in {took:.1?} ({first} bytes on the wire); again: {again:.1?}, \
         {more} bytes of files, {second} on the wire",
        files.len(),
        tree.files.len(),
    );
}

/// Names that not every server can tell: what is served comes home, and the rest is not hidden.
fn odd_names(program: Program) {
    let tree = tree::odd();
    let server = Running::start(program, &tree.dir);
    let depot = Depot::new(&at(program, server.addr), program.login());
    let code = depot.once();
    let expected = served(program, tree);
    let refused: BTreeSet<String> = tree
        .files
        .iter()
        .filter(|file| !program.hides(&file.path) && program.refuses(&file.path))
        .map(|file| shown(&program.tells(&file.path)))
        .collect();
    let (kept, files): (BTreeMap<_, _>, BTreeMap<_, _>) =
        depot.files().into_iter().partition(|(path, _)| refused.contains(path));
    all_archived(&expected, &files);
    manifests_agree(&depot.archive(), &files);
    assert_eq!(kept.keys().cloned().collect::<BTreeSet<_>>(), refused, "what it refuses is not forgotten");
    assert!(kept.values().all(|file| matches!(&file.state[..], "listed" | "fetching")), "{kept:?}");
    let report = depot.report();
    let vehicle = &report["vehicles"][0];
    assert_eq!(vehicle["loggers"][0]["listing_whole"], true);
    // What lay on the card when the logger was first met is counted apart.
    assert_eq!(vehicle["files"]["backlog"].as_u64(), Some(refused.len() as u64));
    let acts = report.to_string().contains(r#""severity":"act""#);
    assert_eq!(code, Some(if acts { 3 } else { 0 }), "3 is for findings that need a person");
    eprintln!(
        "{program:?}: {} of {} files archived, {} refused, {:?}",
        files.len(),
        tree.files.len(),
        refused.len(),
        codes(&report)
    );
}

#[test]
fn real_a_refused_login_is_for_a_person_and_an_absent_logger_is_not() {
    let tree = tree::odd();
    let server = Running::start(Program::Pyftpdlib, &tree.dir);
    let depot = Depot::new(&at(Program::Pyftpdlib, server.addr), Some(("depot", "wrong")));
    assert_eq!(depot.once(), Some(3));
    assert!(codes(&depot.report()).contains(&"login-refused".to_owned()));
    let gone = Depot::new(&at(Program::Pyftpdlib, server.addr), Some(("depot", "yard")));
    drop(server);
    assert_eq!(gone.once(), Some(0));
    assert!(gone.files().is_empty());
}

fn served(program: Program, tree: &Tree) -> BTreeMap<String, &Truth> {
    let served = |file: &&Truth| !program.hides(&file.path) && !program.refuses(&file.path);
    tree.files.iter().filter(served).map(|file| (shown(&program.tells(&file.path)), file)).collect()
}

fn shown(path: &[u8]) -> String {
    RemotePath::new(path).expect("path").to_string()
}

fn all_archived(expected: &BTreeMap<String, &Truth>, files: &BTreeMap<String, FileLine>) {
    let wanted: BTreeSet<_> = expected.keys().collect();
    let came: BTreeSet<_> = files.keys().collect();
    let missing: Vec<_> = wanted.difference(&came).collect();
    let invented: Vec<_> = came.difference(&wanted).collect();
    assert!(missing.is_empty() && invented.is_empty(), "missing: {missing:?}, invented: {invented:?}");
    for (path, file) in files {
        let truth = expected[path];
        assert_eq!(file.state, "archived", "{path}");
        assert_eq!(file.sha256.as_ref(), Some(&truth.sha256), "{path}");
        assert_eq!(file.size, Some(truth.size), "{path}");
        assert_eq!(file.archives.len(), 1, "{path}");
        assert!(file.archives[0].verified.is_some(), "{path}");
    }
}

/// `sha256sum` agrees with every day folder's manifest; the manifests name what lies there and
/// nothing else; each file's content lies where the ledger says, and no content lies there twice.
fn manifests_agree(archive: &Path, files: &BTreeMap<String, FileLine>) {
    let mut stored = BTreeMap::new();
    let mut on_disk = BTreeSet::new();
    for day in day_folders(archive) {
        let checked = Command::new("sha256sum")
            .args(["--check", "--strict", "--quiet", "manifest-sha256.txt"])
            .current_dir(&day)
            .output()
            .expect("sha256sum");
        assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
        let key = |below: &Path| {
            let path = day.join(below);
            path.strip_prefix(archive).expect("below").to_str().expect("UTF-8").to_owned()
        };
        let manifest = fs::read_to_string(day.join("manifest-sha256.txt")).expect("manifest");
        for line in manifest.lines() {
            let (sha256, name) = line.split_once("  ").expect("two parts");
            let before = stored.insert(key(Path::new(name)), sha256.to_owned());
            assert_eq!(before, None, "{name} stands twice in its manifest");
        }
        below(&day.join("data"), &mut |path| {
            on_disk.insert(key(path.strip_prefix(&day).expect("below")));
        });
    }
    assert_eq!(stored.keys().cloned().collect::<BTreeSet<_>>(), on_disk);
    let mut used = BTreeSet::new();
    let mut contents = BTreeMap::new();
    for (path, file) in files {
        let location = file.archives[0].location.clone().expect(path);
        assert_eq!(stored.get(&location), file.sha256.as_ref(), "{path} at {location}");
        let small = file.size.is_none_or(|size| size < STORED_ONCE).then_some(path);
        let before = contents.insert((file.sha256.clone(), small), location.clone());
        assert!(before.is_none_or(|before| before == location), "{path} is stored twice");
        used.insert(location);
    }
    assert_eq!(used, on_disk, "something lies there that is no file's");
    assert_eq!(contents.len(), on_disk.len());
}

/// Every folder that holds `data`: `<vehicle>/<day>/<depot>`.
fn day_folders(archive: &Path) -> Vec<PathBuf> {
    let mut level = vec![archive.to_path_buf()];
    for _ in 0..3 {
        let inner = level.iter().flat_map(|folder| fs::read_dir(folder).expect("folder"));
        level = inner
            .map(|entry| entry.expect("entry").path())
            .filter(|path| path.is_dir() && path.file_name() != Some(".yarder".as_ref()))
            .collect();
    }
    assert!(!level.is_empty());
    level
}

fn below(folder: &Path, found: &mut dyn FnMut(&Path)) {
    for entry in fs::read_dir(folder).expect("folder") {
        let path = entry.expect("entry").path();
        if path.is_dir() { below(&path, found) } else { found(&path) }
    }
}

/// Complete, nothing lost, nothing cut; gives the bytes that came.
fn report_is_clean(depot: &Depot) -> u64 {
    let report = depot.report();
    let vehicle = &report["vehicles"][0];
    assert_eq!(vehicle["verdict"], "complete");
    assert_eq!(vehicle["loggers"][0]["listing_whole"], true);
    assert_eq!(vehicle["files"]["archived"].as_u64(), Some(depot.files().len() as u64));
    let totals = &report["totals"];
    for none in ["cuts", "bytes_fetched_twice", "files_lost", "files_held"] {
        assert_eq!(totals[none], 0, "{none}");
    }
    assert!(codes(&report).iter().all(|code| code == "archive-first-use"), "{:?}", codes(&report));
    vehicle["bytes"]["delivered"].as_u64().expect("a number")
}
