//! What systemd is told, where it asked to be told.

use std::time::Duration;

/// The service does its work from now on.
pub(super) fn ready() {
    notify(&[sd_notify::NotifyState::Ready]);
}

/// The service could not begin yet, and why; it tries again after a while.
pub(super) fn waits(why: &str, wait: Duration) {
    let usec = u32::try_from((wait + Duration::from_secs(60)).as_micros()).unwrap_or(u32::MAX);
    notify(&[sd_notify::NotifyState::Status(why), sd_notify::NotifyState::ExtendTimeoutUsec(usec)]);
}

/// The configuration is being read again; [`ready`] ends it.
pub(super) fn reloading() {
    notify(&[sd_notify::NotifyState::Reloading]);
}

/// The service is going down.
pub(super) fn stopping() {
    notify(&[sd_notify::NotifyState::Stopping]);
}

/// How often the work loop must say that it lives: twice in the time that systemd waits.
pub(super) fn watchdog() -> Option<Duration> {
    sd_notify::watchdog_enabled().map(|span| span / 2)
}

/// The work loop lives.
pub(super) fn alive() {
    notify(&[sd_notify::NotifyState::Watchdog]);
}

fn notify(states: &[sd_notify::NotifyState<'_>]) {
    if let Err(e) = sd_notify::notify(states) {
        tracing::debug!("systemd could not be told: {e}");
    }
}
