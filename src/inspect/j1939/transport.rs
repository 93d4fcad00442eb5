//! The transport protocol: messages of 9 to 1785 bytes in packets of seven (J1939-21, 5.10).
//!
//! A listener does not ask for what it missed, so it is strict: a packet out of turn ends a session, as do a new
//! announcement by the same sender, an abort, and silence.

use super::{Id, TP_CM};

/// A message that came whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message<'t> {
    /// Its parameter group.
    pub pgn: u32,
    /// Who sent it.
    pub source: u8,
    /// To whom; 255 is everybody.
    pub destination: u8,
    /// What it says.
    pub data: &'t [u8],
}

/// Sessions at a time; a bus has 254 addresses, and few of them send long messages at once.
const MOST: usize = 32;
/// A packet that comes later than this after the one before it belongs to no session, ns: the receiver's longest wait,
/// T2 and T3 of 5.10.2.4.
const PATIENCE: i64 = 1_250_000_000;
/// The longest message: 255 packets.
const LONGEST: usize = 1_785;

#[derive(Debug)]
struct Session {
    bus: u8,
    source: u8,
    destination: u8,
    pgn: u32,
    size: usize,
    next: u8,
    at: i64,
    data: Vec<u8>,
}

/// Puts messages together, of all buses of one log.
#[derive(Debug, Default)]
pub struct Transport {
    sessions: Vec<Session>,
    done: Vec<u8>,
}

const REQUEST_TO_SEND: u8 = 16;
const CLEAR_TO_SEND: u8 = 17;
const ANNOUNCE: u8 = 32;
const ABORT: u8 = 255;
const EVERYBODY: u8 = 255;

