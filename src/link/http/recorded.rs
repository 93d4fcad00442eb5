//! The dialects, against recordings of the servers that speak them (see `tests/recordings/http`).

use bytes::Bytes;
use jiff::tz::TimeZone;
use proptest::prelude::*;
use url::Url;

use super::page::{Entry, Page, PageError, Place, Reading};
use super::{html, json};
use crate::model::{ListedSize, ListedTime, Precision, RemotePath};

/// A recorded body.
fn recorded(name: &str) -> Bytes {
    let path = format!("{}/tests/recordings/http/{name}.raw", env!("CARGO_MANIFEST_DIR"));
    let raw = std::fs::read(&path).expect(&path);
    let head = raw.windows(4).position(|w| w == b"\r\n\r\n").expect("head");
    Bytes::from(raw).slice(head + 4..)
}

/// The servers ran at this offset.
fn zone() -> TimeZone {
    TimeZone::posix("TST-5:30").expect("zone")
}

fn parse_at(body: &[u8], folder: &str, is_json: bool, max_entries: usize) -> Result<Page, PageError> {
    let place = Place::new(&Url::parse(&format!("http://127.0.0.1:8080{folder}")).expect("url"));
    let reading = Reading { place: &place, zone: &zone(), max_entries, overflow: false };
    let chunks = [Bytes::copy_from_slice(body)];
    if is_json { json::parse(&chunks, &reading) } else { html::parse(&chunks, &reading) }
}

fn parse(name: &str, body: &[u8]) -> Result<Page, PageError> {
    let folder = match name.rsplit('/').next() {
        Some("list-root") => "/",
        Some("list-empty") => "/00000015/",
        Some("list-links") => "/links/",
        Some("list-names-latin1") => "/names-latin1/",
        _ => "/names/",
    };
    parse_at(body, folder, name.starts_with("nginx-json"), 1000)
}

fn page(name: &str) -> Page {
    parse(name, &recorded(name)).unwrap_or_else(|e| panic!("{name}: {e:?}"))
}

fn entry<'a>(page: &'a Page, name: &str) -> &'a Entry {
    page.entries.iter().find(|e| e.name == name.as_bytes()).unwrap_or_else(|| panic!("no {name}"))
}

const SERVERS: [(&str, &str); 10] = [
    ("nginx-html", "nginx html"),
    ("nginx-html-local", "nginx html"),
    ("nginx-json", "nginx JSON"),
    ("apache-plain", "Apache plain"),
    ("apache-fancy", "Apache fancy"),
    ("apache-table", "Apache table"),
    ("lighttpd-html", "lighttpd"),
    ("pyhttp", "Python http.server"),
    ("nginx-fancyindex", "plain links"),
    ("wsgidav", "plain links"),
];

#[test]
fn every_server_is_told_by_its_page_even_by_an_empty_one() {
    for (server, dialect) in SERVERS {
        for list in ["list-root", "list-names", "list-links", "list-empty"] {
            let page = page(&format!("{server}/{list}"));
            assert_eq!(page.dialect, dialect, "{server}/{list}");
            assert!(page.sure && page.closed && !page.partial, "{server}/{list}");
            assert_eq!(
                page.entries.is_empty(),
                list == "list-empty" || (server, list) == ("wsgidav", "list-links"),
                "{server}/{list}"
            );
        }
    }
}

