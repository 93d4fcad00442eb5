//! The report: what a person reads in the morning, as one value and as text.
//!
//! [`build`] makes the value from what the ledger says and does no I/O; [`text`] only renders it.

mod build;
mod causes;
mod codes;
mod points;
mod sight;
pub mod text;
mod value;
mod verdict;
pub mod words;

pub use build::{Facts, build};
pub use codes::{CODES, meaning};
pub use value::{
    ArchiveLine, Bytes, FileCounts, FindingLine, FindingState, LoggerLine, NotHomeLine, Report, Totals,
    VehicleLine, Verdict,
};

#[cfg(test)]
mod cause_tests;
#[cfg(test)]
mod tests;
