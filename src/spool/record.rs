//! The records of whole files: what the ledger knows of each, for the day on which the ledger is lost.
//!
//! Files that became whole together have their records in one file, a line of JSON for each. It goes
//! with the last of them.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::ledger::{VersionId, WholeFacts};
use crate::model::{Blocks, Digest, Edges, Look, Proof, RemotePath};

/// Largest record that is read.
pub(super) const LIMIT: usize = 16 * 1024 * 1024;

/// One whole file's record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Record {
    schema: u32,
    /// The file's name in the spool.
    pub name: String,
    /// The name that it had as a partial.
    pub part: String,
    /// The ledger's key when it was written.
    pub version: i64,
    /// The logger.
    pub logger: String,
    /// The vehicle that carried it.
    pub vehicle: String,
    /// The path on the logger, hexadecimal, since it need not be text.
    path: String,
    /// Bytes.
    pub size: u64,
    sha256: String,
    head: String,
    tail: String,
    blocks: String,
    proof: String,
    time: Option<Timestamp>,
    validator: Option<String>,
    /// The version that it begins with.
    pub extends: Option<i64>,
    /// Archives that it is owed to.
    pub owed: Vec<String>,
}

impl Record {
    /// From what the ledger is about to be told.
    pub fn new(facts: &WholeFacts, part: &str, logger: &str, vehicle: &str, path: &RemotePath) -> Self {
        Self {
            schema: 1,
            name: facts.spool.clone(),
            part: part.to_owned(),
            version: facts.id.0,
            logger: logger.to_owned(),
            vehicle: vehicle.to_owned(),
            path: hex::encode(path.as_bytes()),
            size: facts.size,
            sha256: facts.sha256.hex(),
            head: facts.edges.head.hex(),
            tail: facts.edges.tail.hex(),
            blocks: hex::encode(facts.blocks.to_bytes()),
            proof: facts.proof.as_str().to_owned(),
            time: facts.look.time,
            validator: facts.look.validator_text(),
            extends: facts.extends.map(|v| v.0),
            owed: facts.owed.clone(),
        }
    }

    /// Its hash.
    pub fn sha256(&self) -> Option<Digest> {
        Digest::from_hex(&self.sha256)
    }

    /// The path on the logger.
    pub fn path(&self) -> Option<RemotePath> {
        RemotePath::new(&hex::decode(&self.path).ok()?).ok()
    }

    /// As a line of its group's file.
    pub fn line(&self) -> Vec<u8> {
        // All keys are text and no field refuses to be written.
        let mut line = serde_json::to_vec(self).unwrap_or_default();
        line.push(b'\n');
        line
    }

    /// Those of a group's file, by name; what is not a record is passed over.
    pub fn parse(bytes: &[u8]) -> BTreeMap<String, Self> {
        let lines = bytes.split(|b| *b == b'\n').filter_map(|line| serde_json::from_slice::<Self>(line).ok());
        let usable = |r: &Self| r.schema == 1 && r.path().is_some() && r.facts(VersionId(0)).is_some();
        lines.filter(usable).map(|record| (record.name.clone(), record)).collect()
    }

    /// What the ledger is told when it adopts the file.
    pub fn facts(&self, id: VersionId) -> Option<WholeFacts> {
        let look = Look { size: Some(self.size), time: self.time, ..Look::default() };
        Some(WholeFacts {
            id,
            spool: self.name.clone(),
            look: look.with_validator_text(self.validator.clone()),
            size: self.size,
            sha256: Digest::from_hex(&self.sha256)?,
            edges: Edges { head: Digest::from_hex(&self.head)?, tail: Digest::from_hex(&self.tail)? },
            blocks: Blocks::from_bytes(&hex::decode(&self.blocks).ok()?)?,
            proof: Proof::parse(&self.proof)?,
            extends: self.extends.map(VersionId),
            owed: self.owed.clone(),
            detail: serde_json::json!({ "adopted": true }),
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn sample() -> Record {
        Record {
            schema: 1,
            name: "fedcba9876543210-000".into(),
            part: "0123456789abcdef".into(),
            version: 7,
            logger: "L-0101".into(),
            vehicle: "PLOW-01".into(),
            path: hex::encode("day/00001.log"),
            size: 5,
            sha256: Digest::of(b"bytes").hex(),
            head: Digest::of(b"bytes").hex(),
            tail: Digest::of(b"bytes").hex(),
            blocks: hex::encode(Digest::of(b"bytes").0),
            proof: "length".into(),
            time: None,
            validator: None,
            extends: None,
            owed: vec!["central".into()],
        }
    }

    proptest! {
        /// Whatever a power cut or a bad disk made of a group's file: what is taken from it can be used.
        #[test]
        fn a_damaged_record_is_passed_over(
            at in 0usize..600, bytes in prop::collection::vec(any::<u8>(), 0..40), cut in 0usize..1200,
        ) {
            let line = sample().line();
            let mut text = [line.clone(), line].concat();
            let from = at.min(text.len());
            let to = (from + bytes.len()).min(text.len());
            text.splice(from..to, bytes);
            text.truncate(cut);
            for record in Record::parse(&text).into_values() {
                prop_assert!(record.path().is_some() && record.facts(VersionId(1)).is_some());
            }
        }

        #[test]
        fn no_bytes_are_a_record_by_chance(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            prop_assert!(Record::parse(&bytes).is_empty());
        }
    }

    #[test]
    fn what_is_written_can_be_read() {
        let record = sample();
        assert_eq!(Record::parse(&record.line()).get(&record.name), Some(&record));
    }
}
