//! The depot's own disk lets it down: power cuts at every moment of a night, a disk that is full, a
//! disk that fails.
//!
//! A night is recorded at the seam to the disk, and played back: up to each moment, what was not
//! flushed by then is lost, or as much of it as chance will have; the service starts on what is left
//! and must bring every file home, once. In that night files also leave their logger, as they do in the
//! service that starts again. `YARDER_POWER=all` plays every moment with 50 chances each;
//! without it a few are taken by chance.

#![expect(clippy::disallowed_methods, reason = "what stands outside the service has its own clock and disk")]

mod card;
#[allow(dead_code, reason = "the fortnight's clock can do more")]
#[path = "../fortnight/clock.rs"]
mod clock;
mod depot;
mod faulty;
mod full;
mod model;
mod recorder;
mod removed;

use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, OnceLock, mpsc};
use std::time::Duration;

use futures_util::future::BoxFuture;
use jiff::{SignedDuration, Timestamp};
use yarder::clock::Clock;
use yarder::durable::OsDisk;
use yarder::ledger::state::{Duty, State};
use yarder::model::Digest;
use yarder::spool::lies_in;

use card::Card;
use clock::Virtual;
use depot::{
    FOLDERS, came_home, configure_removing, dice, edges, evening, folder, noise, once, recorded, rows, under,
};
use model::{Model, ledger_of};
use recorder::{Op, Recorder, Tape};

/// Files of the night.
const FILES: usize = 20;

/// A clock that looks for commits whenever it is asked: each job of the ledger asks it first.
#[derive(Debug)]
struct Watching(Arc<Virtual>, Arc<Recorder>);

impl Clock for Watching {
    fn now(&self) -> Timestamp {
        self.1.see();
        self.0.now()
    }
    fn earliest(&self) -> Timestamp {
        self.0.earliest()
    }
    fn mono(&self) -> Duration {
        self.0.mono()
    }
    fn sleep(&self, span: Duration) -> BoxFuture<'static, ()> {
        self.0.sleep(span)
    }
}

/// A recorded night.
struct Night {
    files: Vec<Vec<u8>>,
    tape: Tape,
}

impl Night {
    fn digests(&self) -> Vec<Digest> {
        self.files.iter().map(|bytes| Digest::of(bytes)).collect()
    }

    /// The card with all that it had and that was not removed by that moment.
    fn card(&self, moment: usize) -> Arc<Card> {
        let card = Card::default();
        for (n, bytes) in self.files.iter().enumerate() {
            card.add(&name(n), bytes.clone(), recorded(n));
        }
        for op in &self.tape.ops[..moment] {
            if let Op::Deleted(name) = op {
                card.files.lock().expect("lock").remove(name);
            }
        }
        Arc::new(card)
    }
}

fn name(n: usize) -> String {
    format!("day/{n:05}.log")
}

/// Twenty files in two rounds: small ones that share a group, larger ones with marks on the way, and
/// one whose transfer is cut. In the second round those of the first leave their logger, in a third all but the last.
fn night() -> &'static Night {
    static NIGHT: OnceLock<Night> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let mut dice = fastrand::Rng::with_seed(20);
        let sizes = (0..FILES).map(|n| if n % 5 == 2 { 150_000 + 1000 * n } else { 200 + 900 * n });
        let files: Vec<_> = sizes.map(|len| noise(&mut dice, len)).collect();
        let dir = folder();
        FOLDERS.iter().for_each(|f| std::fs::create_dir(dir.path().join(f)).expect("folder"));
        let config = configure_removing(dir.path());
        let recorder = Recorder::new(dir.path());
        let clock = Virtual::new(evening());
        let edges = edges(Arc::new(Watching(clock.clone(), recorder.clone())), recorder.clone(), 7);
        let card = Arc::new(Card::default());
        card.rate.store(50_000, Ordering::SeqCst);
        let add = |range: std::ops::Range<usize>| {
            range.for_each(|n| card.add(&name(n), files[n].clone(), recorded(n)));
        };
        under(&clock, async {
            add(0..12);
            *card.cut.lock().expect("lock") = Some((name(2), 120_000));
            let tape = recorder.clone();
            *card.deletes.lock().expect("lock") = Some(Box::new(move |name| tape.deleted(name)));
            once(&edges, &card, &config).await.expect("round");
            add(12..FILES);
            once(&edges, &card, &config).await.expect("round");
            once(&edges, &card, &config).await.expect("round");
        });
        let tape = recorder.take();
        let night = Night { files, tape };
        came_home(dir.path(), &night.digests()).expect("a night without faults");
        night
    })
}

/// Starts the service on what a power cut left, and says what is wrong after a round.
fn recovers(
    night: &Night,
    moment: usize,
    left: &model::Durable,
    ledger: Option<&recorder::Snapshot>,
) -> Result<(), String> {
    let dir = folder();
    FOLDERS.iter().for_each(|f| std::fs::create_dir(dir.path().join(f)).expect("folder"));
    left.lay(dir.path(), ledger);
    let config = configure_removing(dir.path());
    // The next morning.
    let clock = Virtual::new(evening() + SignedDuration::from_hours(10));
    let edges = edges(clock.clone(), Arc::new(OsDisk::new()), 8);
    let card = night.card(moment);
    under(&clock, async { once(&edges, &card, &config).await.map_err(|e| e.to_string()) })?;
    came_home(dir.path(), &night.digests())
}

