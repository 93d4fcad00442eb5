//! How a whole file becomes archived once, whichever depot has it.
//!
//! Here is what needs no ledger: where a content lies ([`place`]), what depots share ([`records`]),
//! the manifest of a day ([`manifest`]), and the protocol as steps ([`steps`]) between which the
//! owner of a ledger commits.

pub mod manifest;
pub mod place;
pub mod records;
pub mod steps;
mod attach;
mod elsewhere;
mod catch_up;
mod group;
mod receipts;
mod run;
mod source;
mod verify;

pub use attach::AttachError;
pub use run::{ForwardError, Forwarder, day_of};
