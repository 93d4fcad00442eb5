//! Whose file is it: the VIN that a file tells, against the list.

use crate::inspect::facts::Summary;

/// Whose a file is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whose {
    /// It tells the VIN that the list has for its vehicle.
    Same,
    /// It tells another one: of this vehicle, if the list has it.
    Other {
        /// The VIN that it tells.
        vin: String,
        /// Who has it.
        vehicle: Option<String>,
    },
    /// No VIN was heard: nobody asked, or nobody answered.
    NoneSeen,
    /// It tells a VIN that the list gives to nobody, and the list has none for its vehicle.
    NotListed(String),
}

/// Whose a file of this vehicle is, by a list of vehicles and their VINs.
pub fn whose<'l>(
    facts: &Summary,
    vehicle: &str,
    list: impl Iterator<Item = (&'l str, Option<&'l str>)> + Clone,
) -> Whose {
    let Some(vin) = &facts.vin else { return Whose::NoneSeen };
    let own = list.clone().find(|(id, _)| *id == vehicle).and_then(|(_, vin)| vin);
    if own == Some(vin.value.as_str()) {
        return Whose::Same;
    }
    let owner =
        list.clone().find(|(_, other)| *other == Some(vin.value.as_str())).map(|(id, _)| id.to_owned());
    match (own, owner) {
        (None, None) => Whose::NotListed(vin.value.clone()),
        (_, owner) => Whose::Other { vin: vin.value.clone(), vehicle: owner },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspect::facts::{VinLine, VinSource};

    #[test]
    fn same_other_and_none_seen_are_three_states() {
        let list = [("A", Some("1M8GDM9AXKP042788")), ("B", Some("1G4AH59H45G118341")), ("C", None)];
        let of = |vin: Option<&str>, vehicle: &str| {
            let vin = vin.map(|vin| VinLine {
                value: vin.to_owned(),
                source: VinSource::J1939,
                address: 0,
                check_digit: true,
            });
            whose(&Summary { vin, ..Summary::default() }, vehicle, list.iter().copied())
        };
        let other = |vin: &str, vehicle: Option<&str>| Whose::Other {
            vin: vin.to_owned(),
            vehicle: vehicle.map(str::to_owned),
        };
        assert_eq!(of(Some("1M8GDM9AXKP042788"), "A"), Whose::Same);
        assert_eq!(of(Some("1G4AH59H45G118341"), "A"), other("1G4AH59H45G118341", Some("B")));
        assert_eq!(of(Some("1J9RP1A36A1644345"), "A"), other("1J9RP1A36A1644345", None));
        assert_eq!(of(None, "A"), Whose::NoneSeen);
        assert_eq!(of(Some("1M8GDM9AXKP042788"), "C"), other("1M8GDM9AXKP042788", Some("A")));
        assert_eq!(of(Some("1J9RP1A36A1644345"), "C"), Whose::NotListed("1J9RP1A36A1644345".into()));
    }
}
