//! How a simulated logger misbehaves, and what it counted.
//!
//! [`Faults`] may be switched at any time, also while a transfer runs. Standing faults are plain
//! fields; what happens at one point of a transfer is an [`Incident`].

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use jiff::SignedDuration;

use super::content::Content;

/// Where in the bytes something happens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Point {
    /// After that many bytes of a transfer.
    Transfer(u64),
    /// After that many bytes that the logger delivered in all, over all files.
    Delivered(u64),
    /// Before that byte of that file, wherever the transfer began.
    File(Vec<u8>, u64),
}

impl Point {
    /// Before byte `at` of the file `path`.
    pub fn file(path: impl AsRef<[u8]>, at: u64) -> Self {
        Self::File(path.as_ref().to_vec(), at)
    }
}

/// What happens there.
#[derive(Debug, Clone)]
pub enum Effect {
    /// The connection ends as if all were said (FTP: the data connection, then 426).
    Fin,
    /// The connection is reset (FTP: both connections).
    Rst,
    /// The file ends early and the server calls it whole (FTP: 226). HTTP has no way to say that:
    /// there it is a [`Effect::Fin`].
    Short,
    /// Nothing more is sent and nothing is closed.
    Stall,
    /// The file gets other content in place, while it is sent.
    Overwrite(Content),
    /// One bit of the next byte is sent wrong, the same each time.
    Flip,
    /// The next byte is sent wrong, and wrong in another way in each transfer.
    Noise,
}

/// Something that happens at a point of a transfer.
#[derive(Debug, Clone)]
pub struct Incident {
    /// Where.
    pub at: Point,
    /// How often it still happens; `u32::MAX` is always. At most once a transfer.
    pub times: u32,
    /// What.
    pub effect: Effect,
    id: u64,
}

/// What comes instead of a listing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ListingFault {
    /// The listing.
    #[default]
    None,
    /// A page that asks for a login, with status 200, in place of listings and files.
    LoginPage,
    /// The first half of the listing, ended as if it were whole.
    Truncated,
    /// A listing without entries.
    Empty,
    /// An error of the server: 500, or 550.
    Error,
    /// HTTP: the listing, a byte a second for as long as this stands.
    Drip,
}

/// Whether the logger states digests (HTTP `Repr-Digest`, FTP `HASH`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DigestOffer {
    /// Never.
    #[default]
    None,
    /// The SHA-256 of the file.
    Right,
    /// A wrong one in as many replies, right ones after that. `u32::MAX` is always.
    Wrong(u32),
}

/// What comes of a wish to delete a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum RemovalFault {
    /// It is deleted.
    #[default]
    None,
    /// It is refused: 403, or 550.
    Refused,
    /// The logger does not know how: 405, or 502.
    Unknown,
    /// The logger says that it is done, and does nothing.
    Lie,
    /// It is deleted, and the connection ends before the answer.
    Unanswered,
    /// An error of the logger's own comes, 500 or 451, whether the file was deleted or not.
    Failed {
        /// It was.
        done: bool,
    },
}

/// The faults of one logger.
#[derive(Debug, Clone, Default)]
pub struct Faults {
    /// Connections are taken and nothing is answered.
    pub silent: bool,
    /// Everything is answered with 503, or 421 in the greeting.
    pub busy: bool,
    /// What comes instead of listings.
    pub listing: ListingFault,
    /// Folders that cannot be listed (500, or 550).
    pub failing_folders: BTreeSet<Vec<u8>>,
    /// Listed times are shifted by this; the times in headers and `MDTM` are not.
    pub listing_shift: SignedDuration,
    /// `Range` is ignored: 200 and the whole file. FTP: `REST` is taken and has no effect.
    pub ignore_ranges: bool,
    /// `If-Range` is ignored: 206 whatever the validator says.
    pub ignore_if_range: bool,
    /// A 206 bears a `Content-Range` that begins elsewhere than its bytes.
    pub wrong_content_range: bool,
    /// Whether digests are stated.
    pub digest: DigestOffer,
    /// Parts of files that the card cannot read: a transfer that comes there ends (as [`Effect::Fin`]).
    pub unreadable: Vec<(Vec<u8>, Range<u64>)>,
    /// What comes of a wish to delete a file.
    pub removal: RemovalFault,
    /// Bytes a second over all transfers; `None` is as fast as it goes.
    pub rate: Option<u64>,
    incidents: Vec<Incident>,
    made: u64,
}

impl Faults {
    /// Adds an incident that happens once.
    pub fn once(&mut self, at: Point, effect: Effect) -> &mut Self {
        self.times(1, at, effect)
    }

    /// Adds an incident that happens in every transfer that comes there.
    pub fn always(&mut self, at: Point, effect: Effect) -> &mut Self {
        self.times(u32::MAX, at, effect)
    }

    /// Adds an incident that happens that often.
    pub fn times(&mut self, times: u32, at: Point, effect: Effect) -> &mut Self {
        self.made += 1;
        self.incidents.push(Incident { at, times, effect, id: self.made });
        self
    }

