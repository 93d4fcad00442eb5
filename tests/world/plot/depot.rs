//! What happens to a depot while its service does not run, and what is edited.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use yarder::clock::Clock as _;
use yarder::ledger::state::State;
use yarder::service::{self, ServiceError};

use super::setting::{Edits, Mood};
use super::{DEPOT, VEHICLES, World, load, runtime};
use crate::model::{Broken, STATE};

/// An edit is taken, and what was under way by the former one is over, in so much time.
const TAKEN: Duration = Duration::from_secs(1800);

impl World {
    /// Nobody runs: the ledger may go back to an older state, and a person may decide something.
    pub(super) fn between(&mut self) -> Result<(), Broken> {
        let (file, wal) = (format!("{STATE}/ledger.sqlite"), format!("{STATE}/ledger.sqlite-wal"));
        match self.rng.u32(..12) {
            // An older ledger does not know what was dropped.
            _ if self.setting.mood == Mood::Asked && self.is_rare(State::Dropped) => {}
            0..3 => {
                let read = |path: &String| Some((path.clone(), self.disk.seen(Path::new(path))?));
                self.old_ledger = Some([&file, &wal].into_iter().filter_map(read).collect());
            }
            // What an exchanged archive held is told by the ledger alone.
            3..5 if !self.model.gone => {
                let Some(old) = self.old_ledger.take() else { return Ok(()) };
                self.disk.remove_durably(&file);
                self.disk.remove_durably(&wal);
                for (path, bytes) in old {
                    self.disk.put_durably(&path, &bytes);
                }
                self.rolled_back("ledger rolled back");
            }
            // Where a fold into the database failed half-way, the database without it is no database.
            5 if self.disk.met() == 0 && !self.model.gone => {
                self.disk.remove_durably(&wal);
                self.rolled_back("ledger's log is gone");
                self.torn = true;
            }
            6..8 if matches!(self.setting.mood, Mood::Persons | Mood::Decided | Mood::Turning)
                && !self.model.rolled_back =>
            {
                self.exchange()?;
            }
            6 if matches!(self.setting.mood, Mood::Removal | Mood::Leaving) && !self.model.rolled_back => {
                self.exchange()?
            }
            // What is gone from its logger is lost with the archive.
            6..9 if self.setting.mood == Mood::Anew
                && self.is_rare(State::Gone)
                && !self.model.rolled_back =>
            {
                self.exchange()?;
            }
            9.. if self.setting.mood == Mood::Anew && self.aside == 0 && !self.model.gone => {
                self.harm_ledger()
            }
            9 if self.setting.mood == Mood::Asked && self.aside == 0 => self.harm_ledger(),
            _ => {}
        }
        // It is looked at sooner or later.
        if self.setting.mood == Mood::Asked || self.rng.bool() { self.decide() } else { Ok(()) }
    }

    /// The medium gives other bytes of the ledger than were written there.
    fn harm_ledger(&mut self) {
        let path = format!("{STATE}/ledger.sqlite");
        let Some(bytes) = self.disk.seen(Path::new(&path)) else { return };
        self.disk.put_durably(&path, &bytes.iter().map(|b| !b).collect::<Vec<_>>());
        self.log.note(|| "the ledger is harmed".to_owned());
        self.model.ledger_is_harmed = true;
        self.goes_back();
    }

    /// Whether the service put a ledger aside that could not be read, and begins a new one.
    pub(super) fn is_set_aside(&mut self) -> bool {
        // The number of the last one: older ones are let go.
        let number = |(path, _): &(std::path::PathBuf, _)| {
            let name = path.file_name()?.to_str()?.strip_prefix("damaged-")?;
            name.split('-').next()?.parse::<usize>().ok()
        };
        let aside = self.disk.files(STATE).iter().filter_map(number).max().unwrap_or(0);
        let is_new = std::mem::replace(&mut self.aside, aside) < aside;
        self.model.ledger_is_harmed &= !is_new;
        is_new
    }

    pub(super) fn rolled_back(&mut self, what: &'static str) {
        self.did(what);
        self.goes_back();
    }

    /// The ledger is behind from now on.
    fn goes_back(&mut self) {
        for (root, _) in &self.setting.roots {
            self.disk.bring_back(root);
        }
        self.model.rolled_back = true;
        self.model.known.clear();
        // What it forgets and no card has any more is forgotten.
        self.shared.lock().units.iter_mut().for_each(|unit| unit.shown.clear());
    }

