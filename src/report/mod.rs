//! The report: what a person reads in the morning, as one value and as text.
//!
//! [`build`] makes the value from what the ledger says and does no I/O; [`text`] only renders it.

mod build;
mod codes;
pub mod moments;
mod past;
pub mod text;
mod value;
pub mod words;

pub use build::{Facts, build};
pub use codes::{CODES, meaning};
pub use past::{AwayNote, Past};
pub use value::{
    ArchiveLine, Bytes, Correction, FileCounts, FindingLine, FindingState, LoggerLine, NotHomeLine, Report,
    StripDay, Totals, VehicleLine, Verdict,
};

#[cfg(test)]
mod tests;
