//! Looks, reads, parts and digests.

use super::*;

#[tokio::test]
async fn a_look_is_size_and_time() {
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    let look = link.look(&path("a.log")).await.expect("look");
    assert_eq!((look.size, look.validator), (Some(3), None));
    assert_eq!(look.time.expect("time").to_string(), "2023-11-14T22:13:21.25Z");
    assert_eq!(failure(link.look(&path("nosuch")).await), LinkFailure::NotFound);
    assert_eq!(server.heard(), ["SIZE /a.log", "MDTM /a.log", "SIZE /nosuch"], "one session");
}

#[tokio::test]
async fn what_a_look_does_not_tell_is_unknown() {
    // ftp-srv answers SIZE of an empty file with words.
    for reply in ["213 File status", "502 no SIZE here", "213 -1"] {
        let server = Server::start(plain().always("SIZE", Say::Reply(reply))).await;
        let look = link_to(&server.url).look(&path("a.log")).await.expect(reply);
        assert_eq!((look.size, look.time.is_some()), (None, true), "{reply}");
    }
    let server = Server::start(plain().always("MDTM", Say::Reply("550 no"))).await;
    let look = link_to(&server.url).look(&path("a.log")).await.expect("look");
    assert_eq!((look.size, look.time), (Some(3), None));
}

#[tokio::test]
async fn a_file_comes_whole_and_one_session_serves_many() {
    let big: Vec<u8> = (0..3 * CHUNK + 7).map(|i| (i % 251) as u8).collect();
    let server = Server::start(plain().file("/big.log", &big).file("/empty.log", b"")).await;
    let mut link = link_to(&server.url);
    assert_eq!(fetch(&mut link, "big.log", 0).await.expect("file").1, big);
    assert_eq!(fetch(&mut link, "empty.log", 0).await.expect("file").1, b"");
    assert_eq!(fetch(&mut link, "big.log", 1000).await.expect("file"), (1000, big[1000..].to_vec()));
    assert_eq!(fetch(&mut link, "a.log", 3).await.expect("at the end"), (3, Vec::new()));
    assert_eq!(link.caps(), LinkCaps { secured: false, resumes: Some(true) });
    assert_eq!(server.heard_raw().iter().filter(|line| line.starts_with(b"USER")).count(), 1);
    let heard = server.heard();
    let rest = heard.iter().position(|line| line == "REST 1000").expect("asked");
    assert_eq!(heard[rest + 1], "RETR /big.log", "right before the transfer");
}

#[tokio::test]
async fn a_look_just_taken_serves_the_open() {
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    link.look(&path("a.log")).await.expect("look");
    fetch(&mut link, "a.log", 0).await.expect("file");
    assert_eq!(server.heard(), ["SIZE /a.log", "MDTM /a.log", "EPSV", "RETR /a.log"]);
    link.look(&path("a.log")).await.expect("look");
    fetch(&mut link, "b.log", 0).await.expect("file");
    assert_eq!(
        server.heard().iter().filter(|line| line.starts_with("SIZE")).count(),
        2,
        "of its own file only"
    );
}

#[tokio::test]
async fn a_file_that_is_not_what_it_was_is_not_read() {
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    let expect = Look { size: Some(9), ..Look::default() };
    assert_eq!(failure(link.open(&path("a.log"), 2, &expect).await), LinkFailure::Changed);
    assert_eq!(failure(link.open(&path("a.log"), 4, &expect).await), LinkFailure::BeyondEnd);
    assert_eq!(failure(link.open(&path("nosuch"), 0, &expect).await), LinkFailure::NotFound);
    assert!(!server.heard().iter().any(|line| line.starts_with("RETR")));
}

