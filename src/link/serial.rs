//! Who a logger says it is.

use serde_json::Value;

use super::{Link, LinkError};
use crate::config::Serial;

/// That a logger told the serial number which it ought to have. Only [`tells`] makes one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    number: String,
}

impl Told {
    /// The number.
    pub fn number(&self) -> &str {
        &self.number
    }
}

/// Asks a logger who it is. `Err` within the answer is what it said instead, at most 80 printable
/// characters.
pub async fn tells(link: &mut dyn Link, serial: &Serial) -> Result<Result<Told, String>, LinkError> {
    let text = link.says(&serial.from).await?;
    if holds(&text, &serial.number) {
        return Ok(Ok(Told { number: serial.number.clone() }));
    }
    Ok(Err(text.chars().filter(|c| !c.is_control()).take(80).collect()))
}

/// Whether a text says that number, and no other: it is nothing else, or it names that number as its
/// serial number, in JSON or in lines of the form `serial: 00421`. Another value says nothing: it may be
/// a card's, or the number of a logger that this one replaced.
pub(super) fn holds(text: &str, number: &str) -> bool {
    let text = text.trim();
    let told = match serde_json::from_str::<Value>(text) {
        Ok(json) => told_in(&json),
        Err(_) => text.split(['\n', '\r', ';', ',']).filter_map(told_by).collect(),
    };
    text == number || (!told.is_empty() && told.iter().all(|told| told == number))
}

fn is_serial(key: &str) -> bool {
    key.to_ascii_lowercase().contains("serial")
}

/// The value of a line that names its value a serial number.
fn told_by(line: &str) -> Option<String> {
    let (key, value) = line.split_once(['=', ':'])?;
    is_serial(key).then(|| value.trim().trim_matches('"').to_owned())
}

/// Serial numbers in a JSON text: it is one, or the outermost members of that name are.
fn told_in(json: &Value) -> Vec<String> {
    let scalar = |value: &Value| match value {
        Value::String(text) => Some(text.trim().to_owned()),
        Value::Number(n) => Some(n.to_string()),
        _ => None,
    };
    let mut level = vec![json];
    let mut told: Vec<_> = scalar(json).into_iter().collect();
    while told.is_empty() && !level.is_empty() {
        let members: Vec<(&str, &Value)> = level
            .into_iter()
            .flat_map(|value| match value {
                Value::Object(map) => map.iter().map(|(key, value)| (key.as_str(), value)).collect(),
                Value::Array(items) => items.iter().map(|value| ("", value)).collect::<Vec<_>>(),
                _ => Vec::new(),
            })
            .collect();
        told =
            members.iter().filter(|(key, _)| is_serial(key)).filter_map(|(_, value)| scalar(value)).collect();
        level = members.into_iter().map(|(_, value)| value).collect();
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_serial_number_is_what_is_named_so_and_nothing_beside_it() {
        for (text, says) in [
            ("00421\n", true),
            ("serial=00421; firmware=1.2", true),
            ("{\"serial\": \"00421\", \"card\": {\"serial\": \"0x7f\"}}", true),
            ("{\"id\": {\"serial\": \"00421\"}}", true),
            ("{\"serial\": 421}", false),
            ("{\"serial\": \"00422\", \"partner\": \"00421\"}", false),
            ("{\"serial\": \"00422\", \"seen\": [{\"serial\": \"00421\"}]}", false),
            ("{\"channels\": {\"00421\": 1}, \"files\": [\"00421\"]}", false),
            ("{\"Serial-Number\": \"00421\", \"firmware\": \"1.2\"}", true),
            ("\"00421\"", true),
            ("serial: 00421\r\nfirmware: 1.2\r\n", true),
            ("serial=00422; replaces=00421", false),
            ("replaces 00421", false),
            ("{\"serial\": \"100421\", \"note\": \"not 00421 but near\"}", false),
            ("100421", false),
            ("00421-B", false),
            ("1.00421", false),
            ("", false),
        ] {
            assert_eq!(holds(text, "00421"), says, "{text}");
        }
        assert!(holds("{\"serial\": 421}", "421"));
    }
}