    /// A command that a person gives while no service runs.
    fn command(
        &mut self,
        command: impl AsyncFnOnce(&Self) -> Result<String, ServiceError>,
    ) -> Result<bool, Broken> {
        self.lives += 1;
        self.disk.boot();
        let met = self.disk.met();
        let runtime = runtime(&self.clock);
        let said = runtime.block_on(command(self));
        self.log.note(|| format!("a person is told: {said:?}"));
        if !self.disk.is_dead() {
            self.disk.kill(0);
        }
        match said {
            Ok(_) => Ok(true),
            Err(ServiceError::Panic(e)) => Err(format!("a command panicked: {e}")),
            Err(e) if self.model.rolled_back || self.disk.met() > met || !self.disk.wrong().is_empty() => {
                self.log
                    .note(|| format!("it was of the disk, or of what the older ledger did not know: {e}"));
                Ok(false)
            }
            Err(e) => Err(format!("a command failed, and nothing was wrong: {e}")),
        }
    }

    /// A person keeps or drops what is held.
    fn decide(&mut self) -> Result<(), Broken> {
        let held = self.last.iter().flat_map(|book| &book.rows).filter(|row| row.state == State::Held);
        let held: Vec<_> =
            held.map(|row| (row.id.0, row.logger.clone(), row.path.to_string(), row.spool.clone())).collect();
        let mut dropped = BTreeMap::<_, Vec<_>>::new();
        for (id, logger, row_path, spool) in held {
            let keeps = self.rng.bool() && spool.is_some();
            self.did(if keeps { "a person keeps a file" } else { "a person drops a file" });
            // What a person keeps is as good as held by its logger.
            let path = Path::new(STATE).join(format!("spool/{}.part", spool.unwrap_or_default()));
            let bytes = self.disk.seen(&path);
            if let Some(bytes) = bytes.as_ref().filter(|_| keeps) {
                let mut yard = self.shared.lock();
                let unit =
                    yard.units.iter_mut().find(|unit| unit.name == logger).expect("a logger of the list");
                unit.held.insert(yarder::model::Digest::of(bytes), bytes.len());
                unit.kept.insert(row_path.clone());
            }
            let done = self.command(async |world| {
                let (edges, config) = (world.edges(), &world.loaded.config);
                match keeps {
                    true => service::held_keep(edges, config, id, "as it is").await,
                    false => service::held_drop(edges, config, id, "worthless").await,
                }
            });
            match done {
                Ok(true) if !keeps && self.setting.mood == Mood::Asked => {
                    dropped.entry(logger).or_default().push((row_path, bytes.unwrap_or_default()));
                }
                Ok(true) if !keeps && self.setting.mood == Mood::Decided && self.rng.u32(..3) > 0 => {
                    let new_card = (self.rng.u32(..3) > 0).then_some(0);
                    self.shared.turn_up(&logger, vec![(row_path, bytes.unwrap_or_default())], new_card);
                }
                // The ledger may have gone on, or back, since it was read.
                Err(e) if !e.contains("waits for a person") => return Err(e),
                _ => {}
            }
        }
        for (logger, mut contents) in dropped {
            // That it is another card shows by a file that is shorter than it was.
            contents.insert(0, ("log_0001.log".to_owned(), vec![0]));
            self.shared.turn_up(&logger, contents, Some(100));
        }
        Ok(())
    }

    /// The archive's medium is exchanged for an empty one, and a person accepts that.
    fn exchange(&mut self) -> Result<(), Broken> {
        let roots: Vec<_> = self.setting.archives(&self.edits).collect();
        let (root, _) = roots[self.rng.usize(..roots.len())];
        self.did("archive exchanged");
        // Whoever does that sees to the disks too.
        self.disk.heal();
        self.disk.wipe(root);
        self.model.forget(root);
        (self.model.exchanged, self.model.gone) = (true, true);
        self.model.known.clear();
        self.command(async |world| service::adopt(world.edges(), &world.loaded.config, &root[1..]).await)?;
        Ok(())
    }

    /// The files are edited. What the archives must have follows once the edit is taken for certain.
    pub(super) fn edit(&mut self, edits: Edits) {
        self.edits = edits;
        let (depot, vehicles) = self.setting.files(&edits);
        self.disk.put_durably(DEPOT, depot.as_bytes());
        self.disk.put_durably(VEHICLES, vehicles.as_bytes());
        self.problems = None;
        match load(&self.disk, &self.setting) {
            Ok(loaded) => {
                self.loaded = loaded;
                let required = self.setting.required(&edits);
                self.shared.lock().required.retain(|root| required.contains(root));
                self.required_from = Some((self.clock.mono() + TAKEN, required));
                let keeps = edits.keeps || self.setting.remove_after.is_none();
                self.shared.lock().keeps_from = keeps.then(|| self.clock.mono() + TAKEN);
            }
            Err(problems) => self.problems = Some(problems),
        }
    }
}