#[test]
fn sizes_and_times_are_as_exact_as_they_are_shown() {
    let exact = || ListedSize::Exact(5_242_880);
    let rounded = |text: &str| ListedSize::Rounded(text.to_owned());
    let minute = |at: &str| Some((at.to_owned(), Precision::Minute, false));
    for (server, size, time) in [
        // The page does not say that these times are UTC: the kind's zone, here +05:30, is taken.
        ("nginx-html", exact(), minute("2023-11-14T16:43:00Z")),
        ("nginx-html-local", rounded("5M"), minute("2023-11-14T22:13:00Z")),
        ("nginx-json", exact(), Some(("2023-11-14T22:13:21Z".to_owned(), Precision::Second, true))),
        ("apache-plain", ListedSize::Unknown, None),
        ("apache-fancy", rounded("5.0M"), minute("2023-11-14T22:13:00Z")),
        ("apache-table", rounded("5.0M"), minute("2023-11-14T22:13:00Z")),
        (
            "lighttpd-html",
            rounded("5.0M"),
            Some(("2023-11-14T22:13:21Z".to_owned(), Precision::Second, false)),
        ),
        ("pyhttp", ListedSize::Unknown, None),
        ("nginx-fancyindex", rounded("5242880 2023-Nov-14 22:13"), None),
    ] {
        let page = page(&format!("{server}/list-root"));
        let big = entry(&page, "big.mf4");
        assert_eq!(big.size, size, "{server}");
        let want = time.map(|(at, precision, zone_told)| ListedTime {
            at: at.parse().expect("moment"),
            precision,
            zone_told,
        });
        assert_eq!(big.time, want, "{server}");
        let folder = entry(&page, "00000012");
        assert!(folder.folder && folder.size == ListedSize::Unknown, "{server}");
        assert!(page.entries.iter().filter(|e| e.folder).count() >= 10, "{server}");
    }
    // Bare digits are bytes, also where other sizes are rounded.
    for server in ["nginx-html-local", "apache-fancy", "apache-table"] {
        assert_eq!(entry(&page(&format!("{server}/list-root")), "future.mf4").size, ListedSize::Exact(7));
    }
    assert_eq!(entry(&page("lighttpd-html/list-root"), "future.mf4").size, rounded("0.1K"));
}

#[test]
fn every_odd_name_comes_out_byte_for_byte() {
    let mut want: Vec<String> = [
        "with space.mf4",
        "two  spaces.mf4",
        " lead.mf4",
        "trail .mf4",
        "trail_space ",
        "pct%41.mf4",
        "pct%zz.mf4",
        "hash#tag.mf4",
        "amp&amp.mf4",
        "amp&amp;ent.mf4",
        "quote\"dq.mf4",
        "quote'sq.mf4",
        "lt<gt>.mf4",
        "q?mark.mf4",
        "semi;colon.mf4",
        "plus+plus.mf4",
        "back\\slash.mf4",
        "colon:name.mf4",
        "br[ack]et{s}.mf4",
        "star*.mf4",
        "tilde~.mf4",
        "tab\there.mf4",
        "caret^pipe|.mf4",
        "-> arrow.mf4",
        "arrow -> target.mf4",
        "-dash.mf4",
        "UPPER.MF4",
        "upper.mf4",
        "ümläut-日本-🚚.mf4",
        "e\u{301}-nfd.mf4",
        "\u{e9}-nfc.mf4",
    ]
    .map(str::to_owned)
    .to_vec();
    want.push(format!("{}-60tail.mf4", "L".repeat(60)));
    want.push(format!("{}-200tail.mf4", "L".repeat(200)));
    want.sort();
    for (server, _) in SERVERS {
        let page = page(&format!("{server}/list-names"));
        let mut names: Vec<_> =
            page.entries.iter().map(|e| String::from_utf8(e.name.clone()).expect("UTF-8")).collect();
        names.sort();
        assert_eq!(names, want, "{server}");
        let usable = page.entries.iter().filter(|e| RemotePath::new(&e.name).is_ok()).count();
        assert_eq!(usable, want.len() - 1, "{server}: a backslash is no part of a name");
    }
    for server in ["nginx-html", "nginx-json"] {
        let page = page(&format!("{server}/list-names-latin1"));
        assert!(page.entries.iter().any(|e| e.name == b"latin1-\xe9\xff.mf4"), "{server}");
        assert_eq!(page.entries.len(), 2, "{server}");
    }
}

#[test]
fn links_that_lead_nowhere_are_no_files_where_the_server_says_so() {
    let json = page("nginx-json/list-links");
    assert!(!json.entries.iter().any(|e| e.name == b"dangling"));
    assert!(entry(&json, "loop").folder);
    assert!(entry(&page("pyhttp/list-links"), "link.mf4").name == b"link.mf4");
}

#[test]
fn a_truncated_page_is_never_a_listing() {
    for (server, _) in SERVERS {
        for list in ["list-root", "list-names", "list-links", "list-empty"] {
            let name = format!("{server}/{list}");
            let body = recorded(&name);
            for tenth in 0..10 {
                let cut = parse(&name, &body[..body.len() * tenth / 10]);
                assert!(cut.is_err(), "{name} cut at {tenth}/10: {cut:?}");
            }
        }
    }
}

