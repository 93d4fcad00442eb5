//! ISO-TP (ISO 15765-2), and what a car answers over it: SAE J1979 / ISO 15031-5 services 01 and 09, and the
//! identification by ISO 14229-1.

use super::facts::VinSource;

/// Answers that are put together at a time: one of each control unit that a car may have (ISO 15765-4 has eight).
const MOST: usize = 16;
/// What is kept of an answer, bytes; those that tell something here are far shorter.
const KEPT: usize = 64;
/// A frame that comes later than this after the one before it goes on with nothing, ns: N_Cr of ISO 15765-2 is 1 s.
const PATIENCE: i64 = 1_000_000_000;

/// Whether answers come under this identifier, and whose: the low part of 11 bits counted from 7E8h, the source
/// address of 29 (ISO 15765-4: 18DAF1xx; F9h and FAh are the testers of J1939).
pub const fn responder(id: u32, extended: bool) -> Option<u8> {
    match (extended, id) {
        (false, 0x7E8..=0x7EF) => Some(id as u8),
        (true, 0x18DA_F100..=0x18DA_F1FF | 0x18DA_F900..=0x18DA_FAFF) => Some(id as u8),
        _ => None,
    }
}

#[derive(Debug)]
struct Session {
    key: (u8, u32),
    length: usize,
    seen: usize,
    next: u8,
    at: i64,
    data: Vec<u8>,
}

/// Puts answers together, of all buses of one log.
#[derive(Debug, Default)]
pub struct Answers {
    sessions: Vec<Session>,
    done: Vec<u8>,
}

impl Answers {
    /// Takes a frame under an identifier that has a [`responder`], recorded at this time in ns, and gives the answer that
    /// it ends, of a long one the beginning.
    pub fn frame(&mut self, bus: u8, id: u32, at: i64, data: &[u8]) -> Option<&[u8]> {
        let (&first, rest) = data.split_first()?;
        let key = (bus, id);
        let (kind, low) = (first >> 4, first & 0xF);
        if kind > 2 {
            return None;
        }
        let open = self.sessions.iter().position(|s| s.key == key);
        if kind < 2 {
            open.map(|open| self.sessions.swap_remove(open));
        }
        match kind {
            0 => {
                // CAN FD: 0, then the length.
                let (length, rest) =
                    if low > 0 { (low, rest) } else { rest.split_first().map(|(l, rest)| (*l, rest))? };
                let whole = rest.get(..usize::from(length)).filter(|whole| !whole.is_empty())?;
                self.done.clear();
                self.done.extend_from_slice(&whole[..whole.len().min(KEPT)]);
                Some(&self.done)
            }
            1 => {
                let (&second, rest) = rest.split_first()?;
                let (length, rest) = match usize::from(low) << 8 | usize::from(second) {
                    0 => rest.split_first_chunk().map(|(l, r)| (u32::from_be_bytes(*l) as usize, r))?,
                    length => (length, rest),
                };
                if length <= rest.len() {
                    return None;
                }
                if self.sessions.len() >= MOST {
                    let oldest = self.sessions.iter().enumerate().min_by_key(|(_, s)| s.at);
                    let oldest = oldest.map_or(0, |(place, _)| place);
                    self.sessions.swap_remove(oldest);
                }
                let kept = rest[..rest.len().min(KEPT)].to_vec();
                self.sessions.push(Session { key, length, seen: rest.len(), next: 1, at, data: kept });
                None
            }
            _ => {
                let open = open?;
                let session = &mut self.sessions[open];
                let silent = at.checked_sub(session.at).is_none_or(|since| since.abs() > PATIENCE);
                if silent || low != session.next {
                    self.sessions.swap_remove(open);
                    return None;
                }
                let part = &rest[..rest.len().min(session.length - session.seen)];
                let room = KEPT.saturating_sub(session.data.len());
                session.data.extend_from_slice(&part[..part.len().min(room)]);
                session.seen += part.len();
                session.next = (session.next + 1) & 0xF;
                session.at = at;
                if session.seen < session.length {
                    return None;
                }
                self.done = self.sessions.swap_remove(open).data;
                Some(&self.done)
            }
        }
    }
}

/// What an answer tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Told<'a> {
    /// Characters in the place of a VIN, and how they were asked for.
    Vin(&'a [u8], VinSource),
    /// Engine speed, rpm (service 01, 0Ch).
    EngineSpeed(f64),
    /// Vehicle speed, km/h (service 01, 0Dh).
    Speed(f64),
    /// Distance, km (service 01, A6h).
    Odometer(f64),
}

