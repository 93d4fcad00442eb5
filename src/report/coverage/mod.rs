//! What the content of the files says about a logger's day: whose they are, whether anything is missing, and what will be lost
//! soon. Pure: rows in, findings out.
//!
//! A file's own facts say what is in it; what is missing shows between the files only. Everything here is about files
//! that came home, in the order in which they were recorded.

mod buses;
mod card;
mod clock;
mod engine;
mod findings;
mod hours;
mod numbers;
mod vehicle;

pub use card::{Card, Forecast, forecast};
pub use findings::{Found, Seen, found};
pub use hours::{Hour, covered, hours};
pub use vehicle::{Whose, whose};

pub use crate::config::Limits;
pub use crate::ledger::Recorded as Row;

#[cfg(test)]
mod tests;
