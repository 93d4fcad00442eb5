//! From the header to the channel groups: what the records of a file are.

use std::collections::HashSet;
use std::io;

use super::super::damage::Damage;
use super::super::frame::Sink;
use super::block::{self, Block, Trouble};
use super::chain::Chain;
use super::field::Time;
use super::layout::{Channel, Event, Layout, Payload};
use super::reading::Reading;
use super::stream::{LAST_DT, LEAST};

/// The most groups and channels that we follow.
const BLOCKS: usize = 1 << 16;

/// The most channels of a group that is not marked as bus events, among which we look for CAN events.
const UNMARKED: usize = 16;

/// How deep channels are composed of channels.
const DEPTH: u32 = 4;

/// The longest and the shortest record of frames.
const RECORD: u64 = (LEAST / 2) as u64;
const SHORTEST: u64 = 8;

/// Standard flag: the cycle counters of channel groups were not set.
const COUNTERS: u16 = 0x01;

/// A data group with frames in it.
pub(super) struct DataGroup {
    /// The link to its data.
    pub(super) link: u64,
    /// Bytes of the group number in front of each record; 0 where there is one group.
    pub(super) id_size: usize,
    pub(super) groups: Vec<Group>,
}

impl DataGroup {
    /// The links to values that are stored apart.
    fn signals(&self) -> impl Iterator<Item = u64> {
        self.groups.iter().filter_map(|group| match &group.content {
            Content::Frames(layout) => match layout.payload {
                Payload::Signal(_, link) => Some(link),
                _ => None,
            },
            _ => None,
        })
    }

    /// How many streams of bytes it is read from, at most.
    pub(super) fn streams(&self) -> usize {
        1 + self.signals().count()
    }
}

/// A channel group.
pub(super) struct Group {
    pub(super) block: u64,
    pub(super) id: u64,
    cycles: u64,
    /// Bytes of a record, without its number.
    pub(super) record: usize,
    /// The bus of all its frames, where they do not say.
    pub(super) bus: u64,
    pub(super) content: Content,
}

/// What is in a channel group.
pub(super) enum Content {
    Frames(Box<Layout>),
    /// Values of variable length that records of other groups refer to.
    Values,
    Other,
}

impl Group {
    /// How many records the file says that there are, if it claims to know.
    pub(super) fn stated<S: Sink>(&self, reading: &Reading<'_, S>) -> Option<u64> {
        (!reading.lacks(COUNTERS)).then_some(self.cycles)
    }
}

/// All data groups that have frames, and how many channel groups have none.
#[derive(Default)]
pub(super) struct Tree {
    pub(super) data: Vec<DataGroup>,
    pub(super) others: u64,
    seen: HashSet<u64>,
    start: i64,
}

impl Tree {
    /// Follows all links from the first data group on. `start` is the moment to which times are relative.
    pub(super) fn walk<S: Sink>(reading: &mut Reading<'_, S>, first: u64, start: i64) -> io::Result<Self> {
        let mut tree = Self { start, ..Self::default() };
        let mut next = first;
        while next != 0 {
            let Some(group) = tree.visit(reading, next, *b"DG")? else { break };
            next = group.link(0);
            tree.data_group(reading, &group)?;
        }
        tree.data_starts(reading)?;
        reading.all_starts();
        Ok(tree)
    }

