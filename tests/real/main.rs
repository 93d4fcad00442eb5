//! Links and whole rounds against real file servers, over trees whose every byte is known.
//!
//! The servers are started by `tests/servers/*.sh` on loopback and end with their test; one that is
//! not installed is a failure (`tests/run` installs them). [`rounds`] runs the `yarder` command,
//! [`conformance`] and [`deletion`] the links alone, there also against the simulated loggers.

#![expect(clippy::disallowed_methods, reason = "what stands outside the service has its own clock and disk")]

/// Every check for every server. A check takes what `Place::start` makes of one.
macro_rules! link_conformance {
    ($checks:tt $($name:ident: $server:expr;)*) => {$(
        mod $name {
            use super::*;
            link_conformance! { @checks $server; $checks }
        }
    )*};
    (@checks $server:expr; [$($check:ident)*]) => {$(
        #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
        async fn $check() {
            super::$check(Place::start($server).await).await;
        }
    )*};
}

mod conformance;
mod deletion;
mod depot;
mod proxy;
mod removal;
mod rounds;
mod servers;
mod tree;
