//! Loggers that are swapped while files are removed.

use super::*;

fn noise_of_any(dice: &mut fastrand::Rng, sizes: &[usize]) -> Vec<u8> {
    let len = sizes[dice.usize(..sizes.len())];
    noise(dice, len)
}

/// How the contents of two swapped loggers differ.
#[derive(Debug, Clone, Copy)]
enum Unlike {
    Wholly,
    Head,
    Tail,
    /// Only behind the first and before the last 64 KiB, on a card whose times say nothing.
    Middle,
}

/// Another logger's file of the same name, size and time.
fn other(dice: &mut fastrand::Rng, bytes: &[u8], unlike: Unlike) -> Vec<u8> {
    let edge = EDGE as usize;
    let mut other = bytes.to_vec();
    let range = match unlike {
        Unlike::Wholly => 0..bytes.len(),
        Unlike::Head => 0..bytes.len().min(edge),
        Unlike::Tail => bytes.len().saturating_sub(edge)..bytes.len(),
        Unlike::Middle => edge..bytes.len() - edge,
    };
    match unlike {
        Unlike::Wholly => dice.fill(&mut other),
        _ => other[dice.usize(range)] ^= 1 << dice.u8(..8),
    }
    other
}

/// Two loggers whose files have equal names, sizes and times change places, or their cards do, before
/// or between the files, and within the comparison of one: nothing is deleted that is not archived.
#[tokio::test]
async fn of_swapped_loggers_nothing_is_removed_that_is_not_archived() {
    let given = std::env::var("YARDER_TEST_SEED").ok().and_then(|seed| seed.parse().ok());
    let first = given.unwrap_or_else(|| fastrand::u64(..1 << 40));
    println!("swapped: YARDER_TEST_SEED={first}");
    let (mut wrong, mut right, mut stayed) = (0, 0, 0);
    for seed in first..first + 1000 {
        let mut dice = fastrand::Rng::with_seed(seed);
        let unlike = [Unlike::Wholly, Unlike::Head, Unlike::Tail, Unlike::Middle][dice.usize(..4)];
        let sizes: &[usize] = match unlike {
            Unlike::Middle => &[131_073, 200_000],
            _ => &[1, 500, 65_536, 65_537, 100_000, 200_000],
        };
        let files: Vec<(String, Vec<u8>)> =
            (0..dice.usize(2..5)).map(|n| (format!("{n:05}.log"), noise_of_any(&mut dice, sizes))).collect();
        let named: Vec<(&str, &[u8])> = files.iter().map(|(n, b)| (&**n, &**b)).collect();
        let ours = unit("00421", &named);
        // A card alone is swapped in half of the cases: the logger is still who it says it is.
        let mut theirs = unit(["00421", "00422"][dice.usize(..2)], &[]);
        for (name, bytes) in &files {
            theirs.files.insert(path(name), other(&mut dice, bytes, unlike));
        }
        let mut home = Home::of(&ours, Proof::Reread).await;
        home.credible = !matches!(unlike, Unlike::Middle);
        let archived: BTreeSet<Digest> = files.iter().map(|(_, bytes)| Digest::of(bytes)).collect();
        let mut wire = Wire::new(ours, theirs);
        let at = dice.usize(..files.len());
        for (n, item) in home.items().await.iter().enumerate() {
            if n == at {
                // Who it is, a look, its head: the comparison has begun, and what differs is still to come.
                wire.swap = Some(wire.calls + dice.usize(..3));
            }
            match home.try_one(&mut wire, item).await {
                Ok(()) => {}
                Err(_) => stayed += 1,
            }
        }
        wrong += wire.deleted.iter().filter(|hash| !archived.contains(hash)).count();
        right += wire.deleted.len();
    }
    println!("swapped: {right} removed, {stayed} stayed");
    assert_eq!(wrong, 0);
    assert!(right > 500 && stayed > 1000, "the test tries both: {right}, {stayed}");
}
