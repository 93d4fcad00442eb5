//! What is read of log files, against what is known of them.

mod changed;
mod cuts;
mod packed;
mod python;
mod text;
mod told;
mod truth;
