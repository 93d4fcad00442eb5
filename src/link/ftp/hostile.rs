//! What listings and replies keep to, whatever they are.

use std::time::Duration;

use jiff::tz::TimeZone;
use tokio::time::Instant;

use super::entry::Entry;
use super::lines::Lines;
use super::ls::Around;
use super::session::{Reply, wire};
use super::walk::{Budget, Folder};
use super::{digest, mlsd};
use crate::hostile::chosen;
use crate::link::serial;
use crate::model::{DigestKind, RemotePath};

fn read(bytes: &[u8], piece: usize, mlsd: bool, entries: usize) -> Vec<Entry> {
    let now = "2026-11-24T05:30:14Z".parse().expect("moment");
    let around = Around { zone: TimeZone::posix("TST-5:30").expect("zone"), now };
    let mut budget = Budget { bytes: u64::MAX, entries, until: Instant::now() + Duration::from_secs(600) };
    let (mut lines, mut folder) = (Lines::default(), Folder::default());
    for piece in bytes.chunks(piece) {
        lines.feed(piece, |line| folder.take(line, mlsd, &around, &mut budget));
    }
    lines.end(|line| folder.take(line, mlsd, &around, &mut budget));
    assert!(
        folder.entries.len() <= entries.min(lines.count) && budget.entries + folder.entries.len() == entries
    );
    assert!(folder.unknown.is_none_or(|line| line.chars().count() <= 120));
    folder.entries
}

/// A listing: the same entries however its lines are torn, as many as may be, each as its line has it and no command.
pub(crate) fn listing(bytes: &[u8], mlsd: bool) {
    let whole = read(bytes, bytes.len().max(1), mlsd, 1000);
    // What ends a line is decided by the first piece that has an end in it.
    let first = bytes.iter().position(|b| *b == b'\n').map_or(1, |at| at + 1);
    let piece = first + chosen(bytes, 300);
    let torn = read(bytes, piece, mlsd, 1000);
    if bytes.windows(2).filter(|two| *two == b"\r\n").count() == bytes.iter().filter(|b| **b == b'\n').count()
    {
        assert_eq!(whole, torn, "in pieces of {piece}");
    }
    assert!(read(bytes, piece, mlsd, 2).len() <= 2);
    for entry in whole {
        assert!(!entry.name.is_empty() && !matches!(&*entry.name, b"." | b".."));
        assert!(bytes.windows(entry.name.len()).any(|w| w == entry.name), "{:?} stands nowhere", entry.name);
        let Ok(path) = RemotePath::new(&entry.name) else { continue };
        let command = wire(path.as_bytes());
        assert!(!command.contains(['\r', '\n', '\0']) && command.chars().count() == entry.name.len());
    }
}

/// Replies, digests and who a logger says it is.
pub(crate) fn replies(bytes: &[u8]) {
    let reply = Reply::new(bytes);
    assert!(reply.value().len() <= reply.text.len());
    let refused = reply.refusal();
    assert!(refused.detail.chars().count() <= 400, "{refused}");
    mlsd::time_value(bytes);
    let text = String::from_utf8_lossy(bytes);
    let offers = [
        digest::hash_value(&text),
        digest::side_file(bytes, b"a b.log", DigestKind::Sha256),
        digest::side_file(bytes, b"a b.log", DigestKind::Md5),
    ];
    for offer in offers.into_iter().flatten() {
        let digits = hex::encode(&offer.value);
        assert!(text.to_ascii_lowercase().contains(&digits), "{digits} stands nowhere");
    }
    if let Some(value) = digest::hex_word(&text, DigestKind::Crc32) {
        assert_eq!(value.len(), 4);
    }
    assert!(!serial::holds(&text, "00421") || text.contains("00421") || text.contains('\\'));
}
