//! Behaviour against a scripted server.

use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use url::Url;

use super::HttpLink;
use super::scripted::{Reply, Server, ok, reply};
use crate::config::Login;
use crate::link::{Link, LinkError, LinkFailure, ListCaps, Opened};
use crate::model::{Digest, DigestKind, ListedSize, Look, RemotePath};

fn part(range: &str, headers: &[&str], body: &[u8]) -> Vec<u8> {
    let (length, range) =
        (format!("Content-Length: {}", body.len()), format!("Content-Range: bytes {range}"));
    reply("206 Partial Content", &[&[&*length, &*range], headers].concat(), body)
}

fn path(text: &str) -> RemotePath {
    RemotePath::new(text.as_bytes()).expect("path")
}

fn sized(size: u64) -> Look {
    Look { size: Some(size), ..Look::default() }
}

fn tagged(size: u64, tag: &str) -> Look {
    Look { size: Some(size), validator: Some(tag.to_owned()), strong: true, ..Look::default() }
}

/// Reads to the end; what came, and how it ended.
async fn rest(link: &mut HttpLink) -> (Vec<u8>, Result<(), LinkError>) {
    let mut all = Vec::new();
    loop {
        match link.chunk().await {
            Ok(Some(bytes)) => all.extend_from_slice(&bytes),
            Ok(None) => return (all, Ok(())),
            Err(error) => return (all, Err(error)),
        }
    }
}

async fn opens(
    reply: Reply,
    from: u64,
    expect: &Look,
) -> Result<(Opened, Vec<u8>, Result<(), LinkError>), LinkError> {
    let mut link = Server::new(vec![reply]).await.link();
    let opened = link.open(&path("a.mf4"), from, expect).await?;
    let (bytes, end) = rest(&mut link).await;
    Ok((opened, bytes, end))
}

async fn refuses(reply: Vec<u8>, from: u64, expect: &Look) -> LinkFailure {
    opens(Reply::Keep(reply), from, expect).await.expect_err("refused").failure
}

#[tokio::test]
async fn many_files_travel_over_one_connection() {
    let tag = ["ETag: \"t\""];
    let replies = [ok(&tag, b"0123456789"), reply("200 OK", &["Content-Length: 10", "ETag: \"t\""], b"")];
    let server = Server::new(replies.iter().cycle().take(40).cloned().map(Reply::Keep).collect()).await;
    let mut link = server.link();
    for n in 0..20 {
        let path = path(&format!("a b#{n}.mf4"));
        let opened = link.open(&path, 0, &sized(10)).await.expect("open");
        assert_eq!((opened.from, opened.look.size), (0, Some(10)));
        assert_eq!(rest(&mut link).await, (b"0123456789".to_vec(), Ok(())));
        assert!(link.look(&path).await.expect("look").agrees(&opened.look));
    }
    assert_eq!(server.connections(), 1);
    let head = server.heads().swap_remove(0).to_ascii_lowercase();
    assert!(head.starts_with("get /logs/a%20b%230.mf4 http/1.1\r\n"), "{head}");
    assert!(
        head.contains("accept-encoding: identity\r\n") && head.contains("want-repr-digest: sha-256=1\r\n")
    );
    assert!(!head.contains("range:") && !head.contains("authorization:"), "{head}");
}

/// RFC 9110, 13.1.5 and 14.2.
#[tokio::test]
async fn a_resumed_read_is_conditional_and_begins_where_it_was_asked_to() {
    let server = Server::new(vec![Reply::Keep(part("4-9/10", &["ETag: \"t\""], b"456789"))]).await;
    let mut link = server.link();
    assert_eq!(link.caps().resumes, None);
    let opened = link.open(&path("a.mf4"), 4, &tagged(10, "\"t\"")).await.expect("open");
    assert_eq!(opened.from, 4);
    assert_eq!(rest(&mut link).await, (b"456789".to_vec(), Ok(())));
    assert_eq!(link.caps().resumes, Some(true));
    let head = server.heads().swap_remove(0).to_ascii_lowercase();
    assert!(head.contains("range: bytes=4-\r\n") && head.contains("if-range: \"t\"\r\n"), "{head}");
}

