//! Bus logging in ASAM MDF 4: CAN frames in the records of channel groups.
//!
//! `walk` finds out what the records of a file are, `layout` and `field` where a frame's parts lie in them. `chain`, `packed`
//! and `stream` make one stream of bytes of a group's data blocks; `sorted` and `unsorted` read records from it, `signal` the
//! payloads that are stored apart. `reading` is what they share: the file, the sink and the bounds.
//!
//! **Order.** Frames of several data groups come merged by time; within a data group they come as the file has them. More
//! than [`TOGETHER`] data groups with frames are merged so many at a time.
//!
//! **Memory.** A buffer of 256 KiB for each data group that is read, smaller ones if there are many, 32 MiB of them together;
//! one unpacked block of at most 16 MiB each, 128 MiB of them together; 65,536 blocks of structure.
//!
//! **Time.** Every byte of data blocks is read once, so links that lead in circles end. What is unpacked, and how many
//! records there are, has a bound by the length of the file.
//!
//! **What is not read.** Data in columns (LD, MDF 4.2), packing other than deflate, MDF 3. Invalidation bits are not looked
//! at. Groups that are not of CAN are counted.
//!
//! ASAM MDF is not published freely. Layouts and values here are from memory and confirmed by files of independent writers
//! (asammdf, python-can), where a doc says nothing else.

use std::io;

use super::damage::Damage;
use super::frame::Sink;

mod block;
mod chain;
mod field;
mod layout;
mod packed;
mod reading;
mod signal;
mod sorted;
mod source;
mod stream;
mod unsorted;
mod walk;

#[cfg(test)]
mod tests;

use block::Trouble;
use reading::Reading;
use sorted::Sorted;
pub use source::Source;
use unsorted::Unsorted;
use walk::{Content, DataGroup, Tree};

/// How many data groups are merged by time.
pub const TOGETHER: usize = 128;

/// Bytes of the identification in front of the first block.
const IDENTIFICATION: u64 = 64;

/// Why there is nothing to read.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// It does not begin as an MDF file does.
    #[error("this is not an MDF file")]
    NotMdf,
    /// An MDF file of a version that is read differently; version 3.30 is 330.
    #[error("this is an MDF file of version {0}, and we read version 4")]
    Version(u16),
    /// The file could not be read.
    #[error("the file could not be read")]
    Io(#[from] io::Error),
}

/// What a file says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// 410 is version 4.10.
    pub version: u16,
    /// The program that wrote it; eight letters at most.
    pub program: String,
    /// When it was begun: nanoseconds since 1970, in the sense of `zone`. All times of frames are relative to it.
    /// `None` where the file ends before it says.
    pub start: Option<i64>,
    /// Whether that is UTC.
    pub zone: Zone,
    /// The standard flags of a file that its recorder did not finish: what would have to be brought up to date.
    pub unfinalised: Option<u16>,
    /// Channel groups with other things than CAN frames.
    pub other_groups: u64,
    /// Overload frames (ISO 11898-1), which carry nothing and are not given.
    pub overload_frames: u64,
}

/// Which time a file's times are in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Zone {
    /// UTC.
    Utc,
    /// UTC; the recorder's local time was so many minutes ahead of it.
    Offset(i32),
    /// Local time of an unknown zone: what is given as UTC is as far off as that zone was.
    Local,
}