#[test]
fn entries_beyond_the_cap_make_a_page_partial() {
    for (name, is_json) in [("nginx-html/list-root", false), ("nginx-json/list-root", true)] {
        let page = parse_at(&recorded(name), "/", is_json, 5).expect("page");
        assert_eq!((page.entries.len(), page.partial), (5, true), "{name}");
    }
}

#[test]
fn login_pages_and_portals_are_no_listings() {
    for page in [
        "<html><head><title>Sign in</title></head><body><form><input type=password></form><a href=\"a.log\">x</a></body></html>",
        "<html><title>Welcome</title><meta http-equiv=refresh content=\"0;url=/portal\"><a href=\"a.log\">a</a></html>",
        "<html><title>Depot router</title><a href=\"/status.asp\">Status</a> <a href=\"logs/a/b\">x</a></html>",
        "<html><title>Nothing here</title><p>It works!</p></html>",
        "plain words",
        "",
    ] {
        let got = parse_at(page.as_bytes(), "/logs/", false, 10);
        assert!(matches!(got, Err(PageError::NotAListing(_))), "{page}: {got:?}");
    }
    let titled = parse_at(b"<html><title>Sign\n in</title><form></form></html>", "/", false, 10);
    assert_eq!(titled.expect_err("login"), PageError::NotAListing("Sign in".to_owned()));
    for text in ["{\"error\":\"login\"}", "[1,2]", "[{\"id\":1}]", "null", ""] {
        assert!(parse_at(text.as_bytes(), "/", true, 10).is_err(), "{text}");
    }
}

#[test]
fn plain_links_of_a_server_that_nobody_knows_are_a_listing() {
    let page =
        parse_at(b"<a href=\"a.log\">a.log</a> 12 kB<br><a href=sub/>sub</a><br>", "/logs/", false, 10)
            .expect("page");
    assert!(!page.sure && !page.closed, "it is for the caller to see whether the links look like logs");
    assert_eq!(page.entries.iter().map(|e| &*e.name).collect::<Vec<_>>(), [&b"a.log"[..], b"sub"]);
    assert_eq!(page.entries[0].size, ListedSize::Rounded("12 kB".to_owned()));
    assert!(page.entries[1].folder);
}

#[test]
fn a_tag_without_end_is_given_up() {
    let mut body = b"<html><title>Index of /</title><pre><a href=\"".to_vec();
    body.resize(1024 * 1024, b'x');
    assert!(matches!(parse_at(&body, "/", false, 10), Err(PageError::NotAListing(_))));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn damaged_pages_never_make_a_parser_fail(
        which in 0..SERVERS.len(),
        at in any::<prop::sample::Index>(),
        junk in prop::collection::vec(any::<u8>(), 0..40),
    ) {
        let name = format!("{}/list-root", SERVERS[which].0);
        let mut body = recorded(&name).to_vec();
        let at = at.index(body.len());
        let end = (at + junk.len()).min(body.len());
        body.splice(at..end, junk);
        if let Ok(page) = parse(&name, &body) {
            prop_assert!(page.entries.len() <= 1000);
        }
    }

    #[test]
    fn junk_never_makes_a_parser_fail(
        body in prop::collection::vec(prop_oneof![Just(b'<'), Just(b'>'), Just(b'"'), Just(b'{'), Just(b'['), any::<u8>()], 0..300),
    ) {
        for is_json in [false, true] {
            if let Ok(page) = parse_at(&body, "/", is_json, 3) {
                prop_assert!(page.entries.len() <= 3);
            }
        }
    }

    #[test]
    fn chunk_borders_do_not_matter(cuts in prop::collection::vec(1_usize..900, 1..20)) {
        let body = recorded("nginx-html/list-names-latin1");
        let mut chunks = Vec::new();
        let mut rest = body.clone();
        for cut in cuts {
            chunks.push(rest.split_to(cut.min(rest.len())));
        }
        chunks.push(rest);
        let place = Place::new(&Url::parse("http://127.0.0.1:8080/names-latin1/").expect("url"));
        let reading = Reading { place: &place, zone: &zone(), max_entries: 9, overflow: false };
        let page = html::parse(&chunks, &reading).expect("page");
        prop_assert_eq!(page.entries, parse("nginx-html/list-names-latin1", &body).expect("page").entries);
    }
}
