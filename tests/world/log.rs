//! What happened in a world, line by line; kept only when it is asked for.

use std::sync::{Arc, Mutex};

use yarder::clock::Clock;

use crate::clock::Virtual;

/// The event log of one run.
#[derive(Clone)]
pub struct Log(Arc<Inner>);

struct Inner {
    clock: Arc<Virtual>,
    lines: Option<Mutex<String>>,
}

impl Log {
    /// `kept`: whether lines are written at all.
    pub fn new(clock: Arc<Virtual>, kept: bool) -> Self {
        Self(Arc::new(Inner { clock, lines: kept.then(Mutex::default) }))
    }

    /// Adds a line, with the time since the world began.
    pub fn note(&self, line: impl FnOnce() -> String) {
        if let Some(lines) = &self.0.lines {
            let at = self.0.clock.mono();
            let line = format!("{:>6}.{:03} {}\n", at.as_secs(), at.subsec_millis(), line());
            lines.lock().expect("lock").push_str(&line);
        }
    }

    /// All lines.
    pub fn text(&self) -> String {
        self.0.lines.as_ref().map(|lines| lines.lock().expect("lock").clone()).unwrap_or_default()
    }
}
