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

pub use crate::ledger::Recorded as Row;

/// From when on something is told. The defaults are common practice, without a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Way between two files that no file has, km.
    pub unlogged_km: f64,
    /// Hours of the engine that no file has.
    pub unlogged_h: f64,
    /// By how much a clock may differ from the vehicle's, s.
    pub clock_off_s: f64,
    /// By how much a file may end after it came home, s.
    pub clock_future_s: f64,
    /// What a clock may gain or lose a day, s.
    pub clock_drift_s: f64,
    /// A card that is full within so many days is to be dealt with.
    pub card_days: f64,
    /// Share of frames that a recorder may lose.
    pub dropped: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            unlogged_km: 2.0,
            unlogged_h: 0.25,
            clock_off_s: 120.0,
            clock_future_s: 3_600.0,
            clock_drift_s: 10.0,
            card_days: 4.0,
            dropped: 0.001,
        }
    }
}

/// What goes on until something mends it; the others are events, each with its file in its subject.
pub const STANDING: [&str; 6] =
    ["bus-silent", "card-fills", "frames-dropped", "logger-clock", "too-many-frames", "wrong-vehicle"];

/// To two decimals: nobody knows more.
fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

#[cfg(test)]
mod tests;
