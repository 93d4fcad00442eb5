//! What is in a log file: read while its bytes arrive, in bounded memory, whatever they are.
//!
//! A [reader](frame::Sink) turns bytes into frames, a sink turns frames into facts.

pub mod bits;
pub mod canopen;
pub mod damage;
pub mod facts;
pub mod frame;
pub mod isotp;
pub mod j1939;

#[cfg(test)]
pub(crate) mod check_values;
