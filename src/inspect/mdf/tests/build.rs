//! Builds MDF 4 files, with everything in them that a test wants to be odd.

use std::io::Write as _;

/// Nanoseconds since 1970 at which the files begin.
pub(super) const START: i64 = 1_772_428_200_000_000_000;

/// A file in the making.
pub(super) struct File {
    pub(super) bytes: Vec<u8>,
    /// The link that the next data group goes to: block and index.
    tail: (u64, usize),
}

/// A channel: name, kind, data type, first bit, first byte, bits.
pub(super) type Part<'a> = (&'a str, u8, u8, u8, u32, u32);

/// The channels of [`records`].
pub(super) const PARTS: [Part<'static>; 7] = [
    ("ID", 0, 0, 0, 8, 29),
    ("IDE", 0, 0, 7, 11, 1),
    ("BusChannel", 0, 0, 0, 12, 8),
    ("DLC", 0, 0, 0, 13, 4),
    ("DataLength", 0, 0, 0, 14, 7),
    ("Dir", 0, 0, 0, 15, 1),
    ("DataBytes", 0, 10, 0, 16, 64),
];

/// Bytes of such a record.
pub(super) const RECORD: u32 = 24;

/// So many records of 24 bytes: one each millisecond, on buses 1 and 2, with as many bytes as the number's last digit, up to 8.
pub(super) fn records(count: u64) -> Vec<u8> {
    (0..count).flat_map(|number| record(number, &payload(number))).collect()
}

/// The bytes that frame `number` carries.
pub(super) fn payload(number: u64) -> Vec<u8> {
    (0..(number % 10).min(8)).map(|byte| (number + byte) as u8 | 1).collect()
}

/// The front of record `number` and eight bytes behind it.
pub(super) fn record(number: u64, data: &[u8]) -> Vec<u8> {
    let mut record = (number * 1_000_000).to_le_bytes().to_vec();
    record.extend(((0x18FE_F100 + number as u32 % 7) | (1 << 31)).to_le_bytes());
    let length = payload(number).len() as u8;
    record.extend([1 + (number % 2) as u8, length, length, number.is_multiple_of(5).into()]);
    record.extend_from_slice(data);
    record.resize(RECORD as usize, 0);
    record
}

impl File {
    /// With an identification and a header.
    pub(super) fn new(unfinished: Option<u16>) -> Self {
        let mut bytes = vec![0; 64];
        bytes[..8].copy_from_slice(if unfinished.is_some() { b"UnFinMF " } else { b"MDF     " });
        bytes[8..16].copy_from_slice(b"4.10    ");
        bytes[16..24].copy_from_slice(b"tests   ");
        bytes[28..30].copy_from_slice(&410_u16.to_le_bytes());
        bytes[60..62].copy_from_slice(&unfinished.unwrap_or(0).to_le_bytes());
        let mut file = Self { bytes, tail: (64, 0) };
        let mut data = START.to_le_bytes().to_vec();
        data.resize(32, 0);
        file.block(*b"HD", &[0; 6], &data);
        file
    }

    /// Adds a block; where it is.
    pub(super) fn block(&mut self, id: [u8; 2], links: &[u64], data: &[u8]) -> u64 {
        self.bytes.resize(self.bytes.len().next_multiple_of(8), 0);
        let at = self.bytes.len() as u64;
        self.bytes.extend_from_slice(b"##");
        self.bytes.extend_from_slice(&id);
        self.bytes.extend_from_slice(&[0; 4]);
        self.bytes.extend_from_slice(&(24 + 8 * links.len() as u64 + data.len() as u64).to_le_bytes());
        self.bytes.extend_from_slice(&(links.len() as u64).to_le_bytes());
        links.iter().for_each(|link| self.bytes.extend_from_slice(&link.to_le_bytes()));
        self.bytes.extend_from_slice(data);
        at
    }

    /// Sets a number in the file.
    pub(super) fn set(&mut self, at: u64, value: u64) {
        self.bytes[at as usize..][..8].copy_from_slice(&value.to_le_bytes());
    }

    /// Sets a link of a block.
    pub(super) fn link(&mut self, block: u64, index: usize, to: u64) {
        self.set(block + 24 + 8 * index as u64, to);
    }

    fn text(&mut self, text: &str) -> u64 {
        self.block(*b"TX", &[], format!("{text}\0").as_bytes())
    }