#[tokio::test]
async fn a_chunk_given_up_and_asked_for_again_loses_nothing() {
    use futures_util::FutureExt as _;
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    for _ in 0..10 {
        link.open(&path("b.log"), 0, &Look::default()).await.expect("open");
        let mut bytes = Vec::new();
        loop {
            match link.chunk().now_or_never() {
                Some(Ok(Some(chunk))) => bytes.extend_from_slice(&chunk),
                Some(end) => break assert_eq!(end, Ok(None)),
                None => tokio::task::yield_now().await,
            }
        }
        assert_eq!(bytes, b"hello");
    }
    assert_eq!(server.heard_raw().iter().filter(|line| line.starts_with(b"USER")).count(), 1);
}

#[tokio::test]
async fn a_refused_offset_begins_again() {
    let server = Server::start(plain().always("REST", Say::Reply("502 no"))).await;
    let mut link = link_to(&server.url);
    assert_eq!(fetch(&mut link, "b.log", 2).await.expect("file"), (0, b"hello".to_vec()));
    assert_eq!(link.caps().resumes, Some(false));
    server.heard();
    assert_eq!(fetch(&mut link, "b.log", 2).await.expect("file").0, 0);
    assert!(!server.heard().contains(&"REST 2".to_owned()), "not asked twice");
    assert_eq!(&link.read_range(&path("b.log"), 2, 2).await.expect("part")[..], b"ll");
}

#[tokio::test]
async fn a_cut_is_a_cut_in_every_form() {
    for (said, patience) in [
        (Say::Data(b"he".to_vec(), "426 aborted"), 5000),
        (Say::Data(b"hello".to_vec(), "451 disk error"), 5000),
        // Pure-FTPd after a cut; four of six servers after a file that shrank; nothing at all.
        (Say::Data(b"he".to_vec(), "150 kbytes"), 5000),
        (Say::Data(b"he".to_vec(), "226 done"), 5000),
        (Say::Data(b"hello".to_vec(), ""), 50),
        (Say::Stall(b"he".to_vec()), 50),
    ] {
        let server = Server::start(plain().once("RETR", said.clone())).await;
        let mut link = link_with(&server.url, &["**"], TimeZone::UTC, Duration::from_millis(patience));
        assert_eq!(failure(fetch(&mut link, "b.log", 0).await), LinkFailure::Cut, "{said:?}");
        assert_eq!(fetch(&mut link, "b.log", 2).await.expect("by itself"), (2, b"llo".to_vec()), "{said:?}");
    }
}

#[tokio::test]
async fn the_expected_size_counts_where_the_logger_tells_none() {
    let script =
        plain().always("SIZE", Say::Reply("502 no")).always("RETR", Say::Data(Vec::new(), "226 done"));
    let server = Server::start(script).await;
    let mut link = link_to(&server.url);
    let expect = Look { size: Some(5), ..Look::default() };
    link.open(&path("b.log"), 2, &expect).await.expect("open");
    assert_eq!(failure(link.chunk().await), LinkFailure::Cut);
}

#[tokio::test]
async fn an_offset_does_not_outlive_a_refused_read() {
    let server = Server::start(plain().once("RETR", Say::Reply("550 busy"))).await;
    let mut link = link_to(&server.url);
    assert_eq!(failure(fetch(&mut link, "b.log", 2).await), LinkFailure::NotFound);
    assert_eq!(fetch(&mut link, "b.log", 0).await.expect("file").1, b"hello");
}

#[tokio::test]
async fn a_stopped_read_leaves_the_link_usable() {
    let big = vec![7; 8 * CHUNK];
    let server = Server::start(plain().file("/big.log", &big)).await;
    let mut link = link_to(&server.url);
    link.open(&path("big.log"), 0, &Look::default()).await.expect("open");
    link.chunk().await.expect("chunk");
    link.stop().await;
    assert!(link.chunk().await.is_err(), "no read is open");
    assert_eq!(fetch(&mut link, "a.log", 0).await.expect("file").1, b"abc");
    // A read that was left open ends with the next call.
    link.open(&path("big.log"), 0, &Look::default()).await.expect("open");
    assert_eq!(fetch(&mut link, "a.log", 0).await.expect("file").1, b"abc");
}

