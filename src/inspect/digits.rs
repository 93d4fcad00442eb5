//! Decimal and hexadecimal text, read fast.

/// The value of each hexadecimal digit; `BAD` where it is none.
const HEX: [u8; 256] = {
    let mut table = [BAD; 256];
    let mut n = 0;
    while n < 10 {
        table[b'0' as usize + n] = n as u8;
        n += 1;
    }
    n = 0;
    while n < 6 {
        table[b'a' as usize + n] = 10 + n as u8;
        table[b'A' as usize + n] = 10 + n as u8;
        n += 1;
    }
    table
};
const BAD: u8 = 0xff;

/// The value of a hexadecimal digit.
pub(super) fn nibble(digit: u8) -> Option<u8> {
    Some(HEX[usize::from(digit)]).filter(|value| *value != BAD)
}

/// The number that 1 to 8 hexadecimal digits say.
#[inline]
pub(super) fn hex(digits: &[u8]) -> Option<u32> {
    if digits.is_empty() || digits.len() > 8 {
        return None;
    }
    let (mut value, mut seen) = (0u32, 0);
    for digit in digits {
        let one = HEX[usize::from(*digit)];
        seen |= one;
        value = value << 4 | u32::from(one & 0xf);
    }
    (seen & 0xf0 == 0).then_some(value)
}

/// The bytes that pairs of hexadecimal digits say, into `bytes`; `None` for an odd digit, for anything
/// else, and for more than there is room for.
#[inline]
pub(super) fn hex_bytes(digits: &[u8], bytes: &mut [u8]) -> Option<usize> {
    let (pairs, odd) = digits.as_chunks::<2>();
    if !odd.is_empty() {
        return None;
    }
    let room = bytes.get_mut(..pairs.len())?;
    let mut seen = 0;
    for ([high, low], byte) in pairs.iter().zip(room) {
        let (high, low) = (HEX[usize::from(*high)], HEX[usize::from(*low)]);
        seen |= high | low;
        *byte = high << 4 | low & 0xf;
    }
    (seen & 0xf0 == 0).then_some(pairs.len())
}

/// The number that 8 decimal digits say: all of them at once.
#[inline]
fn eight(digits: [u8; 8]) -> Option<u32> {
    const ONES: u64 = 0x0101_0101_0101_0101;
    let word = u64::from_le_bytes(digits);
    // A digit is 0x30 to 0x39: its high half is 3, and still so with 6 more.
    let high = |word: u64| word & (0xf0 * ONES) == 0x30 * ONES;
    if !high(word) || !high(word.wrapping_add(6 * ONES)) {
        return None;
    }
    // The first digit lies in the lowest byte. Neighbours are joined: to 2, 4, then 8 digits.
    let pairs = ((word & (0x0f * ONES)).wrapping_mul(10 << 8 | 1) >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = (pairs.wrapping_mul(100 << 16 | 1) >> 16) & 0x0000_ffff_0000_ffff;
    u32::try_from(fours.wrapping_mul(10_000 << 32 | 1) >> 32).ok()
}

/// The number that decimal digits say; `None` for no digit, anything else, or more than fits.
pub(super) fn decimal(digits: &[u8]) -> Option<u64> {
    if digits.is_empty() {
        return None;
    }
    digits.iter().try_fold(0u64, |value, digit| {
        let one = digit.checked_sub(b'0').filter(|one| *one < 10)?;
        value.checked_mul(10)?.checked_add(u64::from(one))
    })
}

/// Nanoseconds that `seconds.fraction` says, of up to 9 digits behind the point.
#[inline]
pub(super) fn nanoseconds(text: &[u8]) -> Option<i64> {
    if let [a, b, whole @ .., b'.', c, d, e, f, g, h] = text
        && let Ok(whole) = <[u8; 8]>::try_from(whole)
    {
        // Ten and six digits: nearly every line there is.
        let two = decimal(&[*a, *b])? * 100_000_000;
        let micros = eight([b'0', b'0', *c, *d, *e, *f, *g, *h])?;
        let seconds = i64::try_from(two + u64::from(eight(whole)?)).ok()?;
        return seconds.checked_mul(1_000_000_000)?.checked_add(i64::from(micros) * 1000);
    }
    let point = memchr::memchr(b'.', text);
    let seconds = i64::try_from(decimal(&text[..point.unwrap_or(text.len())])?).ok()?;
    let fraction = match point.and_then(|point| text.get(point + 1..)) {
        None => 0,
        Some(digits) if digits.len() <= 9 => {
            let scale = 10i64.pow(9 - u32::try_from(digits.len()).ok()?);
            i64::try_from(decimal(digits)?).ok()? * scale
        }
        Some(_) => return None,
    };
    seconds.checked_mul(1_000_000_000)?.checked_add(fraction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn stamps_are_read_to_the_nanosecond() {
        assert_eq!(nanoseconds(b"1436509052.249713"), Some(1_436_509_052_249_713_000));
        assert_eq!(nanoseconds(b"1436509053.000000123"), Some(1_436_509_053_000_000_123));
        assert_eq!(nanoseconds(b"000.002695"), Some(2_695_000));
        assert_eq!(nanoseconds(b"1953.6"), Some(1_953_600_000_000));
        assert_eq!(nanoseconds(b"12"), Some(12_000_000_000));
        for bad in [
            &b""[..],
            b".5",
            b"1.",
            b"1.0000000001",
            b"-1.0",
            b"14365090a2.249713",
            b"1436509052.24971:",
            b"99999999999.0",
        ] {
            assert_eq!(nanoseconds(bad), None, "{bad:?}");
        }
    }

    proptest! {
        #[test]
        fn digits_say_what_the_standard_library_says(value: u32, wide in 0u64..10_000_000_000, micros in 0u32..1_000_000) {
            prop_assert_eq!(hex(format!("{value:x}").as_bytes()), Some(value));
            prop_assert_eq!(hex(format!("{value:08X}").as_bytes()), Some(value));
            let expected = i64::try_from(wide).ok().and_then(|s| s.checked_mul(1_000_000_000)).and_then(|s| s.checked_add(i64::from(micros) * 1000));
            prop_assert_eq!(nanoseconds(format!("{wide:010}.{micros:06}").as_bytes()), expected);
        }

        #[test]
        fn any_bytes_are_read_or_refused(text in proptest::collection::vec(any::<u8>(), 0..20)) {
            let mut bytes = [0; 8];
            let clean = text.iter().all(u8::is_ascii_hexdigit);
            prop_assert_eq!(hex_bytes(&text, &mut bytes).is_some(), clean && text.len() % 2 == 0 && text.len() <= 16);
            nanoseconds(&text);
        }
    }
}