impl Transport {
    /// Takes a frame of [`TP_CM`](super::TP_CM) or [`TP_DT`](super::TP_DT), recorded at this time in ns, and gives the message that it ends.
    pub fn frame(&mut self, bus: u8, id: Id, at: i64, data: &[u8]) -> Option<Message<'_>> {
        let data: &[u8; 8] = data.first_chunk()?;
        let destination = id.destination?;
        if id.pgn == TP_CM {
            self.manage(bus, id.source, destination, at, data);
            return None;
        }
        let found = self.find(bus, id.source, destination)?;
        let session = &mut self.sessions[found];
        let silent = at.checked_sub(session.at).is_none_or(|since| since.abs() > PATIENCE);
        let again = data[0] == session.next.wrapping_sub(1) && session.data.ends_with(&data[1..]);
        if silent || data[0] != session.next && !again {
            self.sessions.swap_remove(found);
            return None;
        }
        session.at = at;
        if again {
            return None;
        }
        session.data.extend_from_slice(&data[1..]);
        if session.data.len() < session.size {
            session.next = session.next.checked_add(1)?;
            return None;
        }
        let ended = self.sessions.swap_remove(found);
        self.done = ended.data;
        self.done.truncate(ended.size);
        Some(Message { pgn: ended.pgn, source: id.source, destination, data: &self.done })
    }

    fn manage(&mut self, bus: u8, from: u8, to: u8, at: i64, data: &[u8; 8]) {
        let [control, low, high, packets, _, pgn @ ..] = *data;
        let pgn = u32::from_le_bytes([pgn[0], pgn[1], pgn[2], 0]);
        match control {
            REQUEST_TO_SEND | ANNOUNCE => {
                // Of one sender, a new announcement ends the one before it, and a request what it sent to that address.
                let old = self.sessions.iter().position(|s| {
                    (s.bus, s.source) == (bus, from)
                        && (s.destination == to || control == ANNOUNCE && s.destination == EVERYBODY)
                });
                old.map(|old| self.sessions.swap_remove(old));
                let size = usize::from(u16::from_le_bytes([low, high]));
                if !(9..=LONGEST).contains(&size) || usize::from(packets) != size.div_ceil(7) {
                    return;
                }
                if self.sessions.len() >= MOST {
                    let oldest = self.sessions.iter().enumerate().min_by_key(|(_, s)| s.at);
                    let oldest = oldest.map_or(0, |(place, _)| place);
                    self.sessions.swap_remove(oldest);
                }
                let data = Vec::with_capacity(size.next_multiple_of(7));
                let destination = if control == ANNOUNCE { EVERYBODY } else { to };
                self.sessions.push(Session { bus, source: from, destination, pgn, size, next: 1, at, data });
            }
            CLEAR_TO_SEND => {
                // The receiver answers, so the addresses are turned round. It may ask for packets again, and none at
                // all says: wait.
                let Some(found) = self.find(bus, to, from) else { return };
                let session = &mut self.sessions[found];
                session.at = at;
                let kept = usize::from(high.saturating_sub(1)) * 7;
                if low > 0 && high > 0 && kept <= session.data.len() {
                    session.data.truncate(kept);
                    session.next = high;
                }
            }
            ABORT => {
                // Either side may give up.
                for (source, destination) in [(from, to), (to, from)] {
                    if let Some(found) = self.find(bus, source, destination) {
                        self.sessions.swap_remove(found);
                    }
                }
            }
            // The end is acknowledged when all was seen; the rest is reserved.
            _ => {}
        }
    }

    fn find(&self, bus: u8, source: u8, destination: u8) -> Option<usize> {
        self.sessions.iter().position(|s| (s.bus, s.source, s.destination) == (bus, source, destination))
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::check_values::{frame, topic};
    use super::super::VI;
    use super::*;

    /// Frames 50 ms apart, the shortest spacing of a broadcast in J1939-21, as `(pgn, source, text)`.
    fn heard(frames: &[&str]) -> Vec<(u32, u8, String)> {
        heard_every(50, frames)
    }

    fn heard_every(ms: i64, frames: &[&str]) -> Vec<(u32, u8, String)> {
        let mut transport = Transport::default();
        let mut all = Vec::new();
        for (n, text) in frames.iter().enumerate() {
            let (id, extended, data) = frame(text);
            assert!(extended);
            let id = Id::of(id);
            if id.pgn != TP_CM && id.pgn != super::super::TP_DT {
                continue;
            }
            if let Some(m) = transport.frame(0, id, n as i64 * ms * 1_000_000, &data) {
                all.push((m.pgn, m.source, String::from_utf8_lossy(m.data).into_owned()));
            }
        }
        assert!(transport.sessions.len() <= MOST);
        all
    }

    fn vin(source: u8) -> (u32, u8, String) {
        (VI, source, "1M8GDM9AXKP042788*".to_owned())
    }

    const BAM: [&str; 4] = [
        "1CECFF00#20120003FFECFE00",
        "1CEBFF00#01314D3847444D39",
        "1CEBFF00#0241584B50303432",
        "1CEBFF00#033738382AFFFFFF",
    ];

    /// `j1939_tp`: SAE J1939-21 transport protocol; the frames were produced by two independent programs.
    #[test]
    fn published_sessions_give_their_message() {
        for entry in topic("j1939_tp", 2) {
            let frames = entry["expected"].as_array().expect("frames");
            let frames: Vec<&str> = frames.iter().filter_map(|f| f.as_str()).collect();
            assert_eq!(heard(&frames), [vin(0)], "{entry}");
        }
    }

    #[test]
    fn sessions_of_several_senders_may_interleave() {
        let other = ["1CECFF21#20170004FFEBFE00", "1CEBFF21#014D414B452A4D4F", "1CEBFF21#0244454C2A534E31"];
        let rest = ["1CEBFF21#0332332A554E4954", "1CEBFF21#04782AFFFFFFFFFF"];
        let all = heard(&[BAM[0], other[0], other[1], BAM[1], other[2], BAM[2], rest[0], BAM[3], rest[1]]);
        assert_eq!(all, [vin(0), (65_259, 0x21, "MAKE*MODEL*SN123*UNITx*".to_owned())]);
    }

    #[test]
    fn a_packet_that_is_missing_ends_the_session() {
        assert_eq!(heard(&[BAM[0], BAM[1], BAM[3]]), []);
        assert_eq!(heard(&[BAM[0], BAM[1], BAM[3], BAM[2], BAM[3]]), []);
        assert_eq!(heard(&[BAM[1], BAM[2], BAM[3]]), []);
        assert_eq!(heard(&[BAM[0], BAM[1], BAM[3], BAM[0], BAM[1], BAM[2], BAM[3]]), [vin(0)]);
    }

    #[test]
    fn a_packet_that_was_recorded_twice_changes_nothing() {
        assert_eq!(heard(&[BAM[0], BAM[1], BAM[1], BAM[2], BAM[3], BAM[3]]), [vin(0)]);
        assert_eq!(heard(&[BAM[0], BAM[1], "1CEBFF00#01314D3847444D30", BAM[2], BAM[3]]), []);
    }

    #[test]
    fn a_new_announcement_ends_the_one_before() {
        assert_eq!(heard(&[BAM[0], BAM[1], BAM[0], BAM[1], BAM[2], BAM[3]]), [vin(0)]);
        assert_eq!(heard(&[BAM[0], BAM[1], BAM[0], BAM[2], BAM[3]]), []);
    }

    #[test]
    fn silence_and_abort_end_a_session() {
        assert_eq!(heard_every(1250, &BAM), [vin(0)]);
        assert_eq!(heard_every(1251, &BAM), []);
        let to = |text: &str| text.replace("FF00#", "F900#");
        let (request, first) = (to("1CECFF00#10120003FFECFE00"), to(BAM[1]));
        let (second, third) = (to(BAM[2]), to(BAM[3]));
        for abort in ["1CEC00F9#FF01FFFFFFECFE00", "1CECF900#FF01FFFFFFECFE00"] {
            assert_eq!(heard(&[&request, &first, abort, &second, &third]), []);
        }
        assert_eq!(heard(&[&request, &first, &second, &third]), [vin(0)]);
    }

    #[test]
    fn packets_that_the_receiver_asks_for_again_replace_the_first_ones() {
        let to = |text: &str| text.replace("FF00#", "F900#");
        let request = to("1CECFF00#10120003FFECFE00");
        let [_, first, second, third] = BAM.map(to);
        let again = "1CEC00F9#110202FFFFECFE00";
        assert_eq!(heard(&[&request, &first, &second, again, &second, &third]), [vin(0)]);
        let wait = "1CEC00F9#1100FFFFFFECFE00";
        assert_eq!(heard(&[&request, &first, wait, &second, &third]), [vin(0)]);
    }

    #[test]
    fn what_no_session_can_hold_opens_none() {
        for bad in [
            "1CECFF00#20080002FFECFE00",
            "1CECFF00#20FFFF03FFECFE00",
            "1CECFF00#20120004FFECFE00",
            "1CECFF00#20000000FFECFE00",
        ] {
            assert_eq!(heard(&[bad, BAM[1], BAM[2], BAM[3]]), [], "{bad}");
        }
    }

    #[test]
    fn random_frames_keep_the_table_bounded() {
        let mut random = fastrand::Rng::with_seed(21);
        let mut transport = Transport::default();
        for n in 0..200_000 {
            let pgn = if random.bool() { TP_CM } else { super::super::TP_DT };
            let id = Id { priority: 7, pgn, source: random.u8(..), destination: Some(random.u8(254..)) };
            let kinds = [16, 17, 19, 32, 255, 1, 2];
            let mut data: [u8; 8] = std::array::from_fn(|_| random.u8(..));
            data[0] = kinds[random.usize(..7)];
            (data[1], data[2], data[3]) = [(18, 0, 3), (2, 1, 255), (0xF9, 6, 255)][random.usize(..3)];
            transport.frame(random.u8(..2), id, n * 10_000_000, &data);
            assert!(transport.sessions.len() <= MOST);
        }
    }
}
