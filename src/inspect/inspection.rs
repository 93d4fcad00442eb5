//! What one file is, as it is printed, kept in the ledger and told.

use std::io;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::columns::Columns;
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

/// What is known of files before they are read, by the kind of their logger.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known {
    /// Of their buses, bit/s.
    pub bit_rate: Option<u32>,
    /// Where the parts of a frame are in their text.
    pub columns: Option<Arc<Columns>>,
}

impl Inspection {
    /// Reads a file that is all there.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn of(source: &dyn Source, known: &Known) -> io::Result<Self> {
        Self::begin(known).whole(source).map(Self::from)
    }

    /// What reads a file whose bytes are still to come.
    pub fn begin(known: &Known) -> Inspector<Facts> {
        let facts = Facts::new(Rates { nominal: known.bit_rate, data: None });
        Inspector::new(facts).columns(known.columns.clone())
    }
}

/// Whether a file that begins so costs no more to read than its length says.
pub fn is_plain(head: &[u8]) -> bool {
    Packing::detect(head).is_none() && Format::detect(head) != Format::Mdf4
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
