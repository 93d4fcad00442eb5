//! Value types that every room shares. No I/O, no clock, no configuration.

pub mod amount;
mod day;
mod digest;
mod file;
mod ids;
mod path;
pub mod vin;

pub use day::Day;
pub use digest::{BLOCK, Blocks, Digest, DigestKind, EDGE, Edges, OfferedDigest, RunningHash};
pub use file::{ListedSize, ListedTime, Look, Precision, Proof, RemoteFile};
pub use ids::{ArchiveName, BadId, LoggerId, VehicleId};
pub use path::{BadPath, RemotePath};
