//! One reader of bytes from outside; which one, the name of the binary tells.
#![no_main]

use std::path::PathBuf;
use std::sync::LazyLock;

use yarder::hostile::{READERS, Reader, seeds};

static READER: LazyLock<&Reader> = LazyLock::new(|| {
    let name = env!("CARGO_BIN_NAME");
    READERS.iter().find(|reader| reader.0 == name).expect("a reader of that name")
});

libfuzzer_sys::fuzz_target!(
    init: {
        // Into the folder that is named first, so that the recordings are no second time in the tree.
        if let Some(folder) = std::env::var_os("YARDER_FUZZ_SEEDS").map(PathBuf::from) {
            for (nth, seed) in seeds(*READER, 12_000).iter().enumerate() {
                std::fs::write(folder.join(format!("seed-{nth:03}")), seed).expect("a seed is written");
            }
        }
    },
    |bytes: &[u8]| READER.1(bytes)
);
