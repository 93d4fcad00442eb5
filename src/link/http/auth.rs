//! Logins: Basic (RFC 7617) and Digest (RFC 7616) with `qop=auth`, its nonce used again for as long
//! as the server takes it.
//!
//! Nothing is sent before a server has asked. No error and no debug output holds a secret.

use std::str::FromStr as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use digest_auth::{Algorithm, AlgorithmType, AuthContext, Charset, HttpMethod, Qop, WwwAuthenticateHeader};
use reqwest::header::{HeaderMap, HeaderValue, WWW_AUTHENTICATE};
use secrecy::ExposeSecret as _;

use crate::config::Login;

/// Bytes of challenges that are looked at.
const MAX_CHALLENGE: usize = 8 * 1024;

/// What is sent with each request.
#[derive(Default)]
pub(super) enum Auth {
    /// The server has not asked yet.
    #[default]
    None,
    Basic,
    Digest(Box<WwwAuthenticateHeader>),
}

impl Auth {
    /// The `Authorization` header of the next request. `uri` is the request target as sent.
    pub fn header(&mut self, login: &Login, method: &str, uri: &str) -> Option<HeaderValue> {
        let password = login.password.expose_secret();
        let text = match self {
            Auth::None => return None,
            Auth::Basic => format!("Basic {}", STANDARD.encode(format!("{}:{password}", login.user))),
            Auth::Digest(prompt) => {
                let method = HttpMethod(method.into());
                let context =
                    AuthContext::new_with_method(&*login.user, password, uri, None::<&[u8]>, method);
                prompt.respond(&context).ok()?.to_string()
            }
        };
        let mut value = HeaderValue::from_bytes(text.as_bytes()).ok()?;
        value.set_sensitive(true);
        Some(value)
    }

    /// Takes the challenges of a 401. Whether another try can do better than the last one.
    pub fn challenged(&mut self, headers: &HeaderMap) -> bool {
        let mut offered = challenges(headers);
        let strength = |digest: &WwwAuthenticateHeader| match digest.algorithm.algo {
            AlgorithmType::MD5 => 0,
            AlgorithmType::SHA2_256 | AlgorithmType::SHA2_512_256 => 1,
        };
        offered.digests.sort_by_key(strength);
        match (&*self, offered.digests.pop()) {
            // A nonce that was refused at its first use, and not for its age, met a wrong password.
            (Auth::Digest(sent), Some(next)) if sent.nc <= 1 && !next.stale => false,
            (_, Some(next)) => {
                *self = Auth::Digest(Box::new(next));
                true
            }
            (Auth::Basic, None) => false,
            (_, None) if offered.basic => {
                *self = Auth::Basic;
                true
            }
            _ => false,
        }
    }
}

#[derive(Default)]
struct Offered {
    basic: bool,
    digests: Vec<WwwAuthenticateHeader>,
}

/// All challenges that we can answer, over all fields and all of their members (RFC 9110, 11.6.1).
fn challenges(headers: &HeaderMap) -> Offered {
    let mut offered = Offered::default();
    let mut room = MAX_CHALLENGE;
    for value in headers.get_all(WWW_AUTHENTICATE) {
        room = match room.checked_sub(value.len()) {
            Some(room) => room,
            None => break,
        };
        let mut digest: Option<Params> = None;
        for member in members(&String::from_utf8_lossy(value.as_bytes())) {
            match member {
                Member::Scheme(scheme) => {
                    offered.digests.extend(digest.take().and_then(prompt));
                    offered.basic |= scheme.eq_ignore_ascii_case("basic");
                    digest = scheme.eq_ignore_ascii_case("digest").then(Params::new);
                }
                Member::Param(name, value) => {
                    if let Some(params) = &mut digest {
                        params.push((name, value));
                    }
                }
            }
        }
        offered.digests.extend(digest.and_then(prompt));
    }
    offered
}

type Params = Vec<(String, String)>;

