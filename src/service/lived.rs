//! The time that the service lives, what ends by it, and when it cannot see.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use serde_json::json;

use super::ServiceError;
use super::belief::Sleep;
use crate::config::Config;
use crate::ledger::{Finding, Severity};
use crate::yard::Yard;

/// The service notes that it lives this often.
pub(super) const ALIVE: Duration = Duration::from_secs(60);
/// A clock is set back this far without anybody being at fault.
const STEP_BACK: Duration = Duration::from_secs(600);
/// A clock that seems wrong for this long is taken as it is: it was wrong before, in the future.
const BELIEVED: Duration = Duration::from_secs(86_400);

/// Lived time from one moment on.
pub(super) struct Life<'y> {
    yard: &'y Yard,
    told: Duration,
    sleep: Sleep,
    /// Key of its row of up-time.
    up: Option<i64>,
    /// Key of its row of time without a network.
    offline: Option<i64>,
    /// The last moment that was noted while the clock was right.
    known: Option<Timestamp>,
    /// Since when the clock is not: what it showed then, and the monotonic time.
    wrong: Option<(Timestamp, Duration)>,
}

impl<'y> Life<'y> {
    /// The life of the service.
    pub async fn begin(yard: &'y Yard) -> Result<Self, ServiceError> {
        let known = yard.ledger.last_alive().await?.and_then(|ms| Timestamp::from_millisecond(ms).ok());
        Self { known, ..Self::new(yard) }.noted().await
    }

    /// The life of a round, which does not last long enough to find out that a moment that was noted
    /// was wrong in the future.
    pub async fn round(yard: &'y Yard) -> Result<Self, ServiceError> {
        Self::new(yard).noted().await
    }

    fn new(yard: &'y Yard) -> Self {
        let clock = yard.edges.clock.as_ref();
        let (told, sleep) = (clock.mono(), Sleep::new(clock));
        Self { yard, told, sleep, up: None, offline: None, known: None, wrong: None }
    }

    async fn noted(mut self) -> Result<Self, ServiceError> {
        self.note().await?;
        Ok(self)
    }

    /// Tells the ledger how long it has been, and what could not be seen; drops what has waited
    /// long enough.
    pub async fn goes_on(&mut self) -> Result<(), ServiceError> {
        let now = self.yard.edges.clock.mono();
        self.yard.ledger.lived(now.saturating_sub(self.told))?;
        self.told = now;
        self.note().await?;
        Ok(self.yard.drop_waited().await?)
    }

    /// Notes that the service lives. While the clock is not plausible no moment is noted: the hole is
    /// filled in once it is.
    async fn note(&mut self) -> Result<(), ServiceError> {
        let (ledger, clock) = (&self.yard.ledger, &self.yard.edges.clock);
        let (now, mono) = (clock.now(), clock.mono());
        if self.sleep.slept(clock.as_ref()) {
            // Who sleeps sees nothing: what is noted after it is a span of its own.
            (self.up, self.offline) = (None, None);
        }
        let (shown, since) = self.wrong.unwrap_or((now, mono));
        let early = now < clock.earliest() || self.known.is_some_and(|known| now + STEP_BACK < known);
        if early && mono.saturating_sub(since) < BELIEVED {
            if self.wrong.is_none() {
                tracing::warn!(%now, known = ?self.known, "this machine's clock is not plausible");
                ledger.raise(wrong_clock(now, self.known, clock.earliest()))?;
            }
            self.wrong = Some((shown, since));
            // What is noted after it is a span of its own.
            (self.up, self.offline) = (None, None);
            return Ok(());
        }
        if self.wrong.take().is_some() {
            ledger.blind("clock", None, self.known.map(|known| known.as_millisecond())).await?;
            let went = SignedDuration::try_from(mono.saturating_sub(since)).unwrap_or(SignedDuration::MAX);
            let shows = shown.saturating_add(went).unwrap_or(now);
            // A clock that shows what cannot be may have begun there at an earlier start, too.
            let first = if shown < clock.earliest() {
                Timestamp::MIN
            } else {
                shown.saturating_sub(ALIVE).unwrap_or(shown)
            };
            let by = now.duration_since(shows).as_millis();
            let by = i64::try_from(by).unwrap_or(0);
            ledger.date_anew((first.as_millisecond(), shows.as_millisecond()), by)?;
        }
        // One of an earlier run, too.
        ledger.clear("clock-not-plausible", "depot")?;
        self.known = Some(now);
        self.up = Some(ledger.alive(self.up).await?);
        let needed = needs_network(&self.yard.config.borrow());
        let network = self.yard.edges.network.clone();
        if needed && !self.yard.edges.blocking(move |_| network.up()).await {
            if self.offline.is_none() {
                tracing::warn!("this machine has no network");
                ledger.raise(no_network())?;
            }
            self.offline = Some(ledger.blind("network", self.offline, None).await?);
        } else {
            if let Some(key) = self.offline.take() {
                ledger.blind("network", Some(key), None).await?;
            }
            ledger.clear("network-down", "depot")?;
        }
        Ok(())
    }
}

/// Whether any logger is on another machine than this one.
fn needs_network(config: &Config) -> bool {
    config.loggers.iter().flat_map(|l| &l.addresses).any(|url| match url.host() {
        Some(url::Host::Ipv4(ip)) => !ip.is_loopback(),
        Some(url::Host::Ipv6(ip)) => !ip.is_loopback(),
        Some(url::Host::Domain(name)) => name != "localhost",
        None => false,
    })
}

fn wrong_clock(now: Timestamp, known: Option<Timestamp>, built: Timestamp) -> Finding {
    Finding {
        code: "clock-not-plausible",
        subject: "depot".into(),
        severity: Severity::Act,
        vehicle: None,
        logger: None,
        evidence: json!({ "clock": now, "last_known": known, "built": built }),
        cause: format!(
            "the depot PC's clock says {}, which is over",
            now.strftime("%a %-d %b %Y, %H:%M UTC")
        ),
        action: "Set its clock and see to its time server; until then no day is opened or closed.".into(),
    }
}

fn no_network() -> Finding {
    Finding {
        code: "network-down",
        subject: "depot".into(),
        severity: Severity::Act,
        vehicle: None,
        logger: None,
        evidence: json!({}),
        cause: "the depot PC has no network".into(),
        action: "See to its network card, its cable and its switch.".into(),
    }
}

/// Notes each minute that the service runs, until it stops.
pub(super) async fn live(yard: Yard) -> Result<(), ServiceError> {
    let mut life = Life::begin(&yard).await?;
    loop {
        tokio::select! {
            biased;
            () = yard.stop.cancelled() => return life.goes_on().await,
            () = yard.edges.clock.sleep(ALIVE) => {}
        }
        life.goes_on().await?;
    }
}
