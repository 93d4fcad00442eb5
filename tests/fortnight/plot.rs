//! What happens in the fortnight: who drives when, and what goes wrong. Times are those of the
//! depot's clocks on the wall (Europe/Oslo), days of October 2026.

use std::path::Path;

use jiff::civil::date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use yarder::control::Request;
use yarder::durable::{Disk as _, OsDisk};

use crate::loggers::{Mood, Shared, Unit};

/// A small log file, and one that takes a while.
const SMALL: usize = 6_000;
const LARGE: usize = 60_000;

/// Something that happens.
pub enum Act {
    /// To loggers, files and folders.
    World(Box<dyn FnOnce(&Stage)>),
    /// The depot PC starts; its clock shows so much too much.
    Start(SignedDuration),
    /// The depot PC is switched off.
    Stop,
    /// Its clock is right again.
    Right,
    /// A person asks the service.
    Ask(Request),
    /// A person drops every held file.
    DropHeld,
}

/// What acts may touch.
pub struct Stage<'s> {
    pub world: &'s Shared,
    /// The folder with the configuration and the archives.
    pub dir: &'s Path,
    pub disk: &'s crate::Disk,
}

pub struct Plot(pub Vec<(Timestamp, Act)>);

pub fn oslo() -> TimeZone {
    TimeZone::get("Europe/Oslo").expect("zone")
}

/// A moment of October 2026; where the clocks show it twice, the first.
pub fn at(day: i8, time: &str) -> Timestamp {
    let time: jiff::civil::Time = time.parse().expect("time");
    oslo().to_timestamp(date(2026, 10, day).to_datetime(time)).expect("moment")
}

const WORKING: [i8; 9] = [12, 13, 14, 15, 19, 20, 21, 22, 23];

/// All vehicles, in the order of the list.
pub fn vehicles() -> Vec<String> {
    let series =
        [("PLOW", 8), ("SWEEP", 8), ("HAUL", 8), ("TRUCK", 5), ("GRIT", 3), ("CAR", 4), ("NIGHT", 2)];
    let mut all: Vec<String> =
        series.iter().flat_map(|(name, n)| (1..=*n).map(move |k| format!("{name}-{k:02}"))).collect();
    all.extend(["GRASS-01".to_owned(), "BACK-01".to_owned()]);
    all
}

/// The second logger of a vehicle.
pub const SECOND: &str = "PLOW-02b";

/// `yarder.toml`.
pub fn depot(dir: &Path) -> String {
    let dir = dir.display();
    format!(
        r#"[depot]
name = "north-yard"
time_zone = "Europe/Oslo"
day_starts = "12:00"
works = "Mon-Fri"
holidays = ["2026-10-16"]
state_dir = "{dir}/state"
spool_limit = "2 GB"
spool_reserve = "1 MB"
[poll]
every = "10min"
list_every = "5min"
[[access_point]]
name = "east"
[[access_point]]
name = "west"
[[access_point]]
name = "mobile"
metered = true
max_per_day = "1 MB"
[[archive]]
name = "central"
url = "file://{dir}/central"
[[archive]]
name = "copy"
url = "file://{dir}/copy"
required = false
[report]
at = ["05:00"]
"#
    )
}

/// `vehicles.toml`; `files` are the patterns.
pub fn list(files: &str) -> String {
    let mut text =
        format!("[kind.wifi]\nfiles = {files}\nquiet_when_done = \"30min\"\nurl = \"http://{{host}}/\"\n");
    for id in vehicles() {
        let cell = match id.as_str() {
            "CAR-03" | "CAR-04" => "mobile",
            _ if id.starts_with("HAUL") => "west",
            _ => "east",
        };
        text += &format!("[[vehicle]]\nid = \"{id}\"\naccess_point = \"{cell}\"\n");
        text += match id.as_str() {
            "GRASS-01" => "season = \"04-16/10-14\"\n",
            "BACK-01" => "away = [\"2026-10-01/2026-10-14 gets its logger\"]\n",
            "SWEEP-06" => "away = [\"2026-10-19/2026-10-25 workshop\"]\n",
            _ if id.starts_with("GRIT") => "works = \"Mon-Sun\"\n",
            _ => "",
        };
        let mut logger = |name: &str| {
            text += &format!(
                "[[logger]]\nid = \"L-{name}\"\nvehicle = \"{id}\"\nkind = \"wifi\"\nhost = \"{}\"\n",
                host(name)
            );
        };
        logger(&id);
        if SECOND.starts_with(&id) {
            logger(SECOND);
        }
    }
    text
}

