//! Listings: order, bounds, what is missing.

use super::*;

#[tokio::test]
async fn folders_are_listed_broadest_first_and_files_come_sorted() {
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    let listing = list(&mut link).await.expect("listing");
    assert!(listing.is_whole());
    assert_eq!(listing.dialect, "MLSD");
    assert_eq!(names(&listing), ["a.log", "b.log", "sub/c.log"]);
    assert_eq!(server.heard(), ["CWD /", "EPSV", "MLSD", "CWD /sub", "EPSV", "MLSD"]);
}

#[tokio::test]
async fn the_address_path_is_the_root() {
    let script = Script::default()
        .folder("/log files", MLSD)
        .folder("/log files/sub", "")
        .file("/log files/a.log", b"abc");
    let server = Server::start(script).await;
    let mut link = link_to(&server.url.join("log%20files/").expect("url"));
    assert_eq!(names(&list(&mut link).await.expect("listing")), ["a.log", "b.log"]);
    assert_eq!(link.look(&path("a.log")).await.expect("look").size, Some(3));
}

#[tokio::test]
async fn list_is_used_where_mlsd_is_unknown() {
    for unknown in ["500 Unknown command.", "502 No such command here."] {
        let script = Script::default().folder("/", LIST).always("MLSD", Say::Reply(unknown));
        let server = Server::start(script).await;
        let mut link = link_to(&server.url);
        assert_eq!(names(&list(&mut link).await.expect("listing")), ["a.log"]);
        server.heard();
        let again = list(&mut link).await.expect("listing");
        assert_eq!(again.dialect, "LIST unix");
        assert_eq!(server.heard(), ["CWD /", "EPSV", "LIST"], "it is remembered");
    }
}

#[tokio::test]
async fn a_missing_folder_that_lists_as_empty_is_not_empty() {
    // vsftpd, Pure-FTPd and busybox: `LIST /nosuch` is 150, 226 and no line.
    let script = Script::default()
        .folder("/", "drwxr-xr-x 2 0 0 4096 Nov 14  2023 gone\n-rw-r--r-- 1 0 0 5 Nov 14  2023 a.log\n")
        .always("MLSD", Say::Reply("500 no"));
    let server = Server::start(script.clone()).await;
    let listing = list(&mut link_to(&server.url)).await.expect("listing");
    assert_eq!(names(&listing), ["a.log"]);
    assert_eq!(listing.missing.iter().map(|m| &m.folder[..]).collect::<Vec<_>>(), [b"gone"]);

    let server = Server::start(script.always("LIST", Say::Data(Vec::new(), "226 done"))).await;
    let top = server.url.join("nosuch/").expect("url");
    assert_eq!(failure(list(&mut link_to(&top)).await), LinkFailure::NotFound);
}

#[tokio::test]
async fn a_listing_without_its_closing_reply_is_none() {
    let lines = MLSD.replace('\n', "\r\n").into_bytes();
    for closing in ["426 aborted", "451 disk error"] {
        let script = plain().always("MLSD", Say::Data(lines.clone(), closing));
        let server = Server::start(script).await;
        assert_eq!(failure(list(&mut link_to(&server.url)).await), LinkFailure::Cut, "{closing}");
    }
    let server = Server::start(plain().always("MLSD", Say::Data(lines, ""))).await;
    assert_eq!(failure(list(&mut impatient(&server.url)).await), LinkFailure::Cut);
}

#[tokio::test]
async fn a_truncated_listing_is_not_whole() {
    let lines = |n: usize| {
        (0..n).map(|i| format!("type=file;size=1; {i:05}.log\r\n")).collect::<String>().into_bytes()
    };
    for (count, closing, whole) in [
        (3, "226-Options: -a -l\n226 Output truncated to 10000 matches", false),
        (9_999, "226 done", true),
        (10_000, "226 done", false),
        (10_001, "226 done", true),
    ] {
        let server = Server::start(plain().always("MLSD", Say::Data(lines(count), closing))).await;
        let listing = list(&mut link_to(&server.url)).await.expect("listing");
        assert_eq!((listing.files.len(), listing.is_whole()), (count, whole), "{closing}");
    }
}

#[tokio::test]
async fn an_unknown_line_makes_a_folder_incomplete_and_the_others_come() {
    let script = plain().folder("/sub", "type=file;size=4; c.log\nwhat is this\ntype=file;size=4; a\\b\n");
    let server = Server::start(script).await;
    let listing = list(&mut link_to(&server.url)).await.expect("listing");
    assert_eq!(names(&listing), ["a.log", "b.log", "sub/c.log"]);
    assert_eq!(listing.missing.len(), 2);
    assert!(listing.missing.iter().all(|m| m.folder == b"sub"));
    assert!(listing.missing.iter().any(|m| m.why.contains("what is this")));
}

#[tokio::test]
async fn what_is_no_listing_at_the_top_is_told() {
    let server = Server::start(Script::default().folder("/", "<html>Welcome</html>\n")).await;
    let failure = failure(list(&mut link_to(&server.url)).await);
    assert_eq!(failure, LinkFailure::NotAListing { title: "<html>Welcome</html>".to_owned() });
}

#[tokio::test]
async fn every_bound_of_a_listing_is_told() {
    let loops = |_| {
        Script::default()
            .folder("/", "type=dir; l\ntype=file;size=1; a\ntype=file;size=1; b\n")
            .folder("/l", "type=dir; l\n")
    };
    let caps = ListCaps::default();
    for (caps, word) in [
        (ListCaps { bytes: 40, ..caps }, "bytes"),
        (ListCaps { entries: 2, ..caps }, "entries"),
        (ListCaps { depth: 1, ..caps }, "deeper"),
        (ListCaps { time: Duration::ZERO, ..caps }, "time"),
    ] {
        let server = Server::start(loops(())).await;
        let listing = link_to(&server.url).list(&caps).await.expect("listing");
        assert!(listing.missing.iter().any(|m| m.why.contains(word)), "{word}: {:?}", listing.missing);
        assert!(listing.missing.len() < 4);
    }
}

#[tokio::test]
async fn an_endless_trickle_ends_with_the_bound_of_time() {
    let script = plain().always("MLSD", Say::Stall(b"type=file;size=1; a\r\n".to_vec()));
    let server = Server::start(script).await;
    let caps = ListCaps { time: Duration::from_millis(50), ..ListCaps::default() };
    let listing = link_to(&server.url).list(&caps).await.expect("listing");
    assert_eq!(names(&listing), ["a"]);
    assert!(!listing.is_whole());
}

#[tokio::test]
async fn excluded_folders_are_not_entered_and_unwanted_files_are_counted() {
    let server = Server::start(plain()).await;
    let mut link = link_with(&server.url, &["a.*", "!sub/**"], TimeZone::UTC, Duration::from_secs(5));
    let listing = list(&mut link).await.expect("listing");
    assert_eq!((names(&listing), listing.skipped.files), (vec!["a.log".to_owned()], 1));
    assert!(!server.heard().contains(&"CWD /sub".to_owned()));
}

#[tokio::test]
async fn a_folder_that_breaks_the_connection_does_not_hide_the_others() {
    let script = Script::default()
        .folder("/", "type=dir; bad\ntype=dir; good\n")
        .folder("/good", "type=file;size=1; a\n")
        .always("CWD /bad", Say::HangUp);
    let server = Server::start(script).await;
    let listing = list(&mut link_to(&server.url)).await.expect("listing");
    assert_eq!(names(&listing), ["good/a"]);
    assert_eq!(listing.missing.len(), 1);
}
