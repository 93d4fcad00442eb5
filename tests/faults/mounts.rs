//! An archive on a share that goes away. Needs root, or sudo without a password, to mount.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use yarder::sim::Options;

use super::depot::{Depot, Running, content, dice, eventually, logger, recorded};

/// A folder mounted over the depot's archive; unmounted when the test ends, however it ends.
struct Share {
    backing: PathBuf,
    point: PathBuf,
}

pub fn root(program: &str, args: &[&Path]) {
    let own = rustix::process::geteuid().is_root();
    let mut command = Command::new(if own { program } else { "sudo" });
    if !own {
        command.args(["-n", program]);
    }
    let output = command.args(args).output().expect("start");
    assert!(output.status.success(), "this test must be able to mount: {output:?}");
}

impl Share {
    fn new(depot: &Depot) -> Self {
        let backing = depot.path().join("share");
        fs::create_dir(&backing).expect("folder");
        let share = Self { backing, point: depot.archive.clone() };
        share.mount();
        share
    }

    fn mount(&self) {
        root("mount", &[Path::new("--bind"), &self.backing, &self.point]);
    }

    /// Takes the share away even while a process holds a folder of it.
    fn unmount(&self) {
        root("umount", &[Path::new("--lazy"), &self.point]);
    }

    fn is_mounted(&self) -> bool {
        let mounts = fs::read_to_string("/proc/self/mounts").expect("mounts");
        let point = self.point.to_str().expect("text");
        mounts.lines().any(|line| line.split(' ').nth(1) == Some(point))
    }
}

impl Drop for Share {
    fn drop(&mut self) {
        while self.is_mounted() {
            self.unmount();
        }
    }
}

fn is_empty(folder: &Path) -> bool {
    fs::read_dir(folder).expect("folder").next().is_none()
}

#[tokio::test(flavor = "multi_thread")]
async fn an_unmounted_share_gets_no_byte_between_two_rounds() {
    let mut dice = dice("mounts, rounds");
    let mut contents = vec![content(&mut dice, 200_000), content(&mut dice, 3000)];
    let logger =
        logger(Options::http(), &[("1.log", contents[0].clone()), ("2.log", contents[1].clone())]).await;
    let depot = Depot::new();
    let share = Share::new(&depot);
    depot.write(&[("1", logger.url())]);
    depot.once();
    depot.assert_archived("L-1", &contents);

    share.unmount();
    for n in 3..=4 {
        let new = content(&mut dice, 150_000);
        logger.card().add(format!("{n}.log"), new.clone(), recorded(n));
        contents.push(new);
        let report = depot.once();
        assert!(is_empty(&depot.archive), "something was written under the mount point");
        assert_eq!(depot.findings("archive-away").len(), 1);
        assert_eq!(report["vehicles"][0]["verdict"], "incomplete");
        assert_eq!(depot.states().get("whole"), Some(&(n as usize - 2)), "fetching goes on");
    }

    share.mount();
    depot.once();
    depot.assert_archived("L-1", &contents);
    assert!(depot.findings("archive-away").is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn an_unmounted_share_gets_no_byte_from_a_running_service() {
    let mut dice = dice("mounts, service");
    let mut contents = vec![content(&mut dice, 200_000)];
    let logger = logger(Options::http(), &[("1.log", contents[0].clone())]).await;
    let depot = Depot::new();
    let share = Share::new(&depot);
    depot.write(&[("1", logger.url())]);
    let service = Running::start(depot.yarder(&["run"]), &depot.path().join("run.log"));
    eventually("the first file", || (depot.archived() == 1).then_some(()));

    share.unmount();
    for n in 2..=3 {
        let new = content(&mut dice, 150_000);
        logger.card().add(format!("{n}.log"), new.clone(), recorded(n));
        contents.push(new);
        eventually("a file in the spool", || (depot.whole() == n as usize - 1).then_some(()));
        eventually("the finding", || (depot.findings("archive-away").len() == 1).then_some(()));
        assert!(is_empty(&depot.archive), "something was written under the mount point");
    }

    share.mount();
    eventually("all of them", || (depot.archived() == 3).then_some(()));
    assert!(depot.findings("archive-away").is_empty());
    assert_eq!(service.terminate(), Some(0));
    depot.assert_archived("L-1", &contents);
}