pub const LOGS: &str = r#"["**/*.log"]"#;
pub const LOGS_AND_BINS: &str = r#"["**/*.log", "**/*.bin"]"#;

fn host(unit: &str) -> String {
    format!("{}.yard.example", unit.to_lowercase())
}

/// Every logger, at home and empty.
pub fn loggers(world: &Shared) {
    let mut world = world.lock();
    for id in vehicles().into_iter().chain([SECOND.to_owned()]) {
        let here = !matches!(id.as_str(), "BACK-01");
        world.answers.insert(host(&id), id.clone());
        world.units.insert(id.clone(), Unit { here, west: id.starts_with("HAUL"), ..Unit::default() });
    }
}

fn record(world: &Shared, name: &str, size: usize, when: Timestamp) -> String {
    world.unit(name, |unit| unit.record(name, size, when))
}

impl Plot {
    fn at(&mut self, day: i8, time: &str, act: Act) {
        self.0.push((at(day, time), act));
    }

    fn world(&mut self, day: i8, time: &str, act: impl FnOnce(&Stage) + 'static) {
        self.at(day, time, Act::World(Box::new(act)));
    }

    /// Changes a logger.
    fn unit(&mut self, day: i8, time: &str, name: &'static str, act: impl FnOnce(&mut Unit) + 'static) {
        self.world(day, time, move |stage| stage.world.unit(name, act));
    }

    fn here(&mut self, day: i8, time: &str, name: &str, here: bool) {
        let name = name.to_owned();
        self.world(day, time, move |stage| stage.world.unit(&name, |unit| unit.here = here));
    }

    fn mood(&mut self, name: &'static str, mood: Mood, from: i8, to: i8) {
        self.unit(from, "12:10", name, move |unit| unit.mood = mood);
        self.unit(to, "13:00", name, |unit| unit.mood = Mood::Well);
    }

    /// Two files of a day's drive, unless the logger is dead or was not on the way.
    fn drives(&mut self, day: i8, name: &str) {
        let name = name.to_owned();
        self.world(day, "15:20", move |stage| {
            for time in ["09:00", "15:10"] {
                if !stage.world.unit(&name, |unit| unit.dead || unit.here) {
                    record(stage.world, &name, SMALL, at(day, time));
                }
            }
        });
    }

    /// The whole fortnight, in the order of time.
    pub fn new() -> Self {
        let mut plot = Plot(Vec::new());
        plot.ordinary_days();
        plot.first_week();
        plot.weekend();
        plot.second_week();
        // Acts of one moment stay in the order in which they were written.
        plot.0.sort_by_key(|(at, _)| *at);
        plot
    }

    /// Out at 05:45, home with two files at 15:30.
    fn ordinary_days(&mut self) {
        self.at(11, "13:00", Act::Start(SignedDuration::ZERO));
        for name in vehicles().into_iter().chain([SECOND.to_owned()]) {
            let days: Vec<i8> = if name.starts_with("GRIT") { (12..=25).collect() } else { WORKING.into() };
            for day in days {
                let absent = match name.as_str() {
                    "GRASS-01" => day >= 15,
                    "SWEEP-06" => day >= 19,
                    "TRUCK-01" => [19, 20].contains(&day),
                    "TRUCK-02" => day == 14,
                    "BACK-01" => day < 15,
                    _ => false,
                };
                let (comes, leaves) = match name.as_str() {
                    // Before days off they stay.
                    "NIGHT-01" | "NIGHT-02" if [15, 23].contains(&day) => ("22:00", None),
                    "NIGHT-01" | "NIGHT-02" => ("22:00", Some((day + 1, "04:00"))),
                    // Its logger is in range for 80 minutes.
                    "SWEEP-02" if day <= 15 => ("15:30", Some((day, "16:50"))),
                    // Their drivers take them home before days off.
                    _ if name.starts_with("CAR") && [15, 23].contains(&day) => {
                        ("15:30", Some((day, "17:00")))
                    }
                    _ => ("15:30", None),
                };
                self.here(day, "05:45", &name, false);
                // It spends the night elsewhere.
                if !absent || name == "TRUCK-02" {
                    self.drives(day, &name);
                }
                if !absent {
                    self.here(day, comes, &name, true);
                    if let Some((day, time)) = leaves {
                        self.here(day, time, &name, false);
                    }
                }
            }
        }
    }

