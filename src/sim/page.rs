//! Listings as servers write them: nginx's pages (seen with 1.22.1), `MLSD` (RFC 3659, 7) and the
//! `LIST` of Unix servers.

use jiff::{SignedDuration, Timestamp};

use super::card::{CardFile, Entry};

/// The longest name that nginx shows.
const SHOWN: usize = 50;

/// What a listing shows beside the entries.
pub(super) struct Frame<'a> {
    /// The folder as it was asked for, with slashes at both ends.
    pub folder: &'a [u8],
    /// The logger's clock.
    pub now: Timestamp,
    /// Added to all times.
    pub shift: SignedDuration,
}

impl Frame<'_> {
    fn time(&self, entry: &Entry) -> Timestamp {
        let time = match entry {
            Entry::Folder => self.now,
            Entry::File(file) => file.time,
        };
        time.saturating_add(self.shift).unwrap_or(time)
    }
}

type Entries = [(Vec<u8>, Entry)];

/// nginx's `autoindex_format html`: exact sizes, UTC to the minute, names cut at 50 bytes.
pub(super) fn nginx_html(frame: &Frame<'_>, entries: &Entries) -> Vec<u8> {
    let mut out = Vec::new();
    let folder = html(frame.folder);
    out.extend_from_slice(b"<html>\r\n<head><title>Index of ");
    out.extend_from_slice(&folder);
    out.extend_from_slice(b"</title></head>\r\n<body>\r\n<h1>Index of ");
    out.extend_from_slice(&folder);
    out.extend_from_slice(b"</h1><hr><pre><a href=\"../\">../</a>\r\n");
    for (name, entry) in entries.iter().filter(|(name, _)| !name.starts_with(b".")) {
        let (slash, size) = match entry {
            Entry::Folder => ("/", "-".to_owned()),
            Entry::File(file) => ("", file.content.len().to_string()),
        };
        let shown = [name.as_slice(), slash.as_bytes()].concat();
        out.extend_from_slice(b"<a href=\"");
        out.extend_from_slice(escape(name).as_bytes());
        out.extend_from_slice(slash.as_bytes());
        out.extend_from_slice(b"\">");
        let pad = if shown.len() > SHOWN {
            out.extend_from_slice(&html(&shown[..SHOWN - 3]));
            out.extend_from_slice(b"..&gt;</a>");
            1
        } else {
            out.extend_from_slice(&html(&shown));
            out.extend_from_slice(b"</a>");
            SHOWN - shown.len() + 1
        };
        out.extend(std::iter::repeat_n(b' ', pad));
        let time = frame.time(entry).strftime("%d-%b-%Y %H:%M");
        out.extend_from_slice(format!("{time} {size:>19}\r\n").as_bytes());
    }
    out.extend_from_slice(b"</pre><hr></body>\r\n</html>\r\n");
    out
}

/// nginx's `autoindex_format json`: names as they are, UTC to the second.
pub(super) fn nginx_json(frame: &Frame<'_>, entries: &Entries) -> Vec<u8> {
    let mut out = b"[".to_vec();
    let shown = entries.iter().filter(|(name, _)| !name.starts_with(b"."));
    for (at, (name, entry)) in shown.enumerate() {
        out.extend_from_slice(if at == 0 { b"\r\n{ \"name\":\"" } else { b",\r\n{ \"name\":\"" });
        for byte in name {
            match byte {
                b'"' | b'\\' => out.extend([b'\\', *byte]),
                0..=0x1f => out.extend_from_slice(format!("\\u{byte:04x}").as_bytes()),
                _ => out.push(*byte),
            }
        }
        let time = http_date(frame.time(entry));
        let rest = match entry {
            Entry::Folder => format!("\", \"type\":\"directory\", \"mtime\":\"{time}\" }}"),
            Entry::File(file) => {
                format!("\", \"type\":\"file\", \"mtime\":\"{time}\", \"size\":{} }}", file.content.len())
            }
        };
        out.extend_from_slice(rest.as_bytes());
    }
    out.extend_from_slice(b"\r\n]\r\n");
    out
}

/// A page that asks for a login.
pub(super) const LOGIN: &[u8] = b"<!DOCTYPE html>\n<html><head><title>Welcome</title></head><body>\n\
    <h1>Please sign in</h1>\n<form method=\"post\" action=\"/login\">\n<input name=\"user\">\
    <input name=\"password\" type=\"password\"><button>Sign in</button>\n</form>\n\
    <a href=\"/help/\">Help</a></body></html>\n";

/// `MLSD` lines (RFC 3659, 7.2).
pub(super) fn mlsd(frame: &Frame<'_>, entries: &Entries) -> Vec<u8> {
    let mut out = format!("type=cdir;modify={}; .\r\n", ftp_time(frame.now)).into_bytes();
    for (name, entry) in entries {
        let time = ftp_time(frame.time(entry));
        let facts = match entry {
            Entry::Folder => format!("type=dir;modify={time}; "),
            Entry::File(file) => format!("type=file;size={};modify={time}; ", file.content.len()),
        };
        out.extend_from_slice(facts.as_bytes());
        out.extend_from_slice(name);
        out.extend_from_slice(b"\r\n");
    }
    out
}