#[tokio::test]
async fn parts_are_exact_and_end_with_the_file() {
    let big: Vec<u8> = (0..CHUNK).map(|i| (i % 253) as u8).collect();
    let server = Server::start(plain().file("/big.log", &big)).await;
    let mut link = link_to(&server.url);
    let end = big.len() as u64;
    for (from, len, want) in [
        (0, 10, &big[..10]),
        (1000, 65_536, &big[1000..66_536]),
        (end - 10, 10, &big[big.len() - 10..]),
        (end - 10, 65_536, &big[big.len() - 10..]),
        (end, 10, &[][..]),
        (0, 0, &[][..]),
    ] {
        assert_eq!(link.read_range(&path("big.log"), from, len).await.expect("part"), want, "{from} {len}");
    }
    assert_eq!(failure(link.read_range(&path("nosuch"), 0, 1).await), LinkFailure::NotFound);
}

#[tokio::test]
async fn names_are_sent_as_the_bytes_they_are() {
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    let name = RemotePath::new(b"caf\xe9 \xc3\xa4.log").expect("path");
    assert_eq!(failure(link.look(&name).await), LinkFailure::NotFound);
    assert!(server.heard_raw().contains(&b"SIZE /caf\xe9 \xc3\xa4.log".to_vec()));
}

#[tokio::test]
async fn digests_are_asked_for_only_where_they_are_offered() {
    const SHA: &str = "6b4ff801f26a729b43a67658d5150320385eda92016bc0a773973b2a466f5ad8";
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    assert_eq!(link.digest(&path("a.log")).await.expect("none"), None);
    assert_eq!(link.digest(&path("a.log")).await.expect("none"), None);
    assert_eq!(server.heard(), ["FEAT"]);

    let hash = "213-Computing SHA-256 digest\n213 SHA-256 0-3 6b4ff801f26a729b43a67658d5150320385eda92016bc0a773973b2a466f5ad8 /a.log";
    let script = plain()
        .always("FEAT", Say::Reply("211-Features:\n HASH CRC32;MD5;SHA-1*;SHA-256;SHA-512;\n SIZE\n211 End"))
        .always("OPTS", Say::Reply("200 SHA-256"))
        .always("HASH", Say::Reply(hash));
    let server = Server::start(script).await;
    let mut link = link_to(&server.url);
    let stated = link.digest(&path("a.log")).await.expect("reply").expect("digest");
    assert_eq!(
        (stated.kind, hex::encode(&stated.value), stated.stated_by),
        (DigestKind::Sha256, SHA.to_owned(), "HASH")
    );
    link.digest(&path("b.log")).await.expect("reply");
    assert_eq!(server.heard(), ["FEAT", "OPTS HASH SHA-256", "HASH /a.log", "HASH /b.log"]);

    let script = plain()
        .always("FEAT", Say::Reply("211-Features:\n XCRC\n XMD5\n211 End"))
        .always("XMD5", Say::Reply("250-Computing MD5 digest\n250 6800B2026C827664462216E763253DF8"));
    let server = Server::start(script).await;
    let stated = link_to(&server.url).digest(&path("a.log")).await.expect("reply").expect("digest");
    assert_eq!((stated.kind, stated.stated_by), (DigestKind::Md5, "XMD5"));
}

#[tokio::test]
async fn a_side_file_is_read_only_if_it_was_listed() {
    let line = b"6800b2026c827664462216e763253df8  a.log\n";
    let script = plain()
        .file("/a.log.md5", line)
        .folder("/", "type=file;size=3; a.log\ntype=file;size=40; a.log.md5\n");
    let server = Server::start(script).await;
    let mut link = link_to(&server.url);
    assert_eq!(link.digest(&path("a.log")).await.expect("none"), None, "not listed yet");
    list(&mut link).await.expect("listing");
    let stated = link.digest(&path("a.log")).await.expect("side file").expect("digest");
    assert_eq!((stated.kind, stated.stated_by), (DigestKind::Md5, "side file"));
}