    fn first_week(&mut self) {
        // Tue 13.
        self.mood("PLOW-03", Mood::LoginPage, 13, 14);
        self.mood("PLOW-06", Mood::Refuses, 13, 14);
        self.world(13, "15:25", |stage| {
            let name = record(stage.world, "SWEEP-01", 300_000, at(13, "15:11"));
            stage.world.unit("SWEEP-01", |unit| unit.file(&name).hole = Some((100_000, 104_096)));
            let name = record(stage.world, "SWEEP-02", LARGE, at(13, "15:11"));
            stage.world.unit("SWEEP-02", |unit| {
                unit.cannot_resume = true;
                unit.file(&name).rate = Some(5);
            });
        });
        self.world(13, "13:00", |stage| {
            let broken = list(LOGS).replace("quiet_when_done", "quiet_when_dnoe");
            std::fs::write(stage.dir.join("vehicles.toml"), broken).expect("written");
        });
        self.world(14, "13:00", |stage| {
            std::fs::write(stage.dir.join("vehicles.toml"), list(LOGS)).expect("written");
        });
        // The report of Tue 13 is missed.
        self.at(14, "04:30", Act::Stop);
        self.at(14, "06:30", Act::Start(SignedDuration::ZERO));

        // Wed 14.
        self.unit(14, "05:50", "PLOW-01", |unit| unit.dead = true);
        self.unit(19, "06:00", "PLOW-01", |unit| unit.dead = false);
        for day in [14, 15, 19, 20] {
            self.here(day, "15:30", SECOND, false);
        }
        self.unit(14, "05:50", SECOND, |unit| unit.dead = true);
        self.unit(21, "06:00", SECOND, |unit| unit.dead = false);
        self.unit(14, "15:00", "PLOW-04", |unit| {
            unit.files.clear();
            unit.ending = "bin";
        });
        self.world(15, "13:00", |stage| {
            std::fs::write(stage.dir.join("vehicles.toml"), list(LOGS_AND_BINS)).expect("written");
        });
        // A file of 16 hours, in a night of 14; not the last one, which would be open.
        self.world(14, "15:15", |stage| {
            let name = record(stage.world, "PLOW-05", LARGE, at(14, "08:11"));
            stage.world.unit("PLOW-05", |unit| unit.file(&name).rate = Some(1));
            let name = record(stage.world, "SWEEP-05", LARGE, at(14, "15:11"));
            stage.world.unit("SWEEP-05", |unit| unit.file(&name).cut_once = Some(30_000));
        });
        let kept = std::rc::Rc::new(std::cell::RefCell::new(None));
        let taken = kept.clone();
        self.unit(15, "15:00", "PLOW-05", move |unit| {
            let slow = unit.files.iter().find(|(_, f)| f.rate.is_some()).map(|(name, _)| name.clone());
            let name = slow.expect("the slow file");
            let mut file = unit.files.remove(&name).expect("the slow file");
            file.rate = None;
            *taken.borrow_mut() = Some((name, file));
        });
        self.unit(16, "12:30", "PLOW-05", move |unit| {
            let (name, file) = kept.borrow_mut().take().expect("kept");
            unit.files.insert(name, file);
        });
        self.world(14, "21:00", |stage| stage.disk.full(true));
        self.world(15, "05:30", |stage| stage.disk.full(false));

        // Thu 15: the PC is started anew, with a clock of 1 January 2020.
        self.at(15, "13:00", Act::Stop);
        let behind =
            "2020-01-01T00:00:00Z".parse::<Timestamp>().expect("moment").duration_since(at(15, "13:05"));
        self.at(15, "13:05", Act::Start(behind));
        self.at(15, "14:30", Act::Right);
        self.unit(15, "14:00", "SWEEP-03", |unit| {
            unit.files.clear();
            unit.next = 0;
        });
        self.world(15, "15:00", |stage| {
            for nth in 0..120 {
                let name =
                    record(stage.world, "BACK-01", SMALL, at(1, "09:00") + SignedDuration::from_hours(nth));
                stage.world.unit("BACK-01", |unit| unit.file(&name).rate = Some(10));
            }
        });
    }

