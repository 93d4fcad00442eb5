//! A simulated world: the whole service against loggers, archives and a disk in memory, under a virtual
//! clock and one seed. Only the edges are replaced. What the loggers ever held is known, and
//! the promises are compared with it after every step and at the end.
//!
//! ```sh
//! cargo test --test world                                    # some hundred seeds
//! YARDER_WORLD_SEEDS=0..20000 cargo test --test world -- --nocapture   # many, with the table of what was met
//! YARDER_WORLD_SEED=17 cargo test --test world -- --nocapture          # one, with its event log
//! ```

#[path = "../fortnight/clock.rs"]
#[allow(dead_code, reason = "shared with the fortnight, which stops it too")]
mod clock;
mod disk;
mod log;
mod loggers;
mod model;
mod plot;
mod vfs;

use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use model::Coverage;

/// Seeds of a common test run.
const SEEDS: Range<u64> = 0..400;
/// Lines of a failed run that are shown.
const TAIL: usize = 80;

fn chosen() -> Range<u64> {
    let parse = |text: String| {
        let (from, to) = text.split_once("..")?;
        Some(from.parse().ok()?..to.parse().ok()?)
    };
    match std::env::var("YARDER_WORLD_SEED") {
        Ok(seed) => {
            let seed = seed.parse().expect("a seed is a number");
            seed..seed + 1
        }
        Err(_) => match std::env::var("YARDER_WORLD_SEEDS") {
            Ok(text) => parse(text).expect("seeds are given as FROM..TO"),
            Err(_) => SEEDS,
        },
    }
}

#[test]
fn no_seed_breaks_a_promise() {
    let folder = tempfile::tempdir().expect("folder for sockets");
    let seeds = chosen();
    let one = seeds.end - seeds.start == 1;
    let next = AtomicU64::new(seeds.start);
    let coverage = Mutex::new(Coverage::default());
    let broken = Mutex::new(Vec::new());
    let work = || {
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end || broken.lock().expect("lock").len() >= 20 {
                return;
            }
            let outcome = plot::run(seed, one, folder.path());
            if one {
                println!("{}", outcome.log);
            }
            coverage.lock().expect("lock").add(&outcome.coverage);
            if let Some(why) = outcome.broken {
                println!("seed {seed}: {why}");
                broken.lock().expect("lock").push((seed, why));
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, |n| n.get().min(8)) {
            scope.spawn(work);
        }
    });
    print_coverage(&coverage.into_inner().expect("lock"));
    let mut broken = broken.into_inner().expect("lock");
    broken.sort();
    if let Some((seed, why)) = broken.first() {
        let log = plot::run(*seed, true, folder.path()).log;
        let lines: Vec<&str> = log.lines().collect();
        println!("{}", lines[lines.len().saturating_sub(TAIL)..].join("\n"));
        panic!(
            "{} seeds break a promise; seed {seed}: {why}\nYARDER_WORLD_SEED={seed} cargo test --test world -- --nocapture",
            broken.len()
        );
    }
}

fn print_coverage(coverage: &Coverage) {
    println!("\nwhat happened, how often");
    coverage.acts.iter().for_each(|(what, n)| println!("{n:>9}  {what}"));
    println!("\nedges of a file's states");
    coverage.edges.iter().for_each(|((from, to), n)| println!("{n:>9}  {from} -> {to}"));
    println!("\nstates in which things happened");
    coverage.pairs.iter().for_each(|((what, state), n)| println!("{n:>9}  {what}: {state}"));
}

#[test]
fn the_same_seed_tells_the_same_story_byte_for_byte() {
    let folder = tempfile::tempdir().expect("folder for sockets");
    for seed in 0..12 {
        let (one, two) = (plot::run(seed, true, folder.path()).log, plot::run(seed, true, folder.path()).log);
        if let Some((at, (one, two))) = one.lines().zip(two.lines()).enumerate().find(|(_, (a, b))| a != b) {
            panic!("seed {seed}, line {at}:\n{one}\n{two}");
        }
        assert_eq!(one.len(), two.len(), "seed {seed}");
        assert!(one.lines().count() > 100, "seed {seed}: a story");
    }
}
