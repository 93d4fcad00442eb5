//! How a depot is set up, and what is edited in its configuration.

use crate::loggers::{Deletes, Manner, Ranges, Tag};
use crate::model::STATE;

/// What a run is mostly about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    Common,
    Removal,
    Edits,
    Swaps,
    Persons,
    Disks,
    Losses,
    /// Files that a person drops, and everything that can happen after.
    Decided,
    /// Vehicles that drive off while their files are removed, and everything that can happen meanwhile.
    Leaving,
    /// Files that are lost or no longer wanted, and come back.
    Turning,
    /// Files that a person decides about while others are removed, and that turn up once they are dropped.
    Asked,
    /// Ledgers that have to begin anew, while files are lost, come back or wait for a person.
    Anew,
}

/// Seeds from here on are about what is met seldom.
const SELDOM_FROM: u64 = 10_000;

impl Mood {
    /// Of what is met seldom, and of what is met seldom even there.
    const SELDOM: [Mood; 3] = [Mood::Decided, Mood::Leaving, Mood::Turning];
    const MOST_SELDOM: [Mood; 2] = [Mood::Asked, Mood::Anew];
    const ALL: [Mood; 9] = [
        Mood::Common,
        Mood::Removal,
        Mood::Removal,
        Mood::Edits,
        Mood::Swaps,
        Mood::Persons,
        Mood::Persons,
        Mood::Disks,
        Mood::Losses,
    ];

    /// Those that a seed may have. A seed keeps its story for as long as these stay the same.
    pub fn of(seed: u64) -> &'static [Self] {
        match seed {
            ..SELDOM_FROM if matches!(seed % 10, 5 | 8) => &Self::MOST_SELDOM,
            ..SELDOM_FROM => &Self::ALL,
            _ => &Self::SELDOM,
        }
    }

    pub fn is_seldom(self) -> bool {
        !Self::ALL.contains(&self)
    }
}

/// What an administrator changed in the files.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Edits {
    /// Nothing is removed, though the setting says so.
    pub keeps: bool,
    /// The second archive is taken out.
    pub one_archive: bool,
    /// The second logger is off the list.
    pub one_logger: bool,
    /// Every second file is not wanted.
    pub narrow: bool,
    /// The second logger is fitted in the first vehicle.
    pub moved: bool,
    /// The files are broken.
    pub broken: bool,
}

/// How a depot is set up.
pub struct Setting {
    pub start: &'static str,
    pub one_device: bool,
    pub links: bool,
    pub roots: Vec<(&'static str, bool)>,
    pub proof: &'static str,
    pub open_file: &'static str,
    pub order: &'static str,
    pub backlog: &'static str,
    /// Whether the loggers tell who they are.
    pub serial: bool,
    /// How long after it is archived a file is removed; `None` where it is not.
    pub remove_after: Option<&'static str>,
    pub lost_keep: &'static str,
    pub spool_limit: u64,
    pub manners: [Manner; 2],
    /// Files that the cards have from the beginning, at most.
    pub cards: u32,
    /// Things that happen.
    pub acts: u32,
    pub mood: Mood,
}

impl Setting {
    /// One that nothing is special about.
    pub fn plain() -> Self {
        let manner = Manner {
            ranges: Ranges::Serves,
            tag: Tag::None,
            deletes: Deletes::Does,
            coarse: false,
            times: true,
            digests: false,
            follows: false,
            quits: false,
            rate: 3_000_000,
        };
        Self {
            start: "2026-10-14T16:00:00Z",
            one_device: false,
            links: true,
            roots: vec![("/central", true)],
            proof: "length",
            open_file: "newest",
            order: "name",
            backlog: "after-new",
            serial: false,
            remove_after: None,
            lost_keep: "7d",
            spool_limit: 1_000_000_000,
            manners: [manner.clone(), manner],
            cards: 0,
            acts: 0,
            mood: Mood::Common,
        }
    }