enum Member {
    Scheme(String),
    Param(String, String),
}

/// Splits a challenge field. A word that no `=` follows begins a challenge.
fn members(field: &str) -> Vec<Member> {
    let mut out = Vec::new();
    let mut rest = field;
    loop {
        rest = rest.trim_start_matches([' ', '\t', ',']);
        let end = rest.find([' ', '\t', ',', '=', '"']).unwrap_or(rest.len());
        let (word, after) = rest.split_at(end);
        let after = after.trim_start_matches([' ', '\t']);
        if let Some(value) = after.strip_prefix('=') {
            let (value, tail) = value_of(value.trim_start_matches([' ', '\t', '=']));
            out.push(Member::Param(word.to_ascii_lowercase(), value));
            rest = tail;
        } else if !word.is_empty() {
            out.push(Member::Scheme(word.to_owned()));
            rest = after;
        } else {
            // Only a stray quote can stand here; nothing behind it can be trusted.
            return out;
        }
    }
}

/// A token or quoted string (RFC 9110, 5.6.4), and what follows.
fn value_of(text: &str) -> (String, &str) {
    let Some(quoted) = text.strip_prefix('"') else {
        let (value, rest) = text.split_at(text.find([' ', '\t', ',']).unwrap_or(text.len()));
        return (value.to_owned(), rest);
    };
    let mut value = String::new();
    let mut chars = quoted.char_indices();
    while let Some((at, c)) = chars.next() {
        match c {
            '"' => return (value, quoted.get(at + 1..).unwrap_or("")),
            '\\' => value.extend(chars.next().map(|(_, c)| c)),
            _ => value.push(c),
        }
    }
    (value, "")
}