/// Reads a file: its frames, its buses and what is wrong with it go to the sink. `stored` is how many bytes of a disk it
/// takes, which are fewer than its own where it was packed as a whole: by them goes how much it may make us do.
///
/// A file that is cut or damaged is no error as long as it begins as an MDF file does.
///
/// # Errors
/// If it is none, or cannot be read.
pub fn read<S: Sink>(source: &dyn Source, stored: u64, sink: &mut S) -> Result<Head, Error> {
    let mut id = [0; IDENTIFICATION as usize];
    let got = source::fill(source, &mut id, 0)?;
    let unfinished = id.starts_with(b"UnFinMF ");
    if !unfinished && !id.starts_with(b"MDF     ") {
        if source.is_empty() {
            sink.damage(0, Damage::Empty);
        }
        return Err(Error::NotMdf);
    }
    let word = |at: usize| u16::from_le_bytes([id[at], id[at + 1]]);
    let (version, flags, custom) = (word(28), word(60), word(62));
    if got == id.len() && !(400..500).contains(&version) {
        return Err(Error::Version(version));
    }
    let mut reading = Reading::new(source, stored, sink, if unfinished { flags } else { 0 });
    let mut head = Head {
        version,
        program: block::text_of(&id[16..24]),
        start: None,
        zone: Zone::Utc,
        unfinalised: unfinished.then_some(flags),
        other_groups: 0,
        overload_frames: 0,
    };
    if unfinished {
        reading.damage(60, Damage::Unfinalised(flags));
        if custom != 0 {
            reading.damage(62, Damage::BadStructure("unfinished in a way that only its recorder knows"));
        }
    }
    let header = match block::read(source, IDENTIFICATION, *b"HD") {
        Ok(header) => header,
        Err(Trouble::Io(error)) => return Err(error.into()),
        Err(Trouble::Damaged(at, damage)) => {
            reading.damage(at, damage);
            return Ok(head);
        }
    };
    let start = i64::try_from(header.u64(0)).unwrap_or(i64::MAX);
    head.start = Some(start);
    // Header, time flags. Bit 0: local time. Bit 1: minutes of zone and of daylight saving are valid.
    head.zone = match header.u8(12) {
        flags if flags & 1 != 0 => Zone::Local,
        flags if flags & 2 != 0 => {
            Zone::Offset(i32::from(header.u16(8) as i16) + i32::from(header.u16(10) as i16))
        }
        _ => Zone::Utc,
    };
    (0..6).for_each(|link| reading.start(header.link(link)));
    let tree = Tree::walk(&mut reading, header.link(0), start)?;
    head.other_groups = tree.others;
    for data in tree.data.chunks(TOGETHER) {
        merge(&mut reading, data)?;
    }
    head.overload_frames = reading.overloads;
    Ok(head)
}

/// One data group that is being read.
enum Cursor {
    Sorted(Box<Sorted>),
    Unsorted(Box<Unsorted>),
}

impl Cursor {
    fn new<S: Sink>(reading: &mut Reading<'_, S>, data: &DataGroup) -> io::Result<Self> {
        Ok(match data.groups.as_slice() {
            [group]
                if data.id_size == 0
                    && let Content::Frames(layout) = &group.content =>
            {
                Self::Sorted(Box::new(Sorted::new(reading, data.link, group, layout)?))
            }
            _ => Self::Unsorted(Box::new(Unsorted::new(reading, data)?)),
        })
    }

    /// Gives all frames up to this moment; the moment of the one after them, `None` at the end.
    fn run<S: Sink>(&mut self, reading: &mut Reading<'_, S>, until: i64) -> io::Result<Option<i64>> {
        match self {
            Self::Sorted(sorted) => sorted.run(reading, until),
            Self::Unsorted(unsorted) => unsorted.run(reading, until),
        }
    }
}

/// Reads these data groups side by side: always the one whose next frame is the earliest, until another's is.
fn merge<S: Sink>(reading: &mut Reading<'_, S>, data: &[DataGroup]) -> io::Result<()> {
    let mut cursors = Vec::with_capacity(data.len());
    reading.together = data.iter().map(DataGroup::streams).sum();
    for data in data {
        let mut cursor = Cursor::new(reading, data)?;
        // Finds its first frame without giving it.
        if let Some(next) = cursor.run(reading, i64::MIN)? {
            cursors.push((next, cursor));
        }
    }
    while let Some(first) = (0..cursors.len()).min_by_key(|index| cursors[*index].0) {
        let others =
            cursors.iter().enumerate().filter(|(index, _)| *index != first).map(|(_, (next, _))| *next);
        let until = others.min().unwrap_or(i64::MAX);
        match cursors[first].1.run(reading, until)? {
            Some(next) => cursors[first].0 = next,
            None => {
                cursors.swap_remove(first);
            }
        }
    }
    Ok(())
}