#[test]
fn every_file_comes_home_once_after_a_power_cut_at_any_moment() {
    let night = night();
    let all = std::env::var("YARDER_POWER").is_ok_and(|how| how == "all");
    let mut dice = dice("power cuts");
    let count = night.tape.ops.len();
    let moments: BTreeSet<usize> = match all {
        true => (0..=count).collect(),
        false => (0..40).map(|_| dice.usize(..=count)).collect(),
    };
    let mut model = Model::new(&FOLDERS);
    let (mut seen, mut disks) = (BTreeSet::new(), 0);
    let wrong = Mutex::new(Vec::new());
    // A disk has some megabytes: few of them are made ahead.
    let (give, take) = mpsc::sync_channel::<(usize, model::Durable, Option<&recorder::Snapshot>)>(4);
    let take = Mutex::new(take);
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let next = take.lock().expect("lock").recv();
                    let Ok((moment, left, ledger)) = next else { break };
                    if let Err(why) = recovers(night, moment, &left, ledger) {
                        let before: Vec<_> =
                            night.tape.ops[..moment].iter().rev().take(3).map(brief).collect();
                        wrong.lock().expect("lock").push(format!("after {moment} {before:?}: {why}"));
                    }
                }
            });
        }
        for moment in 0..=count {
            let lefts = match moments.contains(&moment) {
                // Between nothing and all of it.
                true => chances_of(&model, if all { 50 } else { 2 }, &mut dice),
                false => Vec::new(),
            };
            for left in lefts {
                let mut hash = DefaultHasher::new();
                (&left, model.ledger).hash(&mut hash);
                if seen.insert(hash.finish()) {
                    disks += 1;
                    give.send((moment, left, ledger_of(&model, &night.tape))).expect("taken");
                }
            }
            if let Some(op) = night.tape.ops.get(moment) {
                model.step(op);
            }
        }
        drop(give);
    });
    let wrong = wrong.into_inner().expect("lock");
    println!("{} moments of {count}, {disks} different disks, {} wrong", moments.len(), wrong.len());
    assert!(wrong.is_empty(), "{} of {disks}: {:#?}", wrong.len(), &wrong[..wrong.len().min(5)]);
}

/// Nothing of what is not sure, all of it, and some of it by chance.
fn chances_of(model: &Model, count: usize, dice: &mut fastrand::Rng) -> Vec<model::Durable> {
    let mut lefts = vec![model.cut(|| false)];
    if !model.is_sure() {
        lefts.push(model.cut(|| true));
        lefts.extend((0..count).map(|n| model.cut(|| dice.f64() < [0.1, 0.5, 0.9][n % 3])));
    }
    lefts
}

fn brief(op: &Op) -> String {
    match op {
        Op::Write(id, at, bytes) => format!("write {id} {at}+{}", bytes.len()),
        other => format!("{other:?}"),
    }
}

/// What the ledger says at each commit is on the disk by then, and nothing goes before the ledger
/// says that it may: data flushed, renamed, folder flushed, committed, and only then let go.
#[test]
fn the_ledger_never_says_more_than_the_disk_holds() {
    let night = night();
    let mut model = Model::new(&FOLDERS);
    let dir = folder();
    let (mut owned, mut ever) = (BTreeSet::new(), BTreeSet::new());
    let (mut whole, mut archived, mut marks, mut gone) = (0, 0, 0, 0);
    for op in &night.tape.ops {
        model.step(op);
        match op {
            Op::Remove(path) if path.extension().is_some_and(|e| e == "log") => {
                assert!(!owned.contains(path), "{} went before the ledger let go of it", path.display());
                gone += 1;
            }
            Op::Ledger(number) => {
                let state = dir.path().join(number.to_string());
                std::fs::create_dir(&state).expect("folder");
                model::lay_ledger(&state, &night.tape.snapshots[*number]);
                owned.clear();
                let Ok(rows) = std::panic::catch_unwind(|| rows(&state)) else {
                    // Before its tables are made.
                    assert!(whole == 0, "a ledger that cannot be read");
                    continue;
                };
                for row in rows {
                    let content = &night.files[number_of(&row.path.to_string())];
                    let holds = |path: PathBuf, at: u64, len: usize| {
                        let bytes = model.durable.read(&path).and_then(|bytes| bytes.get(at as usize..));
                        assert!(
                            bytes.is_some_and(|bytes| bytes.len() >= len && bytes[..len] == content[..len]),
                            "the ledger says {:?} of {}, and {} is not sure",
                            row.state,
                            row.path,
                            path.display()
                        );
                    };
                    if matches!(row.state, State::Whole | State::Archived)
                        && let Some(name) = &row.spool
                    {
                        let lies = lies_in(Path::new("state"), name);
                        holds(lies.path.clone(), lies.at, content.len());
                        ever.insert(lies.path.clone());
                        owned.insert(lies.path);
                        whole += 1;
                    }
                    if row.state == State::Fetching && row.mark > 0 {
                        let name = row.spool.as_ref().expect("a mark has its partial");
                        holds(Path::new("state/spool").join(format!("{name}.part")), 0, row.mark as usize);
                        marks += 1;
                    }
                    for copy in row.copies.iter().filter(|copy| copy.duty == Duty::Verified) {
                        let location = copy.location.as_ref().expect("a place");
                        holds(Path::new("archive").join(location), 0, content.len());
                        archived += 1;
                    }
                }
            }
            _ => {}
        }
    }
    assert!(
        whole > FILES && archived > FILES && marks > 3 && gone == ever.len(),
        "{whole} {archived} {marks} {gone} {}",
        ever.len()
    );
}

fn number_of(path: &str) -> usize {
    path.trim_start_matches("day/").trim_end_matches(".log").parse().expect("number")
}
