//! Yarder brings the CAN log files of a vehicle fleet home.
#![warn(missing_docs)]

pub mod archive;
pub mod cli;
pub mod clock;
pub mod config;
pub mod control;
pub mod durable;
pub mod edges;
pub mod fetch;
pub mod forward;
pub mod killpoint;
pub mod ledger;
pub mod link;
pub mod listing;
pub mod model;
pub mod progress;
pub mod report;
pub mod sim;
pub mod spool;
pub mod yard;
