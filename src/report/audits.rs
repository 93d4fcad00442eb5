//! What the last audit of each archive found, in one line.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::words::{count, of, plain, size};
use crate::audit::Kept;

/// The last audit of an archive that ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AuditLine {
    /// The archive.
    pub archive: String,
    /// When it ended.
    pub ended: Timestamp,
    /// Copies read back.
    pub copies: u64,
    /// Their bytes.
    pub bytes: u64,
    /// Differences that do not pass by themselves.
    pub differences: u64,
}

/// Of what the ledger keeps: archive and text.
pub(super) fn lines(rows: &[(String, String)]) -> Vec<AuditLine> {
    let line = |(archive, text): &(String, String)| {
        let last = Kept::parse(text)?.last?;
        Some(AuditLine {
            archive: archive.clone(),
            ended: Timestamp::from_millisecond(last.ended).ok()?,
            copies: last.counts.copies,
            bytes: last.counts.bytes,
            differences: last.counts.differences(),
        })
    };
    rows.iter().filter_map(line).collect()
}

/// All of them as a row, each with the moment in words.
pub(super) fn told(lines: &[AuditLine], moment: impl Fn(Timestamp) -> String) -> Option<(String, String)> {
    let all: Vec<String> = lines
        .iter()
        .map(|line| {
            let read = if line.copies == 1 { "copy" } else { "copies" };
            let found = match line.differences {
                0 => "no difference".to_owned(),
                n => of(n, "difference"),
            };
            format!(
                "{}: {found} in {} {read} ({}), {}",
                plain(&line.archive),
                count(line.copies),
                size(line.bytes),
                moment(line.ended)
            )
        })
        .collect();
    (!all.is_empty()).then(|| ("audit".to_owned(), all.join("; ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_audited_is_one_line_and_what_was_not_is_none() {
        let text = r#"{"since":0,"running":null,"last":{"began":1,"ended":1769940000000,"counts":{"copies":2113,
            "bytes":12300000000,"flipped":1,"missing":0,"foreign":1,"doubled":0,"pending":7}}}"#;
        let fresh = r#"{"since":0,"running":null,"last":null}"#;
        let rows = [("central", text), ("new", fresh), ("odd", "of another version")];
        let lines = lines(&rows.map(|(name, text)| (name.to_owned(), text.to_owned())));
        let told = told(&lines, |at| at.to_string()).expect("audited");
        assert_eq!(told.1, "central: 2 differences in 2,113 copies (12.3 GB), 2026-02-01T10:00:00Z");
        assert_eq!(super::told(&[], |at| at.to_string()), None);
    }
}