    /// Adds a cut at each of these counts of bytes delivered in all.
    pub fn cuts(&mut self, delivered: &[u64], effect: Effect) -> &mut Self {
        for at in delivered {
            self.once(Point::Delivered(*at), effect.clone());
        }
        self
    }

    /// Takes all incidents away.
    pub fn clear_incidents(&mut self) {
        self.incidents.clear();
    }

    /// What is left to happen.
    pub fn incidents(&self) -> &[Incident] {
        &self.incidents
    }

    /// What happens now to a transfer in that place, and how many bytes it may send before
    /// something else may happen.
    pub(super) fn due(&mut self, place: &Place<'_>, fired: &mut Vec<u64>) -> (u64, Option<Effect>) {
        let mut room = u64::MAX;
        for (_, part) in self.unreadable.iter().filter(|(path, _)| path == place.path) {
            if part.contains(&place.offset) {
                return (room, Some(Effect::Fin));
            }
            room = room.min(part.start.checked_sub(place.offset).unwrap_or(u64::MAX));
        }
        for incident in &mut self.incidents {
            let left = match &incident.at {
                Point::Transfer(at) => at.checked_sub(place.sent),
                Point::Delivered(at) => Some(at.saturating_sub(place.delivered)),
                Point::File(path, at) if path == place.path => at.checked_sub(place.offset),
                Point::File(..) => None,
            };
            let Some(left) = left else { continue };
            if incident.times == 0 || fired.contains(&incident.id) {
                continue;
            }
            if left > 0 {
                room = room.min(left);
                continue;
            }
            fired.push(incident.id);
            if incident.times != u32::MAX {
                incident.times -= 1;
            }
            let effect = incident.effect.clone();
            self.incidents.retain(|i| i.times > 0);
            return (room, Some(effect));
        }
        (room, None)
    }

    /// Whether the next reply states a digest, and whether a right one.
    pub(super) fn next_digest(&mut self) -> Option<bool> {
        match &mut self.digest {
            DigestOffer::None => None,
            DigestOffer::Right => Some(true),
            DigestOffer::Wrong(0) => Some(true),
            DigestOffer::Wrong(u32::MAX) => Some(false),
            DigestOffer::Wrong(left) => {
                *left -= 1;
                Some(false)
            }
        }
    }
}

/// Where a transfer is.
pub(super) struct Place<'a> {
    pub path: &'a [u8],
    pub offset: u64,
    pub sent: u64,
    pub delivered: u64,
}

/// What one logger counted since it was made.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counters {
    /// TCP connections (FTP: control connections) taken.
    pub connections: u64,
    /// HTTP requests or FTP commands.
    pub requests: u64,
    /// Folders listed.
    pub listings: u64,
    /// Logins refused.
    pub refused: u64,
    /// Wishes to delete a file.
    pub removals: u64,
    /// Files, or parts of files, begun to be sent.
    pub transfers: u64,
    /// Such transfers at this moment.
    pub active: u64,
    /// The most of them that ever ran at once.
    pub most_at_once: u64,
    /// Transfers that an incident ended.
    pub broken: u64,
    /// Bytes of files handed to the connection, by path. What the other side did not read before
    /// it closed is in it.
    pub delivered: BTreeMap<Vec<u8>, u64>,
}

impl Counters {
    /// Bytes delivered of all files.
    pub fn bytes(&self) -> u64 {
        self.delivered.values().sum()
    }

    /// Bytes delivered of one file.
    pub fn of(&self, path: impl AsRef<[u8]>) -> u64 {
        self.delivered.get(path.as_ref()).copied().unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(path: &[u8], offset: u64, sent: u64, delivered: u64) -> Place<'_> {
        Place { path, offset, sent, delivered }
    }

    #[test]
    fn an_incident_happens_at_its_point_and_as_often_as_it_was_told() {
        let mut faults = Faults::default();
        faults.times(2, Point::Transfer(100), Effect::Fin).always(Point::file("a", 500), Effect::Rst);
        let mut fired = Vec::new();
        assert!(matches!(faults.due(&place(b"a", 10, 0, 0), &mut fired), (100, None)));
        assert!(matches!(faults.due(&place(b"a", 110, 100, 0), &mut fired), (_, Some(Effect::Fin))));
        assert!(matches!(faults.due(&place(b"a", 110, 100, 0), &mut fired), (390, None)));
        fired.clear();
        assert!(matches!(faults.due(&place(b"b", 100, 100, 0), &mut fired), (_, Some(Effect::Fin))));
        fired.clear();
        assert!(matches!(faults.due(&place(b"b", 100, 100, 0), &mut fired), (u64::MAX, None)));
        for _ in 0..3 {
            fired.clear();
            assert!(matches!(faults.due(&place(b"a", 500, 0, 0), &mut fired), (_, Some(Effect::Rst))));
        }
        assert!(matches!(faults.due(&place(b"a", 501, 1, 0), &mut fired), (u64::MAX, None)));
    }

    #[test]
    fn wrong_digests_end_after_their_number() {
        let mut faults = Faults { digest: DigestOffer::Wrong(1), ..Faults::default() };
        assert_eq!([faults.next_digest(), faults.next_digest()], [Some(false), Some(true)]);
    }
}
