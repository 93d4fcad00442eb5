//! `DELETE` (RFC 9110, 9.3.5). One attempt.

use reqwest::header::{HeaderMap, HeaderValue, IF_MATCH};
use reqwest::{Method, StatusCode};

use super::client::Conversation;
use super::headers::refusal;
use crate::link::{LinkError, LinkFailure};
use crate::remove::Permit;

pub(super) async fn remove(talk: &mut Conversation, permit: &Permit) -> Result<(), LinkError> {
    let mut headers = HeaderMap::new();
    // RFC 9110, 13.1.1: compared strongly, so that a weak tag would never match. Whether a server looks
    // at it is not known.
    let look = permit.look();
    let tag = look.validator.as_ref().filter(|_| look.strong);
    if let Some(value) = tag.and_then(|tag| HeaderValue::from_str(tag).ok()) {
        headers.insert(IF_MATCH, value);
    }
    let url = talk.url(permit.path().as_bytes());
    let response = talk.send(Method::DELETE, url, headers).await?;
    let status = response.status();
    let outcome = match status {
        StatusCode::OK | StatusCode::ACCEPTED | StatusCode::NO_CONTENT => Ok(()),
        _ => Err(refused(status)),
    };
    talk.discard(response).await;
    outcome
}

/// What a status says that is no success. One of the client's errors deletes nothing, and neither does a
/// server without the method (405 or 501; RFC 9110, 15.5 and 15.6.2); one that failed may have done it
/// before it did.
fn refused(status: StatusCode) -> LinkError {
    let plain = refusal(status);
    let refuses = status.is_client_error() && status != StatusCode::REQUEST_TIMEOUT;
    match plain.failure {
        LinkFailure::Protocol if refuses || status == StatusCode::NOT_IMPLEMENTED => {
            LinkError::new(LinkFailure::Forbidden, plain.detail)
        }
        _ => plain,
    }
}

#[cfg(test)]
mod tests {
    use super::super::scripted::{Reply, Server, ok, reply};
    use crate::config::SerialFrom;
    use crate::link::{Link as _, LinkError, LinkFailure};
    use crate::model::{Look, RemotePath};
    use crate::remove::Permit;

    fn permit(tag: &str, strong: bool) -> Permit {
        let path = RemotePath::new(b"a b.mf4").expect("path");
        Permit::for_test(&path, Look { validator: Some(tag.into()), strong, ..Look::default() })
    }

    fn failure(result: Result<(), LinkError>) -> Option<LinkFailure> {
        result.err().map(|e| e.failure)
    }

    #[tokio::test]
    async fn a_deletion_is_one_request_with_the_tag_that_was_seen() {
        let done = || Reply::Keep(reply("204 No Content", &[], b""));
        let server = Server::new(vec![done(), done()]).await;
        let mut link = server.link();
        link.remove(permit("\"t\"", true)).await.expect("deleted");
        link.remove(permit("\"t\"", false)).await.expect("deleted");
        let heads = server.heads();
        assert!(heads[0].starts_with("DELETE /logs/a%20b.mf4 HTTP/1.1\r\n"), "{}", heads[0]);
        assert!(heads[0].to_ascii_lowercase().contains("if-match: \"t\"\r\n"), "{}", heads[0]);
        assert!(!heads[1].to_ascii_lowercase().contains("if-match"), "a weak tag never matches");
    }

    #[tokio::test]
    async fn what_does_not_delete_says_what_to_do() {
        for (status, want) in [
            ("200 OK", None),
            ("202 Accepted", None),
            ("403 Forbidden", Some(LinkFailure::Forbidden)),
            ("405 Not Allowed", Some(LinkFailure::Forbidden)),
            ("423 Locked", Some(LinkFailure::Forbidden)),
            ("401 Unauthorized", Some(LinkFailure::Login)),
            ("408 Request Timeout", Some(LinkFailure::Protocol)),
            // Whether it was done is not known.
            ("500 Internal Server Error", Some(LinkFailure::Protocol)),
            ("502 Bad Gateway", Some(LinkFailure::Protocol)),
            ("504 Gateway Timeout", Some(LinkFailure::Protocol)),
            ("207 Multi-Status", Some(LinkFailure::Protocol)),
            ("501 No Such Method", Some(LinkFailure::Forbidden)),
            ("404 Not Found", Some(LinkFailure::NotFound)),
            ("412 Precondition Failed", Some(LinkFailure::Changed)),
            ("503 Service Unavailable", Some(LinkFailure::Busy)),
            ("301 Moved Permanently", Some(LinkFailure::Protocol)),
        ] {
            let headers = ["Content-Length: 0", "Location: http://198.51.100.7/elsewhere"];
            let server = Server::new(vec![Reply::Keep(reply(status, &headers, b""))]).await;
            assert_eq!(failure(server.link().remove(permit("t", true)).await), want, "{status}");
            assert_eq!(server.heads().len(), 1, "{status}");
        }
    }

    #[tokio::test]
    async fn a_deletion_without_an_answer_is_not_sent_again() {
        let server = Server::new(vec![Reply::Keep(ok(&[], b"0")), Reply::Close(Vec::new())]).await;
        let mut link = server.link();
        link.look(&RemotePath::new(b"a b.mf4").expect("path")).await.expect("a kept connection");
        assert_eq!(failure(link.remove(permit("t", true)).await), Some(LinkFailure::Cut));
        assert_eq!(server.heads().len(), 2);
    }

    #[tokio::test]
    async fn a_logger_says_who_it_is_in_a_header_or_in_a_file_beside_its_logs() {
        let server = Server::new(vec![
            Reply::Keep(reply("200 OK", &["X-Serial: 00421", "Content-Length: 0"], b"")),
            Reply::Keep(ok(&[], b"{\"serial\": \"00421\"}")),
            Reply::Keep(reply("404 Not Found", &["Content-Length: 0"], b"")),
            Reply::Keep(ok(&[], &[b'x'; 100_000])),
        ])
        .await;
        let mut link = server.link();
        let file = SerialFrom::File("/device info.json".into());
        assert_eq!(link.says(&SerialFrom::Header("X-Serial".into())).await.as_deref(), Ok("00421"));
        assert_eq!(link.says(&file).await.as_deref(), Ok("{\"serial\": \"00421\"}"));
        assert_eq!(link.says(&file).await.map_err(|e| e.failure), Err(LinkFailure::NotFound));
        assert_eq!(link.says(&file).await.expect("cut there").len() as u64, crate::link::MAX_SAYS);
        let heads = server.heads();
        assert!(heads[0].starts_with("HEAD /logs/ HTTP/1.1\r\n"), "{}", heads[0]);
        assert!(heads[1].starts_with("GET /device%20info.json HTTP/1.1\r\n"), "{}", heads[1]);
    }
}
