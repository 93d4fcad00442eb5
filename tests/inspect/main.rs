//! What is read of log files, against what is known of them.

mod cuts;
mod told;
mod truth;
