//! Yarder brings the CAN log files of a vehicle fleet home.
//!
//! ```text
//!  yarder.toml, vehicles.toml
//!        |
//!     config --> yard --> link --> listing --> fetch --> spool --> forward --> archive
//!                 |  knocks, visits  what is new    |        whole files   |  once, verified
//!                 |                                 v                      v
//!                 +----------------------------> ledger <------------------+
//!                                                   |
//!                                                 report
//! ```
//!
//! Data flows one way, from left to right; the ledger is the one truth beside it. [`service`] puts
//! the parts together, [`cli`] is what a person types, [`sim`] is a yard of simulated loggers.
//!
//! # Invariants
//!
//! Each is held by a lint, a type or a test:
//!
//! * Only [`ledger`] names SQL, and a state changes only through [`ledger::state`].
//! * Only [`durable`] renames, links, flushes and removes; a failed flush is never retried.
//! * Only [`clock`] reads wall time. Clock, disk, blocking work and random numbers come from
//!   [`edges`], loggers through [`link::Dialer`], archives through [`archive::Archive`], so that the
//!   whole service can run in a made-up yard and replay from a seed.
//! * The order is: data flushed, renamed, folder flushed, ledger committed, and only then is anything
//!   acknowledged, or removed from the spool. A row never claims more than the disk holds.
//! * A logger deletes a file for a [`remove::Permit`] alone, which only the guard and the committed
//!   intent together make.
//! * [`model`], [`listing`], [`ledger::state`], [`fetch::plan`], [`forward::place`] and
//!   [`report::build`] do no I/O.
//! * Whatever a logger sends is bounded in size, count, depth and time before it is believed, and
//!   memory does not grow with a file's size.
//! * Every task is supervised; one that panics takes the process down.
//! * Every wait for a logger or an archive has a limit, transfers one on silence rather than on
//!   their whole length, and ends when the service is told to stop.
#![forbid(unsafe_code)]
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used))]
#![warn(missing_docs)]

pub mod config;
pub mod model;
pub mod yard;
pub mod link;
pub mod listing;
pub mod fetch;
pub mod inspect;
pub mod spool;
pub mod forward;
pub mod archive;
pub mod audit;
pub mod remove;
pub mod ledger;
pub mod report;

pub mod service;
pub mod control;
pub mod cli;
pub mod sim;

pub mod clock;
pub mod durable;
pub mod edges;
#[cfg(any(test, fuzzing))]
#[doc(hidden)]
pub mod hostile;
#[cfg(test)]
pub(crate) mod hooked;
pub mod killpoint;
pub mod network;
pub mod progress;