#[tokio::test]
async fn a_weak_tag_makes_no_request_conditional() {
    let server = Server::new(vec![Reply::Keep(part("4-9/10", &["ETag: \"t\""], b"456789"))]).await;
    let weak = Look { strong: false, ..tagged(10, "\"t\"") };
    server.link().open(&path("a.mf4"), 4, &weak).await.expect("a tag that became strong is no change");
    assert!(!server.heads()[0].to_ascii_lowercase().contains("if-range"));
}

#[tokio::test]
async fn a_whole_reply_to_a_range_begins_again() {
    let server = Server::new(vec![Reply::Keep(ok(&[], b"0123456789"))]).await;
    let mut link = server.link();
    assert_eq!(link.open(&path("a.mf4"), 4, &sized(10)).await.expect("open").from, 0);
    assert_eq!(link.caps().resumes, Some(false));
    assert_eq!(rest(&mut link).await.0.len(), 10);
}

#[tokio::test]
async fn a_part_that_begins_before_the_offset_says_so() {
    let (opened, bytes, end) =
        opens(Reply::Keep(part("0-9/10", &[], b"0123456789")), 4, &sized(10)).await.expect("open");
    assert_eq!((opened.from, bytes.len(), end), (0, 10, Ok(())));
}

#[tokio::test]
async fn parts_that_do_not_fit_are_refused() {
    let tag = tagged(10, "\"t\"");
    assert_eq!(refuses(part("5-9/10", &[], b"56789"), 4, &tag).await, LinkFailure::Protocol);
    assert_eq!(refuses(part("4-9/10", &[], b"45678"), 4, &tag).await, LinkFailure::Protocol);
    assert_eq!(refuses(part("4-10/11", &[], b"456789a"), 4, &tag).await, LinkFailure::Changed);
    assert_eq!(refuses(part("4-9/10", &["ETag: \"u\""], b"456789"), 4, &tag).await, LinkFailure::Changed);
    assert_eq!(refuses(part("0-9/10", &[], b"0123456789"), 0, &tag).await, LinkFailure::Protocol);
    let several = ["Content-Type: multipart/byteranges; boundary=x"];
    assert_eq!(refuses(part("4-9/10", &several, b"456789"), 4, &tag).await, LinkFailure::Protocol);
    let none = reply("206 Partial Content", &["Content-Length: 6"], b"456789");
    assert_eq!(refuses(none, 4, &tag).await, LinkFailure::Protocol);
    let dated = Look { time: "2023-11-14T22:13:21Z".parse().ok(), ..sized(10) };
    let later = ["Last-Modified: Tue, 14 Nov 2023 22:13:22 GMT"];
    assert_eq!(refuses(part("4-9/10", &later, b"456789"), 4, &dated).await, LinkFailure::Changed);
}

#[tokio::test]
async fn a_part_that_ends_before_the_file_is_a_cut() {
    let (opened, bytes, end) =
        opens(Reply::Keep(part("4-6/10", &[], b"456")), 4, &sized(10)).await.expect("open");
    assert_eq!((opened.look.size, bytes.len()), (Some(10), 3));
    assert_eq!(end.expect_err("cut").failure, LinkFailure::Cut);
}

#[tokio::test]
async fn statuses_say_what_to_do() {
    let says = |status: &'static str| async move {
        refuses(reply(status, &["Content-Length: 0"], b""), 4, &sized(10)).await
    };
    assert_eq!(says("401 Unauthorized").await, LinkFailure::Login);
    assert_eq!(says("400 Bad Request").await, LinkFailure::Forbidden);
    assert_eq!(says("403 Forbidden").await, LinkFailure::Forbidden);
    assert_eq!(says("404 Not Found").await, LinkFailure::NotFound);
    assert_eq!(says("412 Precondition Failed").await, LinkFailure::Changed);
    assert_eq!(says("503 Service Unavailable").await, LinkFailure::Busy);
    assert_eq!(says("500 Internal Server Error").await, LinkFailure::Protocol);
}