/// Reads an answer. One to service 01 may tell of several parameters, six at most.
pub fn read<'a>(answer: &'a [u8], mut tell: impl FnMut(Told<'a>)) {
    match *answer {
        // Number of data items, then the characters; short ones are filled up with zeros in front.
        [0x49, 0x02, _, ref vin @ ..] => tell(Told::Vin(vin, VinSource::Obd)),
        [0x62, 0xF1, 0x90, ref vin @ ..] => tell(Told::Vin(vin, VinSource::Uds)),
        [0x41, ref parameters @ ..] => {
            let mut rest = parameters;
            loop {
                rest = match *rest {
                    [0x0C, a, b, ref rest @ ..] => {
                        tell(Told::EngineSpeed(f64::from(u16::from_be_bytes([a, b])) / 4.0));
                        rest
                    }
                    [0x0D, speed, ref rest @ ..] => {
                        tell(Told::Speed(f64::from(speed)));
                        rest
                    }
                    // The time since the engine was started is of no use here, what follows it may be.
                    [0x1F, _, _, ref rest @ ..] => rest,
                    [0xA6, a, b, c, d, ref rest @ ..] => {
                        tell(Told::Odometer(f64::from(u32::from_be_bytes([a, b, c, d])) / 10.0));
                        rest
                    }
                    // Of one that is not known here, not even the length is.
                    _ => return,
                }
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::super::check_values::{frame, text, topic};
    use super::*;

    /// The VINs in frames 10 ms apart, with who answered.
    fn vins(frames: &[&str]) -> Vec<(u8, String)> {
        let mut answers = Answers::default();
        let mut all = Vec::new();
        for (n, line) in frames.iter().enumerate() {
            let (id, extended, data) = frame(line);
            let Some(ecu) = responder(id, extended) else { continue };
            let Some(answer) = answers.frame(0, id, n as i64 * 10_000_000, &data) else { continue };
            read(answer, |told| {
                if let Told::Vin(vin, _) = told {
                    all.push((ecu, String::from_utf8_lossy(vin).into_owned()));
                }
            });
        }
        all
    }

    /// `isotp`: ISO 15765-2 segmentation, SAE J1979 service 09, ISO 15765-4 identifiers.
    #[test]
    fn published_answers_give_their_vin() {
        for (entry, ecu) in topic("isotp", 2).iter().zip([0xE8, 0x10]) {
            let frames = entry["expected"].as_array().expect("frames");
            let frames: Vec<&str> = frames.iter().filter_map(|f| f.as_str()).collect();
            assert_eq!(vins(&frames), [(ecu, text(entry, "/input/vin").to_owned())], "{entry}");
        }
    }

    const ENGINE: [&str; 3] = ["7E8#1014490201314D38", "7E8#2147444D3941584B", "7E8#2250303432373838"];

    #[test]
    fn several_units_may_answer_at_once() {
        let other = ["7E9#1014490201314A39", "7E9#2152503141333641", "7E9#2231363434333435"];
        let all = vins(&[ENGINE[0], other[0], other[1], ENGINE[1], ENGINE[2], other[2]]);
        assert_eq!(all, [(0xE8, "1M8GDM9AXKP042788".into()), (0xE9, "1J9RP1A36A1644345".into())]);
    }

    #[test]
    fn a_frame_that_is_missing_ends_an_answer() {
        assert_eq!(vins(&[ENGINE[0], ENGINE[2]]), []);
        assert_eq!(vins(&[ENGINE[1], ENGINE[2]]), []);
        assert_eq!(vins(&[ENGINE[0], ENGINE[1], ENGINE[0], ENGINE[1], ENGINE[2]]).len(), 1);
    }

    #[test]
    fn the_sequence_number_begins_again_behind_fifteen() {
        let mut answers = Answers::default();
        assert_eq!(answers.frame(0, 0x7E8, 0, &[0x10, 150, 1, 2, 3, 4, 5, 6]), None);
        let mut ended = None;
        for n in 1..=21u8 {
            let data = [0x20 | (n & 0xF), n, n, n, n, n, n, n];
            ended = answers.frame(0, 0x7E8, i64::from(n), &data).map(<[u8]>::len);
        }
        assert_eq!(ended, Some(KEPT), "150 bytes are followed, and the first of them kept");
    }

    #[test]
    fn parameters_are_read_one_after_another() {
        let mut told = Vec::new();
        read(&[0x41, 0x0C, 0x0D, 0x48, 0x0D, 30, 0x1F, 1, 0, 0xA6, 0, 0, 0x30, 0x39, 0x05, 9], |t| {
            told.push(t)
        });
        let expected = [Told::EngineSpeed(850.0), Told::Speed(30.0), Told::Odometer(1234.5)];
        assert_eq!(told, expected);
        read(&[0x7F, 0x09, 0x31], |t| panic!("{t:?} from a refusal"));
    }

    #[test]
    fn random_frames_keep_the_table_bounded() {
        let mut random = fastrand::Rng::with_seed(15_765);
        let mut answers = Answers::default();
        for n in 0..200_000 {
            let id = 0x18DA_F100 | random.u32(..64);
            let mut data = vec![0; random.usize(..=64)];
            random.fill(&mut data);
            if let Some(first) = data.first_mut() {
                *first &= 0x2F;
            }
            if let Some(answer) = answers.frame(0, id, n, &data) {
                read(answer, |_| ());
            }
            assert!(answers.sessions.len() <= MOST);
        }
    }
}
