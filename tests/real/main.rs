//! Links and whole rounds against real file servers, over trees whose every byte is known.
//!
//! The servers are started by `tests/servers/*.sh` on loopback and end with their test; one that is
//! not installed is a failure (`tests/run` installs them). [`rounds`] runs the `yarder` command,
//! [`conformance`] the links alone, there also against the simulated loggers.

#![expect(clippy::disallowed_methods, reason = "what stands outside the service has its own clock and disk")]

mod conformance;
mod depot;
mod proxy;
mod removal;
mod rounds;
mod servers;
mod tree;