/// Seen with a server whose 416 carries the whole file.
#[tokio::test]
async fn the_body_of_a_416_is_never_taken() {
    let body = reply(
        "416 Range Not Satisfiable",
        &["Content-Length: 10", "Content-Range: bytes */10"],
        b"0123456789",
    );
    let server = Server::new(vec![Reply::Keep(body)]).await;
    let mut link = server.link();
    let error = link.open(&path("a.mf4"), 12, &sized(12)).await.expect_err("beyond");
    assert_eq!(error.failure, LinkFailure::BeyondEnd);
    assert_eq!(link.chunk().await, Ok(None));
}

#[tokio::test]
async fn early_ends_and_silence_are_cuts() {
    let short = reply("200 OK", &["Content-Length: 10"], b"0123");
    let chunked = reply("200 OK", &["Transfer-Encoding: chunked"], b"4\r\n0123\r\n");
    let mut wrong = chunked.clone();
    wrong.extend_from_slice(b"zz\r\n");
    for reply in [
        Reply::Close(short.clone()),
        Reply::Stall(short),
        Reply::Close(chunked.clone()),
        Reply::Stall(chunked),
        Reply::Close(wrong),
    ] {
        let (_, bytes, end) = opens(reply, 0, &sized(10)).await.expect("open");
        assert_eq!(bytes, b"0123");
        assert_eq!(end.expect_err("cut").failure, LinkFailure::Cut);
    }
    let silent = opens(Reply::Stall(Vec::new()), 0, &sized(10)).await;
    assert_eq!(silent.expect_err("silent").failure, LinkFailure::Cut);
}

#[tokio::test]
async fn only_a_known_size_makes_a_body_without_length_whole() {
    let body = b"HTTP/1.0 200 OK\r\n\r\n0123456789".to_vec();
    let (_, bytes, end) = opens(Reply::Close(body.clone()), 0, &sized(10)).await.expect("open");
    assert_eq!((bytes.len(), end), (10, Ok(())));
    let (_, _, end) = opens(Reply::Close(body.clone()), 0, &sized(11)).await.expect("open");
    assert_eq!(end.expect_err("short").failure, LinkFailure::Cut);
    let (_, _, end) = opens(Reply::Close(body.clone()), 0, &sized(9)).await.expect("open");
    assert_eq!(end.expect_err("long").failure, LinkFailure::Protocol);
    let unknown = opens(Reply::Close(body), 0, &Look::default()).await;
    assert_eq!(unknown.expect_err("unknown").failure, LinkFailure::Protocol);
}

/// Seen with servers that send a growing file beyond the length they announced.
#[tokio::test]
async fn bytes_beyond_the_announced_length_are_neither_the_files_nor_the_next_reply() {
    let mut body = ok(&[], b"0123456789");
    body.extend_from_slice(&ok(&[], b"forged"));
    let server = Server::new(vec![Reply::Keep(body), Reply::Keep(ok(&[], b"second"))]).await;
    let mut link = server.link();
    link.open(&path("a.mf4"), 0, &sized(10)).await.expect("open");
    assert_eq!(rest(&mut link).await, (b"0123456789".to_vec(), Ok(())));
    link.open(&path("b.mf4"), 0, &sized(6)).await.expect("open");
    assert_eq!(rest(&mut link).await, (b"second".to_vec(), Ok(())));
    assert_eq!(server.connections(), 2);
}

#[tokio::test]
async fn a_kept_connection_that_died_is_replaced_once() {
    let whole = || Reply::Keep(ok(&[], b"0123456789"));
    let server = Server::new(vec![whole(), Reply::Close(Vec::new()), whole()]).await;
    let mut link = server.link();
    for _ in 0..2 {
        link.open(&path("a.mf4"), 0, &sized(10)).await.expect("open");
        assert_eq!(rest(&mut link).await.1, Ok(()));
    }
    assert_eq!(server.heads().len(), 3);
    let error = link.open(&path("a.mf4"), 0, &sized(10)).await.expect_err("nothing answers any more");
    assert_eq!((error.failure, server.heads().len()), (LinkFailure::Cut, 5));
}