    pub fn draw(rng: &mut fastrand::Rng, moods: &[Mood]) -> Self {
        let mood = moods[rng.usize(..moods.len())];
        let removes = matches!(mood, Mood::Removal | Mood::Leaving | Mood::Asked) || rng.u32(..8) == 0;
        let proof = if removes { "reread" } else { ["length", "length", "reread"][rng.usize(..3)] };
        let mut manner = || {
            let times = rng.u32(..5) > 0;
            Manner {
                ranges: [Ranges::Serves, Ranges::Serves, Ranges::Ignores, Ranges::Early][rng.usize(..4)],
                tag: [Tag::None, Tag::Weak, Tag::Strong][rng.usize(..3)],
                deletes: [Deletes::Does, Deletes::Does, Deletes::Does, Deletes::Refuses, Deletes::Pretends]
                    [rng.usize(..5)],
                coarse: times && rng.u32(..3) == 0,
                times,
                digests: proof == "length"
                    && (matches!(mood, Mood::Persons | Mood::Decided | Mood::Anew) || rng.u32(..3) == 0),
                follows: rng.bool(),
                quits: matches!(mood, Mood::Leaving | Mood::Asked),
                rate: [8_000, 40_000, 3_000_000][rng.usize(..3)],
            }
        };
        let manners = [manner(), manner()];
        let mut roots = vec![("/central", true)];
        if mood == Mood::Edits || mood.is_seldom() && rng.bool() || rng.u32(..4) == 0 {
            roots.push(("/copy", rng.bool()));
        }
        Self {
            // A common evening, the night in which summer time ends, and one before which it begins.
            start: ["2026-10-14T16:00:00Z", "2026-10-24T21:00:00Z", "2027-03-27T21:30:00Z"][rng.usize(..3)],
            one_device: rng.bool(),
            links: rng.bool(),
            roots,
            proof,
            open_file: ["newest", "settled", "none"][rng.usize(..3)],
            order: ["name", "time"][rng.usize(..2)],
            backlog: ["after-new", "after-new", "after-new", "all", "none"][rng.usize(..5)],
            serial: removes || rng.u32(..4) == 0,
            remove_after: removes.then(|| ["0s", "0s", "20min"][rng.usize(..3)]),
            lost_keep: ["7d", "30min"][rng.usize(..2)],
            spool_limit: if rng.u32(..4) == 0 { 200_000 } else { 1_000_000_000 },
            manners,
            cards: 4,
            acts: rng.u32(8..24),
            mood,
        }
    }

    /// `yarder.toml` and `vehicles.toml`, as they were edited.
    pub fn files(&self, edits: &Edits) -> (String, String) {
        let Self { proof, open_file, order, backlog, lost_keep, .. } = self;
        let mut depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"Europe/Oslo\"\nday_starts = \"12:00\"\nstate_dir = \"{STATE}\"\n\
             vehicles = \"vehicles.toml\"\nworks = \"Mon-Sun\"\nspool_reserve = \"1 kB\"\nlost_keep = \"{lost_keep}\"\n\
             [poll]\nevery = \"60s\"\nlist_every = \"60s\"\nmax_transfers = 2\n[report]\nat = [\"05:00\"]\n"
        );
        for (root, required) in self.archives(edits) {
            let name = &root[1..];
            depot +=
                &format!("[[archive]]\nname = \"{name}\"\nurl = \"file://{root}\"\nrequired = {required}\n");
        }
        let wanted = if edits.narrow { "**/*[02468].log" } else { "**/*.log" };
        let mut vehicles = format!(
            "[kind.wifi]\nfiles = [\"{wanted}\"]\nopen_file = \"{open_file}\"\norder = \"{order}\"\nbacklog = \"{backlog}\"\nsettle = \"60s\"\n\
             closed_after = \"3min\"\nproof = \"{proof}\"\nquiet_when_done = \"5min\"\nurl = \"http://{{host}}/\"\n"
        );
        if let Some(after) = self.remove_after.filter(|_| !edits.keeps) {
            vehicles += &format!("remove = \"archived\"\nremove_after = \"{after}\"\n");
        }
        for n in 1..=2 {
            vehicles += &format!("[[vehicle]]\nid = \"PLOW-0{n}\"\n");
        }
        for n in 1..=if edits.one_logger { 1 } else { 2 } {
            let vehicle = if edits.moved { 1 } else { n };
            vehicles += &format!(
                "[[logger]]\nid = \"L-{n}\"\nvehicle = \"PLOW-0{vehicle}\"\nkind = \"wifi\"\n\
                 host = \"plow-0{n}.yard.example\"\n"
            );
            if self.serial {
                vehicles += &format!("serial = \"S-{n}\"\nserial_from = \"/device.json\"\n");
            }
        }
        if edits.broken {
            depot += "[[archive]\n";
        }
        (depot, vehicles)
    }

    /// The archives of an edited configuration, with whether each is required.
    pub fn archives(&self, edits: &Edits) -> impl Iterator<Item = (&'static str, bool)> {
        let taken = if edits.one_archive { 1 } else { self.roots.len() };
        self.roots.clone().into_iter().take(taken)
    }

    /// Those that must have what leaves a logger.
    pub fn required(&self, edits: &Edits) -> Vec<&'static str> {
        self.archives(edits).filter(|(_, required)| *required).map(|(root, _)| root).collect()
    }
}
