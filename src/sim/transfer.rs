//! One file on its way out: what the card gives, bent by the faults. Both servers send through it.

use std::sync::Arc;
use std::time::Duration;

use bytes::{Bytes, BytesMut};

use super::card::Opened;
use super::logger::Shared;
use super::script::{Effect, Place};

/// The largest piece.
const PIECE: u64 = 64 * 1024;

/// What comes next.
pub(super) enum Step {
    /// Send these, then say so by [`Transfer::delivered`].
    Send(Bytes),
    /// All that was asked for is sent.
    End,
    /// End it in this way.
    Break(Ending),
}

/// How a transfer breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ending {
    Fin,
    Rst,
    Short,
    Stall,
}

/// A running transfer.
pub(super) struct Transfer {
    shared: Arc<Shared>,
    opened: Opened,
    at: u64,
    end: u64,
    sent: u64,
    fired: Vec<u64>,
    /// What the next byte is spoiled with.
    spoil: u8,
    number: u64,
}

impl Transfer {
    /// Bytes `at..end` of an open file.
    pub fn new(shared: Arc<Shared>, opened: Opened, at: u64, end: u64) -> Self {
        let number = {
            let mut counters = shared.counters();
            counters.transfers += 1;
            counters.active += 1;
            counters.most_at_once = counters.most_at_once.max(counters.active);
            counters.transfers
        };
        Self { shared, opened, at, end, sent: 0, fired: Vec::new(), spoil: 0, number }
    }

    /// The next step; waits where the rate is limited.
    pub async fn next(&mut self) -> Step {
        while self.at < self.end {
            let delivered = self.shared.counters().bytes();
            let place = Place { path: &self.opened.path, offset: self.at, sent: self.sent, delivered };
            let (room, rate, effect) = {
                let mut faults = self.shared.faults();
                let (room, effect) = faults.due(&place, &mut self.fired);
                (room, faults.rate, effect)
            };
            match effect {
                Some(Effect::Fin) => return self.broken(Ending::Fin),
                Some(Effect::Rst) => return self.broken(Ending::Rst),
                Some(Effect::Short) => return self.broken(Ending::Short),
                Some(Effect::Stall) => return self.broken(Ending::Stall),
                Some(Effect::Flip) => self.spoil ^= 0x10,
                Some(Effect::Noise) => self.spoil ^= (self.number % 255) as u8 + 1,
                Some(Effect::Overwrite(content)) => {
                    let now = self.shared.clock.now();
                    self.shared.card().overwrite(&self.opened.path, content, now);
                }
                None => {
                    // A tenth of a second at a time, so that slow loggers do not send in bursts.
                    let pace = rate.map_or(PIECE, |rate| (rate / 10).max(512));
                    let len = room.min(self.end - self.at).min(PIECE).min(pace);
                    self.wait(len, rate).await;
                    let bytes = self.shared.card().read(&mut self.opened, self.at, len as usize);
                    if bytes.is_empty() {
                        // The file became shorter.
                        return self.broken(Ending::Short);
                    }
                    return Step::Send(self.spoiled(bytes));
                }
            }
        }
        Step::End
    }

    /// That many bytes of the last piece were handed over.
    pub fn delivered(&mut self, len: usize) {
        let len = len as u64;
        self.at += len;
        self.sent += len;
        let mut counters = self.shared.counters();
        match counters.delivered.get_mut(&self.opened.path) {
            Some(sum) => *sum += len,
            None => {
                counters.delivered.insert(self.opened.path.clone(), len);
            }
        }
    }

    fn broken(&self, ending: Ending) -> Step {
        self.shared.counters().broken += 1;
        Step::Break(ending)
    }

    fn spoiled(&mut self, bytes: Bytes) -> Bytes {
        if self.spoil == 0 {
            return bytes;
        }
        let mut bytes = BytesMut::from(bytes);
        if let Some(first) = bytes.first_mut() {
            *first ^= std::mem::take(&mut self.spoil);
        }
        bytes.freeze()
    }

    /// Takes its turn in the logger's airtime: all transfers share one rate.
    async fn wait(&self, len: u64, rate: Option<u64>) {
        let Some(rate) = rate else { return };
        let now = self.shared.clock.mono();
        let until = {
            let mut free = self.shared.free_at();
            *free = (*free).max(now) + Duration::from_secs_f64(len as f64 / rate.max(1) as f64);
            *free
        };
        self.shared.clock.sleep(until.saturating_sub(now)).await;
    }
}

impl Drop for Transfer {
    fn drop(&mut self) {
        self.shared.counters().active -= 1;
    }
}