#[tokio::test]
async fn a_page_or_an_encoded_body_is_no_file() {
    let page = ok(&["Content-Type: text/html; charset=utf-8"], b"<html>");
    assert_eq!(refuses(page.clone(), 0, &sized(6)).await, LinkFailure::NotFound);
    let server = Server::new(vec![Reply::Keep(reply(
        "200 OK",
        &["Content-Length: 6", "Content-Type: text/html"],
        b"",
    ))])
    .await;
    assert_eq!(server.link().look(&path("a.mf4")).await.expect_err("page").failure, LinkFailure::NotFound);
    let packed = ok(&["Content-Encoding: br"], b"xxxxxx");
    assert_eq!(refuses(packed, 0, &sized(6)).await, LinkFailure::Protocol);
    let stored = Server::new(vec![Reply::Keep(ok(&["Content-Encoding: x-gzip"], b"\x1f\x8b"))]).await;
    let mut link = stored.link();
    link.open(&path("a.mf4.gz"), 0, &sized(2)).await.expect("a stored .gz passes as it is");
    assert_eq!(rest(&mut link).await.0, b"\x1f\x8b");
}

#[tokio::test]
async fn redirects_are_not_followed() {
    let other = Server::new(vec![Reply::Keep(ok(&[], b"0123456789"))]).await;
    let location = format!("Location: {}a.mf4", other.url);
    let to_other = reply("302 Found", &[&location, "Content-Length: 0"], b"");
    let login = Login { user: "depot".into(), password: "s3cret".into() };
    let server = Server::new(vec![Reply::Keep(to_other.clone()), Reply::Keep(to_other)]).await;
    let mut link = server.link_as(Some(login));
    let error = link.open(&path("a.mf4"), 0, &sized(10)).await.expect_err("redirect");
    assert_eq!(error.failure, LinkFailure::Protocol);
    let error = link.list(&ListCaps::default()).await.expect_err("redirect");
    assert!(
        matches!(error.failure, LinkFailure::NotAListing { title } if title.starts_with("a redirect to "))
    );
    assert_eq!(other.connections(), 0);
    let folder = reply("301 Moved", &["Location: http://127.0.0.1:1/logs/a.mf4/", "Content-Length: 0"], b"");
    assert_eq!(refuses(folder, 0, &sized(10)).await, LinkFailure::NotFound, "a folder behind a link");
}

/// Seen with Apache 2.4: a HEAD of an empty file has no length.
#[tokio::test]
async fn a_look_without_a_length_asks_again_by_range() {
    for (second, size) in [
        (ok(&[], b""), 0),
        (part("0-0/77", &[], b"x"), 77),
        (reply("416 Range Not Satisfiable", &["Content-Range: bytes */0", "Content-Length: 0"], b""), 0),
    ] {
        for first in ["200 OK", "405 Method Not Allowed"] {
            let server =
                Server::new(vec![Reply::Keep(reply(first, &[], b"")), Reply::Keep(second.clone())]).await;
            assert_eq!(server.link().look(&path("a.mf4")).await.expect("look").size, Some(size));
            assert!(server.heads()[0].starts_with("HEAD ") && server.heads()[1].starts_with("GET "));
        }
    }
}

#[tokio::test]
async fn short_ranges_come_from_whatever_the_server_sends() {
    let whole = ok(&[], b"0123456789");
    for reply in [part("3-5/10", &[], b"345"), part("0-9/10", &[], b"0123456789"), whole.clone()] {
        let server = Server::new(vec![Reply::Keep(reply)]).await;
        assert_eq!(server.link().read_range(&path("a.mf4"), 3, 3).await.expect("range"), &b"345"[..]);
        assert!(server.heads()[0].to_ascii_lowercase().contains("range: bytes=3-5\r\n"));
    }
    let end = Server::new(vec![Reply::Keep(part("8-9/10", &[], b"89"))]).await;
    assert_eq!(end.link().read_range(&path("a.mf4"), 8, 100).await.expect("range"), &b"89"[..]);
    for (reply, from) in
        [(part("4-5/10", &[], b"45"), 3), (part("3-4/10", &[], b"34"), 3), (whole, 2_000_000)]
    {
        let error =
            Server::new(vec![Reply::Keep(reply)]).await.link().read_range(&path("a.mf4"), from, 3).await;
        assert_eq!(error.expect_err("refused").failure, LinkFailure::Protocol);
    }
    let mut link = Server::new(Vec::new()).await.link();
    assert!(link.read_range(&path("a.mf4"), 0, 64 * 1024 + 1).await.is_err());
    assert!(link.read_range(&path("a.mf4"), 0, 0).await.expect("nothing").is_empty());
}

