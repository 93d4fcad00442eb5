//! What a listing means: a listing and the ledger's knowledge go in, changes come out. All pure.

mod closed;
mod compare;
pub mod order;

pub use closed::{Standing, closed, closed_by_order};
pub use compare::{Match, card_sign, incredible, matches};
pub use order::in_order;
