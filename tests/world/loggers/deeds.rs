//! What happens on the loggers' side.

use std::time::Duration;

use jiff::SignedDuration;
use yarder::clock::Clock as _;

use super::{Card, File, Shared, Unit, Yard};

/// A card is not formatted, or exchanged, within one visit.
const FORMATTED: Duration = Duration::from_secs(40 * 60);

/// Something that happens on the logger's side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deed {
    Record,
    Grow,
    Replace,
    ReplaceShorter,
    ReplaceLonger,
    Rename,
    DropOldest,
    Leave,
    Arrive,
    Format,
    FormatAlike,
    Copy,
    ResetClock,
    Spoil,
    SwapLoggers,
    SwapCards,
    Vanish,
    Return,
    PutBack,
}

impl Deed {
    /// Those that happen at random; those that do so anywhere come first.
    pub const ALL: [Deed; 18] = [
        Deed::Record,
        Deed::Grow,
        Deed::Replace,
        Deed::ReplaceShorter,
        Deed::Rename,
        Deed::DropOldest,
        Deed::Leave,
        Deed::Arrive,
        Deed::Format,
        Deed::FormatAlike,
        Deed::Copy,
        Deed::ResetClock,
        Deed::Vanish,
        Deed::Return,
        Deed::PutBack,
        Deed::Spoil,
        Deed::SwapLoggers,
        Deed::SwapCards,
    ];

    /// In words, for the table.
    pub fn name(self) -> &'static str {
        match self {
            Deed::Record => "record",
            Deed::Grow => "grow",
            Deed::Replace => "replace",
            Deed::ReplaceShorter => "replace by a shorter one",
            Deed::ReplaceLonger => "replace by a longer one",
            Deed::Rename => "rename",
            Deed::DropOldest => "overwrite the oldest",
            Deed::Leave => "leave",
            Deed::Arrive => "arrive",
            Deed::Format => "format",
            Deed::FormatAlike => "format with equal names, sizes and times",
            Deed::Copy => "copy",
            Deed::ResetClock => "reset the logger's clock",
            Deed::Spoil => "spoil a sector of the card",
            Deed::SwapLoggers => "swap the loggers",
            Deed::SwapCards => "swap the cards",
            Deed::Vanish => "vanish",
            Deed::Return => "return",
            Deed::PutBack => "put the former card back",
        }
    }
}

fn contents(rng: &mut fastrand::Rng, size: usize) -> Vec<u8> {
    let mut bytes = vec![0; size];
    rng.fill(&mut bytes);
    bytes
}

/// Mostly small, some of several kilobytes, a few that take marks.
fn some_size(rng: &mut fastrand::Rng) -> usize {
    match rng.u32(..10) {
        0..3 => rng.usize(1..4096),
        3..8 => rng.usize(4096..20_000),
        _ => rng.usize(33_000..140_000),
    }
}

impl Unit {
    /// Written over in place, as a ring of files of fixed size does it; its clock goes on.
    fn write_over(
        &mut self,
        rng: &mut fastrand::Rng,
        path: String,
        alike: bool,
        now: jiff::Timestamp,
        mono: Duration,
    ) {
        let had = &self.card.files[&path];
        let (len, before) = (had.bytes.len(), had.time);
        // One of equal length shows by its time; no two of one minute.
        let size = if alike && self.manner.times { len } else { rng.usize(1..=(len / 2).max(1)) };
        let time = self.time(now).max(before + SignedDuration::from_secs(61));
        self.put(path, contents(rng, size), time, mono);
    }

    /// Everything on the card is another's, or another thing, from now on.
    fn forget_card(&mut self) {
        self.vanished.extend(self.card.files.keys().cloned());
        self.rewritten.extend(self.card.files.keys().cloned());
    }
}

impl Shared {
    /// Something happens with one logger, if it can.
    pub fn deed(&self, at: usize, deed: Deed) {
        let mut yard = self.lock();
        self.happens(&mut yard, at, deed);
    }