    fn weekend(&mut self) {
        self.at(17, "11:50", Act::Stop);
        self.at(18, "12:30", Act::Start(SignedDuration::ZERO));
    }

    fn second_week(&mut self) {
        // Mon 19.
        self.at(19, "14:00", Act::DropHeld);
        let note = Request::Note {
            id: "TRUCK-01".into(),
            until: Some(date(2026, 10, 20)),
            reason: Some("workshop".into()),
            by: "office".into(),
        };
        self.at(19, "14:00", Act::Ask(note));
        let swap = |stage: &Stage| {
            let mut world = stage.world.lock();
            let (third, fourth) = (host("TRUCK-03"), host("TRUCK-04"));
            let (a, b) = (world.answers[&third].clone(), world.answers[&fourth].clone());
            world.answers.insert(third, b);
            world.answers.insert(fourth, a);
        };
        self.world(19, "10:00", swap);
        self.world(21, "13:00", swap);
        self.at(19, "21:00", Act::Stop);
        self.at(20, "04:30", Act::Start(SignedDuration::ZERO));

        // Tue 20.
        let cards = |stage: &Stage| {
            let mut world = stage.world.lock();
            let one = std::mem::take(&mut world.units.get_mut("SWEEP-06").expect("logger").files);
            let other = &mut world.units.get_mut("SWEEP-07").expect("logger").files;
            let other = std::mem::replace(other, one);
            world.units.get_mut("SWEEP-06").expect("logger").files = other;
        };
        self.world(20, "14:00", cards);
        self.world(21, "13:00", cards);
        self.world(20, "15:15", |stage| {
            let name = record(stage.world, "TRUCK-05", LARGE, at(20, "08:11"));
            stage.world.unit("TRUCK-05", |unit| unit.file(&name).rate = Some(1));
            let name = record(stage.world, "SWEEP-04", SMALL, at(20, "08:11"));
            stage.world.unit("SWEEP-04", |unit| unit.file(&name).refused = true);
        });
        for name in ["CAR-03", "CAR-04"] {
            self.world(20, "15:25", move |stage| {
                let file = record(stage.world, name, 600_000, at(20, "15:12"));
                stage.world.unit(name, |unit| unit.file(&file).rate = Some(50));
            });
            self.unit(21, "12:30", name, |unit| unit.files.values_mut().for_each(|f| f.rate = None));
        }
        self.unit(21, "12:30", "TRUCK-05", |unit| unit.files.values_mut().for_each(|f| f.rate = None));
        self.unit(21, "12:30", "SWEEP-04", |unit| unit.files.values_mut().for_each(|f| f.refused = false));
        self.mood("PLOW-07", Mood::Garbage, 20, 21);
        self.unit(20, "12:10", "PLOW-08", |unit| unit.unreadable = Some("deep"));
        self.unit(21, "13:00", "PLOW-08", |unit| unit.unreadable = None);
        self.world(20, "10:00", |stage| {
            unmount(stage, "copy");
            std::fs::create_dir(stage.dir.join("copy")).expect("folder");
        });
        self.world(21, "14:00", |stage| {
            std::fs::remove_dir(stage.dir.join("copy")).expect("an empty folder");
            mount(stage, "copy");
        });

        // Wed 21.
        self.world(21, "15:00", |stage| stage.world.lock().west_is_down = true);
        self.world(22, "06:30", |stage| stage.world.lock().west_is_down = false);

        // Thu 22 to Sat 24.
        self.world(22, "10:00", |stage| unmount(stage, "central"));
        self.world(24, "14:00", |stage| mount(stage, "central"));

        // In the night of Sat 24 the clocks go back from 03:00 to 02:00.
        self.here(25, "01:00", "GRIT-01", false);
        self.world(25, "03:05", |stage| {
            for when in [at(25, "02:30"), at(25, "02:30") + SignedDuration::from_hours(1)] {
                record(stage.world, "GRIT-01", SMALL, when);
            }
        });
        self.here(25, "03:10", "GRIT-01", true);
    }
}

fn unmount(stage: &Stage, archive: &str) {
    let away = stage.dir.join(format!("{archive}.away"));
    OsDisk::new().rename(&stage.dir.join(archive), &away).expect("away");
}

fn mount(stage: &Stage, archive: &str) {
    let away = stage.dir.join(format!("{archive}.away"));
    OsDisk::new().rename(&away, &stage.dir.join(archive)).expect("back");
}
