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
    let url = talk.url(permit.path().as_bytes())?;
    let response = talk.send(Method::DELETE, url, headers).await?;
    let status = response.status();
    let outcome = match status {
        StatusCode::OK | StatusCode::ACCEPTED | StatusCode::NO_CONTENT => Ok(()),
        _ => Err(refused(status)),
    };
    talk.discard(response).await;
    outcome
}

fn refused(status: StatusCode) -> LinkError {
    let plain = refusal(status);
    match plain.failure {
        LinkFailure::Protocol if status.is_client_error() || status.is_server_error() => {
            LinkError::new(LinkFailure::Forbidden, plain.detail)
        }
        _ => plain,
    }
}
