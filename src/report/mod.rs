//! The report: what a person reads in the morning, as one value in four forms.
//!
//! [`build`] makes the value from what the ledger says and does no I/O; [`text`], [`html`] and [`csv`] only render it, as
//! does serde for JSON.

mod audits;
mod build;
mod causes;
mod charts;
mod codes;
pub mod coverage;
pub mod csv;
pub mod html;
mod kept;
mod leaving;
mod markup;
pub mod moments;
mod past;
mod phrases;
mod points;
mod sight;
pub mod text;
mod value;
mod verdict;
pub mod words;

pub use build::{Facts, build};
pub use codes::{CODES, meaning};
pub use past::{AwayNote, Past};
pub use value::{
    AccessPointLine, ArchiveLine, Blind, Bytes, CardLine, Correction, FileCounts, FindingLine, FindingState,
    Hours, LoggerLine, NotHomeLine, Report, Safety, SpoolPast, StripDay, Totals, VehicleLine, Verdict,
};

#[cfg(test)]
mod cause_tests;
#[cfg(test)]
mod form_tests;
#[cfg(test)]
mod kept_tests;
#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests;
