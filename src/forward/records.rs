//! What depots share, as JSON. Every object carries `schema: 1`; fields that are not known are
//! passed over, another schema is refused. Times are RFC 3339, hashes lower-case hexadecimal.
//!
//! The path of a log file is bytes. Here it is text, with `\xNN` for each byte that is not part of
//! valid UTF-8; a path never holds a backslash, so that the bytes can be had back.

use jiff::Timestamp;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::archive::{SMALL, Verified, is_key, mark};
use crate::model::{Digest, LoggerId, Proof, RemotePath, VehicleId};

/// The form that this version writes and reads.
pub const SCHEMA: u64 = 1;
/// Most receipts in one object.
pub const MAX_BATCH: usize = 256;

/// Why an object cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadRecord {
    /// Written by another version.
    #[error("it has schema {0}, and this version of Yarder knows schema 1: update this depot")]
    Schema(u64),
    /// Damaged, or not ours.
    #[error("it cannot be read: {0}")]
    Form(String),
}

fn bad(why: impl ToString) -> BadRecord {
    BadRecord::Form(why.to_string())
}

/// `.yarder/archive.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ArchiveJson {
    /// Random; what the ledger keeps.
    pub id: String,
    /// When the archive was begun.
    pub created: Timestamp,
    /// The depot that began it.
    pub by: String,
}

/// `.yarder/depots/<name>`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DepotRecord {
    /// Random id of the depot's `state_dir`.
    pub install: String,
    /// When it registered.
    pub since: Timestamp,
}

/// `.yarder/loggers/<id>`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LoggerRecord {
    /// Its serial number, where it tells one.
    pub serial: Option<String>,
    /// The depot that saw it first.
    pub first_depot: String,
    /// When that was.
    pub since: Timestamp,
}

/// `.yarder/claims/<logger>/<key>`: where a content goes, fixed by whoever came first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Claim {
    /// Its [`super::place::content_key`].
    pub key: String,
    /// Its hash.
    #[serde(with = "as_hex")]
    pub sha256: Digest,
    /// Its length in bytes.
    pub size: u64,
    /// The first place.
    pub k0: String,
    /// The place when other content stands at the first.
    pub k1: String,
    /// It is written in parts, and so goes straight to the second place.
    pub big: bool,
    /// The vehicle it belongs to.
    #[serde(with = "as_vehicle")]
    pub vehicle: VehicleId,
    /// The logger it is from.
    #[serde(with = "as_logger")]
    pub logger: LoggerId,
    /// Its path there.
    #[serde(with = "as_path")]
    pub path: RemotePath,
    /// The depot that claimed it.
    pub depot: String,
}

impl Claim {
    /// Whether the content may stand there.
    pub fn allows(&self, location: &str) -> bool {
        self.k0 == location || self.k1 == location
    }
}

/// What a receipt tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ReceiptKind {
    /// A content is archived.
    Stored,
    /// A further name of an archived content.
    Alias,
    /// The archived bytes are known to be wrong.
    Refuted,
    /// A person decided to keep it.
    Kept,
    /// It lies elsewhere now.
    Moved,
}

impl ReceiptKind {
    /// The word in receipts.
    pub fn as_str(self) -> &'static str {
        match self {
            ReceiptKind::Stored => "stored",
            ReceiptKind::Alias => "alias",
            ReceiptKind::Refuted => "refuted",
            ReceiptKind::Kept => "kept",
            ReceiptKind::Moved => "moved",
        }
    }
}

/// The first and last time within a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recorded {
    /// Of the first frame.
    pub from: Timestamp,
    /// Of the last frame.
    pub to: Timestamp,
}