#[tokio::test]
async fn a_login_is_sent_once_asked_and_never_told() {
    let asks = |challenge: &str| reply("401 Unauthorized", &[challenge, "Content-Length: 5"], b"login");
    let digest = "WWW-Authenticate: Digest realm=\"depot\", nonce=\"n1\", algorithm=SHA-256, qop=\"auth\"";
    let stale = "WWW-Authenticate: Digest realm=\"depot\", nonce=\"n2\", qop=\"auth\", stale=true";
    let login = || Some(Login { user: "depot".into(), password: "s3cret".into() });
    let whole = || Reply::Keep(ok(&[], b"0123456789"));
    let server =
        Server::new(vec![Reply::Keep(asks(digest)), whole(), whole(), Reply::Keep(asks(stale)), whole()])
            .await;
    let mut link = server.link_as(login());
    for _ in 0..3 {
        link.open(&path("a b.mf4"), 0, &sized(10)).await.expect("open");
        assert_eq!(rest(&mut link).await.1, Ok(()));
    }
    assert_eq!(server.connections(), 1, "a challenge costs no connection");
    let heads = server.heads();
    assert!(!heads[0].to_ascii_lowercase().contains("authorization"));
    for (head, nonce, nc) in [(1, "n1", 1), (2, "n1", 2), (3, "n1", 3), (4, "n2", 1)] {
        let head = &heads[head];
        assert!(
            head.contains(&format!("nonce=\"{nonce}\"")) && head.contains(&format!("nc={nc:08x}")),
            "{head}"
        );
        assert!(head.contains("uri=\"/logs/a%20b.mf4\""), "{head}");
    }
    for challenge in [digest, "WWW-Authenticate: Basic realm=\"\""] {
        let server = Server::new(vec![Reply::Keep(asks(challenge)), Reply::Keep(asks(challenge))]).await;
        let error = server.link_as(login()).look(&path("a.mf4")).await.expect_err("wrong password");
        assert_eq!((&error.failure, server.heads().len()), (&LinkFailure::Login, 2));
        assert!(!error.to_string().contains("s3cret"), "{error}");
    }
}

#[tokio::test]
async fn nobody_there_is_absent() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("bind");
    let address = listener.local_addr().expect("address");
    drop(listener);
    let mut server = Server::new(Vec::new()).await;
    server.url = Url::parse(&format!("http://{address}/")).expect("url");
    assert_eq!(
        server.link().list(&ListCaps::default()).await.expect_err("absent").failure,
        LinkFailure::Absent
    );
}

/// Something answers, so the vehicle is not absent; a person must look at the certificate.
#[tokio::test]
async fn a_certificate_that_nobody_vouches_for_is_refused_and_is_no_absence() {
    let mut server = Server::new(Vec::new()).await;
    // Making the link has installed the provider that the other side needs too.
    let _ = server.link();
    let own = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).expect("certificate");
    let key = rustls::pki_types::PrivatePkcs8KeyDer::from(own.signing_key.serialize_der());
    let config = rustls::ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(vec![own.cert.der().clone()], key.into())
        .expect("config");
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("bind");
    server.url = Url::parse(&format!("https://{}/", listener.local_addr().expect("address"))).expect("url");
    let side = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("accept");
        let mut tls = rustls::ServerConnection::new(Arc::new(config)).expect("tls");
        tls.complete_io(&mut stream).is_err()
    });
    let mut link = server.link();
    assert!(link.caps().secured);
    let error = link.look(&path("a.mf4")).await.expect_err("certificate");
    assert_eq!(error.failure, LinkFailure::Protocol, "{error}");
    assert!(side.join().expect("thread"), "the client broke the handshake off");
}

