//! Numbers and times in a record.

use super::layout::Channel;

/// An unsigned number in a record, of up to 64 bits in at most 8 bytes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Field {
    /// The first byte.
    byte: usize,
    /// How far the eight bytes from there, as one number, are shifted to the right.
    shift: u32,
    mask: u64,
    big: bool,
}

impl Field {
    /// What is not recorded reads as zero.
    pub(super) const NONE: Self = Self { byte: 0, shift: 0, mask: 0, big: false };

    /// The channel's place in the record; `None` where it does not lie in eight bytes of the record.
    pub(super) fn of(channel: &Channel, record: u32) -> Option<Self> {
        let bits = channel.bits;
        let end = u32::from(channel.bit).checked_add(bits).filter(|end| *end <= 64)?;
        let bytes = end.div_ceil(8);
        if bits == 0 || channel.bit > 7 || channel.byte.checked_add(bytes)? > record {
            return None;
        }
        let big = matches!(channel.data_type, 1 | 3 | 5);
        let behind = if big { 64 - 8 * bytes } else { 0 };
        Some(Self {
            byte: usize::try_from(channel.byte).ok()?,
            shift: u32::from(channel.bit) + behind,
            mask: u64::MAX >> (64 - bits),
            big,
        })
    }

    /// The number. `window` begins with the record and goes on for at least eight bytes behind it, so that one read of
    /// eight bytes does for every field.
    #[inline]
    pub(super) fn get(&self, window: &[u8]) -> u64 {
        let Some(word) = window.get(self.byte..).and_then(<[u8]>::first_chunk::<8>) else { return 0 };
        let word = if self.big { u64::from_be_bytes(*word) } else { u64::from_le_bytes(*word) };
        word >> self.shift & self.mask
    }
}

/// When a record was made.
#[derive(Debug, Clone, Copy)]
pub(super) struct Time {
    raw: Raw,
    scale: Scale,
    /// The file's start, nanoseconds since 1970.
    start: i64,
}

#[derive(Debug, Clone, Copy)]
enum Raw {
    Unsigned(Field),
    /// The bits that the number does not use.
    Signed(Field, u32),
    Single(Field),
    Double(Field),
    /// A virtual channel: the number of the record.
    Index,
}

#[derive(Debug, Clone, Copy)]
enum Scale {
    /// Nanoseconds a step: exact.
    Whole(i64),
    /// Seconds at zero and a step.
    Linear(f64, f64),
}

impl Time {
    /// The time of a master channel, whose value times `factor` plus `offset` is seconds since `start`.
    pub(super) fn of(
        channel: &Channel,
        record: u32,
        (offset, factor): (f64, f64),
        start: i64,
    ) -> Result<Self, &'static str> {
        let field = || Field::of(channel, record).ok_or("a time outside its record");
        let raw = match (channel.kind, channel.data_type, channel.bits) {
            (3, _, _) => Raw::Index,
            (_, 0 | 1, _) => Raw::Unsigned(field()?),
            (_, 2 | 3, bits) => Raw::Signed(field()?, 64_u32.saturating_sub(bits)),
            (_, 4 | 5, 32) => Raw::Single(field()?),
            (_, 4 | 5, 64) => Raw::Double(field()?),
            _ => return Err("a time of a kind that we do not know"),
        };
        let step = factor * 1e9;
        let whole = step.round();
        let exact = offset == 0.0 && (1.0..=1e12).contains(&whole) && (step - whole).abs() <= whole * 1e-12;
        let scale = match raw {
            Raw::Unsigned(_) | Raw::Signed(..) | Raw::Index if exact => Scale::Whole(whole as i64),
            _ if offset.is_finite() && factor.is_finite() => Scale::Linear(offset, factor),
            _ => return Err("a time of a kind that we do not know"),
        };
        Ok(Self { raw, scale, start })
    }

    /// Nanoseconds since 1970 of the record that `window` begins with, the `index`-th of its group.
    #[inline]
    pub(super) fn at(&self, window: &[u8], index: u64) -> i64 {
        let (whole, real) = match self.raw {
            Raw::Double(field) => (0, f64::from_bits(field.get(window))),
            Raw::Single(field) => (0, f64::from(f32::from_bits(field.get(window) as u32))),
            Raw::Unsigned(field) => {
                let value = field.get(window);
                (i64::try_from(value).unwrap_or(i64::MAX), value as f64)
            }
            Raw::Signed(field, unused) => {
                let value = (field.get(window) << unused) as i64 >> unused;
                (value, value as f64)
            }
            Raw::Index => (i64::try_from(index).unwrap_or(i64::MAX), index as f64),
        };
        let since = match self.scale {
            Scale::Whole(step) => whole.saturating_mul(step),
            Scale::Linear(offset, factor) => {
                let exact = (offset + factor * real) * 1e9;
                // Rounds; a cast alone cuts. What is no number becomes zero.
                (exact + 0.5_f64.copysign(exact)) as i64
            }
        };
        self.start.saturating_add(since)
    }
}
