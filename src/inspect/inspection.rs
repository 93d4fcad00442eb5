//! What one file is, as it is printed, kept in the ledger and told.

use std::io;

use serde::{Deserialize, Serialize};

use super::facts::{Facts, Rates, Summary};
use super::mdf::Source;
use super::{Format, Inspected, Inspector, Packing};

/// A file's format and its facts; as JSON what `yarder inspect --json` prints, but for the name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Inspection {
    /// `candump`, `pcap`, `pcapng`, `mdf4`, `csv` or `unknown`.
    pub format: String,
    /// `gzip`, `xz` or `zstd`.
    pub compression: Option<String>,
    /// Whether its times are local ones of an unknown zone, and not UTC.
    pub local_time: bool,
    /// What is in it.
    #[serde(flatten)]
    pub facts: Summary,
}

impl Inspection {
    /// Reads a file that is all there; `bit_rate` in bit/s.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn of(source: &dyn Source, bit_rate: Option<u32>) -> io::Result<Self> {
        Inspector::whole(source, facts(bit_rate)).map(Self::from)
    }

    /// What reads a file whose bytes are still to come.
    pub fn begin(bit_rate: Option<u32>) -> Inspector<Facts> {
        Inspector::new(facts(bit_rate))
    }
}

/// Whether a file that begins so costs no more to read than its length says.
pub fn is_plain(head: &[u8]) -> bool {
    Packing::detect(head).is_none() && Format::detect(head) != Format::Mdf4
}

fn facts(bit_rate: Option<u32>) -> Facts {
    Facts::new(Rates { nominal: bit_rate, data: None })
}

impl From<Inspected<Facts>> for Inspection {
    fn from(inspected: Inspected<Facts>) -> Self {
        let mut facts = inspected.sink.finish();
        // Whether anything is wrong with a file that cannot be read is not known.
        facts.complete &= inspected.format != Format::Unknown;
        Self {
            format: inspected.format.as_str().to_owned(),
            compression: inspected.packing.map(|packing| packing.as_str().to_owned()),
            local_time: inspected.local_time,
            facts,
        }
    }
}
