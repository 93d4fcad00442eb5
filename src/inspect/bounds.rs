//! How much a file may make us do, by its own length: what asks for more is no log.

use super::damage::Damage;

/// What is said of a file that asks for more.
pub(super) const TOO_MUCH: Damage = Damage::BadStructure("it unpacks to more than any log would");

/// Bytes that may come out of so many packed ones. Logs are packed to a tenth or twentieth.
pub(super) const fn unpacked(packed: u64) -> u64 {
    packed.saturating_mul(400).saturating_add(64 << 20)
}

/// Records that may be in so many bytes, packed or not. The times alone of packed frames take more than two bits each.
pub(super) const fn records(bytes: u64) -> u64 {
    bytes.saturating_mul(4).saturating_add(1 << 20)
}