fn prompt(params: Params) -> Option<WwwAuthenticateHeader> {
    let get = |name: &str| params.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
    let algorithm = get("algorithm").map_or(Some(Algorithm::default()), |name| {
        let known = ["MD5", "MD5-sess", "SHA-256", "SHA-256-sess", "SHA-512-256", "SHA-512-256-sess"];
        let known = known.iter().find(|known| known.eq_ignore_ascii_case(&name))?;
        Algorithm::from_str(known).ok()
    })?;
    // Without `qop` the server follows the older RFC 2069; with it we need `auth`.
    let qop = match get("qop") {
        Some(list) if list.split(',').any(|q| q.trim().eq_ignore_ascii_case("auth")) => Some(vec![Qop::AUTH]),
        Some(_) => return None,
        None => None,
    };
    let is_true = |name| get(name).is_some_and(|value| value.eq_ignore_ascii_case("true"));
    Some(WwwAuthenticateHeader {
        domain: None,
        realm: get("realm").unwrap_or_default(),
        nonce: get("nonce")?,
        opaque: get("opaque"),
        stale: is_true("stale"),
        algorithm,
        qop,
        userhash: is_true("userhash"),
        charset: Charset::UTF8,
        nc: 0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn login() -> Login {
        Login { user: "Mufasa".into(), password: "Circle of Life".into() }
    }

    fn asked(fields: &[&str]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for field in fields {
            headers.append(WWW_AUTHENTICATE, HeaderValue::from_bytes(field.as_bytes()).expect("field"));
        }
        headers
    }

    /// The example of RFC 7616, 3.9.1: its challenges, its client nonce, its two responses.
    #[test]
    fn the_examples_of_the_standard_come_out() {
        let field = |algorithm: &str| {
            format!(
                "Digest realm=\"http-auth@example.org\", qop=\"auth, auth-int\", algorithm={algorithm}, \
                 nonce=\"7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v\", \
                 opaque=\"FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS\""
            )
        };
        let (md5, sha) = (field("MD5"), field("SHA-256"));
        for (fields, want) in [
            (vec![&*md5], "8ca523f5e9506fed4657c9700eebdbec"),
            (vec![&*sha], "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"),
            // Both offered, in either order: the stronger one is taken.
            (vec![&*md5, &*sha], "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"),
            (vec![&*sha, &*md5], "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"),
        ] {
            let mut auth = Auth::default();
            assert!(auth.challenged(&asked(&fields)));
            let Auth::Digest(prompt) = &mut auth else { panic!("digest") };
            let login = login();
            let mut context = AuthContext::new(&*login.user, "Circle of Life", "/dir/index.html");
            context.set_custom_cnonce("f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ");
            assert_eq!(prompt.respond(&context).expect("answer").response, want);
        }
        // RFC 2617, 3.5.
        let field = "Digest realm=\"testrealm@host.com\", qop=\"auth,auth-int\", \
                     nonce=\"dcd98b7102dd2f0e8b11d0f600bfb0c093\", opaque=\"5ccc069c403ebaf9f0171e9517f40e41\"";
        let mut auth = Auth::default();
        assert!(auth.challenged(&asked(&[field])));
        let Auth::Digest(prompt) = &mut auth else { panic!("digest") };
        let mut context = AuthContext::new("Mufasa", "Circle Of Life", "/dir/index.html");
        context.set_custom_cnonce("0a4f113b");
        let answer = prompt.respond(&context).expect("answer").response;
        assert_eq!(answer, "6629fae49393a05397450978507c4ef1");
        use crate::inspect::check_values::{text, topic};
        let published = topic("http_digest_auth", 3);
        let published: Vec<_> = published.iter().map(|entry| text(entry, "/expected")).collect();
        let checked = [
            "8ca523f5e9506fed4657c9700eebdbec",
            "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1",
            &answer,
        ];
        assert_eq!(published, checked, "all of `http_digest_auth` is checked here");
    }

    #[test]
    fn digest_is_preferred_and_its_nonce_is_used_again() {
        let mut auth = Auth::default();
        let both = "Basic realm=\"\", Digest realm=\"depot\", nonce=\"n1\", algorithm=MD5, qop=\"auth\"";
        assert!(auth.header(&login(), "GET", "/").is_none(), "nothing before the server asked");
        assert!(auth.challenged(&asked(&[both])));
        for nc in ["nc=00000001", "nc=00000002"] {
            let value = auth.header(&login(), "GET", "/a%20b").expect("header");
            let text = value.to_str().expect("text");
            assert!(
                text.contains(nc) && text.contains("uri=\"/a%20b\"") && text.contains("qop=auth"),
                "{text}"
            );
            assert!(value.is_sensitive());
        }
        let stale = "Digest realm=\"depot\", nonce=\"n2\", qop=\"auth\", stale=true";
        assert!(auth.challenged(&asked(&[stale])));
        let value = auth.header(&login(), "GET", "/").expect("header");
        assert!(value.to_str().expect("text").contains("nonce=\"n2\""));
        assert!(!auth.challenged(&asked(&[both])), "a fresh nonce that was refused met a wrong password");
    }

    #[test]
    fn basic_is_tried_once() {
        let mut auth = Auth::default();
        assert!(auth.challenged(&asked(&["Basic realm=\"depot\", charset=\"UTF-8\""])));
        let value = auth.header(&login(), "GET", "/").expect("header");
        assert_eq!(value.to_str().expect("text"), "Basic TXVmYXNhOkNpcmNsZSBvZiBMaWZl");
        assert!(!auth.challenged(&asked(&["Basic realm=\"depot\""])));
        assert!(
            !Auth::default()
                .challenged(&asked(&["Negotiate", "Digest realm=\"x\", qop=\"auth-int\", nonce=\"1\""]))
        );
    }

    proptest! {
        #[test]
        fn no_challenge_can_make_us_fail(field in "[Dd]igest [ -~é]{0,80}") {
            let mut auth = Auth::default();
            auth.challenged(&asked(&[&field, "Digest nonce=\"ü\\\"\", realm=é"]));
            auth.header(&login(), "GET", "/");
        }
    }
}
