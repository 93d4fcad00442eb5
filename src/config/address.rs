//! Addresses of loggers: what may stand in `host`, `url` and `urls`.

use url::{Host, Url};

use super::notes::{At, Draft, Notes};
use super::raw::{UNSUPPORTED, nearest};

/// What this version speaks with loggers.
const SCHEMES: &[&str] = &["http", "https", "ftp"];
/// Schemes of later versions.
const LATER: &[&str] = &["ftps", "sftp", "webdav", "webdavs"];
/// The placeholder in a kind's `url`.
const HOST: &str = "{host}";

/// Whether what goes over it can be read on the way.
pub(super) fn is_clear_text(url: &Url) -> bool {
    matches!(url.scheme(), "http" | "ftp")
}

/// A kind's `url`, which gets each logger's host.
#[derive(Debug, Clone, Copy)]
pub(super) struct Template<'d>(&'d str);

impl<'d> Template<'d> {
    /// Checks it with a made-up host.
    pub fn new(notes: &Notes, at: At<&'d str>) -> Option<Self> {
        if !at.value.contains(HOST) {
            let draft = Draft::error(
                at.spot,
                "`url` of a kind has no {host}: all its loggers would have one address",
            );
            notes.push(draft.help("write url = \"http://{host}/\", or move it to the logger that has it"));
            return None;
        }
        let sample = at.value.replace(HOST, "logger");
        if sample.contains(['{', '}']) {
            let draft = Draft::error(at.spot, "`url` of a kind takes {host} alone in braces");
            notes.push(draft.help("write url = \"http://{host}/\""));
            return None;
        }
        parse(notes, at.map(|_| sample.as_str())).map(|_| Self(at.value))
    }

    /// The address of one logger.
    pub fn with(self, notes: &Notes, host: At<&str>) -> Option<Url> {
        let name = checked_host(notes, host)?;
        let url = self.0.replace(HOST, &name);
        parse(notes, At { value: url.as_str(), spot: host.spot })
    }
}

/// A name, an IPv4 or an IPv6 address, each with a port where that is not the usual one.
fn checked_host(notes: &Notes, at: At<&str>) -> Option<String> {
    let bracketed = format!("[{}]", at.value);
    let fits = |text: &str| {
        let (host, port) = match text.rsplit_once(':') {
            Some((host, port)) if !port.ends_with(']') => (host, Some(port)),
            _ => (text, None),
        };
        let plain = |c: char| c.is_ascii_alphanumeric() || "-._:[]".contains(c);
        host.chars().all(plain)
            && Host::parse(host).is_ok()
            && port.is_none_or(|p| !p.is_empty() && p.parse::<u16>().is_ok_and(|p| p > 0))
    };
    if fits(at.value) {
        return Some(at.value.to_owned());
    }
    if fits(&bracketed) {
        return Some(bracketed);
    }
    let help = match at.value.contains("://") {
        true => "write url = \"...\" where the whole address is meant",
        false => "write a name or an IP address, like host = \"10.20.0.43\"",
    };
    notes.push(Draft::error(at.spot, "`host` is neither a host name nor an IP address").help(help));
    None
}

/// An address with a trailing `/` and without a login.
pub(super) fn parse(notes: &Notes, at: At<&str>) -> Option<Url> {
    let refuse = |message: String, help: &str| {
        notes.push(Draft::error(at.spot, message).help(help));
        None
    };
    let Some((scheme, _)) = at.value.split_once("://") else {
        return refuse("the address has no scheme".to_owned(), "begin it with http://, https:// or ftp://");
    };
    let lower = scheme.to_ascii_lowercase();
    if LATER.contains(&lower.as_str()) {
        return refuse(format!("`{lower}://` for loggers {UNSUPPORTED}"), "use http://, https:// or ftp://");
    }
    if !SCHEMES.contains(&lower.as_str()) {
        let help = match nearest(&lower, SCHEMES.iter().chain(LATER).copied()) {
            Some(near) => format!("did you mean {near}://?"),
            None => "use http://, https:// or ftp://".to_owned(),
        };
        return refuse("the address has a scheme that Yarder does not know".to_owned(), &help);
    }
    let mut url = match Url::parse(at.value) {
        Ok(url) => url,
        Err(e) => return refuse(format!("this is no address: {e}"), "write it like http://10.20.0.43/logs/"),
    };
    if !url.username().is_empty() || url.password().is_some() {
        let help = "take it out, and set `user` and `password_file` instead";
        return refuse("the address holds a login".to_owned(), help);
    }
    if url.query().is_some() || url.fragment().is_some() {
        let help =
            "name the folder in which the listing begins; write %3F and %23 for these letters in names";
        return refuse("the address has a part behind `?` or `#`".to_owned(), help);
    }
    if !url.path().ends_with('/') {
        let path = format!("{}/", url.path());
        url.set_path(&path);
    }
    Some(url)
}

#[cfg(test)]
mod tests {
    use super::super::notes::{Spot, Which};
    use super::*;

    fn at(value: &str) -> At<&str> {
        At { value, spot: Spot::file(Which::Vehicles) }
    }

    #[test]
    fn an_address_ends_with_a_slash_and_has_one_form() {
        let notes = Notes::default();
        for (text, url) in [
            ("http://10.20.0.43", "http://10.20.0.43/"),
            ("HTTP://Logger-1:80/logs", "http://logger-1/logs/"),
            ("ftp://10.20.0.43/sd card", "ftp://10.20.0.43/sd%20card/"),
        ] {
            assert_eq!(parse(&notes, at(text)).expect(text).as_str(), url);
        }
    }

    #[test]
    fn a_host_fills_the_template_and_nothing_else() {
        let notes = Notes::default();
        let template = Template::new(&notes, at("http://{host}/logs/")).expect("template");
        for (host, url) in [
            ("10.20.0.43", Some("http://10.20.0.43/logs/")),
            ("l-1.yard:8080", Some("http://l-1.yard:8080/logs/")),
            ("fd00::43", Some("http://[fd00::43]/logs/")),
            ("[fd00::43]:81", Some("http://[fd00::43]:81/logs/")),
            ("10.20.0", Some("http://10.20.0.0/logs/")),
            ("a/b", None),
            ("u:p@h", None),
            ("a b", None),
            ("a:", None),
            ("a:0", None),
            ("a?b", None),
            ("", None),
            ("http://a", None),
            ("10.20.0.430", None),
        ] {
            assert_eq!(template.with(&notes, at(host)).as_ref().map(Url::as_str), url, "{host}");
        }
    }
}
