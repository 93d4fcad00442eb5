//! The demo's night: what happens to the loggers of the yard, and when.
//!
//! The script is data, so that it can be printed, and played on any clock. Each logger's actions
//! run in order; loggers do not wait for each other.

use std::collections::BTreeMap;
use std::fmt;
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use super::candump::{Bus, LINE};
use super::content::{Content, mix};
use super::logger::SimLogger;
use super::script::{DigestOffer, Effect, Faults, ListingFault, Point};
use super::yard::{Fitted, LOGIN, yard};
use crate::clock::Clock;

/// How a night is made.
#[derive(Debug, Clone)]
pub struct NightOptions {
    /// Another seed gives other vehicles and other logs.
    pub seed: u64,
    /// Tells the loggers the time and plays the script.
    pub clock: Arc<dyn Clock>,
    /// How long the script lasts. The times of the configuration follow it; below about 10 s they
    /// become too short for a busy machine.
    pub span: Duration,
    /// Sizes and rates in percent of the full night's; 100 is about 190 MB.
    pub percent: u64,
}

impl NightOptions {
    /// The full night of the demo: 30 s, 190 MB.
    pub fn full(seed: u64, clock: Arc<dyn Clock>) -> Self {
        Self { seed, clock, span: Duration::from_secs(30), percent: 100 }
    }
}

/// Something that happens to a logger.
#[derive(Debug, Clone)]
pub enum Event {
    /// It comes into range.
    Arrive,
    /// It leaves.
    Leave,
    /// Its faults become these.
    Faults(Box<Faults>),
    /// It writes more into an open file: path, bytes.
    Grow(String, u64),
    /// It closes its open files and begins another.
    Begin(String, Content),
    /// Its card is formatted and its clock lost; then it records these files. Waits until
    /// everything on the card was delivered, a third of the night at most.
    Format(Vec<(String, Content)>),
}

/// Something that happens to one logger.
#[derive(Debug, Clone)]
pub struct Action {
    /// The logger's id.
    pub logger: &'static str,
    /// What happens.
    pub event: Event,
}

impl fmt::Display for Action {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ", self.logger)?;
        match &self.event {
            Event::Arrive => f.write_str("comes into range"),
            Event::Leave => f.write_str("leaves"),
            Event::Faults(_) => f.write_str("behaves in another way"),
            Event::Grow(path, by) => write!(f, "writes {by} bytes into {path}"),
            Event::Begin(path, _) => write!(f, "begins {path}"),
            Event::Format(_) => f.write_str("has its card formatted and its clock reset"),
        }
    }
}

/// What the report ought to say of a vehicle when the night is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Expected {
    /// `complete`, `incomplete` or `not-seen`.
    pub verdict: &'static str,
    /// Versions that ought to be archived; `None` where it depends on the machine's speed.
    pub files: Option<u64>,
}

/// A night in the yard.
#[derive(Debug)]
pub struct Night {
    options: NightOptions,
    yard: Vec<Fitted>,
    loggers: BTreeMap<&'static str, SimLogger>,
    script: Vec<(Duration, Action)>,
}

/// The name of a logger's file by its number.
fn path(number: u64) -> String {
    format!("logs/{number:08}.log")
}

fn lines(bytes: u64) -> u64 {
    bytes / LINE
}

impl Night {
    /// Binds the ports of all loggers, fills their cards and writes the script. Nobody is in range
    /// before [`Night::play`].
    pub async fn start(options: NightOptions) -> io::Result<Self> {
        let mut night = Self { options, yard: yard(), loggers: BTreeMap::new(), script: Vec::new() };
        let now = night.options.clock.now();
        for fitted in night.yard.clone() {
            let logger = SimLogger::start(fitted.kind.options().clock(night.options.clock.clone())).await?;
            let mut at = night.morning(now);
            let mut frame = 0;
            for number in 0..fitted.files {
                let size = night.size(&fitted, number);
                let log = night.bus(fitted.vehicle).log(frame, at, size);
                (at, frame) = (log.end(), log.next_frame());
                let time = Timestamp::from_microsecond(at).unwrap_or(now);
                let file = path(night.first(&fitted) + number);
                let mut card = logger.card();
                card.add(&file, Content::Log(Arc::new(log)), now);
                card.set_time(&file, time);
            }
            night.loggers.insert(fitted.logger, logger);
        }
        night.write_script(now);
        Ok(night)
    }

