//! Vehicle identification numbers, as an administrator writes them.

use super::notes::{At, Draft, Notes};

/// 17 letters and digits without I, O and Q (ISO 3779), given in capitals. A check digit that
/// fails is a warning alone: it binds in North America (49 CFR 565.15).
pub(super) fn check(notes: &Notes, at: At<&str>) -> Option<String> {
    let vin = at.value.to_ascii_uppercase();
    let length = vin.chars().count();
    if length != 17 {
        let message = format!("a VIN has 17 characters, this one has {length}");
        notes.push(Draft::error(at.spot, message).help("copy it from the papers, or take the line out"));
        return None;
    }
    if let Some(odd) = vin.chars().find(|c| value(*c).is_none()) {
        let message = format!("a VIN has no {odd:?}");
        let help = "it has digits and letters without I, O and Q, which look like 1 and 0";
        notes.push(Draft::error(at.spot, message).help(help));
        return None;
    }
    if !check_digit_fits(&vin) {
        let message = "the check digit of this VIN does not fit: most likely a letter is mistyped";
        let help = "compare it with the papers; vehicles from outside North America may have none";
        notes.push(Draft::warning(at.spot, message).help(help));
    }
    Some(vin)
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

/// 49 CFR 565.15 (c), tables IV and V: the ninth character is the weighted sum modulo 11, ten
/// being `X`.
fn check_digit_fits(vin: &str) -> bool {
    const WEIGHTS: [u32; 17] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
    let sum: u32 = vin.chars().zip(WEIGHTS).filter_map(|(c, weight)| Some(value(c)? * weight)).sum();
    let digit = char::from_digit(sum % 11, 10).unwrap_or('X');
    vin.chars().nth(8) == Some(digit)
}

#[cfg(test)]
mod tests {
    use super::super::notes::{Spot, Which};
    use super::*;

    /// The first number is a widely shown example (no source); in the second every value
    /// is 1, and the weights add up to 89, which is 1 modulo 11.
    #[test]
    fn the_check_digit_is_the_ninth_character() {
        assert!(check_digit_fits("1M8GDM9AXKP042788"));
        assert!(check_digit_fits("11111111111111111"));
        assert!(!check_digit_fits("1M8GDM9A1KP042788"));
        assert!(!check_digit_fits("1M8GDM9AXKP042789"));
    }

    #[test]
    fn a_vin_is_taken_in_capitals_and_a_wrong_digit_is_no_error() {
        let at = |value| At { value, spot: Spot::file(Which::Vehicles) };
        let taken = |text| check(&Notes::default(), at(text));
        assert_eq!(taken("1m8gdm9axkp042788").as_deref(), Some("1M8GDM9AXKP042788"));
        assert!(taken("1M8GDM9A1KP042788").is_some());
        for bad in ["", "1M8GDM9AXKP04278", "1M8GDM9AXKP0427888", "1M8GDM9AXKPO42788", "1M8GDM9AXKP04278é"] {
            assert_eq!(taken(bad), None, "{bad}");
        }
    }
}
