//! Published values and what follows from them, in `tests/recordings/can/check_values.json`; each names its source.

use serde_json::Value;

/// All values of a topic; at least `least` of them.
pub(crate) fn topic(name: &str, least: usize) -> Vec<Value> {
    let all = include_str!("../../tests/recordings/can/check_values.json");
    let all: Value = serde_json::from_str(all).expect("JSON");
    let all = all["entries"].as_array().expect("entries");
    let all: Vec<Value> = all.iter().filter(|e| e["topic"] == name).cloned().collect();
    assert!(all.len() >= least, "{} values of {name}", all.len());
    all
}

/// A member that is a text.
pub(crate) fn text<'v>(value: &'v Value, at: &str) -> &'v str {
    value.pointer(at).and_then(Value::as_str).unwrap_or_else(|| panic!("{at} in {value}"))
}

/// A member that is a number.
pub(crate) fn number(value: &Value, at: &str) -> f64 {
    value.pointer(at).and_then(Value::as_f64).unwrap_or_else(|| panic!("{at} in {value}"))
}

/// Hexadecimal digits as bytes.
pub(crate) fn bytes(text: &str) -> Vec<u8> {
    hex::decode(text).expect("hexadecimal digits")
}

/// A frame as `id#payload`, three digits for 11 bits and eight for 29.
pub(crate) fn frame(text: &str) -> (u32, bool, Vec<u8>) {
    let (id, data) = text.split_whitespace().next().and_then(|t| t.split_once('#')).expect("id#payload");
    (u32::from_str_radix(id, 16).expect("id"), id.len() == 8, bytes(data))
}
