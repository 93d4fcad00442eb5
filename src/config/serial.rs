//! Who a logger says it is: `serial` and `serial_from`.

use url::Url;

use super::notes::{Draft, Notes};
use super::raw::Table;
use super::{Serial, SerialFrom};

/// Longest serial number, and longest place in which one is told, in bytes.
const LONGEST: (usize, usize) = (64, 255);

/// A serial number alone is a plain fact; with the place in which it is told it is compared.
pub(super) fn read(notes: &Notes, table: &mut Table<'_>, addresses: &[Url]) -> Option<Serial> {
    let number = table.text("serial");
    let from = table.text("serial_from");
    let number = number.filter(|at| {
        let fits = !at.value.trim().is_empty()
            && at.value.len() <= LONGEST.0
            && at.value.trim() == at.value
            && !at.value.chars().any(char::is_control);
        if !fits {
            let message = format!("`serial` is a text of 1 to {} bytes without blanks around it", LONGEST.0);
            notes.push(Draft::error(at.spot, message));
        }
        fits
    });
    let place = from?;
    let wrong = |message: &str, help: &str| {
        notes.push(Draft::error(place.spot, message).help(help));
        None
    };
    let from = match place.value.strip_prefix("header:") {
        Some(name) => {
            let token = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'_';
            if name.is_empty() || name.len() > LONGEST.1 || !name.bytes().all(token) {
                return wrong("`serial_from` names no header", "write serial_from = \"header:X-Serial\"");
            }
            if addresses.iter().any(|url| url.scheme() == "ftp") {
                return wrong("FTP has no headers", "name a file: serial_from = \"/device.json\"");
            }
            SerialFrom::Header(name.to_owned())
        }
        None => {
            let clean = place.value.starts_with('/')
                && place.value.len() <= LONGEST.1
                && !place.value.chars().any(char::is_control);
            if !clean {
                let help = "write serial_from = \"/device.json\", a path on the logger's server, or \"header:X-Serial\"";
                return wrong("`serial_from` is no file of the logger", help);
            }
            SerialFrom::File(place.value.to_owned())
        }
    };
    if number.is_none() && !table.has("serial") {
        return wrong(
            "`serial_from` has no `serial` to compare with",
            "add serial = \"...\", which the logger tells there",
        );
    }
    Some(Serial { number: number?.value.to_owned(), from })
}
