//! Knocking, and choosing a link by the address's scheme.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use tokio::net::TcpStream;
use tokio::time::timeout;
use url::{Host, Url};

use super::ftp::FtpLink;
use super::http::HttpDialer;
use super::{Dialer, Link, LinkError, LinkFailure};
use crate::clock::Clock;
use crate::config::{Logger, Poll};
use crate::model::amount;

/// Makes links over the network.
#[derive(Debug)]
pub struct NetDialer {
    clock: Arc<dyn Clock>,
    http: HttpDialer,
}

impl NetDialer {
    /// A dialer whose links take listed times without a year as of this clock.
    pub fn new(clock: Arc<dyn Clock>) -> Self {
        Self { clock, http: HttpDialer::default() }
    }
}

#[async_trait]
impl Dialer for NetDialer {
    async fn knock(&self, logger: &Logger, poll: &Poll) -> Result<usize, LinkError> {
        let mut last = LinkError::new(LinkFailure::Absent, "it has no address");
        for (place, address) in logger.addresses.iter().enumerate() {
            match connect(address, poll.connect_timeout).await {
                Ok(_) => return Ok(place),
                Err(e) => last = e,
            }
        }
        Err(last)
    }

    async fn dial(
        &self,
        logger: &Arc<Logger>,
        address: usize,
        poll: &Poll,
    ) -> Result<Box<dyn Link>, LinkError> {
        let base = logger.addresses.get(address);
        let base = base.ok_or_else(|| LinkError::new(LinkFailure::Absent, "no such address"))?;
        match base.scheme() {
            "ftp" => Ok(Box::new(FtpLink::new(
                logger.clone(),
                base.clone(),
                poll.idle_timeout,
                poll.connect_timeout,
                self.clock.clone(),
            ))),
            "http" | "https" => Ok(Box::new(self.http.link(logger, base, poll)?)),
            other => Err(LinkError::protocol(format!("no link for {other}"))),
        }
    }
}

/// One TCP connection to the address's host and port, looked up and made within `span`.
/// Everything that hinders it is [`LinkFailure::Absent`].
pub(super) async fn connect(address: &Url, span: Duration) -> Result<TcpStream, LinkError> {
    let absent = |why: String| LinkError::new(LinkFailure::Absent, why);
    let port = address.port_or_known_default().ok_or_else(|| absent("the address has no port".to_owned()))?;
    let attempt = async {
        match address.host() {
            Some(Host::Domain(name)) => TcpStream::connect((name, port)).await,
            Some(Host::Ipv4(ip)) => TcpStream::connect((ip, port)).await,
            Some(Host::Ipv6(ip)) => TcpStream::connect((ip, port)).await,
            None => Err(std::io::ErrorKind::AddrNotAvailable.into()),
        }
    };
    match timeout(span, attempt).await {
        Ok(Ok(stream)) => Ok(stream),
        Ok(Err(e)) => Err(absent(e.to_string())),
        Err(_) => Err(absent(format!("no answer for {}", amount::span(span.as_secs_f64())))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;
    use crate::link::ftp::tests::logger;

    fn poll() -> Poll {
        Poll {
            every: Duration::ZERO,
            connect_timeout: Duration::from_secs(5),
            list_every: Duration::ZERO,
            idle_timeout: Duration::from_secs(5),
            max_transfers: 1,
        }
    }

    fn at(addresses: &[&str]) -> Arc<Logger> {
        let mut found = (*logger(&["**"], jiff::tz::TimeZone::UTC)).clone();
        found.addresses = addresses.iter().map(|a| a.parse().expect("address")).collect();
        Arc::new(found)
    }

    #[tokio::test]
    async fn a_knock_finds_the_first_address_that_answers() {
        let dialer = NetDialer::new(Arc::new(SystemClock::new()));
        let open = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("loopback");
        let shut = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("loopback");
        let (open_url, shut_url) =
            [&open, &shut].map(|l| format!("ftp://{}/", l.local_addr().expect("address"))).into();
        drop(shut);
        let found = dialer.knock(&at(&[&shut_url, &open_url]), &poll()).await;
        assert_eq!(found, Ok(1));
        for nobody in [at(&[&shut_url]), at(&["ftp://no-such-host.invalid/"]), at(&[])] {
            let error = dialer.knock(&nobody, &poll()).await.expect_err("nobody is there");
            assert_eq!(error.failure, LinkFailure::Absent);
        }
    }

    #[tokio::test]
    async fn the_scheme_chooses_the_link() {
        let dialer = NetDialer::new(Arc::new(SystemClock::new()));
        let logger = at(&["ftp://127.0.0.1/", "gopher://127.0.0.1/"]);
        assert!(dialer.dial(&logger, 0, &poll()).await.is_ok());
        for (place, want) in [(1, LinkFailure::Protocol), (2, LinkFailure::Absent)] {
            assert_eq!(
                dialer.dial(&logger, place, &poll()).await.map(|_| ()).expect_err("none").failure,
                want
            );
        }
    }
}
