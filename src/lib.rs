//! Yarder brings the CAN log files of a vehicle fleet home.
#![warn(missing_docs)]

pub mod config;
pub mod model;
pub mod yard;
pub mod link;
pub mod listing;
pub mod fetch;
pub mod spool;
pub mod ledger;
pub mod archive;
pub mod sim;

pub mod clock;
pub mod durable;
pub mod edges;
pub mod forward;
pub mod killpoint;
pub mod progress;
