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

use crate::inspect::facts::Summary;
use crate::model::RemotePath;

/// What is known of a file that a logger offered.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Its name on the card.
    pub path: RemotePath,
    /// Which card.
    pub card: i64,
    /// Bytes.
    pub size: u64,
    /// When it became whole here, ms; `None` while it is not.
    pub home: Option<i64>,
    /// What is in it; `None` where its form is not known, or it is not home.
    pub facts: Option<Box<Summary>>,
}

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

#[cfg(test)]
mod tests;
