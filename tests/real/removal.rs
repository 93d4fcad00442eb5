//! Archived files leave real servers, and stay on those that refuse.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use tempfile::TempDir;

use crate::depot::{Depot, codes};
use crate::servers::{Program, Running};

fn card() -> TempDir {
    let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("folder");
    // A server that gives up its rights must be able to read it.
    fs::set_permissions(dir.path(), fs::Permissions::from_mode(0o755)).expect("mode");
    fs::write(dir.path().join("device.json"), "{\"serial\": \"00421\"}\n").expect("write");
    fs::create_dir(dir.path().join("logs")).expect("folder");
    for n in 1..=4_u8 {
        fs::write(dir.path().join(format!("logs/a log {n}.log")), vec![n; 100_000]).expect("write");
    }
    dir
}

fn logs(card: &Path) -> usize {
    fs::read_dir(card.join("logs")).expect("folder").count()
}

/// A depot that has archived the card's four files, and may remove three.
fn depot(program: Program, server: &Running) -> Depot {
    let depot = Depot::new(&format!("{}://{}/", program.scheme(), server.addr), program.login());
    depot.edit(
        "files = [\"**\"]",
        "files = [\"**/*.log\"]\nproof = \"reread\"\nremove = \"archived\"\nremove_after = \"0s\"",
    );
    depot.edit("kind = \"real\"\n", "kind = \"real\"\nserial = \"00421\"\nserial_from = \"/device.json\"\n");
    assert_eq!(depot.once(), Some(0));
    depot
}

fn removes(program: Program) {
    let card = card();
    let server = Running::start(program, card.path());
    let depot = depot(program, &server);
    assert_eq!(depot.once(), Some(0));
    assert_eq!(logs(card.path()), 1, "the last of a folder may still be written");
    assert!(card.path().join("logs/a log 4.log").exists());
    let states: Vec<_> = depot.files().into_values().map(|file| file.state).collect();
    assert_eq!(states, ["removed", "removed", "removed", "archived"]);
    assert_eq!(depot.once(), Some(0));
}

fn refuses(program: Program) {
    let card = card();
    let server = Running::start(program, card.path());
    let depot = depot(program, &server);
    assert_eq!(depot.once(), Some(3));
    assert_eq!(logs(card.path()), 4);
    assert!(codes(&depot.report()).contains(&"remove-refused".to_owned()), "{:?}", codes(&depot.report()));
    assert!(depot.files().values().all(|file| file.state == "archived"));
}

#[test]
fn real_nginx_removes() {
    removes(Program::NginxDav);
}

#[test]
fn real_pyftpdlib_removes() {
    removes(Program::Pyftpdlib);
}

#[test]
fn real_nginx_without_the_method_refuses() {
    refuses(Program::NginxHtml);
}

#[test]
fn real_vsftpd_for_reading_alone_refuses() {
    refuses(Program::Vsftpd);
}