    /// A logger by its id.
    pub fn logger(&self, id: &str) -> Option<&SimLogger> {
        self.loggers.get(id)
    }

    /// All loggers by their ids.
    pub fn loggers(&self) -> &BTreeMap<&'static str, SimLogger> {
        &self.loggers
    }

    /// The script, by time since the start.
    pub fn script(&self) -> &[(Duration, Action)] {
        &self.script
    }

    /// Bytes on all cards now.
    pub fn bytes(&self) -> u64 {
        self.loggers.values().map(|logger| logger.card().used()).sum()
    }

    /// Plays the script to the end of the night. `told` hears of each action as it happens.
    pub async fn play(&self, told: impl Fn(&Action)) {
        let clock = &self.options.clock;
        let start = clock.mono();
        let mut by_logger: BTreeMap<&str, Vec<&(Duration, Action)>> = BTreeMap::new();
        for entry in &self.script {
            by_logger.entry(entry.1.logger).or_default().push(entry);
        }
        let told = &told;
        let parts = by_logger.into_values().map(|entries| async move {
            for (at, action) in entries {
                clock.sleep((start + *at).saturating_sub(clock.mono())).await;
                if let Some(logger) = self.loggers.get(action.logger) {
                    told(action);
                    self.perform(logger, &action.event).await;
                }
            }
        });
        futures_util::future::join_all(parts).await;
        clock.sleep((start + self.options.span).saturating_sub(clock.mono())).await;
    }

    async fn perform(&self, logger: &SimLogger, event: &Event) {
        let now = self.options.clock.now();
        match event {
            Event::Arrive => {
                // Its port was kept; failing that, the vehicle is one that never came.
                let _ = logger.arrive();
            }
            Event::Leave => logger.leave().await,
            Event::Faults(faults) => *logger.faults() = (**faults).clone(),
            Event::Grow(path, by) => {
                logger.card().grow(path, *by, now);
            }
            Event::Begin(path, content) => {
                let mut card = logger.card();
                let open: Vec<_> = card.files().filter(|(_, f)| f.open).map(|(p, _)| p.to_vec()).collect();
                open.iter().for_each(|path| card.set_open(path, false));
                card.add_open(path, content.clone(), now);
            }
            Event::Format(files) => {
                self.until_delivered(logger).await;
                let now = self.options.clock.now();
                let mut card = logger.card();
                card.format();
                card.lose_clock(now);
                for (path, content) in files {
                    card.add(path, content.clone(), now);
                }
            }
        }
    }

    /// Waits until all files of a card were delivered, and then long enough to be looked at again.
    async fn until_delivered(&self, logger: &SimLogger) {
        let step = self.options.span / 100;
        for _ in 0..30 {
            let counters = logger.counters();
            let whole = logger.card().files().all(|(path, file)| counters.of(path) >= file.content.len());
            self.options.clock.sleep(if whole { step * 6 } else { step }).await;
            if whole {
                return;
            }
        }
    }

    /// What the report ought to say of each vehicle.
    pub fn expected(&self) -> BTreeMap<&'static str, Expected> {
        let mut all = BTreeMap::new();
        for fitted in &self.yard {
            let entry = all.entry(fitted.vehicle).or_insert(Expected { verdict: "complete", files: Some(0) });
            entry.files = entry.files.map(|files| files + fitted.files);
        }
        for (vehicle, verdict, files) in [
            // The file that was open at dusk and was closed in the night.
            ("PLOW-06", "complete", Some(4)),
            // Both cards.
            ("REFUSE-01", "complete", Some(6)),
            // It answers, but never with a listing.
            ("REFUSE-03", "incomplete", Some(0)),
            ("REFUSE-04", "not-seen", Some(0)),
            ("SWEEP-02", "incomplete", None),
            // All but the file that breaks.
            ("SWEEP-04", "incomplete", Some(2)),
        ] {
            all.insert(vehicle, Expected { verdict, files });
        }
        all
    }

    /// The texts of `yarder.toml` and `vehicles.toml` for a service whose files lie in `dir`: its
    /// state in `state/`, its archive in `archive/`, which must be an empty folder.
    pub fn config(&self, dir: &Path) -> (String, String) {
        let quoted = |text: String| toml::Value::String(text).to_string();
        let state = quoted(dir.join("state").display().to_string());
        let archive = url::Url::from_file_path(dir.join("archive"));
        let archive = quoted(archive.map_or_else(|()| "file:///archive".to_owned(), String::from));
        let ms = |share: u32| format!("\"{}ms\"", (self.options.span / share).as_millis().max(1));
        let depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"Europe/Oslo\"\nworks = \"Mon-Sun\"\nday_starts = \"12:00\"\n\
             state_dir = {state}\nspool_limit = \"2 GB\"\nspool_reserve = \"50 MB\"\n\n\
             [poll]\nevery = {every}\nlist_every = {every}\nconnect_timeout = \"2s\"\n\
             idle_timeout = {idle}\nmax_transfers = 6\n\n\
             [[access_point]]\nname = \"east\"\nmax_transfers = 3\n\n\
             [[access_point]]\nname = \"west\"\nmax_transfers = 3\n\n\
             [[archive]]\nname = \"central\"\nurl = {archive}\nrequired = true\n",
            every = ms(40),
            idle = ms(15),
        );
        let mut list = String::new();
        for kind in ["wifi-http", "wifi-http-login", "wifi-ftp"] {
            list += &format!(
                "[kind.{kind}]\nfiles = [\"**/*.log\"]\norder = \"name\"\nopen_file = \"newest\"\n\
                 settle = {}\nclosed_after = {}\nquiet_when_done = {}\n\
                 backlog = \"all\"\n",
                ms(60),
                ms(8),
                ms(30),
            );
            let login = self.yard.iter().any(|f| f.kind.name() == kind && f.kind.wants_login());
            if login {
                list += &format!("user = \"{}\"\npassword = \"{}\"\n", LOGIN.0, LOGIN.1);
            }
            list.push('\n');
        }
        let mut last = "";
        for fitted in &self.yard {
            if fitted.vehicle != last {
                list += &format!(
                    "[[vehicle]]\nid = \"{}\"\naccess_point = \"{}\"\n\n",
                    fitted.vehicle, fitted.access_point
                );
            }
            last = fitted.vehicle;
            let url = self.loggers.get(fitted.logger).map(SimLogger::url).unwrap_or_default();
            list += &format!(
                "[[logger]]\nid = \"{}\"\nvehicle = \"{}\"\nkind = \"{}\"\nurl = \"{url}\"\n\n",
                fitted.logger,
                fitted.vehicle,
                fitted.kind.name()
            );
        }
        (depot, list)
    }

    fn bus(&self, vehicle: &str) -> Arc<Bus> {
        Arc::new(Bus::new(vehicle.bytes().fold(self.options.seed, |seed, byte| mix(seed ^ u64::from(byte)))))
    }

    /// The number of the first file on a logger's card.
    fn first(&self, fitted: &Fitted) -> u64 {
        let name = fitted.logger.bytes().fold(self.options.seed, |seed, byte| mix(seed ^ u64::from(byte)));
        101 + name % 800
    }

    /// Sizes differ by up to a fifth.
    fn size(&self, fitted: &Fitted, number: u64) -> u64 {
        let full = self.scaled(fitted.size);
        lines(full - mix(self.options.seed ^ mix(number) ^ self.first(fitted)) % (full / 5).max(1)) * LINE
    }

    /// Frames in the first files of a logger: where the next one goes on.
    fn frames(&self, fitted: &Fitted, files: u64) -> u64 {
        (0..files).map(|number| lines(self.size(fitted, number))).sum()
    }

    fn scaled(&self, bytes: u64) -> u64 {
        bytes * self.options.percent / 100
    }

    /// When the day's first log began, in microseconds since 1970.
    fn morning(&self, now: Timestamp) -> i64 {
        now.as_second().saturating_sub(12 * 3600) * 1_000_000
    }

    fn write_script(&mut self, now: Timestamp) {
        let mut script = Vec::new();
        let span = self.options.span;
        let mut add = |percent: u32, logger, event| {
            script.push((span * percent / 100, Action { logger, event }));
        };
        for fitted in &self.yard {
            let mut faults = Faults::default();
            faults.rate = Some(self.scaled(fitted.rate));
            let kb = |n: u64| self.scaled(n * 1000);
            let second = path(self.first(fitted) + 1);
            let here = match fitted.logger {
                "L-0205" => continue,
                "L-0301" => 35,
                _ => 0,
            };
            let calm = faults.clone();
            match fitted.logger {
                "L-0101" => {
                    faults.cuts(&[kb(3_100), kb(15_000)], Effect::Fin).cuts(&[kb(9_400)], Effect::Rst);
                }
                "L-0102" => {
                    faults.once(Point::Delivered(kb(5_500)), Effect::Stall);
                }
                "L-0103" => {
                    faults.cuts(&[kb(5_000)], Effect::Fin).cuts(&[kb(10_000)], Effect::Rst);
                }
                "L-0104" => {
                    faults.ignore_ranges = true;
                    faults.cuts(&[kb(2_000)], Effect::Fin);
                }
                "L-0105" => {
                    let size = self.size(fitted, 1);
                    // A little later on the same way.
                    let frame = self.frames(fitted, 1) + 5_000;
                    let other = self.bus(fitted.vehicle).log(frame, self.morning(now), size);
                    let other = Content::Log(Arc::new(other));
                    faults.once(Point::file(&second, kb(2_000)), Effect::Overwrite(other));
                }
                "L-0108" => faults.busy = true,
                "L-0204" => faults.listing = ListingFault::LoginPage,
                "L-0303" => faults.digest = DigestOffer::Wrong(1),
                "L-0304" => {
                    faults.always(Point::file(&second, kb(1_700)), Effect::Fin);
                }
                _ => {}
            }
            add(here, fitted.logger, Event::Faults(Box::new(faults)));
            add(here, fitted.logger, Event::Arrive);
            match fitted.logger {
                "L-0106" => {
                    let bus = self.bus(fitted.vehicle);
                    let mut number = self.first(fitted) + fitted.files;
                    let mut frame = self.frames(fitted, fitted.files);
                    for percent in (0..100).step_by(2) {
                        if percent == 0 || percent == 40 {
                            number += u64::from(percent > 0);
                            let start = now.as_microsecond() + i64::from(percent) * 3_600_000_000 / 100;
                            let log = bus.log(frame, start, lines(kb(200)) * LINE);
                            frame += lines(kb(200));
                            add(
                                percent,
                                fitted.logger,
                                Event::Begin(path(number), Content::Log(Arc::new(log))),
                            );
                        } else {
                            frame += lines(kb(51));
                            add(percent, fitted.logger, Event::Grow(path(number), lines(kb(51)) * LINE));
                        }
                    }
                }
                "L-0108" => add(10, fitted.logger, Event::Faults(Box::new(calm))),
                "L-0201" => {
                    let bus = self.bus(fitted.vehicle);
                    // The card's new life: numbers and sizes as before, times of 1980.
                    let files = (0..fitted.files).map(|number| {
                        let frame = self.frames(fitted, fitted.files + number);
                        let log = bus.log(frame, now.as_microsecond(), self.size(fitted, number));
                        let log = log.stamped(315_532_800_000_000 + number as i64 * 600_000_000);
                        (path(self.first(fitted) + number), Content::Log(Arc::new(log)))
                    });
                    add(40, fitted.logger, Event::Format(files.collect()));
                }
                "L-0302" => add(30, fitted.logger, Event::Leave),
                _ => {}
            }
        }
        script.sort_by_key(|(at, _)| *at);
        self.script = script;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;

    async fn night(span: u64) -> Night {
        let clock = Arc::new(SystemClock::new());
        let span = Duration::from_millis(span);
        Night::start(NightOptions { seed: 1, clock, span, percent: 1 }).await.expect("ports")
    }

    #[tokio::test]
    async fn the_night_has_its_vehicles_and_fits_the_demo() {
        let mut night = night(30_000).await;
        assert_eq!((night.loggers().len(), night.expected().len()), (17, 16));
        night.options.percent = 100;
        let full: u64 = night
            .yard
            .iter()
            .flat_map(|f| (0..f.files).map(move |n| (f, n)))
            .map(|(f, n)| night.size(f, n))
            .sum();
        assert!((100_000_000..300_000_000).contains(&full), "{full}");
        let nobody = night.script().iter().all(|(_, action)| action.logger != "L-0205");
        assert!(nobody, "REFUSE-04 is never seen");
    }

    #[tokio::test]
    async fn the_configuration_is_toml_with_every_logger() {
        let night = night(30_000).await;
        let (depot, list) = night.config(Path::new("/tmp/a \"b\""));
        let depot: toml::Table = depot.parse().expect("toml");
        assert_eq!(depot["archive"][0]["url"].as_str(), Some("file:///tmp/a%20%22b%22/archive"));
        assert_eq!(depot["poll"]["every"].as_str(), Some("750ms"));
        let list: toml::Table = list.parse().expect("toml");
        assert_eq!(list["logger"].as_array().map(Vec::len), Some(17));
        assert_eq!(list["vehicle"].as_array().map(Vec::len), Some(16));
        assert_eq!(list["kind"]["wifi-ftp"]["closed_after"].as_str(), Some("3750ms"));
    }

    #[tokio::test]
    async fn the_script_plays_to_its_end_and_does_what_it_says() {
        let night = night(400).await;
        let formatted = night.logger("L-0201").expect("fitted");
        let before =
            formatted.card().files().map(|(_, f)| (f.content.len(), f.content.sha256())).collect::<Vec<_>>();
        let told = std::cell::RefCell::new(Vec::new());
        night.play(|action| told.borrow_mut().push(action.to_string())).await;
        assert_eq!(told.borrow().len(), night.script().len());
        let here: Vec<_> = night.loggers().iter().filter(|(_, l)| l.is_here()).map(|(id, _)| *id).collect();
        assert_eq!(here.len(), 15);
        assert!(!here.contains(&"L-0205") && !here.contains(&"L-0302"));
        let after =
            formatted.card().files().map(|(_, f)| (f.content.len(), f.content.sha256())).collect::<Vec<_>>();
        assert!(before.iter().zip(&after).all(|(a, b)| a.0 == b.0 && a.1 != b.1));
        assert!(formatted.card().files().all(|(_, f)| f.time.to_string().starts_with("1980-01-01T00:00:00")));
        let growing = night.logger("L-0106").expect("fitted");
        let open: Vec<_> = growing.card().files().map(|(_, f)| f.open).collect();
        assert_eq!(open, [false, false, false, false, true]);
    }
}
