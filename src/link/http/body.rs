//! A reply's body, chunk by chunk, with a bound on silence and a proof of its end.

use std::time::Duration;

use bytes::Bytes;
use reqwest::Response;
use reqwest::header::TRANSFER_ENCODING;

use super::headers::content_length;
use crate::link::LinkError;
use crate::model::amount::{length, span};

/// What ends a body (RFC 9112, 6.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Framing {
    /// After that many bytes.
    Length(u64),
    /// The terminating chunk.
    Chunked,
    /// The connection's end, which proves nothing.
    Close,
}

pub(super) struct Body {
    response: Response,
    framing: Framing,
    received: u64,
    idle: Duration,
}

impl Body {
    pub fn new(response: Response, idle: Duration) -> Self {
        let framing = if response.headers().contains_key(TRANSFER_ENCODING) {
            Framing::Chunked
        } else {
            content_length(response.headers()).map_or(Framing::Close, Framing::Length)
        };
        Self { response, framing, received: 0, idle }
    }

    /// The announced length.
    pub fn length(&self) -> Option<u64> {
        match self.framing {
            Framing::Length(length) => Some(length),
            _ => None,
        }
    }

    /// Whether an end of this body says that it is whole.
    pub fn tells_its_end(&self) -> bool {
        self.framing != Framing::Close
    }

    pub fn received(&self) -> u64 {
        self.received
    }

    /// The next bytes, never more in all than were announced; `None` at the end. Only a body that
    /// was read to this `None` gives its connection back.
    pub async fn next(&mut self) -> Result<Option<Bytes>, LinkError> {
        let came = tokio::time::timeout(self.idle, self.response.chunk()).await;
        let chunk = match came {
            Ok(Ok(chunk)) => chunk,
            Ok(Err(error)) => {
                return Err(LinkError::cut(format!(
                    "after {}: {}",
                    length(self.received),
                    super::client::words(error)
                )));
            }
            Err(_) => {
                let (came, idle) = (length(self.received), span(self.idle.as_secs_f64()));
                return Err(LinkError::cut(format!("after {came}: silent for {idle}")));
            }
        };
        match (chunk, self.framing) {
            (Some(bytes), Framing::Length(all)) if self.received + bytes.len() as u64 > all => {
                Err(LinkError::protocol("more bytes came than were announced"))
            }
            (Some(bytes), _) => {
                self.received += bytes.len() as u64;
                Ok(Some(bytes))
            }
            (None, Framing::Length(all)) if self.received < all => {
                Err(LinkError::cut(format!("after {} of {}", length(self.received), length(all))))
            }
            (None, _) => Ok(None),
        }
    }

    /// Reads a short body to its end so that the connection can be used again; drops others.
    pub async fn drain(mut self, most: u64) {
        if self.framing == Framing::Close || self.length().is_some_and(|length| length - self.received > most)
        {
            return;
        }
        let until = self.received + most;
        while let Ok(Some(_)) = self.next().await {
            if self.received > until {
                return;
            }
        }
    }
}