    /// Reads a block that only one link leads to.
    fn visit<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        at: u64,
        kind: [u8; 2],
    ) -> io::Result<Option<Block>> {
        if self.seen.len() == BLOCKS {
            reading.damage(at, Damage::BadStructure("more groups and channels than we follow"));
            return Ok(None);
        }
        if !self.seen.insert(at) {
            reading.damage(at, Damage::BadStructure("a loop of links"));
            return Ok(None);
        }
        match block::read(reading.source, at, kind) {
            Ok(block) => {
                reading.start(at);
                (0..8).for_each(|index| reading.start(block.link(index)));
                Ok(Some(block))
            }
            Err(trouble) => reading.trouble(trouble).map(|()| None),
        }
    }

    fn data_group<S: Sink>(&mut self, reading: &mut Reading<'_, S>, block: &Block) -> io::Result<()> {
        let mut data =
            DataGroup { link: block.link(2), id_size: usize::from(block.u8(0)), groups: Vec::new() };
        let mut next = block.link(1);
        while next != 0 {
            let at = next;
            let Some(block) = self.visit(reading, at, *b"CG")? else { break };
            next = block.link(0);
            let group = self.group(reading, at, &block)?;
            data.groups.push(group);
        }
        if !matches!(data.id_size, 0 | 1 | 2 | 4 | 8) {
            reading.damage(block.link(1), Damage::BadStructure("record numbers of an impossible size"));
            data.groups.clear();
        }
        if data.id_size == 0 && data.groups.len() > 1 {
            // Only one of them can have the records; the others are there in name only.
            if data.groups.iter().filter(|group| group.cycles > 0).count() > 1 {
                reading
                    .damage(block.link(1), Damage::BadStructure("several groups of records without numbers"));
            }
            let best = data.groups.iter().position(|group| group.cycles > 0).unwrap_or(0);
            data.groups.swap(0, best);
            data.groups.truncate(1);
        }
        let frames = data.groups.iter().filter(|group| matches!(group.content, Content::Frames(_))).count();
        let values = data.groups.iter().filter(|group| matches!(group.content, Content::Values)).count();
        self.others += (data.groups.len() - frames - values) as u64;
        if frames > 0 {
            self.data.push(data);
        }
        Ok(())
    }

    fn group<S: Sink>(&mut self, reading: &mut Reading<'_, S>, at: u64, block: &Block) -> io::Result<Group> {
        let flags = block.u16(16);
        let (data, invalidation) = (block.u32(24), block.u32(28));
        let record = u64::from(data) + u64::from(invalidation);
        let mut group = Group {
            block: at,
            id: block.u64(0),
            cycles: block.u64(8),
            record: usize::try_from(record).unwrap_or(usize::MAX),
            bus: 0,
            content: Content::Other,
        };
        if flags & 1 != 0 {
            group.content = Content::Values;
            return Ok(group);
        }
        let mut channels = Vec::new();
        // Bit 1: bus events.
        let most = if flags & 2 != 0 { BLOCKS } else { UNMARKED };
        self.channels(reading, block.link(1), most, DEPTH, &mut channels)?;
        let Some((event, _)) = channels.iter().find_map(|channel: &Channel| Event::of(&channel.name)) else {
            return Ok(group);
        };
        match self.layout(reading, event, &channels, data)? {
            _ if record == 0 || record > RECORD => {
                reading.damage(at, Damage::BadStructure("records of an impossible length"));
            }
            Err(why) => reading.damage(at, Damage::BadStructure(why)),
            Ok(_) if record < SHORTEST => {
                reading.damage(at, Damage::BadStructure("records too short for a time and an identifier"));
            }
            Ok(layout) => group.content = Content::Frames(Box::new(layout)),
        }
        group.bus = self.bus(reading, block)?;
        Ok(group)
    }

    /// The channels from `first` on and what they are composed of.
    fn channels<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        first: u64,
        most: usize,
        depth: u32,
        into: &mut Vec<Channel>,
    ) -> io::Result<()> {
        let mut next = first;
        while next != 0 && into.len() < most {
            let at = next;
            let Some(block) = self.visit(reading, at, *b"CN")? else { break };
            next = block.link(0);
            let channel = Channel {
                block: at,
                name: block::text(reading.source, block.link(2))?,
                kind: block.u8(0),
                sync: block.u8(1),
                data_type: block.u8(2),
                bit: block.u8(3),
                byte: block.u32(4),
                bits: block.u32(8),
                data: block.link(5),
                conversion: block.link(4),
            };
            let event = Event::of(&channel.name).is_some();
            into.push(channel);
            let inner = block.link(1);
            // A composition may be an array, too, which no part of a frame is that we read.
            if event
                && depth > 0
                && matches!(block::header(reading.source, inner), Ok(head) if inner != 0 && head.id == *b"CN")
            {
                self.channels(reading, inner, BLOCKS, depth - 1, into)?;
            }
        }
        Ok(())
    }

    fn layout<S: Sink>(
        &mut self,
        reading: &mut Reading<'_, S>,
        event: Event,
        channels: &[Channel],
        record: u32,
    ) -> io::Result<Result<Layout, &'static str>> {
        let Some(master) = channels.iter().find(|channel| matches!(channel.kind, 2 | 3) && channel.sync == 1)
        else {
            return Ok(Err("frames without a time"));
        };
        let Some(conversion) = conversion(reading, master.conversion)? else {
            return Ok(Err("a time of a kind that we do not know"));
        };
        let layout = Time::of(master, record, conversion, self.start)
            .and_then(|time| Layout::of(event, time, channels, record));
        if let Ok(Layout { payload: Payload::Signal(_, link), .. }) = &layout {
            reading.start(*link);
        }
        Ok(layout)
    }

    /// The bus of a group whose frames do not say theirs: the name of the acquisition, or that of its source.
    fn bus<S: Sink>(&mut self, reading: &mut Reading<'_, S>, block: &Block) -> io::Result<u64> {
        let mut name = block::text(reading.source, block.link(2))?;
        if name.is_empty() || Event::of(&name).is_some() {
            name = match block::read(reading.source, block.link(3), *b"SI") {
                Ok(source) if block.link(3) != 0 => block::text(reading.source, source.link(0))?,
                Err(Trouble::Io(error)) => return Err(error),
                Ok(_) | Err(Trouble::Damaged(..)) => String::new(),
            };
        }
        Ok(reading.named(if name.is_empty() { "CAN".to_owned() } else { name }))
    }

    /// Remembers where the data blocks of lists begin, which only a file needs whose last data block has no length.
    fn data_starts<S: Sink>(&self, reading: &mut Reading<'_, S>) -> io::Result<()> {
        if !reading.lacks(LAST_DT) {
            return Ok(());
        }
        let links = self.data.iter().flat_map(|data| data.signals().chain([data.link]));
        // With one budget for all of them, since many may lead to the same list.
        reading.beforehand(|reading| {
            for link in links {
                let mut chain = Chain::new(reading, link)?;
                while let Some((at, _)) = chain.next(reading)? {
                    reading.start(at);
                }
            }
            Ok(())
        })
    }
}

/// Offset and factor of a linear conversion; of none, if the link leads nowhere. `None`: a conversion of another kind.
fn conversion<S: Sink>(reading: &mut Reading<'_, S>, link: u64) -> io::Result<Option<(f64, f64)>> {
    if link == 0 {
        return Ok(Some((0.0, 1.0)));
    }
    match block::read(reading.source, link, *b"CC") {
        // Kind 0: as it is; 1: linear.
        Ok(block) if block.u8(0) == 0 => Ok(Some((0.0, 1.0))),
        Ok(block) if block.u8(0) == 1 => Ok(Some((block.f64(24), block.f64(32)))),
        Ok(_) => Ok(None),
        Err(trouble) => reading.trouble(trouble).map(|()| None),
    }
}
