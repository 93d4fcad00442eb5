//! What happens to a depot while its service runs.

use jiff::SignedDuration;
use yarder::clock::Clock as _;
use yarder::ledger::state::State;

use super::setting::{Edits, Mood};
use super::{End, World};
use crate::disk::{Faults, Part};
use crate::loggers::{Deed, Fuse, Then, Trouble};

const DAY: i64 = 24 * 3600;
/// Nothing was there for it to happen to.
const NOTHING: &str = "nothing";

/// Something that happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Act {
    Deed,
    Record,
    InTransfer,
    WrittenOver,
    Visit,
    AirTrouble,
    AirClear,
    ArchiveTrouble,
    ArchiveBack,
    ArchiveHarmed,
    DiskFails,
    DiskFull,
    DiskWell,
    KillInTheMiddle,
    KillInTransfer,
    Kill,
    PowerCut,
    Stop,
    ClockJumps,
    ClockRight,
    Edited,
    Swap,
    Spoil,
    Lose,
    Longer,
}

/// How often something happens in a run of another mood, and of some.
type Weight = (Act, u32, &'static [(Mood, u32)]);

const ACTS: [Weight; 25] = [
    (Act::Record, 10, &[(Mood::Removal, 16), (Mood::Persons, 6)]),
    (Act::Deed, 8, &[(Mood::Persons, 4), (Mood::Decided, 3), (Mood::Asked, 3), (Mood::Anew, 3)]),
    (Act::InTransfer, 4, &[]),
    (Act::WrittenOver, 2, &[(Mood::Common, 3), (Mood::Removal, 3)]),
    (
        Act::Visit,
        1,
        &[(Mood::Persons, 8), (Mood::Removal, 2), (Mood::Decided, 8), (Mood::Leaving, 3), (Mood::Asked, 6)],
    ),
    (
        Act::AirTrouble,
        3,
        &[
            (Mood::Removal, 4),
            (Mood::Persons, 6),
            (Mood::Losses, 5),
            (Mood::Decided, 4),
            (Mood::Leaving, 2),
            (Mood::Anew, 5),
        ],
    ),
    (Act::AirClear, 1, &[]),
    (Act::ArchiveTrouble, 2, &[(Mood::Disks, 3)]),
    (Act::ArchiveBack, 1, &[(Mood::Disks, 2)]),
    (Act::ArchiveHarmed, 0, &[(Mood::Removal, 1), (Mood::Persons, 1)]),
    (Act::DiskFails, 2, &[(Mood::Disks, 6)]),
    (Act::DiskFull, 1, &[]),
    (Act::DiskWell, 1, &[(Mood::Disks, 2)]),
    (Act::KillInTheMiddle, 3, &[]),
    (Act::KillInTransfer, 1, &[]),
    (Act::Kill, 1, &[(Mood::Persons, 2), (Mood::Decided, 3), (Mood::Asked, 3), (Mood::Anew, 3)]),
    (Act::PowerCut, 2, &[]),
    (
        Act::Stop,
        1,
        &[(Mood::Persons, 4), (Mood::Decided, 6), (Mood::Turning, 3), (Mood::Asked, 10), (Mood::Anew, 4)],
    ),
    (Act::ClockJumps, 2, &[]),
    (Act::ClockRight, 1, &[]),
    (Act::Edited, 0, &[(Mood::Edits, 10), (Mood::Removal, 1), (Mood::Turning, 4), (Mood::Anew, 3)]),
    (Act::Swap, 0, &[(Mood::Swaps, 4)]),
    (Act::Spoil, 0, &[(Mood::Persons, 4), (Mood::Decided, 3), (Mood::Asked, 6), (Mood::Anew, 3)]),
    (Act::Lose, 0, &[(Mood::Losses, 8), (Mood::Turning, 8), (Mood::Anew, 16)]),
    (Act::Longer, 0, &[(Mood::Turning, 4), (Mood::Decided, 1), (Mood::Leaving, 1)]),
];

impl World {
    /// Counts what happened, and in which states files were.
    pub(super) fn did(&mut self, what: &'static str) {
        self.log.note(|| format!("== {what}"));
        self.model.coverage.act(what);
        if let Some(book) = &self.last {
            self.model.coverage.meets(what, book);
        }
    }

    /// Something happens. Gives how the life ends by it, where it does.
    pub(super) fn something(&mut self) -> Option<End> {
        let mood = self.setting.mood;
        let anything = self.is_seldom();
        let weight = |(_, weight, moods): &Weight| {
            if anything {
                return 1;
            }
            moods.iter().find(|(of, _)| *of == mood).map_or(*weight, |(_, more)| *more)
        };
        let all: u32 = ACTS.iter().map(weight).sum();
        let mut drawn = self.rng.u32(..all);
        let mut acts = ACTS.iter();
        let act = loop {
            let act = acts.next()?;
            let weight = weight(act);
            if drawn < weight {
                break act.0;
            }
            drawn -= weight;
        };
        let at = self.rng.usize(..2);
        let end = match act {
            Act::Kill => Some(End::Killed),
            Act::PowerCut => Some(End::PowerCut),
            Act::Stop => Some(End::Stopped),
            _ => None,
        };
        let what = self.happens(act, at);
        if what != NOTHING {
            self.did(what);
        }
        end
    }

    /// Files stand as they seldom do: everything is as likely as everything else.
    fn is_seldom(&mut self) -> bool {
        match self.setting.mood {
            Mood::Decided => self.is_rare(State::Dropped),
            Mood::Leaving => self.is_rare(State::Removing),
            Mood::Turning => self.is_rare(State::Lost) && self.rng.bool(),
            _ => false,
        }
    }

    fn some(&mut self, most: u32) -> u32 {
        self.rng.u32(1..=most)
    }

    fn deed(&mut self, at: usize, deed: Deed) -> &'static str {
        self.shared.deed(at, deed);
        deed.name()
    }

    fn fuse(&mut self, at: usize, most: u32, then: Then) {
        let left = self.some(most);
        self.shared.lock().fuse = Some(Fuse { left, at, then });
    }

    fn any_deed(&mut self) -> Deed {
        // Swaps belong to runs of their own: what comes of them waits for a person.
        let deeds = if self.setting.mood == Mood::Swaps { Deed::ALL.len() } else { Deed::ALL.len() - 3 };
        Deed::ALL[self.rng.usize(..deeds)]
    }

    fn happens(&mut self, act: Act, at: usize) -> &'static str {
        match act {
            Act::Record => self.deed(at, Deed::Record),
            Act::Deed => {
                let deed = self.any_deed();
                self.deed(at, deed)
            }
            Act::Spoil => self.deed(at, Deed::Spoil),
            Act::Longer => self.deed(at, Deed::ReplaceLonger),
            Act::Lose => {
                let often = if self.setting.mood == Mood::Anew && self.is_rare(State::Lost) {
                    Deed::Return
                } else {
                    Deed::Vanish
                };
                let deed = [Deed::Vanish, often, Deed::Return][self.rng.usize(..3)];
                self.deed(at, deed)
            }
            Act::Swap => {
                let deed = [Deed::SwapLoggers, Deed::SwapCards][self.rng.usize(..2)];
                self.deed(at, deed)
            }
            Act::Visit => {
                let here = self.shared.lock().units[at].here;
                self.deed(at, if here { Deed::Leave } else { Deed::Arrive })
            }
            // In the middle of whatever is under way.
            Act::InTransfer => {
                let deed = self.any_deed();
                self.fuse(at, 30, Then::Deed(deed));
                "in a transfer"
            }
            Act::WrittenOver => {
                self.fuse(at, 30, Then::WrittenOver);
                "written over in a transfer"
            }
            Act::KillInTransfer => {
                self.fuse(at, 40, Then::Kill);
                "kill in a transfer"
            }
            Act::AirTrouble => self.air_trouble(at),
            Act::AirClear => {
                self.shared.lock().units[at].trouble = Trouble::default();
                "no trouble on the air"
            }
            Act::ArchiveTrouble => self.archive_trouble(),
            Act::ArchiveBack => {
                let (root, _) = self.setting.roots[self.rng.usize(..self.setting.roots.len())];
                self.disk.bring_back(root);
                self.disk.set_full(2, false);
                self.disk.set_full(3, false);
                "archive back"
            }
            Act::ArchiveHarmed => self.harm(),
            Act::DiskFails => self.disk_fails(),
            Act::DiskFull => {
                self.disk.set_full(1, true);
                "disk full"
            }
            Act::DiskWell => {
                self.disk_is_well();
                "disk well"
            }
            Act::KillInTheMiddle => {
                let within = u64::from(self.some(400));
                self.disk.kill(within);
                "kill in the middle"
            }
            Act::Kill => "kill",
            Act::PowerCut => "power cut",
            Act::Stop => "stop",
            Act::ClockJumps => {
                // A report is made for each day that was leapt over: a year of them now and then.
                let ahead = if self.rng.u32(..8) == 0 { 365 } else { 5 };
                let jumps = [1, -3600, 3600, -5 * 3600, ahead * DAY, -46 * 365 * DAY];
                let seconds = jumps[self.rng.usize(..6)];
                self.set_clock(seconds);
                "clock jumps"
            }
            Act::ClockRight => {
                self.set_clock(0);
                "clock is right"
            }
            Act::Edited => self.edit_something(),
        }
    }

    fn set_clock(&mut self, seconds: i64) {
        self.clock.set_wrong(SignedDuration::from_secs(seconds));
        self.clock_is_wrong = seconds != 0;
        // Stillness is counted by that clock, from the next listing on.
        self.model.known.clear();
        self.shared.lock().units.iter_mut().for_each(|unit| unit.told.clear());
    }

    fn air_trouble(&mut self, at: usize) -> &'static str {
        let of = self.some(200);
        let safe = self.setting.proof == "reread" || self.shared.lock().units[at].manner.digests;
        let cut_at = if self.rng.bool() { Some(self.rng.usize(..6)) } else { None };
        let plain = Trouble { cut_at, ..Trouble::default() };
        let kind = match self.setting.mood {
            Mood::Persons if safe && self.rng.bool() => 2,
            Mood::Losses | Mood::Anew if self.rng.bool() => 9,
            _ => self.rng.u32(..9),
        };
        let trouble = match kind {
            0 => Trouble { cut: of, ..plain },
            1 => Trouble { stall: of, ..plain },
            2 | 3 if safe => Trouble { flip: 2 * of, ..plain },
            4 => Trouble { refuse: of, ..plain },
            9 => Trouble { refuse: 1000, ..plain },
            5 => Trouble { cut_listing: 200 + 4 * of, ..plain },
            6 => Trouble { no_listing: 5 * of, ..plain },
            7 => Trouble { lies: 5 * of, ..plain },
            _ => Trouble { cut: of, cut_listing: of, ..plain },
        };
        self.shared.lock().units[at].trouble = trouble;
        "trouble on the air"
    }

    fn archive_trouble(&mut self) -> &'static str {
        let (root, _) = self.setting.roots[self.rng.usize(..self.setting.roots.len())];
        match self.rng.u32(..3) {
            // An archive that the ledger has forgotten begins anew wherever its folder is empty.
            0 if !self.model.rolled_back => {
                self.disk.unmount(root);
                "archive unmounted"
            }
            1 => {
                self.disk.set_full(if root == "/copy" { 3 } else { 2 }, true);
                "archive full"
            }
            _ => {
                self.disk.take_away(root);
                "archive away"
            }
        }
    }

    fn disk_fails(&mut self) -> &'static str {
        // Now and then, or about every third time.
        let of = if self.rng.u32(..3) == 0 { 300 } else { self.some(60) };
        let part = [Part::Archive, Part::Spool, Part::Ledger][self.rng.usize(..3)];
        let plain = Faults::default();
        let (faults, what) = match self.rng.u32(..5) {
            0 => (Faults { read: of, ..plain }, "the disk does not read"),
            1 => (Faults { write: of, ..plain }, "the disk does not write"),
            2 if part == Part::Archive => {
                (Faults { rot: of, ..plain }, "the archive's medium writes other bytes")
            }
            3 if part == Part::Archive => {
                (Faults { flip: of, ..plain }, "bits flip on the way to the archive")
            }
            _ => (Faults { flush: of, ..plain }, "the disk does not flush"),
        };
        self.model.rots |= faults.rot + faults.flip > 0;
        self.disk.set_faults(part, faults);
        what
    }

    pub(super) fn disk_is_well(&self) {
        self.disk.set_full(1, false);
        for part in [Part::Archive, Part::Spool, Part::Ledger] {
            self.disk.set_faults(part, Faults::default());
        }
    }

    /// Somebody else writes over a file of an archive, or takes it away.
    fn harm(&mut self) -> &'static str {
        let Some((path, sha)) = self.model.some_stored(&mut self.rng) else { return NOTHING };
        self.log.note(|| format!("{} is harmed", path.display()));
        let text = path.to_string_lossy().into_owned();
        let mut bytes = self.disk.seen(&path).unwrap_or_default();
        if self.rng.bool() || bytes.is_empty() {
            self.disk.remove_durably(&text);
        } else {
            let at = self.rng.usize(..bytes.len());
            bytes[at] ^= 1;
            self.disk.put_durably(&text, &bytes);
        }
        self.model.damaged.insert(path, sha);
        self.shared.lock().harmed_at = Some(self.clock.mono());
        "archive harmed"
    }

    fn edit_something(&mut self) -> &'static str {
        let mut edits = Edits { broken: false, ..self.edits };
        let what = match self.rng.u32(..7) {
            0 => {
                edits.keeps = !edits.keeps;
                "removal switched"
            }
            1 => {
                edits.one_archive = !edits.one_archive;
                "an archive taken out or in"
            }
            2 => {
                edits.one_logger = !edits.one_logger;
                "a logger taken off the list or put on it"
            }
            3 | 4 => {
                edits.narrow = !edits.narrow;
                "patterns changed"
            }
            // Before it is closed.
            _ if self.setting.mood == Mood::Turning && self.is_rare(State::Open) => {
                edits.narrow = true;
                "patterns changed"
            }
            5 => {
                edits.moved = !edits.moved;
                "a logger moved to another vehicle"
            }
            _ => {
                edits.broken = true;
                "files broken"
            }
        };
        self.edit(edits);
        what
    }

    /// What is wrong at this moment.
    pub(super) fn wrong(&self) -> Vec<&'static str> {
        let mut all = self.disk.wrong();
        let mut is = |wrong: bool, what| {
            if wrong {
                all.push(what);
            }
        };
        let yard = self.shared.lock();
        let any = |what: fn(&Trouble) -> u32| yard.units.iter().any(|unit| what(&unit.trouble) > 0);
        is(any(|t| t.cut), "while transfers are cut");
        is(any(|t| t.stall), "while transfers stall");
        is(any(|t| t.flip), "while bits flip on the air");
        is(any(|t| t.refuse), "while reads are refused");
        is(any(|t| t.cut_listing), "while listings are cut");
        is(any(|t| t.no_listing), "while pages are no listings");
        is(any(|t| t.lies), "while sizes are lies");
        is(yard.units.iter().any(|unit| !unit.here), "while a vehicle is away");
        is(yard.units.iter().any(|unit| !unit.is_itself()), "while another logger or card stands there");
        is(yard.units.iter().any(|unit| unit.reset_clock), "while a logger's clock is reset");
        is(self.clock_is_wrong, "while the depot's clock is wrong");
        is(self.edits.keeps && self.setting.remove_after.is_some(), "while removal is off again");
        is(self.edits.one_archive && self.setting.roots.len() > 1, "while an archive is out");
        is(self.edits.one_logger, "while a logger is off the list");
        is(self.edits.narrow, "while patterns are narrow");
        is(self.edits.broken, "while the files are broken");
        is(!self.model.damaged.is_empty(), "while an archive's copy is harmed");
        is(self.model.rolled_back, "while the ledger is behind");
        is(self.model.exchanged, "while an archive is a new one");
        all
    }
}
