//! Connecting, logging in, and ending what cannot be trusted.

use super::*;

#[tokio::test]
async fn passive_follows_a_refused_extended_passive() {
    let server = Server::start(plain().always("EPSV", Say::Reply("500 what"))).await;
    let mut link = link_to(&server.url);
    assert_eq!(fetch(&mut link, "b.log", 0).await.expect("file").1, b"hello");
    assert_eq!(fetch(&mut link, "a.log", 0).await.expect("file").1, b"abc");
    let heard = server.heard();
    assert_eq!(heard.iter().filter(|line| *line == "EPSV").count(), 1, "asked once: {heard:?}");
    assert_eq!(heard.iter().filter(|line| *line == "PASV").count(), 2);
}

#[tokio::test]
async fn too_many_clients_is_busy_and_a_wrong_password_is_not() {
    let busy = Script { greeting: Some("421 Too many connections (3) from this IP"), ..plain() };
    let full = "530 Sorry, the maximum number of clients (1) from your host are already connected.";
    for (script, want) in [
        (busy, LinkFailure::Busy),
        (Script { greeting: Some("554 go away"), ..plain() }, LinkFailure::Protocol),
        (plain().always("PASS", Say::Reply(full)), LinkFailure::Busy),
        (plain().always("PASS", Say::Reply("530 Login incorrect.")), LinkFailure::Login),
        (plain().always("USER", Say::Reply("530 This server is anonymous only.")), LinkFailure::Login),
        (plain().always("CWD", Say::Reply("421 Timeout.")), LinkFailure::Busy),
        (plain().always("CWD", Say::Reply("550 Permission denied.")), LinkFailure::Forbidden),
        (plain().always("TYPE", Say::Reply("504 no")), LinkFailure::Protocol),
    ] {
        let said = format!("{:?} {:?}", script.greeting, script.always);
        let server = Server::start(script).await;
        assert_eq!(failure(list(&mut link_to(&server.url)).await), want, "{said}");
    }
}

#[tokio::test]
async fn the_password_is_in_no_error() {
    let server = Server::start(plain().always("PASS", Say::Reply("530 depot/s3cret-word refused"))).await;
    let error = list(&mut link_to(&server.url)).await.expect_err("refused");
    assert!(
        error.detail.contains("refused") && !format!("{error} {error:?}").contains("s3cret-word"),
        "{error:?}"
    );
}

#[tokio::test]
async fn a_guest_logs_in_where_no_login_is_set() {
    let server = Server::start(plain()).await;
    let mut link = link_to(&server.url);
    let mut guest = (*link.logger).clone();
    guest.login = None;
    link.logger = Arc::new(guest);
    list(&mut link).await.expect("listing");
    assert!(server.heard_raw().contains(&b"USER anonymous".to_vec()));
}

#[tokio::test]
async fn nobody_there_is_absent_and_a_silent_server_is_a_cut() {
    let gone = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("loopback");
    let url: Url = format!("ftp://{}/", gone.local_addr().expect("address")).parse().expect("url");
    assert_eq!(failure(list(&mut impatient(&url)).await), LinkFailure::Cut, "no greeting");
    drop(gone);
    assert_eq!(failure(list(&mut impatient(&url)).await), LinkFailure::Absent);
    for command in ["TYPE", "CWD", "EPSV", "MLSD"] {
        let server = Server::start(plain().always(command, Say::Silence)).await;
        assert_eq!(failure(list(&mut impatient(&server.url)).await), LinkFailure::Cut, "{command}");
    }
}

#[tokio::test]
async fn an_unanswered_command_never_answers_the_next() {
    let server = Server::start(plain().once("SIZE", Say::Silence)).await;
    let mut link = impatient(&server.url);
    assert_eq!(failure(link.look(&path("a.log")).await), LinkFailure::Cut);
    assert_eq!(link.look(&path("b.log")).await.expect("a new session").size, Some(5));
    assert_eq!(server.heard_raw().iter().filter(|line| line.starts_with(b"USER")).count(), 2);
}

#[tokio::test]
async fn a_cancelled_call_ends_the_session() {
    let server = Server::start(plain().once("SIZE", Say::Silence)).await;
    let mut link = link_to(&server.url);
    list(&mut link).await.expect("a session");
    let silent = path("a.log");
    tokio::select! {
        biased;
        _ = link.look(&silent) => panic!("it was silent"),
        () = server.hears("SIZE /a.log") => {}
    }
    assert_eq!(link.look(&path("b.log")).await.expect("a new session").size, Some(5));
}

#[tokio::test]
async fn replies_of_several_lines_are_one_reply() {
    let script =
        Script { greeting: Some("220-Welcome to the yard\n 220 is not the end\n220 ready"), ..plain() }
            .always("CWD", Say::Reply("250-You are here\n100 files lie here\n226 of them are logs\n250 ok"));
    let server = Server::start(script).await;
    assert!(list(&mut link_to(&server.url)).await.expect("listing").missing.is_empty());
}

#[tokio::test]
async fn a_session_that_ended_while_it_was_idle_is_replaced() {
    for end in [Say::HangUp, Say::Reply("421 Timeout.")] {
        let server = Server::start(plain().once("NOOP", end)).await;
        let mut link = link_to(&server.url);
        fetch(&mut link, "a.log", 0).await.expect("file");
        link.clock = Arc::new(RecordedDay(SystemClock::new(), Duration::from_secs(60)));
        assert_eq!(link.look(&path("a.log")).await.expect("look").size, Some(3));
        assert_eq!(server.heard_raw().iter().filter(|line| line.starts_with(b"USER")).count(), 2);
    }
}

#[tokio::test]
async fn nothing_is_sent_while_a_transfer_is_open() {
    let server = Server::start(plain().always("RETR", Say::Stall(b"he".to_vec()))).await;
    let mut link = link_to(&server.url);
    link.open(&path("b.log"), 0, &Look::default()).await.expect("open");
    link.chunk().await.expect("chunk");
    link.stop().await;
    assert_eq!(server.heard(), ["SIZE /b.log", "MDTM /b.log", "EPSV", "RETR /b.log"]);
}