/// One line of `.yarder/receipts/<logger>/<seq>`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    /// The number of its object.
    pub seq: u64,
    /// What it tells.
    pub kind: ReceiptKind,
    /// The number of the receipt that it is about, together with `key`; none for `stored`.
    pub of: Option<u64>,
    /// The content's [`super::place::content_key`].
    pub key: String,
    /// Its hash.
    #[serde(with = "as_hex")]
    pub sha256: Digest,
    /// Its length in bytes.
    pub size: u64,
    /// The key under which it lies.
    pub location: String,
    /// The vehicle it belongs to.
    #[serde(with = "as_vehicle")]
    pub vehicle: VehicleId,
    /// The logger it is from.
    #[serde(with = "as_logger")]
    pub logger: LoggerId,
    /// The card it lay on, as its depot names it.
    pub card: String,
    /// Its path on the logger.
    #[serde(with = "as_path")]
    pub path: RemotePath,
    /// Its last change by the logger's clock, where the logger tells one.
    pub mtime: Option<Timestamp>,
    /// Its first and last frame, where it could be read.
    pub recorded: Option<Recorded>,
    /// When it was whole at the depot.
    pub fetched: Timestamp,
    /// When it was archived.
    pub archived: Timestamp,
    /// The depot that has fetched it.
    pub depot: String,
    /// How strongly the copy from the logger was checked.
    #[serde(with = "as_proof")]
    pub proof: Proof,
    /// How the copy in the archive was checked.
    #[serde(with = "as_verified")]
    pub verified: Verified,
    /// It shares its blocks with the depot's spool, and is no second copy.
    pub shared: bool,
    /// Hash of the first 64 KiB.
    #[serde(with = "as_hex")]
    pub head: Digest,
    /// Hash of the last 64 KiB.
    #[serde(with = "as_hex")]
    pub tail: Digest,
    /// Hash of each 8 MiB.
    #[serde(with = "as_hexes")]
    pub blocks: Vec<Digest>,
    /// The number of the receipt whose content this one begins with.
    pub extends: Option<u64>,
}

#[derive(Deserialize)]
struct Schema {
    schema: u64,
}

#[derive(Serialize)]
struct WithSchema<'a, T> {
    schema: u64,
    #[serde(flatten)]
    record: &'a T,
}

/// A record as one line of JSON, ended.
fn line<T: Serialize>(record: &T) -> Vec<u8> {
    // All keys are text and no type of ours refuses to be written.
    let mut bytes = serde_json::to_vec(&WithSchema { schema: SCHEMA, record }).unwrap_or_default();
    bytes.push(b'\n');
    bytes
}

fn parse<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, BadRecord> {
    if bytes.len() > SMALL {
        return Err(bad("it is too long"));
    }
    match serde_json::from_slice(bytes).map_err(bad)? {
        Schema { schema: SCHEMA } => serde_json::from_slice(bytes).map_err(bad),
        Schema { schema } => Err(BadRecord::Schema(schema)),
    }
}

macro_rules! one_object {
    ($($name:ident)*) => {$(
        impl $name {
            /// The object's bytes.
            pub fn to_bytes(&self) -> Vec<u8> {
                line(self)
            }

            /// Reads an object.
            pub fn parse(bytes: &[u8]) -> Result<Self, BadRecord> {
                parse(bytes)
            }
        }
    )*};
}
one_object!(ArchiveJson DepotRecord LoggerRecord);

/// A key under which a stored file may lie.
fn is_place(key: &str) -> bool {
    is_key(key) && !key.to_ascii_lowercase().starts_with(".yarder")
}

fn is_key_of(key: &str, sha256: &Digest) -> bool {
    is_key(key) && !key.contains('/') && key.starts_with(&sha256.hex())
}

impl Claim {
    /// The object's bytes.
    pub fn to_bytes(&self) -> Vec<u8> {
        line(self)
    }

    /// Reads an object. Its places are checked: another depot wrote them, or a medium changed them. The second
    /// place is the first one with a part of the hash, or both are that one.
    pub fn parse(bytes: &[u8]) -> Result<Self, BadRecord> {
        let claim: Self = parse(bytes)?;
        if claim.k1 != mark(&claim.k0, &claim.sha256.short()) && claim.k1 != claim.k0 {
            return Err(bad("its places do not belong together"));
        }
        if !is_place(&claim.k0) || !is_place(&claim.k1) || !is_key_of(&claim.key, &claim.sha256) {
            return Err(bad("its places or its key are none"));
        }
        Ok(claim)
    }
}