/// The facts of one file in an `MLST` reply (RFC 3659, 7.2), its time as it is.
pub(super) fn mlst_facts(file: &CardFile) -> String {
    format!("type=file;size={};modify={};", file.content.len(), ftp_time(file.time))
}

/// `LIST` lines of a Unix server, in UTC: the time of the last half year, the year of what is
/// older or in the future.
pub(super) fn list(frame: &Frame<'_>, entries: &Entries) -> Vec<u8> {
    let mut out = Vec::new();
    for (name, entry) in entries {
        let time = frame.time(entry);
        let age = frame.now.duration_since(time);
        let recent = age >= SignedDuration::ZERO && age < SignedDuration::from_hours(24 * 180);
        let shown = time.strftime(if recent { "%b %d %H:%M" } else { "%b %d  %Y" });
        let line = match entry {
            Entry::Folder => format!("drwxr-xr-x   2 ftp      ftp          4096 {shown} "),
            Entry::File(file) => {
                format!("-rw-r--r--   1 ftp      ftp      {:>8} {shown} ", file.content.len())
            }
        };
        out.extend_from_slice(line.as_bytes());
        out.extend_from_slice(name);
        out.extend_from_slice(b"\r\n");
    }
    out
}

/// An IMF-fixdate (RFC 9110, 5.6.7).
pub(super) fn http_date(time: Timestamp) -> String {
    time.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string()
}

/// A time-val (RFC 3659, 2.3).
pub(super) fn ftp_time(time: Timestamp) -> String {
    time.strftime("%Y%m%d%H%M%S").to_string()
}

/// A file's modification time and size as nginx's entity tags have them.
pub(super) fn nginx_tag(file: &CardFile) -> String {
    format!("{:x}-{:x}", file.time.as_second(), file.content.len())
}

/// All but unreserved bytes as `%XX` (RFC 3986, 2.1 and 2.3).
fn escape(name: &[u8]) -> String {
    let mut out = String::new();
    for byte in name {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                out.push(char::from(*byte))
            }
            _ => out.push_str(&format!("%{byte:02X}")),
        }
    }
    out
}

fn html(text: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    for byte in text {
        match byte {
            b'&' => out.extend_from_slice(b"&amp;"),
            b'<' => out.extend_from_slice(b"&lt;"),
            b'>' => out.extend_from_slice(b"&gt;"),
            b'"' => out.extend_from_slice(b"&quot;"),
            _ => out.push(*byte),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::{Card, Content};
    use super::*;

    fn sample() -> (Card, Timestamp) {
        let old: Timestamp = "2023-11-14T22:13:21Z".parse().expect("moment");
        let now: Timestamp = "2026-11-24T22:15:49Z".parse().expect("moment");
        let mut card = Card::new();
        card.add("00000012/x", Content::noise(1, 1), now);
        card.add("00000001.mf4", Content::noise(1, 70_001), old);
        card.add("amp&amp;ent.mf4", Content::noise(1, 20), old);
        card.add(format!("{}-60tail.mf4", "L".repeat(60)), Content::noise(1, 8), old);
        card.add(".hidden", Content::noise(1, 8), old);
        (card, now)
    }

    fn render(of: fn(&Frame<'_>, &Entries) -> Vec<u8>) -> String {
        let (card, now) = sample();
        let frame = Frame { folder: b"/", now, shift: SignedDuration::ZERO };
        String::from_utf8(of(&frame, &card.entries(b"").expect("top"))).expect("text")
    }

    /// The lines as nginx 1.22.1 sent them for such files.
    #[test]
    fn the_html_is_that_of_nginx() {
        let page = render(nginx_html);
        for line in [
            "<h1>Index of /</h1><hr><pre><a href=\"../\">../</a>",
            "<a href=\"00000012/\">00000012/</a>                                          24-Nov-2026 22:15                   -",
            "<a href=\"00000001.mf4\">00000001.mf4</a>                                       14-Nov-2023 22:13               70001",
            "<a href=\"amp%26amp%3Bent.mf4\">amp&amp;amp;ent.mf4</a>                                    14-Nov-2023 22:13                  20",
            "<a href=\"LLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLL-60tail.mf4\">LLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLLL..&gt;</a> 14-Nov-2023 22:13                   8",
            "</pre><hr></body>",
        ] {
            assert!(page.lines().any(|l| l == line), "{line}\n{page}");
        }
        assert!(!page.contains("hidden"));
    }

    #[test]
    fn the_json_is_that_of_nginx_and_parses() {
        let page = render(nginx_json);
        let line = "{ \"name\":\"00000001.mf4\", \"type\":\"file\", \"mtime\":\"Tue, 14 Nov 2023 22:13:21 GMT\", \"size\":70001 },";
        assert!(page.lines().any(|l| l == line), "{page}");
        assert_eq!(serde_json::from_str::<Vec<serde_json::Value>>(&page).expect("json").len(), 4);
    }

    #[test]
    fn ftp_listings_tell_size_and_time() {
        assert!(render(mlsd).contains("type=file;size=70001;modify=20231114221321; 00000001.mf4\r\n"));
        let lines = render(list);
        assert!(lines.contains("-rw-r--r--   1 ftp      ftp         70001 Nov 14  2023 00000001.mf4\r\n"));
        assert!(lines.contains(" Nov 24 22:15 00000012\r\n"));
    }
}