    pub(super) fn channel(&mut self, part: Part<'_>, links: [u64; 4]) -> u64 {
        let (name, kind, data_type, bit, byte, bits) = part;
        let [next, composition, conversion, data] = links;
        let name = self.text(name);
        let mut body = vec![kind, u8::from(matches!(kind, 2 | 3)), data_type, bit];
        body.extend(byte.to_le_bytes());
        body.extend(bits.to_le_bytes());
        body.resize(72, 0);
        self.block(*b"CN", &[next, composition, name, 0, conversion, data, 0, 0], &body)
    }

    /// A linear conversion.
    pub(super) fn linear(&mut self, offset: f64, factor: f64) -> u64 {
        let mut body = vec![1, 0, 0, 0, 0, 0, 2, 0];
        body.resize(24, 0);
        body.extend(offset.to_le_bytes());
        body.extend(factor.to_le_bytes());
        self.block(*b"CC", &[0; 4], &body)
    }

    /// A channel group of this event with these parts, payloads behind the link, and a time of nanoseconds; where it is.
    pub(super) fn group(
        &mut self,
        event: &str,
        parts: &[Part<'_>],
        record: (u64, u32, u64),
        data: u64,
    ) -> u64 {
        let linear = self.linear(0.0, 1e-9);
        self.group_at(event, parts, record, data, (("Timestamp", 2, 0, 0, 0, 64), linear))
    }

    /// The same with another time.
    pub(super) fn group_at(
        &mut self,
        event: &str,
        parts: &[Part<'_>],
        (id, size, cycles): (u64, u32, u64),
        data: u64,
        (time, conversion): (Part<'_>, u64),
    ) -> u64 {
        let mut next = 0;
        for part in parts.iter().rev() {
            let name = format!("{event}.{}", part.0);
            let link = if part.0 == "DataBytes" { data } else { 0 };
            next = self.channel((&name, part.1, part.2, part.3, part.4, part.5), [next, 0, 0, link]);
        }
        let whole = self.channel((event, 0, 10, 0, 0, size.saturating_mul(8)), [0, next, 0, 0]);
        let time = self.channel(time, [whole, 0, conversion, 0]);
        self.bare_group(time, id, size, cycles, 2 | 4)
    }

    pub(super) fn bare_group(&mut self, channel: u64, id: u64, size: u32, cycles: u64, flags: u16) -> u64 {
        let mut body = id.to_le_bytes().to_vec();
        body.extend(cycles.to_le_bytes());
        body.extend(flags.to_le_bytes());
        body.extend([0; 6]);
        body.extend(size.to_le_bytes());
        body.extend([0; 4]);
        self.block(*b"CG", &[0, channel, 0, 0, 0, 0], &body)
    }

    /// A group of values of variable length: so many payloads. Its length of a record is that of all of them.
    pub(super) fn values(&mut self, id: u64, cycles: u64) -> u64 {
        let bytes: usize = (0..cycles).map(|number| 4 + payload(number).len()).sum();
        self.bare_group(0, id, bytes as u32, cycles, 1)
    }

    /// A data group of these channel groups, behind those that are there; where it is.
    pub(super) fn data_group(&mut self, groups: &[u64], data: u64, id_size: u8) -> u64 {
        for pair in groups.windows(2) {
            self.link(pair[0], 0, pair[1]);
        }
        let at = self.block(*b"DG", &[0, groups[0], data, 0], &[id_size, 0, 0, 0, 0, 0, 0, 0]);
        let (block, index) = self.tail;
        self.link(block, index, at);
        self.tail = (at, 0);
        at
    }

    /// Packed data, transposed if there are columns.
    pub(super) fn packed(&mut self, data: &[u8], columns: usize) -> u64 {
        let mut bytes = data.to_vec();
        if let Some(rows) = data.len().checked_div(columns) {
            for (index, byte) in bytes.iter_mut().take(rows * columns).enumerate() {
                *byte = data[index % rows * columns + index / rows];
            }
        }
        let mut zlib = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
        zlib.write_all(&bytes).expect("in memory");
        let zlib = zlib.finish().expect("in memory");
        let mut body = b"DT".to_vec();
        body.extend([u8::from(columns > 0), 0]);
        body.extend((columns as u32).to_le_bytes());
        body.extend((data.len() as u64).to_le_bytes());
        body.extend((zlib.len() as u64).to_le_bytes());
        body.extend(zlib);
        self.block(*b"DZ", &[], &body)
    }

    /// A list of data blocks whose data begins at this place of all data, and the list after it.
    pub(super) fn list(&mut self, next: u64, blocks: &[u64], from: u64) -> u64 {
        let links: Vec<_> = [next].into_iter().chain(blocks.iter().copied()).collect();
        let mut body = vec![0, 0, 0, 0];
        body.extend((blocks.len() as u32).to_le_bytes());
        let mut offset = from;
        for block in blocks {
            body.extend(offset.to_le_bytes());
            offset += self.content(*block);
        }
        self.block(*b"DL", &links, &body)
    }

    /// How many bytes of data a block has, unpacked.
    pub(super) fn content(&self, block: u64) -> u64 {
        let number = |at: u64| {
            self.bytes
                .get(at as usize..)
                .and_then(<[u8]>::first_chunk)
                .map_or(0, |bytes| u64::from_le_bytes(*bytes))
        };
        match self.bytes.get(block as usize + 2..block as usize + 4) {
            Some(b"DZ") => number(block + 32),
            _ if block == 0 => 0,
            _ => number(block + 8) - 24,
        }
    }
}

/// One group in one block.
pub(super) fn sorted(records: &[u8]) -> Vec<u8> {
    let mut file = File::new(None);
    let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, records.len() as u64 / u64::from(RECORD)), 0);
    let block = file.block(*b"DT", &[], records);
    file.data_group(&[group], block, 0);
    file.bytes
}

/// One group in packed blocks of `piece` bytes, transposed if there are columns.
pub(super) fn packed(records: &[u8], piece: usize, columns: usize) -> Vec<u8> {
    let mut file = File::new(None);
    let group = file.group("CAN_DataFrame", &PARTS, (0, RECORD, records.len() as u64 / u64::from(RECORD)), 0);
    let blocks: Vec<_> = records.chunks(piece).map(|piece| file.packed(piece, columns)).collect();
    let (first, second) = blocks.split_at(blocks.len() / 2);
    let before = first.iter().map(|block| file.content(*block)).sum();
    let second = file.list(0, second, before);
    let list = file.list(second, first, 0);
    let head = file.block(*b"HL", &[list], &[0; 8]);
    file.data_group(&[group], head, 0);
    file.bytes
}

/// How payloads lie among unsorted records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mixed {
    /// In the records.
    Inline,
    /// In a group of their own, before or behind their records.
    Before,
    Behind,
}