impl Receipt {
    /// The bytes of one object of receipts, all of which get its number, and how many of them fit.
    pub fn batch(seq: u64, receipts: &[Receipt]) -> (Vec<u8>, usize) {
        let (mut bytes, mut fitted) = (Vec::new(), 0);
        for receipt in receipts.iter().take(MAX_BATCH) {
            let next = line(&Receipt { seq, ..receipt.clone() });
            if bytes.len() + next.len() > SMALL {
                break;
            }
            bytes.extend(next);
            fitted += 1;
        }
        (bytes, fitted)
    }

    /// Reads an object of receipts of that logger and number.
    pub fn parse_batch(bytes: &[u8], logger: &LoggerId, seq: u64) -> Result<Vec<Self>, BadRecord> {
        let mut receipts = Vec::new();
        for line in bytes.split(|b| *b == b'\n').filter(|line| !line.is_empty()) {
            let receipt: Self = parse(line)?;
            let ours = receipt.seq == seq && receipt.logger == *logger;
            if !ours || !is_place(&receipt.location) || !is_key_of(&receipt.key, &receipt.sha256) {
                return Err(bad("its number, logger, location or key does not fit"));
            }
            if receipts.len() == MAX_BATCH {
                return Err(bad("it holds too many receipts"));
            }
            receipts.push(receipt);
        }
        if receipts.is_empty() { Err(bad("it is empty")) } else { Ok(receipts) }
    }
}

/// A path as text: `\xNN` for each byte that is not part of valid UTF-8.
pub fn path_text(path: &RemotePath) -> String {
    let mut text = String::with_capacity(path.as_bytes().len());
    for chunk in path.as_bytes().utf8_chunks() {
        text.push_str(chunk.valid());
        for byte in chunk.invalid() {
            text.push_str(&format!("\\x{byte:02x}"));
        }
    }
    text
}

/// The reverse of [`path_text`].
pub fn path_of(text: &str) -> Option<RemotePath> {
    let mut pieces = text.split('\\');
    let mut bytes = pieces.next()?.as_bytes().to_vec();
    for piece in pieces {
        let (digits, rest) = piece.strip_prefix('x')?.split_at_checked(2)?;
        bytes.extend(hex::decode(digits).ok()?);
        bytes.extend_from_slice(rest.as_bytes());
    }
    RemotePath::new(&bytes).ok()
}

/// How one type of ours is written as text.
macro_rules! as_text {
    ($module:ident, $type:ty, $write:expr, $read:expr, $what:literal) => {
        mod $module {
            use serde::de::Error as _;
            use serde::{Deserialize as _, Deserializer, Serializer};

            use super::*;

            pub(super) fn serialize<S: Serializer>(value: &$type, to: S) -> Result<S::Ok, S::Error> {
                let write: fn(&$type) -> String = $write;
                to.serialize_str(&write(value))
            }

            pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<$type, D::Error> {
                let read: fn(&str) -> Option<$type> = $read;
                let text = String::deserialize(from)?;
                read(&text).ok_or_else(|| D::Error::custom(concat!("a field holds no ", $what)))
            }
        }
    };
}

as_text!(as_hex, Digest, Digest::hex, Digest::from_hex, "SHA-256");
as_text!(as_vehicle, VehicleId, |v| v.to_string(), |t| VehicleId::new(t).ok(), "vehicle id");
as_text!(as_logger, LoggerId, |l| l.to_string(), |t| LoggerId::new(t).ok(), "logger id");
as_text!(as_path, RemotePath, path_text, path_of, "path");
as_text!(as_proof, Proof, |p| p.as_str().to_owned(), Proof::parse, "proof");
as_text!(as_verified, Verified, |v| v.as_str().to_owned(), Verified::parse, "way of verifying");

mod as_hexes {
    use serde::de::Error as _;
    use serde::{Deserialize as _, Deserializer, Serializer};

