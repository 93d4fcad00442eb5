//! Vehicle identification numbers.

/// Takes a text as a VIN: 17 letters and digits without I, O and Q (ISO 3779), in capitals. The check digit is no
/// part of it, since it binds in North America alone.
pub fn parse(text: &str) -> Result<String, BadVin> {
    let vin = text.to_ascii_uppercase();
    let length = vin.chars().count();
    if length != 17 {
        return Err(BadVin::Length(length));
    }
    match vin.chars().find(|c| value(*c).is_none()) {
        Some(odd) => Err(BadVin::Character(odd)),
        None => Ok(vin),
    }
}

/// Why a text is no VIN.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadVin {
    /// It has this many characters.
    #[error("a VIN has 17 characters, this one has {0}")]
    Length(usize),
    /// It has one that no VIN has.
    #[error("a VIN has no {0:?}")]
    Character(char),
}

/// 49 CFR 565.15 (c), table III.
fn value(c: char) -> Option<u32> {
    match c {
        '0'..='9' => c.to_digit(10),
        'A'..='H' => Some(u32::from(c) - u32::from('A') + 1),
        'J'..='N' => Some(u32::from(c) - u32::from('J') + 1),
        'P' => Some(7),
        'R' => Some(9),
        'S'..='Z' => Some(u32::from(c) - u32::from('S') + 2),
        _ => None,
    }
}

/// The character that 49 CFR 565.15 (c), tables IV and V, wants in the ninth place: the weighted sum modulo 11, ten
/// being `X`. A warning at most: vehicles from outside North America may have any character there.
pub fn check_digit(vin: &str) -> char {
    const WEIGHTS: [u32; 17] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
    let sum: u32 = vin.chars().zip(WEIGHTS).filter_map(|(c, weight)| Some(value(c)? * weight)).sum();
    char::from_digit(sum % 11, 10).unwrap_or('X')
}

/// Whether the ninth character is the check digit.
pub fn check_digit_fits(vin: &str) -> bool {
    vin.chars().nth(8) == Some(check_digit(vin))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::check_values::{text, topic};

    /// `vin`: 49 CFR 565.15 (c) with its sample calculation, NHTSA's outline for new manufacturers, and invented ones.
    #[test]
    fn published_numbers_are_taken_or_refused() {
        for entry in topic("vin", 11) {
            let vin = text(&entry, "/input");
            if let Some(why) = entry["expected"]["why"].as_str() {
                let refused = match why {
                    "16 characters" => Err(BadVin::Length(16)),
                    "letter O not allowed" => Err(BadVin::Character('O')),
                    "letter I not allowed" => Err(BadVin::Character('I')),
                    _ => Ok(vin.to_owned()),
                };
                assert_eq!(parse(vin), refused, "{entry}");
                assert!(refused.is_err() || !check_digit_fits(vin) && why.contains("should be X"));
                continue;
            }
            assert_eq!(parse(vin).as_deref(), Ok(vin), "{entry}");
            let computed = entry["expected"]["computed_check"].as_str();
            assert_eq!(
                check_digit(vin).to_string(),
                computed.unwrap_or_else(|| text(&entry, "/expected/check"))
            );
            assert_eq!(check_digit_fits(vin), entry["expected"]["valid"] == true, "{entry}");
        }
    }

    #[test]
    fn a_vin_is_taken_in_capitals() {
        assert_eq!(parse("1m8gdm9axkp042788").as_deref(), Ok("1M8GDM9AXKP042788"));
        assert_eq!(parse("1M8GDM9AXKP04278é"), Err(BadVin::Character('é')));
    }
}