    /// A logger records a file of which its card does not give a byte.
    pub fn spoiled(&self, at: usize, size: usize, bad: usize) {
        let mut yard = self.lock();
        let yard = &mut *yard;
        let (now, mono) = (self.clock.honest(), self.clock.mono());
        let (unit, rng) = (&mut yard.units[at], &mut yard.rng);
        unit.card.next += 1;
        let path = format!("log_{:04}.log", unit.card.next);
        unit.put(path.clone(), contents(rng, size), now, mono);
        unit.card.files.get_mut(&path).expect("put").bad = Some(bad);
    }

    /// Contents that were there before are there again: on the same card under other names, or under their own on
    /// a new card, which goes on behind a number.
    pub fn turn_up(&self, name: &str, mut contents: Vec<(String, Vec<u8>)>, new_card: Option<u32>) {
        let mut yard = self.lock();
        let (now, mono) = (self.clock.honest(), self.clock.mono());
        let Some(at) = yard.units.iter().position(|unit| unit.name == name) else { return };
        let unit = &mut yard.units[at];
        contents.retain(|(_, bytes)| !bytes.is_empty());
        if contents.is_empty() || !unit.is_itself() {
            return;
        }
        let time = unit.time(now);
        if let Some(next) = new_card {
            unit.here = false;
            unit.away_until = mono + FORMATTED;
            unit.forget_card();
            let card = Card { next, ..Card::new(at) };
            unit.former = Some(std::mem::replace(&mut unit.card, card));
        }
        for (mut path, bytes) in contents {
            if new_card.is_none() {
                unit.card.next += 1;
                path = format!("log_{:04}.log", unit.card.next);
            }
            unit.put(path, bytes, time, mono);
        }
        self.log.note(|| format!("{name}: a content turns up again"));
    }

    pub(super) fn written_over(&self, yard: &mut Yard, at: usize, path: &str) {
        let (now, mono) = (self.clock.honest(), self.clock.mono());
        let (unit, rng) = (&mut yard.units[at], &mut yard.rng);
        if !unit.reset_clock {
            unit.write_over(rng, path.to_owned(), true, now, mono);
            self.log.note(|| format!("{} writes over {path}", unit.name));
            yard.met.push("written over while it is asked about");
        }
    }

