//! Deletion, and who the logger says it is.

use super::*;
use crate::config::SerialFrom;
use crate::remove::Permit;

fn permit() -> Permit {
    Permit::for_test(&path("a.log"), Look::default())
}

#[tokio::test]
async fn a_file_is_deleted_by_one_command_in_the_session_at_hand() {
    let server = Server::start(plain().always("DELE", Say::Reply("250 gone"))).await;
    let mut link = link_to(&server.url);
    link.look(&path("a.log")).await.expect("look");
    link.remove(permit()).await.expect("deleted");
    link.look(&path("b.log")).await.expect("look");
    assert_eq!(server.heard(), ["SIZE /a.log", "MDTM /a.log", "DELE /a.log", "SIZE /b.log", "MDTM /b.log"]);
    assert_eq!(server.heard_raw().iter().filter(|line| line.starts_with(b"USER")).count(), 0, "no new login");
}

#[tokio::test]
async fn what_does_not_delete_says_what_to_do() {
    for (reply, want) in [
        ("550 Permission denied.", LinkFailure::Forbidden),
        ("550 Delete operation failed.", LinkFailure::Forbidden),
        ("550 No such file or directory.", LinkFailure::NotFound),
        ("502 No such command.", LinkFailure::Forbidden),
        ("553 Not allowed.", LinkFailure::Forbidden),
        // Whether it was done is not known.
        ("450 In use.", LinkFailure::Busy),
        ("451 Local error.", LinkFailure::Busy),
        ("426 Aborted.", LinkFailure::Busy),
        ("499 Whatever.", LinkFailure::Busy),
        ("530 Log in first.", LinkFailure::Login),
        ("350 What?", LinkFailure::Protocol),
    ] {
        let server = Server::start(plain().always("DELE", Say::Reply(reply))).await;
        let mut link = link_to(&server.url);
        assert_eq!(failure(link.remove(permit()).await), want, "{reply}");
        assert_eq!(server.heard(), ["DELE /a.log"], "one try: {reply}");
    }
}

#[tokio::test]
async fn a_deletion_without_an_answer_is_not_sent_again() {
    let server = Server::start(plain().always("DELE", Say::HangUp)).await;
    assert_eq!(failure(link_to(&server.url).remove(permit()).await), LinkFailure::Cut);
    assert_eq!(server.heard(), ["DELE /a.log"]);
}

#[tokio::test]
async fn a_logger_says_who_it_is_in_a_file_and_in_no_header() {
    let server = Server::start(plain().file("/device.json", b"00421")).await;
    let mut link = link_to(&server.url);
    assert_eq!(link.says(&SerialFrom::File("/device.json".into())).await.as_deref(), Ok("00421"));
    assert_eq!(failure(link.says(&SerialFrom::File("/none".into())).await), LinkFailure::NotFound);
    assert_eq!(failure(link.says(&SerialFrom::Header("X".into())).await), LinkFailure::Protocol);
}
