//! What is in a log file: read while its bytes arrive, in bounded memory, whatever they are.
//!
//! An [`Inspector`] finds out the format and unpacks. A reader turns bytes into frames, a [`frame::Sink`]
//! turns frames into facts. MDF files alone are read by position, once they are all there.

pub mod bits;
mod bounds;
mod buses;
mod candump;
pub mod canopen;
pub mod columns;
mod csv;
pub mod damage;
mod digits;
pub mod facts;
mod format;
pub mod frame;
mod inspection;
mod inspector;
pub mod isotp;
pub mod j1939;
mod lines;
pub mod mdf;
mod pcap;
mod pcapng;
mod pieces;
mod socketcan;
mod unpack;

#[cfg(test)]
pub(crate) mod check_values;

pub use format::Format;
pub use inspection::{Inspection, Known, is_plain};
pub use inspector::{Inspected, Inspector};
pub use unpack::Packing;
