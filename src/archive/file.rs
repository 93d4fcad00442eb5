//! An archive in a folder.
/// An archive in a folder of a local disk or a mounted share.
#[derive(Debug)]
pub struct FileArchive;
