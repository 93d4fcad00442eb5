//! Names that every share can hold.
/// Makes one part of a path safe.
pub fn safe_part(part: &[u8]) -> String {
    String::from_utf8_lossy(part).into_owned()
}
