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

/// Whether a text says that number: as one of its values where it is JSON, and otherwise as a word of its
/// own.
fn holds(text: &str, number: &str) -> bool {
    let text = text.trim();
    if let Ok(json) = serde_json::from_str::<Value>(text) {
        return value_is(&json, number);
    }
    let edge = |c: Option<char>| !c.is_some_and(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.'));
    text.match_indices(number).any(|(at, found)| {
        edge(text.get(..at).and_then(|before| before.chars().next_back()))
            && edge(text.get(at + found.len()..).and_then(|after| after.chars().next()))
    })
}

fn value_is(json: &Value, number: &str) -> bool {
    match json {
        Value::String(text) => text.trim() == number,
        Value::Number(n) => n.to_string() == number,
        Value::Array(items) => items.iter().any(|item| value_is(item, number)),
        Value::Object(map) => map.values().any(|item| value_is(item, number)),
        Value::Null | Value::Bool(_) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_serial_number_is_a_value_or_a_word_of_its_own() {
        for (text, says) in [
            ("00421\n", true),
            ("serial=00421; firmware=1.2", true),
            ("{\"id\": {\"serial\": \"00421\"}}", true),
            ("{\"serial\": 421}", false),
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
