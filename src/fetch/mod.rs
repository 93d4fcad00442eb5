//! Fetching: one file of one logger, from its first byte to whole in the spool.
//!
//! Fetch owns bytes, the ledger owns facts: a row never claims more than the disk holds. What comes
//! over the link is proven, or said not to be: resumes by comparing the bytes before the cut, the
//! end by looking at the file again, the content by a digest or a second reading where there is one.
//!
//! # Crash
//! Bytes behind the last mark are thrown away at the next start; see [`crate::spool`].

mod gap;
mod halt;
mod outcome;
mod proof;
mod pump;
mod reading;
mod resume;
mod transfer;

pub use halt::{Halt, Volume};
pub use proof::{Check, digest_matches};
pub use reading::{Readers, inspect};
pub use resume::{OVERLAP, Plan, plan};
pub use transfer::{Ended, Transfer};