    pub(super) fn happens(&self, yard: &mut Yard, at: usize, deed: Deed) {
        let (now, mono) = (self.clock.honest(), self.clock.mono());
        if matches!(deed, Deed::SwapLoggers | Deed::SwapCards) {
            return self.swap(yard, deed == Deed::SwapLoggers);
        }
        let rng = &mut yard.rng;
        let unit = &mut yard.units[at];
        let time = unit.time(now);
        let last = unit.card.files.keys().next_back().cloned();
        let done = match deed {
            Deed::Record => {
                unit.card.next += 1;
                let path = format!("log_{:04}.log", unit.card.next);
                let size = some_size(rng);
                unit.put(path, contents(rng, size), time, mono);
                true
            }
            Deed::Grow => match last {
                Some(path) => {
                    let mut bytes = unit.card.files[&path].bytes.to_vec();
                    // A listing that rounds shows it.
                    let more = rng.usize(200..30_000);
                    bytes.extend(contents(rng, more));
                    unit.put(path, bytes, time, mono);
                    true
                }
                None => false,
            },
            Deed::Replace | Deed::ReplaceShorter => match unit.some_file(rng) {
                Some(path) if !unit.reset_clock => {
                    unit.write_over(rng, path, deed == Deed::Replace, now, mono);
                    true
                }
                _ => false,
            },
            // By its listing it may have been written on.
            Deed::ReplaceLonger => match unit.some_file(rng) {
                Some(path) if !unit.reset_clock => {
                    let size = unit.card.files[&path].bytes.len() + rng.usize(200..30_000);
                    let time = time.max(unit.card.files[&path].time + SignedDuration::from_secs(61));
                    unit.put(path, contents(rng, size), time, mono);
                    true
                }
                _ => false,
            },
            Deed::Rename => match unit.some_file(rng) {
                Some(path) => {
                    let file = unit.take(&path).expect("listed");
                    let to = format!("old_{}_{path}", unit.card.next);
                    unit.card.next += 1;
                    unit.card.files.insert(to, File { since: mono, ..file });
                    true
                }
                None => false,
            },
            // The same bytes under another name.
            Deed::Copy => match unit.some_file(rng) {
                Some(path) => {
                    let file = unit.card.files[&path].clone();
                    unit.card.next += 1;
                    let path = format!("log_{:04}.log", unit.card.next);
                    unit.card.files.insert(path, File { time, since: mono, bad: None, ..file });
                    true
                }
                None => false,
            },
            Deed::DropOldest => match unit.card.files.keys().next().cloned() {
                Some(path) if unit.card.files.len() > 1 => unit.take(&path).is_some(),
                _ => false,
            },
            Deed::Leave => std::mem::replace(&mut unit.here, false),
            Deed::Arrive => unit.away_until <= mono && !std::mem::replace(&mut unit.here, true),
            // What stands in another's place is not formatted: it goes back.
            Deed::Format | Deed::FormatAlike | Deed::PutBack if !unit.is_itself() => false,
            Deed::Format => {
                unit.here = false;
                unit.away_until = mono + FORMATTED;
                unit.forget_card();
                unit.former = Some(std::mem::replace(&mut unit.card, Card::new(at)));
                true
            }
            Deed::PutBack => match unit.former.take() {
                Some(former) => {
                    unit.here = false;
                    unit.away_until = mono + FORMATTED;
                    unit.forget_card();
                    unit.former = Some(std::mem::replace(&mut unit.card, former));
                    unit.card.files.values_mut().for_each(|file| file.since = mono);
                    true
                }
                None => false,
            },
            // As a card with a bad contact does it.
            Deed::Vanish => match unit.some_file(rng) {
                Some(path) => {
                    let file = unit.take(&path).expect("listed");
                    unit.card.hidden.insert(path, file);
                    true
                }
                None => false,
            },
            Deed::Return => match unit.card.hidden.pop_first() {
                Some((path, file)) => {
                    // The name may have been given again.
                    unit.card.files.entry(path).or_insert(File { since: mono, ..file });
                    true
                }
                None => false,
            },
            // A logger of fixed file size whose clock was lost: names, sizes and times are the old ones.
            Deed::FormatAlike => {
                unit.here = false;
                unit.away_until = mono + FORMATTED;
                unit.forget_card();
                for (path, file) in std::mem::take(&mut unit.card.files) {
                    let bytes = contents(rng, file.bytes.len());
                    unit.put(path, bytes, file.time, mono);
                }
                true
            }
            Deed::ResetClock => !std::mem::replace(&mut unit.reset_clock, true),
            Deed::Spoil => match unit.some_file(rng) {
                Some(path) => {
                    let file = unit.card.files.get_mut(&path).expect("listed");
                    file.bad = Some(rng.usize(..file.bytes.len()));
                    true
                }
                None => false,
            },
            Deed::SwapLoggers | Deed::SwapCards => false,
        };
        if done {
            let name = &yard.units[at].name;
            self.log.note(|| format!("{name} {deed:?}"));
        }
    }

    /// The loggers change their places, with their cards, or the cards alone do.
    fn swap(&self, yard: &mut Yard, loggers: bool) {
        let away_until = self.clock.mono() + FORMATTED;
        let [one, two] = &mut yard.units[..] else { return };
        for unit in [&mut *one, &mut *two] {
            unit.forget_card();
            (unit.here, unit.away_until, unit.swapped) = (false, away_until, true);
            unit.told.clear();
        }
        std::mem::swap(&mut one.card, &mut two.card);
        if loggers {
            std::mem::swap(&mut one.serial, &mut two.serial);
            std::mem::swap(&mut one.manner, &mut two.manner);
            std::mem::swap(&mut one.reset_clock, &mut two.reset_clock);
        }
        for unit in [one, two] {
            let files = unit.card.files.values().chain(unit.card.hidden.values());
            unit.held.extend(files.map(|file| (file.sha, file.bytes.len())));
        }
        self.log.note(|| format!("the {} are swapped", if loggers { "loggers" } else { "cards" }));
    }

    /// Everybody is in his own place again, with his own card.
    pub fn put_right(&self) {
        let mut yard = self.lock();
        if yard.units[0].serial != "S-1" {
            self.swap(&mut yard, true);
        }
        if yard.units[0].card.owner != 0 {
            self.swap(&mut yard, false);
        }
    }
}
