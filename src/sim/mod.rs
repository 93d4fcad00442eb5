//! Simulated loggers over real HTTP and FTP sockets on loopback, behind the demo, the tests and
//! the benches.
//!
//! A [`SimLogger`] serves one [`Card`] and misbehaves as its [`Faults`] say. A [`Night`] is a
//! depot full of them with a script. Nothing here knows the service: it must not import links,
//! ledger or archives, so that what it claims of a transfer is an independent witness.
//!
//! All content is made from a seed as it is read; a card of many gigabytes takes no memory.

mod auth;
pub mod candump;
mod card;
mod content;
mod ftp;
mod http;
mod logger;
mod night;
mod page;
mod script;
mod transfer;
mod yard;

pub use card::{Card, CardFile, Entry};
pub use content::Content;
pub use ftp::FtpOptions;
pub use http::{EtagStyle, HttpAuth, HttpOptions, Index};
pub use logger::{DEVICE, Options, Protocol, SimLogger, idle_loggers};
pub use night::{Action, Event, Expected, Night, NightOptions};
pub use script::{Counters, DigestOffer, Effect, Faults, Incident, ListingFault, Point, RemovalFault};
pub use yard::{Fitted, Kind, yard};
