//! The first and last bytes of a file, read from a logger and compared with what is known.

use super::{Link, LinkError, LinkFailure};
use crate::model::{Digest, EDGE, Edges, RemotePath};

/// Digests of a file's ends as the logger serves them now. The tail is `None` where the logger
/// cannot begin a read there without sending all that lies before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ends {
    head: Digest,
    tail: Option<Digest>,
}

impl Ends {
    /// Whether both ends were read and are those of a known content.
    pub fn both_of(&self, edges: &Edges) -> bool {
        self.tail.is_some() && self.are_of(edges)
    }

    /// Whether these are the ends of a known content, as far as they could be read.
    pub fn are_of(&self, edges: &Edges) -> bool {
        self.head == edges.head && self.tail.is_none_or(|tail| tail == edges.tail)
    }
}

/// Reads both ends of a file of `size` bytes. `None` where the file cannot be read just now (it is
/// gone, or refused), which says nothing of its content.
pub async fn read_ends(
    link: &mut dyn Link,
    path: &RemotePath,
    size: u64,
    bytes: &mut u64,
) -> Result<Option<Ends>, LinkError> {
    let len = size.min(EDGE);
    let Some(head) = range(link, path, 0, len).await? else { return Ok(None) };
    *bytes += head.len() as u64;
    if size <= EDGE {
        let head = Digest::of(&head);
        return Ok(Some(Ends { head, tail: Some(head) }));
    }
    let head = Digest::of(&head);
    if link.caps().resumes == Some(false) {
        return Ok(Some(Ends { head, tail: None }));
    }
    let tail = match range(link, path, size - EDGE, EDGE).await {
        Ok(Some(tail)) => {
            *bytes += tail.len() as u64;
            Some(Digest::of(&tail))
        }
        Ok(None) => return Ok(None),
        Err(e) if e.failure == LinkFailure::Protocol => None,
        Err(e) => return Err(e),
    };
    Ok(Some(Ends { head, tail }))
}

async fn range(
    link: &mut dyn Link,
    path: &RemotePath,
    from: u64,
    len: u64,
) -> Result<Option<bytes::Bytes>, LinkError> {
    if len == 0 {
        return Ok(Some(bytes::Bytes::new()));
    }
    match link.read_range(path, from, len).await {
        Ok(bytes) => Ok(Some(bytes)),
        Err(e) if e.is_answer() => Ok(None),
        Err(e) => Err(e),
    }
}
