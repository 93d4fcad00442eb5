//! HTTP logins from the server's side: Basic (RFC 7617), Digest with MD5 and `auth` (RFC 7616).

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use md5::{Digest as _, Md5};

/// The realm of every simulated logger.
pub(super) const REALM: &str = "depot";
/// Replay is no threat on loopback, so one nonce serves.
const NONCE: &str = "8d3f0a1c5b7e42960f1d";

/// The challenge for Digest.
pub(super) fn digest_challenge() -> String {
    format!("Digest realm=\"{REALM}\", nonce=\"{NONCE}\", algorithm=MD5, qop=\"auth\"")
}

/// Whether a Basic `Authorization` value is that user's.
pub(super) fn basic_fits(value: &str, login: &(String, String)) -> bool {
    let Some(code) = strip_scheme(value, "basic") else { return false };
    let want = format!("{}:{}", login.0, login.1);
    STANDARD.decode(code.trim()).is_ok_and(|given| given == want.as_bytes())
}

/// Whether a Digest `Authorization` value is that user's, for that method and target.
pub(super) fn digest_fits(value: &str, login: &(String, String), method: &str, target: &str) -> bool {
    let Some(rest) = strip_scheme(value, "digest") else { return false };
    let given = |name: &str| {
        // No value of ours holds a comma, and a path with one is escaped by its sender.
        rest.split(',').find_map(|part| {
            let (key, value) = part.trim().split_once('=')?;
            (key.trim().eq_ignore_ascii_case(name)).then(|| value.trim().trim_matches('"'))
        })
    };
    let md5 = |text: String| hex::encode(Md5::digest(text.as_bytes()));
    let (Some(nc), Some(cnonce), Some(response)) = (given("nc"), given("cnonce"), given("response")) else {
        return false;
    };
    let secret = md5(format!("{}:{REALM}:{}", login.0, login.1));
    let want = md5(format!("{secret}:{NONCE}:{nc}:{cnonce}:auth:{}", md5(format!("{method}:{target}"))));
    given("username") == Some(login.0.as_str())
        && given("nonce") == Some(NONCE)
        && given("uri") == Some(target)
        && given("qop") == Some("auth")
        && response.eq_ignore_ascii_case(&want)
}

fn strip_scheme<'a>(value: &'a str, scheme: &str) -> Option<&'a str> {
    let (head, rest) = value.trim().split_once(' ')?;
    head.eq_ignore_ascii_case(scheme).then_some(rest)
}
