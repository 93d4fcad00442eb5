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
pub use findings::{Found, Seen, Told, of};
pub use hours::Hour;
pub use vehicle::{Whose, whose};

pub use crate::config::Limits;
pub use crate::ledger::Recorded as Row;

/// What goes on until something mends it; the others are events, each with its file in its subject.
pub const STANDING: [&str; 7] = [
    "bus-load",
    "bus-silent",
    "card-fills",
    "frames-dropped",
    "logger-clock",
    "too-many-frames",
    "wrong-vehicle",
];

/// To two decimals: nobody knows more.
fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

#[cfg(test)]
mod tests;
