//! What left its logger is safe, whenever the power goes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use yarder::ledger::FileRow;
use yarder::ledger::state::{Duty, State};

use super::depot::{FOLDERS, dice, folder, rows};
use super::model::{Durable, Model, lay_ledger};
use super::recorder::Op;
use super::{FILES, chances_of, night, number_of};

/// That a deleted file stands verified in the archive by the ledger, and on what a power cut left.
fn is_safe(row: &FileRow, left: &Durable, content: &[u8]) {
    let verified = row.copies.iter().filter(|copy| copy.duty == Duty::Verified);
    let places: Vec<_> = verified.filter_map(|copy| copy.location.as_ref()).collect();
    assert!(!places.is_empty(), "{} is deleted, and its ledger has no verified copy", row.path);
    for place in places {
        let stands = left.read(&Path::new("archive").join(place));
        assert!(stands == Some(content), "{} is deleted, and {place} is not sure", row.path);
    }
}

#[test]
fn nothing_has_left_its_logger_whose_copy_a_power_cut_could_take() {
    let night = night();
    let mut dice = dice("removed");
    let mut model = Model::new(&FOLDERS);
    let (dir, mut known) = (folder(), BTreeMap::<String, FileRow>::new());
    let mut deleted = BTreeSet::new();
    for op in &night.tape.ops {
        model.step(op);
        match op {
            Op::Ledger(number) => {
                let state = dir.path().join(number.to_string());
                std::fs::create_dir(&state).expect("folder");
                lay_ledger(&state, &night.tape.snapshots[*number]);
                let Ok(rows) = std::panic::catch_unwind(|| rows(&state)) else { continue };
                known = rows.into_iter().map(|row| (row.path.to_string(), row)).collect();
                std::fs::remove_dir_all(&state).expect("removed");
            }
            Op::Deleted(name) => {
                assert_eq!(known[name].state, State::Removing, "the intent was committed before {name} went");
                deleted.insert(name.clone());
            }
            _ => {}
        }
        for name in &deleted {
            let row = &known[name];
            assert!(matches!(row.state, State::Removing | State::Removed), "{name} is {}", row.state);
        }
        if deleted.is_empty() {
            continue;
        }
        for left in chances_of(&model, 3, &mut dice) {
            for name in &deleted {
                is_safe(&known[name], &left, &night.files[number_of(name)]);
            }
        }
    }
    assert_eq!(deleted.len(), FILES - 1, "all but the last");
}