    use super::Digest;

    pub(super) fn serialize<S: Serializer>(value: &[Digest], to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(value.iter().map(Digest::hex))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<Digest>, D::Error> {
        let texts = Vec::<String>::deserialize(from)?;
        let read = |text: &String| Digest::from_hex(text);
        texts
            .iter()
            .map(read)
            .collect::<Option<_>>()
            .ok_or_else(|| D::Error::custom("a block has no SHA-256"))
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A claim and the receipt to it, of made-up content.
    pub(crate) fn sample(path: &str, content: &[u8], depot: &str) -> (Claim, Receipt) {
        let path = RemotePath::new(path.as_bytes()).expect("path");
        let (sha256, size) = (Digest::of(content), content.len() as u64);
        let vehicle = VehicleId::new("PLOW-03").expect("id");
        let logger = LoggerId::new("L-0421").expect("id");
        let key = crate::forward::place::content_key(&sha256, size, &path);
        let k0 = format!("PLOW-03/2026-11-24/data/{}", path_text(&path));
        let k1 = crate::archive::mark(&k0, &sha256.short());
        let claim = Claim {
            key: key.clone(),
            sha256,
            size,
            k0: k0.clone(),
            k1,
            big: false,
            vehicle: vehicle.clone(),
            logger: logger.clone(),
            path: path.clone(),
            depot: depot.to_owned(),
        };
        let receipt = Receipt {
            seq: 0,
            kind: ReceiptKind::Stored,
            of: None,
            key,
            sha256,
            size,
            location: k0,
            vehicle,
            logger,
            card: "3".to_owned(),
            path,
            mtime: None,
            recorded: Some(Recorded { from: Timestamp::UNIX_EPOCH, to: Timestamp::UNIX_EPOCH }),
            fetched: Timestamp::UNIX_EPOCH,
            archived: Timestamp::UNIX_EPOCH,
            depot: depot.to_owned(),
            proof: Proof::Reread,
            verified: Verified::DiskRead,
            shared: false,
            head: sha256,
            tail: sha256,
            blocks: vec![sha256],
            extends: None,
        };
        (claim, receipt)
    }

    #[test]
    fn what_is_written_can_be_read() {
        let (claim, receipt) = sample("can/a.log", b"bytes", "north-yard");
        assert_eq!(Claim::parse(&claim.to_bytes()), Ok(claim));
        let (batch, _) = Receipt::batch(7, &[receipt.clone(), receipt.clone()]);
        let want = Receipt { seq: 7, ..receipt.clone() };
        assert_eq!(Receipt::parse_batch(&batch, &receipt.logger, 7), Ok(vec![want.clone(), want]));
        assert!(Receipt::parse_batch(&batch, &receipt.logger, 8).is_err());
        let json = ArchiveJson { id: "x".into(), created: Timestamp::UNIX_EPOCH, by: "north-yard".into() };
        let text = "{\"schema\":1,\"id\":\"x\",\"created\":\"1970-01-01T00:00:00Z\",\"by\":\"north-yard\"}\n";
        assert_eq!(String::from_utf8(json.to_bytes()).as_deref(), Ok(text));
        assert_eq!(ArchiveJson::parse(text.as_bytes()), Ok(json));
    }

    #[test]
    fn a_batch_is_never_too_large_to_be_read() {
        let (_, receipt) = sample("a", b"bytes", "north-yard");
        let many = vec![receipt.clone(); MAX_BATCH + 1];
        assert_eq!(Receipt::batch(1, &many).1, MAX_BATCH);
        // Two gigabytes each.
        let long = Receipt { blocks: vec![receipt.sha256; 250], ..receipt };
        let (bytes, fitted) = Receipt::batch(1, &vec![long.clone(); MAX_BATCH]);
        assert!(fitted < MAX_BATCH);
        assert_eq!(Receipt::parse_batch(&bytes, &long.logger, 1).map(|r| r.len()), Ok(fitted));
    }

    #[test]
    fn the_fields_are_the_agreed_ones() {
        let (claim, receipt) = sample("a", b"bytes", "north-yard");
        let fields = |bytes: &[u8]| {
            let value: serde_json::Map<_, _> = serde_json::from_slice(bytes).expect("JSON");
            value.keys().cloned().collect::<std::collections::BTreeSet<_>>()
        };
        let want = |text: &str| text.split(' ').map(str::to_owned).collect();
        assert_eq!(
            fields(&claim.to_bytes()),
            want("schema key sha256 size k0 k1 big vehicle logger path depot")
        );
        assert_eq!(
            fields(&Receipt::batch(1, &[receipt]).0),
            want(
                "schema seq kind of key sha256 size location vehicle logger card path mtime recorded \
                 fetched archived depot proof verified shared head tail blocks extends"
            )
        );
    }

    #[test]
    fn unknown_fields_pass_and_other_schemas_do_not() {
        let newer = br#"{"schema":1,"install":"x","since":"2026-11-24T12:00:00+01:00","colour":[{}]}"#;
        assert_eq!(DepotRecord::parse(newer).map(|r| r.install), Ok("x".to_owned()));
        let other = br#"{"schema":2,"who":"knows"}"#;
        assert_eq!(DepotRecord::parse(other), Err(BadRecord::Schema(2)));
        assert!(matches!(LoggerRecord::parse(b"{}"), Err(BadRecord::Form(_))));
    }

    #[test]
    fn a_claim_that_leads_out_of_the_archive_is_refused() {
        let (claim, _) = sample("a", b"bytes", "north-yard");
        for bad in ["../../etc/cron.d/x", "/etc/x", ".yarder/archive.json", ".YARDER/tmp/x", "a\nb", ""] {
            for claim in
                [Claim { k0: bad.into(), ..claim.clone() }, Claim { k1: bad.into(), ..claim.clone() }]
            {
                assert!(Claim::parse(&claim.to_bytes()).is_err(), "{bad:?}");
            }
        }
        let other = Claim { sha256: Digest::of(b"other"), ..claim };
        assert!(Claim::parse(&other.to_bytes()).is_err());
    }

    #[test]
    fn a_claim_of_which_the_medium_changed_a_bit_leads_nowhere_else() {
        let (claim, _) = sample("can/a.log", b"bytes", "north-yard");
        let bytes = claim.to_bytes();
        for at in 0..bytes.len() * 8 {
            let mut changed = bytes.clone();
            changed[at / 8] ^= 1 << (at % 8);
            if let Ok(read) = Claim::parse(&changed) {
                assert_eq!((read.k0, read.k1), (claim.k0.clone(), claim.k1.clone()), "bit {at}");
            }
        }
    }

    proptest! {
        #[test]
        fn a_path_survives_as_text(bytes in prop::collection::vec(any::<u8>(), 1..30)) {
            if let Ok(path) = RemotePath::new(&bytes) {
                prop_assert_eq!(path_of(&path_text(&path)), Some(path));
            }
        }

        #[test]
        fn any_bytes_are_refused_or_read(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let logger = LoggerId::new("L-1").expect("id");
            let _ = (Claim::parse(&bytes), Receipt::parse_batch(&bytes, &logger, 1));
        }

        /// A receipt with any few bytes changed is refused, or still points below the archive's root.
        #[test]
        fn a_changed_receipt_leads_nowhere_else(
            at in 0usize..900, bytes in prop::collection::vec(any::<u8>(), 1..12),
        ) {
            let (_, receipt) = sample("can/a.log", b"bytes", "north-yard");
            let (mut text, _) = Receipt::batch(1, std::slice::from_ref(&receipt));
            let from = at.min(text.len());
            let to = (from + bytes.len()).min(text.len());
            text.splice(from..to, bytes);
            if let Ok(receipts) = Receipt::parse_batch(&text, &receipt.logger, 1) {
                prop_assert!(receipts.iter().all(|r| is_place(&r.location) && r.location.split('/').all(|p| p != "..")));
            }
        }
    }
}
