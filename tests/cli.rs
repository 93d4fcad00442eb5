//! The command as a process: exit codes, and an output that nobody reads to its end.

use std::process::{Command, Output, Stdio};

fn yarder(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_yarder"));
    command.args(args).env_remove("YARDER_CONFIG").env_remove("YARDER_LOG").env("LC_ALL", "C.UTF-8");
    command.env("STATE_DIRECTORY", "/nonexistent");
    command
}

fn run(args: &[&str]) -> Output {
    yarder(args).output().expect("run")
}

#[test]
fn bad_usage_and_bad_configuration_exit_with_2() {
    let missing = ["--config", "/nonexistent/yarder.toml"];
    for command in ["check", "run", "once", "status", "report", "files", "held", "note", "audit", "reload"] {
        let output = run(&[&missing[..], &[command]].concat());
        assert_eq!(output.status.code(), Some(2), "{command}: {output:?}");
        let said = [output.stdout, output.stderr].concat();
        assert!(String::from_utf8_lossy(&said).contains("/nonexistent/yarder.toml"), "{command}");
    }
    for bad in [&["nonsense"][..], &[], &["held", "drop", "7"], &["check", "--log", "a=b=c"]] {
        assert_eq!(run(bad).status.code(), Some(2), "{bad:?}");
    }
}

#[test]
fn help_and_version_exit_with_0() {
    for good in [&["--help"][..], &["--version"], &["help", "audit"], &["held", "drop", "--help"]] {
        assert_eq!(run(good).status.code(), Some(0), "{good:?}");
    }
}

#[test]
fn an_output_that_nobody_reads_is_no_panic() {
    let depot = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/config/cases/02-unknown-key/yarder.toml");
    for args in [&["check", "--config", depot][..], &["--help"], &["check", "--json", "--config", depot]] {
        let mut child = yarder(args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("start");
        drop(child.stdout.take());
        let output = child.wait_with_output().expect("end");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(!said.contains("panicked"), "{args:?}: {said}");
        assert!(output.status.code().is_some(), "{args:?}: {:?}", output.status);
    }
}

#[test]
fn colours_never_leave_for_a_pipe() {
    let depot = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/config/cases/02-unknown-key/yarder.toml");
    let output = run(&["check", "--config", depot]);
    assert!(!output.stdout.contains(&0x1b) && !output.stderr.contains(&0x1b));
}
