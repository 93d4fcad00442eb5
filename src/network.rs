//! Whether this machine has a network at all: without one, no silence says anything about a logger.

use std::collections::BTreeSet;
use std::fmt::Debug;
use std::path::Path;

/// Tells whether any interface but loopback is up and has an address.
pub trait Network: Send + Sync + Debug {
    /// The answer of now; where it cannot be had, the network counts as up.
    fn up(&self) -> bool;
}

/// What the kernel says of its interfaces.
#[derive(Debug)]
pub struct Interfaces;

impl Network for Interfaces {
    fn up(&self) -> bool {
        up(Path::new("/")).unwrap_or(true)
    }
}

/// The answer from the files of `sys` and `proc` below a root; `None` where they are not there.
fn up(root: &Path) -> Option<bool> {
    let read = |path: &str| std::fs::read_to_string(root.join(path)).ok();
    // A route needs an address. The first line names the columns.
    let routes = read("proc/net/route")?;
    let mut addressed: BTreeSet<&str> =
        routes.lines().skip(1).filter_map(|line| line.split_whitespace().next()).collect();
    // Address, index, prefix, scope, flags, name; scope 20 is of the link alone, 10 is loopback.
    let six = read("proc/net/if_inet6").unwrap_or_default();
    for line in six.lines() {
        let fields: Vec<&str> = line.split_whitespace().collect();
        if let (Some(scope), Some(name)) = (fields.get(3), fields.get(5))
            && !matches!(*scope, "10" | "20")
        {
            addressed.insert(name);
        }
    }
    // Some drivers and tunnels know no better word than `unknown`.
    let works = |name: &str| {
        let state = read(&format!("sys/class/net/{name}/operstate"));
        state.is_none_or(|state| matches!(state.trim(), "up" | "unknown"))
    };
    Some(addressed.into_iter().any(|name| name != "lo" && works(name)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\tMTU\tWindow\tIRTT\n";
    const ROUTE: &str = "eth0\t00000000\t0100A8C0\t0003\t0\t0\t100\t00000000\t0\t0\t0\n";
    const GLOBAL: &str = "20010db8000000000000000000000001 02 40 00 80     eth0\n";
    const LOCAL: &str = "fe80000000000000021122fffe334455 02 40 20 80     eth0\n\
                         00000000000000000000000000000001 01 80 10 80       lo\n";

    fn says(routes: &str, six: &str, state: &str) -> Option<bool> {
        let dir = tempfile::tempdir().expect("dir");
        let put = |path: &str, text: &str| {
            let path = dir.path().join(path);
            std::fs::create_dir_all(path.parent().expect("folder")).expect("folder");
            std::fs::write(path, text).expect("written");
        };
        put("proc/net/route", &format!("{HEAD}{routes}"));
        put("proc/net/if_inet6", six);
        put("sys/class/net/eth0/operstate", &format!("{state}\n"));
        up(dir.path())
    }

    #[test]
    fn a_network_is_an_interface_that_is_up_and_has_an_address() {
        assert_eq!(says(ROUTE, LOCAL, "up"), Some(true));
        assert_eq!(says(ROUTE, LOCAL, "unknown"), Some(true));
        assert_eq!(says("", GLOBAL, "up"), Some(true));
        assert_eq!(says(ROUTE, GLOBAL, "down"), Some(false), "the cable is out");
        assert_eq!(says(ROUTE, GLOBAL, "lowerlayerdown"), Some(false));
        assert_eq!(says("", LOCAL, "up"), Some(false), "no address but its own");
    }

    #[test]
    fn where_nothing_is_known_the_network_counts_as_up() {
        let dir = tempfile::tempdir().expect("dir");
        assert_eq!(up(dir.path()), None);
    }
}
