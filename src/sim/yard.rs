//! Who stands in the demo's yard: the invented depot "north-yard", its vehicles and their loggers.

use super::ftp::FtpOptions;
use super::http::{HttpOptions, Index};
use super::logger::{Options, Protocol};

/// The make-up of a logger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// HTTP with nginx's pages.
    Http,
    /// HTTP with nginx's JSON.
    HttpJson,
    /// HTTP with a login.
    HttpLogin,
    /// FTP with `MLSD`.
    Ftp,
    /// FTP with `LIST` alone.
    FtpList,
}

/// The login of the kinds that want one.
pub(super) const LOGIN: (&str, &str) = ("depot", "snow-is-coming");

impl Kind {
    /// The kind's name in `vehicles.toml`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Http | Self::HttpJson => "wifi-http",
            Self::HttpLogin => "wifi-http-login",
            Self::Ftp | Self::FtpList => "wifi-ftp",
        }
    }

    /// Whether it wants a login.
    pub fn wants_login(self) -> bool {
        !matches!(self, Self::Http | Self::HttpJson)
    }

    /// A logger of that kind, away at first.
    pub(super) fn options(self) -> Options {
        let protocol = match self {
            Self::Http | Self::HttpLogin => Protocol::Http(HttpOptions::default()),
            Self::HttpJson => {
                Protocol::Http(HttpOptions { index: Index::NginxJson, ..HttpOptions::default() })
            }
            Self::Ftp => Protocol::Ftp(FtpOptions::default()),
            Self::FtpList => Protocol::Ftp(FtpOptions { mlsd: false, ..FtpOptions::default() }),
        };
        let options = Options { protocol, present: false, ..Options::http() };
        if self.wants_login() { options.login(LOGIN.0, LOGIN.1) } else { options }
    }
}

/// A logger in its vehicle, and what lies on its card when the night begins.
#[derive(Debug, Clone, Copy)]
pub struct Fitted {
    /// The vehicle's id.
    pub vehicle: &'static str,
    /// The logger's id.
    pub logger: &'static str,
    /// Its make-up.
    pub kind: Kind,
    /// The vehicle's home cell.
    pub access_point: &'static str,
    /// How many log files lie on its card.
    pub files: u64,
    /// Bytes of each, about.
    pub size: u64,
    /// Bytes a second that it delivers.
    pub rate: u64,
}

/// The yard: 16 vehicles, one of them with two loggers; about 190 MB of logs.
pub fn yard() -> Vec<Fitted> {
    use Kind::{Ftp, FtpList, Http, HttpJson, HttpLogin};
    [
        ("PLOW-01", "L-0101", Http, "east", 5, 4_000, 5_000),
        ("PLOW-02", "L-0102", Http, "east", 3, 4_000, 5_000),
        ("PLOW-03", "L-0103", Ftp, "east", 4, 4_000, 5_000),
        ("PLOW-04", "L-0104", HttpJson, "east", 3, 3_000, 5_000),
        ("PLOW-05", "L-0105", Http, "east", 3, 4_000, 5_000),
        ("PLOW-06", "L-0106", Http, "east", 3, 3_000, 5_000),
        ("PLOW-07", "L-0107", FtpList, "east", 3, 4_000, 5_000),
        ("PLOW-08", "L-0108", HttpLogin, "east", 3, 5_000, 5_000),
        ("REFUSE-01", "L-0201", Http, "west", 3, 1_500, 5_000),
        ("REFUSE-02", "L-0202", Http, "west", 3, 4_000, 5_000),
        ("REFUSE-02", "L-0203", Ftp, "west", 3, 3_000, 5_000),
        ("REFUSE-03", "L-0204", Http, "west", 2, 2_000, 5_000),
        ("REFUSE-04", "L-0205", Http, "west", 2, 2_000, 5_000),
        ("SWEEP-01", "L-0301", Http, "west", 3, 3_000, 5_000),
        ("SWEEP-02", "L-0302", Http, "west", 4, 8_000, 2_000),
        ("SWEEP-03", "L-0303", HttpJson, "west", 2, 4_000, 5_000),
        ("SWEEP-04", "L-0304", Http, "west", 3, 3_000, 5_000),
    ]
    .map(|(vehicle, logger, kind, access_point, files, kilobytes, rate)| Fitted {
        vehicle,
        logger,
        kind,
        access_point,
        files,
        size: kilobytes * 1000,
        rate: rate * 1000,
    })
    .to_vec()
}
