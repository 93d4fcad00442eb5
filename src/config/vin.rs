//! Vehicle identification numbers, as an administrator writes them.

use super::notes::{At, Draft, Notes};
use crate::model::vin::{BadVin, check_digit_fits, parse};

/// A VIN in capitals. A check digit that fails is a warning alone: it binds in North America (49 CFR 565.15).
pub(super) fn check(notes: &Notes, at: At<&str>) -> Option<String> {
    let vin = match parse(at.value) {
        Ok(vin) => vin,
        Err(bad) => {
            let help = match bad {
                BadVin::Length(_) => "copy it from the papers, or take the line out",
                BadVin::Character(_) => {
                    "it has digits and letters without I, O and Q, which look like 1 and 0"
                }
            };
            notes.push(Draft::error(at.spot, bad.to_string()).help(help));
            return None;
        }
    };
    if !check_digit_fits(&vin) {
        let message = "the check digit of this VIN does not fit: most likely a letter is mistyped";
        let help = "compare it with the papers; vehicles from outside North America may have none";
        notes.push(Draft::warning(at.spot, message).help(help));
    }
    Some(vin)
}

#[cfg(test)]
mod tests {
    use super::super::notes::{Spot, Which};
    use super::*;

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
