//! Removal: deleting archived files from their loggers, the one thing that destroys data.
//!
//! Off unless a kind says `remove = "archived"`. [`policy`] judges by what the ledger knows and is pure;
//! [`guard`] then reads the copies back and looks at the logger itself. What is known by its ends alone is
//! read in whole first, in airtime that nobody wants, and is known after that. A link deletes for a [`Permit`] alone,
//! which takes a [`Clearance`] that only the guard makes and an [`Intent`](crate::ledger::Intent) that
//! only the ledger's commit makes. What remains is a file that is replaced between the comparison and
//! the deletion.
//!
//! # Crash
//! See [`ledger::Intent`](crate::ledger::Intent): the next whole listing tells what came of it.

mod guard;
mod permit;
mod policy;

pub use guard::{Copies, Guard};
pub use permit::{Clearance, Compared, Permit};
pub use policy::{Policy, Stays};

#[cfg(test)]
mod tests;
