//! Requests: the shared client, logins, one retry on a stale connection, errors without secrets.

use std::error::Error as _;
use std::sync::{Arc, Once};
use std::time::Duration;

use reqwest::header::{ACCEPT_ENCODING, AUTHORIZATION, HeaderMap, HeaderValue};
use reqwest::{Client, Method, Request, Response, StatusCode};
use url::Url;

use super::auth::Auth;
use super::body::Body;
use super::page::percent_encode;
use crate::config::Logger;
use crate::link::{LinkError, LinkFailure};
use crate::model::amount::span;

/// Bytes of an error's body that are read so that its connection can be used again.
const DRAIN: u64 = 64 * 1024;
/// Rounds of logging in for one request: the challenge, a stale nonce, one more stale nonce.
const ROUNDS: usize = 3;

/// Makes ring the process's TLS provider, once. Harmless where another one was chosen before.
fn install_provider() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // An error says that the process has one already.
        let _ = rustls::crypto::ring::default_provider().install_default();
    });
}

/// A client for all loggers. Certificates are checked as the operating system does.
pub(super) fn build(connect_timeout: Duration) -> Result<Client, LinkError> {
    install_provider();
    let mut headers = HeaderMap::new();
    headers.insert(ACCEPT_ENCODING, HeaderValue::from_static("identity"));
    Client::builder()
        .user_agent(concat!("yarder/", env!("CARGO_PKG_VERSION")))
        .default_headers(headers)
        .redirect(reqwest::redirect::Policy::none())
        .referer(false)
        .no_proxy()
        .http1_only()
        .pool_max_idle_per_host(64)
        // Apache closes an idle connection after 5 s; one that we gave up first cannot fail us.
        .pool_idle_timeout(Duration::from_secs(4))
        .connect_timeout(connect_timeout)
        .build()
        .map_err(|e| LinkError::protocol(words(e)))
}

/// One conversation with one logger.
pub(super) struct Conversation {
    client: Client,
    logger: Arc<Logger>,
    base: Url,
    auth: Auth,
    /// Silence in a body after which it counts as cut.
    pub idle: Duration,
    /// Until a reply's head must be there.
    wait: Duration,
}

impl Conversation {
    pub fn new(client: Client, logger: Arc<Logger>, base: Url, idle: Duration, connect: Duration) -> Self {
        Self { client, logger, base, auth: Auth::default(), idle, wait: idle + connect }
    }

    pub fn logger(&self) -> &Arc<Logger> {
        &self.logger
    }

    pub fn is_secured(&self) -> bool {
        self.base.scheme() == "https"
    }

    /// The address of a path below the logger's; folders end with `/`, the empty path is the top.
    pub fn url(&self, path: &[u8]) -> Url {
        below(&self.base, path)
    }

    /// The address of an absolute path on the logger's server.
    pub fn on_server(&self, path: &str) -> Url {
        let mut url = self.base.clone();
        url.set_path(path);
        url
    }

    /// Sends a request without a body and gives the reply, whatever its status, logging in where asked.
    pub async fn send(
        &mut self,
        method: Method,
        url: Url,
        headers: HeaderMap,
    ) -> Result<Response, LinkError> {
        for round in 0..ROUNDS {
            let response = self.once(&method, &url, &headers).await?;
            if response.status() != StatusCode::UNAUTHORIZED {
                return Ok(response);
            }
            if self.logger.login.is_none() {
                return Err(LinkError::new(LinkFailure::Login, "it asks for a login and none is configured"));
            }
            let again = self.auth.challenged(response.headers()) && round + 1 < ROUNDS;
            Body::new(response, self.idle).drain(DRAIN).await;
            if !again {
                break;
            }
        }
        Err(LinkError::new(LinkFailure::Login, "status 401 Unauthorized"))
    }

    async fn once(&mut self, method: &Method, url: &Url, headers: &HeaderMap) -> Result<Response, LinkError> {
        let mut retried = false;
        loop {
            let mut request = Request::new(method.clone(), url.clone());
            request.headers_mut().clone_from(headers);
            let login = self.logger.login.as_ref();
            if let Some(value) = login.and_then(|l| self.auth.header(l, method.as_str(), url.path())) {
                request.headers_mut().insert(AUTHORIZATION, value);
            }
            match tokio::time::timeout(self.wait, self.client.execute(request)).await {
                Ok(Ok(response)) => return Ok(response),
                // A kept connection that the server has closed meanwhile fails before any byte of
                // a reply; GET and HEAD may be repeated (RFC 9110, 9.2.2). What deletes is sent once.
                Ok(Err(error))
                    if !retried
                        && method.is_safe()
                        && error.is_request()
                        && !error.is_connect()
                        && !error.is_timeout() =>
                {
                    retried = true;
                }
                Ok(Err(error)) => return Err(failure(error)),
                Err(_) => {
                    return Err(LinkError::cut(format!("no answer for {}", span(self.wait.as_secs_f64()))));
                }
            }
        }
    }

    /// Ends a reply whose body is not wanted.
    pub async fn discard(&self, response: Response) {
        Body::new(response, self.idle).drain(DRAIN).await;
    }
}

/// The address of a path below another one.
pub(super) fn below(base: &Url, path: &[u8]) -> Url {
    let mut url = base.clone();
    url.set_path(&format!("{}{}", base.path(), percent_encode(path)));
    url
}

fn failure(error: reqwest::Error) -> LinkError {
    let failure = match &error {
        e if is_tls(e) => LinkFailure::Protocol,
        e if e.is_connect() => LinkFailure::Absent,
        _ => LinkFailure::Cut,
    };
    LinkError::new(failure, words(error))
}

/// Whether the connection failed for its certificate or handshake: then something answers. Such an
/// error lies within I/O errors, which do not give it as their source.
fn is_tls(error: &(dyn std::error::Error + 'static)) -> bool {
    let wrapped = error.downcast_ref::<std::io::Error>().and_then(|io| io.get_ref());
    error.is::<rustls::Error>() || wrapped.is_some_and(|e| is_tls(e)) || error.source().is_some_and(is_tls)
}

/// An error with its causes, without the address, which could hold a login.
pub(super) fn words(error: reqwest::Error) -> String {
    let error = error.without_url();
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        next = cause.source();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_client_can_be_built_again_and_again() {
        for _ in 0..2 {
            build(Duration::from_secs(3)).expect("client");
        }
        assert!(rustls::crypto::CryptoProvider::get_default().is_some());
    }
}