/// Unsorted records with numbers of this size, in blocks of `piece` bytes, among records of a group of other things.
pub(super) fn unsorted(
    count: u64,
    id_size: u8,
    mixed: Mixed,
    piece: usize,
    unfinished: Option<u16>,
) -> Vec<u8> {
    let mut file = File::new(unfinished);
    let values = (mixed != Mixed::Inline).then(|| file.values(2, count));
    let mut parts = PARTS;
    parts[6].1 = u8::from(values.is_some());
    let frames = file.group("CAN_DataFrame", &parts, (1, RECORD, count), values.unwrap_or(0));
    let other = file.channel(("speed", 0, 0, 0, 0, 24), [0; 4]);
    let other = file.bare_group(other, 3, 3, count.div_ceil(3), 0);
    let groups: Vec<_> = [frames].into_iter().chain(values).chain([other]).collect();
    let id = |id: u64| id.to_le_bytes()[..usize::from(id_size)].to_vec();
    let unset = unfinished.is_some_and(|flags| flags & 0x40 != 0);
    let (mut data, mut offset) = (Vec::new(), 0_u64);
    for number in 0..count {
        let payload = payload(number);
        let mut value = id(2);
        value.extend((payload.len() as u32).to_le_bytes());
        value.extend_from_slice(&payload);
        if mixed == Mixed::Before {
            data.extend_from_slice(&value);
        }
        data.extend(id(1));
        match mixed {
            Mixed::Inline => data.extend(record(number, &payload)),
            _ => data.extend(record(number, &if unset { [0x55; 8] } else { offset.to_le_bytes() })),
        }
        if mixed == Mixed::Behind {
            data.extend_from_slice(&value);
        }
        offset += 4 + payload.len() as u64;
        if number.is_multiple_of(3) {
            data.extend(id(3));
            data.extend([1, 2, 3]);
        }
    }
    let blocks: Vec<_> = data.chunks(piece).map(|piece| file.block(*b"DT", &[], piece)).collect();
    let list = file.list(0, &blocks, 0);
    file.data_group(&groups, list, id_size);
    file.bytes
}