#[tokio::test]
async fn a_digest_in_the_reply_is_handed_on() {
    let value = format!("Repr-Digest: sha-256=:{}:", {
        use base64::Engine as _;
        base64::engine::general_purpose::STANDARD.encode(Digest::of(b"0123456789").0)
    });
    let (opened, _, _) = opens(Reply::Keep(ok(&[&value], b"0123456789")), 0, &sized(10)).await.expect("open");
    assert_eq!(opened.digest.expect("digest").value, Digest::of(b"0123456789").0);
}

fn index(title: &str, rows: &[&str]) -> Vec<u8> {
    let mut page =
        format!("<html><head><title>Index of {title}</title></head><body><pre><a href=\"../\">../</a>\r\n");
    for row in rows {
        page.push_str(&format!("<a href=\"{row}\">{row}</a>   14-Nov-2023 22:13   7\r\n"));
    }
    page.push_str("</pre></body></html>");
    page.into_bytes()
}

/// A server with these folders; everything else is 404.
async fn tree(folders: Vec<(&'static str, Vec<u8>)>) -> Server {
    Server::answering(move |head| {
        let target = head.split(' ').nth(1).expect("target");
        let found = folders.iter().find(|(folder, _)| target == format!("/logs/{folder}"));
        let date = ["Content-Type: text/html", "Date: Tue, 24 Nov 2026 22:15:49 GMT"];
        Some(Reply::Keep(match found {
            Some((_, page)) => ok(&date, page),
            None => reply("404 Not Found", &["Content-Length: 0"], b""),
        }))
    })
    .await
}

fn paths(listing: &crate::link::Listing) -> Vec<String> {
    listing.files.iter().map(|file| file.path.to_string()).collect()
}

#[tokio::test]
async fn a_listing_holds_all_wanted_files_of_all_folders_in_order() {
    let server = tree(vec![
        ("", index("/logs/", &["b/", "a/", "System%20Volume%20Information/", "z.mf4", "notes.txt", "a.mf4"])),
        ("a/", index("/logs/a/", &["2.mf4", "1.mf4", "deep/"])),
        ("a/deep/", index("/logs/a/deep/", &[])),
        ("b/", index("/logs/b/", &["1.mf4.sha256", "1.mf4"])),
    ])
    .await;
    let mut link = server.link();
    let listing = link.list(&ListCaps::default()).await.expect("listing");
    assert_eq!(paths(&listing), ["a.mf4", "a/1.mf4", "a/2.mf4", "b/1.mf4", "z.mf4"]);
    assert!(listing.is_whole(), "{:?}", listing.missing);
    assert_eq!((listing.skipped.files, listing.dialect), (2, "nginx html"));
    assert_eq!(listing.server_time, "2026-11-24T22:15:49Z".parse().ok());
    assert_eq!(listing.files[0].size, ListedSize::Exact(7));
    let order: Vec<_> =
        server.heads().iter().map(|h| h.split(' ').nth(1).expect("target").to_owned()).collect();
    assert_eq!(order, ["/logs/", "/logs/a/", "/logs/b/", "/logs/a/deep/"]);
    assert_eq!(server.connections(), 1);
}

#[tokio::test]
async fn whatever_was_not_seen_is_missing() {
    let server = tree(vec![
        ("", index("/", &["gone/", "login/", "cut/", "odd/", "good/"])),
        ("login/", b"<html><title>Sign in</title></html>".to_vec()),
        ("cut/", index("/cut/", &["1.mf4"])[..150].to_vec()),
        ("odd/", index("/odd/", &["back%5Cslash.mf4", "a%2Fb.mf4", "1.mf4"])),
        ("good/", index("/good/", &["1.mf4"])),
    ])
    .await;
    let listing = server.link().list(&ListCaps::default()).await.expect("listing");
    assert_eq!(paths(&listing), ["good/1.mf4", "odd/1.mf4"]);
    let missing: Vec<_> =
        listing.missing.iter().map(|m| std::str::from_utf8(&m.folder).expect("name")).collect();
    assert_eq!(missing, ["cut", "gone", "login", "odd"]);
    assert!(!listing.is_whole());
}

#[tokio::test]
async fn a_link_to_itself_ends_at_the_bounds() {
    let server = Server::answering(|_| {
        Some(Reply::Keep(ok(&["Content-Type: text/html"], &index("/", &["loop/", "a.mf4"]))))
    })
    .await;
    let caps = ListCaps { depth: 4, ..ListCaps::default() };
    let listing = server.link().list(&caps).await.expect("listing");
    assert_eq!((listing.files.len(), listing.missing.len()), (5, 1));
    assert_eq!(listing.missing[0].folder, b"loop/loop/loop/loop/loop");
    for caps in
        [ListCaps { entries: 7, ..ListCaps::default() }, ListCaps { bytes: 1000, ..ListCaps::default() }]
    {
        let listing = server.link().list(&caps).await.expect("listing");
        assert!(!listing.is_whole() && listing.files.len() <= 7, "{caps:?}");
    }
}

#[tokio::test]
async fn a_top_that_is_cut_or_slow_or_no_listing_is_an_error() {
    let page = index("/", &["a.mf4", "b.mf4"]);
    let whole = ok(&["Content-Type: text/html"], &page);
    let mut closed = b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n".to_vec();
    closed.extend_from_slice(&page[..page.len() - 30]);
    for (reply, is_cut) in [
        (Reply::Close(whole[..whole.len() - 3].to_vec()), true),
        (Reply::Stall(whole[..whole.len() - 3].to_vec()), true),
        (Reply::Close(closed), true),
        (Reply::Keep(ok(&["Content-Type: text/plain"], &page)), false),
        (Reply::Keep(ok(&["Content-Type: text/html"], b"<html><title>Sign in</title></html>")), false),
    ] {
        let error =
            Server::new(vec![reply]).await.link().list(&ListCaps::default()).await.expect_err("error");
        assert_eq!(error.failure == LinkFailure::Cut, is_cut, "{error}");
        assert_eq!(matches!(error.failure, LinkFailure::NotAListing { .. }), !is_cut, "{error}");
    }
    let caps = ListCaps { time: Duration::from_millis(50), ..ListCaps::default() };
    let slow = Server::new(vec![Reply::Stall(Vec::new())]).await.link().list(&caps).await;
    assert_eq!(slow.expect_err("slow").failure, LinkFailure::Cut);
}

#[tokio::test]
async fn plain_links_are_a_listing_only_if_they_lead_to_logs() {
    let links = |href: &str| format!("<html><body><a href=\"{href}\">x</a></body></html>").into_bytes();
    let server = tree(vec![("", links("a.mf4"))]).await;
    assert!(server.link().list(&ListCaps::default()).await.expect("listing").is_whole());
    let server = tree(vec![("", links("terms.html"))]).await;
    let error = server.link().list(&ListCaps::default()).await.expect_err("no listing");
    assert!(matches!(error.failure, LinkFailure::NotAListing { .. }));
}

#[tokio::test]
async fn only_side_files_that_were_listed_are_read() {
    let digest = Digest::of(b"0123456789");
    let text = format!("{}  1.mf4\n", digest.hex());
    let page = index("/", &["1.mf4", "1.mf4.sha256", "2.mf4"]);
    let server = Server::answering(move |head| {
        let is_side = head.contains(".sha256");
        Some(Reply::Keep(if is_side {
            ok(&[], text.as_bytes())
        } else {
            ok(&["Content-Type: text/html"], &page)
        }))
    })
    .await;
    let mut link = server.link();
    assert_eq!(link.digest(&path("1.mf4")).await, Ok(None));
    link.list(&ListCaps::default()).await.expect("listing");
    let offered = link.digest(&path("1.mf4")).await.expect("answer").expect("digest");
    assert_eq!((offered.kind, offered.value), (DigestKind::Sha256, digest.0.to_vec()));
    assert_eq!(link.digest(&path("2.mf4")).await, Ok(None));
    assert_eq!(server.heads().len(), 2, "the listing and one side file");
}
