//! The steps by which a content stands in an archive once, whichever depots have it.
//!
//! The owner of a ledger calls them in turn for a group of files of one logger and commits between
//! them: intent, [`stake`], places, [`put`], [`verify`], [`receive`], done. Every step may be
//! repeated after a kill, an outage or a lost answer, from the start of the group if need be.
//!
//! Why once: the claim of a content fixes its two places for all depots, nothing is ever written
//! over, so that "the first place holds it or not" is the same answer for everybody, and a receipt
//! with number n is written only by someone who has read all before it.

use std::collections::BTreeMap;
use std::path::PathBuf;

use futures_util::future::BoxFuture;

use super::place::{claim_object, receipt_object};
use super::records::{BadRecord, Claim, Receipt, ReceiptKind};
use crate::archive::{Archive, ArchiveError, ArchiveFailure, Created, ReadBack, StoreItem, Stored};
use crate::model::{Digest, LoggerId};

/// Receipt objects asked for at a time.
const AHEAD: u64 = 32;
/// Foreign receipts met while writing one, after which the caller should look around first.
const PATIENCE: u64 = 1000;

/// A claim that holds for a content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Staked {
    /// As it stands in the archive: its places are the ones to use.
    pub claim: Claim,
    /// It was made by this call.
    pub new: bool,
}

/// Why a content is not claimed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unclaimed {
    /// A claim stands there and cannot be read.
    #[error(transparent)]
    Bad(#[from] BadRecord),
    /// The archive failed.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
}

/// Claims contents, or adopts the claims that others have on them. One outcome for each; trouble with
/// one does not keep the others.
pub async fn stake(archive: &dyn Archive, wanted: &[Claim]) -> Vec<Result<Staked, Unclaimed>> {
    let object = |claim: &Claim| claim_object(&claim.logger, &claim.key);
    let objects = wanted.iter().map(|claim| (object(claim), claim.to_bytes())).collect();
    let created = each(objects, |objects| archive.create(objects)).await;
    let theirs = wanted.iter().zip(&created).filter(|(_, created)| **created == Ok(Created::Exists));
    let theirs = theirs.map(|(claim, _)| object(claim)).collect();
    let mut found = each(theirs, |keys| archive.get(keys)).await.into_iter();
    let staked = wanted.iter().zip(created).map(|(claim, created)| match created? {
        Created::New => Ok(Staked { claim: claim.clone(), new: true }),
        Created::Exists => match found.next().transpose()?.flatten() {
            Some(bytes) => Ok(adopt(claim, &bytes)?),
            None => Err(BadRecord::Form("it is there and cannot be had".to_owned()).into()),
        },
    });
    staked.collect()
}

/// The claims of contents, by logger and [`super::place::content_key`]; `None` where there is none that can
/// be read.
pub async fn claims(
    archive: &dyn Archive,
    of: &[(LoggerId, String)],
) -> Result<Vec<Option<Claim>>, ArchiveError> {
    let objects = of.iter().map(|(logger, key)| claim_object(logger, key)).collect();
    let found = archive.get(objects).await?.into_iter().chain(std::iter::repeat(None));
    let of_it =
        |(logger, key): &(LoggerId, String), claim: &Claim| claim.key == *key && claim.logger == *logger;
    let each = of.iter().zip(found);
    Ok(each.map(|(of, bytes)| Claim::parse(&bytes?).ok().filter(|claim| of_it(of, claim))).collect())
}

fn adopt(wanted: &Claim, found: &[u8]) -> Result<Staked, BadRecord> {
    let claim = Claim::parse(found)?;
    let same = (&claim.key, claim.sha256, claim.size, &claim.logger)
        == (&wanted.key, wanted.sha256, wanted.size, &wanted.logger);
    if !same {
        return Err(BadRecord::Form("it claims another content".to_owned()));
    }
    Ok(Staked { claim, new: false })
}

/// A whole file and the claim that holds for it.
#[derive(Debug, Clone)]
pub struct PutWanted {
    /// In which file it lies.
    pub source: PathBuf,
    /// At which byte of that file it begins.
    pub at: u64,
    /// It is the spool's own, and nothing else lies in it.
    pub own: bool,
    /// From [`stake`].
    pub claim: Claim,
    /// The claim stood already: an earlier try may have come as far as the second place.
    pub again: bool,
}

/// Where a content has come to lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Put {
    /// Written by this call, or already the spool's own file; not read back.
    Stored {
        /// Its key.
        location: String,
        /// It shares its blocks with the spool.
        shared: bool,
    },
    /// It stands there with our bytes, as was read: there, or on the way.
    Found {
        /// Its key.
        location: String,
        /// How it was read.
        back: ReadBack,
        /// It shares its blocks with the spool.
        shared: bool,
    },
    /// Other content stands at both places.
    Blocked,
}

/// Stores files at the first of their places that is free or holds them already. One error for each
/// file; trouble with one does not keep the others.
pub async fn put(archive: &dyn Archive, wanted: &[PutWanted]) -> Vec<Result<Put, ArchiveError>> {
    let mut outcome: Vec<Option<Result<Put, ArchiveError>>> = wanted.iter().map(|_| None).collect();
    // The first place was another's then, and may be free by now: the content is not to stand twice.
    let mut second = vec![false; wanted.len()];
    let again: Vec<_> =
        (0..wanted.len()).filter(|at| wanted.get(*at).is_some_and(|want| want.again)).collect();
    let keys = again.iter().filter_map(|at| Some(wanted.get(*at)?.claim.k1.clone())).collect();
    for (at, there) in again.into_iter().zip(each(keys, |keys| archive.read_back(keys)).await) {
        let (Some(want), Some(second), Some(slot)) =
            (wanted.get(at), second.get_mut(at), outcome.get_mut(at))
        else {
            continue;
        };
        match there {
            Ok(back) => {
                *second = back.is_some_and(|b| b.size == want.claim.size && b.sha256 == want.claim.sha256);
            }
            Err(error) => *slot = Some(Err(error)),
        }
    }
    for place in [0, 1] {
        let open: Vec<(usize, StoreItem)> = wanted
            .iter()
            .enumerate()
            .filter(|(at, want)| {
                let first = !want.claim.big && second.get(*at) == Some(&false);
                outcome.get(*at).is_some_and(Option::is_none) && (place == 1 || first)
            })
            .map(|(at, want)| {
                let PutWanted { source, at: begins, own, claim, .. } = want;
                let key = if place == 0 { &claim.k0 } else { &claim.k1 };
                let (source, key) = (source.clone(), key.clone());
                let (size, sha256) = (claim.size, claim.sha256);
                (at, StoreItem { source, at: *begins, own: *own, key, size, sha256 })
            })
            .collect();
        let items = open.iter().map(|(_, item)| item.clone()).collect();
        let stored = each(items, |items| archive.store_and_read(items)).await;
        let mut taken = Vec::new();
        for ((at, item), stored) in open.into_iter().zip(stored) {
            let done = match stored {
                Ok((Stored::New { shared }, Some(back))) => {
                    Ok(Put::Found { location: item.key, back, shared })
                }
                Ok((Stored::New { shared }, None)) => Ok(Put::Stored { location: item.key, shared }),
                Ok((Stored::Exists, _)) => {
                    taken.push((at, item));
                    continue;
                }
                Err(error) => Err(error),
            };
            if let Some(slot) = outcome.get_mut(at) {
                *slot = Some(done);
            }
        }
        let keys = taken.iter().map(|(_, item)| item.key.clone()).collect();
        let there = each(keys, |keys| archive.read_back(keys)).await;
        for ((at, item), there) in taken.into_iter().zip(there) {
            let done = match there {
                Ok(Some(back)) if back.size == item.size && back.sha256 == item.sha256 => {
                    Ok(Put::Found { location: item.key, back, shared: false })
                }
                // Other content, or nothing that is a file.
                Ok(_) => continue,
                Err(error) => Err(error),
            };
            if let Some(slot) = outcome.get_mut(at) {
                *slot = Some(done);
            }
        }
    }
    outcome.into_iter().map(|done| done.unwrap_or(Ok(Put::Blocked))).collect()
}

/// A copy that is to be checked.
#[derive(Debug, Clone)]
pub struct VerifyWanted {
    /// Its key.
    pub location: String,
    /// Its length in bytes.
    pub size: u64,
    /// Its hash.
    pub sha256: Digest,
}

/// What a check found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// The right bytes.
    Good(ReadBack),
    /// Other bytes.
    Corrupt(ReadBack),
    /// No file there.
    Missing,
}

/// Reads copies back.
pub async fn verify(archive: &dyn Archive, wanted: &[VerifyWanted]) -> Vec<Result<Verdict, ArchiveError>> {
    let keys = wanted.iter().map(|want| want.location.clone()).collect();
    let there = each(keys, |keys| archive.read_back(keys)).await;
    let judge = |(want, there): (&VerifyWanted, Result<Option<ReadBack>, ArchiveError>)| {
        Ok(match there? {
            None => Verdict::Missing,
            Some(back) if back.size == want.size && back.sha256 == want.sha256 => Verdict::Good(back),
            Some(back) => Verdict::Corrupt(back),
        })
    };
    wanted.iter().zip(there).map(judge).collect()
}

/// Makes a group call, and where it fails by one of its items, a call for each.
async fn each<'a, I, O>(
    items: Vec<I>,
    call: impl Fn(Vec<I>) -> BoxFuture<'a, Result<Vec<O>, ArchiveError>>,
) -> Vec<Result<O, ArchiveError>>
where
    I: Clone,
{
    if items.is_empty() {
        return Vec::new();
    }
    let error = match call(items.clone()).await {
        Ok(answers) => return answers.into_iter().map(Ok).collect(),
        Err(error) => error,
    };
    let whole = matches!(error.failure, ArchiveFailure::Away | ArchiveFailure::NotAnArchive);
    if whole || items.len() == 1 {
        return items.iter().map(|_| Err(error.clone())).collect();
    }
    let mut answers = Vec::with_capacity(items.len());
    let mut away = None;
    for item in items {
        let answer = match &away {
            // The rest would wait for their deadline one after the other.
            Some(error) => Err(ArchiveError::clone(error)),
            None => call(vec![item]).await,
        };
        away = answer.as_ref().err().filter(|e| e.failure == ArchiveFailure::Away).cloned();
        answers.push(answer.and_then(|mut one| one.pop().ok_or_else(|| error.clone())));
    }
    answers
}

/// Receipts that stand in the archive.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Found {
    /// In the order of their numbers.
    pub receipts: Vec<Receipt>,
    /// The number after the last one.
    pub next: u64,
    /// Objects that cannot be read, which are passed over.
    pub unreadable: Vec<(u64, BadRecord)>,
    /// No object stood at `next`.
    pub ended: bool,
}

impl Found {
    fn take(&mut self, logger: &LoggerId, bytes: &[u8]) {
        match Receipt::parse_batch(bytes, logger, self.next) {
            Ok(batch) => self.receipts.extend(batch),
            Err(error) => self.unreadable.push((self.next, error)),
        }
        self.next += 1;
    }
}

/// Reads a logger's receipts from number `from` (1 is the first), `limit` objects at most.
pub async fn read_receipts(
    archive: &dyn Archive,
    logger: &LoggerId,
    from: u64,
    limit: u64,
) -> Result<Found, ArchiveError> {
    let mut found = Found { next: from, ..Found::default() };
    let end = from.saturating_add(limit);
    while found.next < end {
        let ahead = found.next..end.min(found.next + AHEAD);
        let objects = archive.get(ahead.map(|seq| receipt_object(logger, seq)).collect()).await?;
        for bytes in objects {
            let Some(bytes) = bytes else {
                found.ended = true;
                return Ok(found);
            };
            found.take(logger, &bytes);
        }
    }
    Ok(found)
}

/// What became of receipts that were to be written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Received {
    /// Those that now stand under a number of ours, with it.
    pub written: Vec<Receipt>,
    /// Those that others wrote meanwhile, and ours of an earlier attempt: a content that is among
    /// them lies where they say.
    pub theirs: Found,
    /// Every receipt is told now. Otherwise the call is to be made again, with all of these known.
    pub done: bool,
}

/// Writes receipts as one object at number `next`, or the first free one after it. `next` is the
/// number after the last that was read, and `known` what was read of these contents. Receipts that
/// tell nothing new are not written; one of a content that is stored under another path becomes an
/// alias of it.
pub async fn receive(
    archive: &dyn Archive,
    logger: &LoggerId,
    next: u64,
    known: &[Receipt],
    receipts: &[Receipt],
) -> Result<Received, ArchiveError> {
    let mut theirs = Found { next, ..Found::default() };
    for _ in 0..PATIENCE {
        let seq = theirs.next;
        let before: Vec<&Receipt> = known.iter().chain(&theirs.receipts).collect();
        let left = settle(receipts, seq, &before);
        let (bytes, fitted) = Receipt::batch(seq, &left);
        if fitted == 0 {
            return Ok(Received { written: Vec::new(), theirs, done: true });
        }
        let object = receipt_object(logger, seq);
        if archive.create(vec![(object.clone(), bytes)]).await? == [Created::New] {
            let done = fitted == left.len();
            let written = left.into_iter().take(fitted).map(|receipt| Receipt { seq, ..receipt }).collect();
            theirs.next += 1;
            return Ok(Received { written, theirs, done });
        }
        // Nothing there after all: the next create tells.
        if let Some(bytes) = archive.get(vec![object]).await?.pop().flatten() {
            theirs.take(logger, &bytes);
        }
    }
    Ok(Received { written: Vec::new(), theirs, done: false })
}

/// What is still to be told at number `seq`, after what stands before it.
fn settle(receipts: &[Receipt], seq: u64, before: &[&Receipt]) -> Vec<Receipt> {
    let mut stored: BTreeMap<String, Receipt> = BTreeMap::new();
    for receipt in before.iter().filter(|r| r.kind == ReceiptKind::Stored) {
        stored.entry(receipt.key.clone()).or_insert_with(|| (*receipt).clone());
    }
    let mut left: Vec<Receipt> = Vec::with_capacity(receipts.len());
    for mut receipt in receipts.iter().cloned() {
        if receipt.kind == ReceiptKind::Stored {
            match stored.get(&receipt.key) {
                Some(first) if first.path == receipt.path => continue,
                Some(first) => {
                    receipt.kind = ReceiptKind::Alias;
                    receipt.of = Some(first.seq);
                    receipt.location.clone_from(&first.location);
                }
                None => {
                    stored.insert(receipt.key.clone(), Receipt { seq, ..receipt.clone() });
                }
            }
        }
        if !before.iter().copied().chain(&left).any(|other| tells_the_same(other, &receipt)) {
            left.push(receipt);
        }
    }
    left
}

fn tells_the_same(one: &Receipt, other: &Receipt) -> bool {
    let same = one.kind == other.kind && one.key == other.key;
    match one.kind {
        ReceiptKind::Stored => same,
        ReceiptKind::Alias => same && one.path == other.path,
        ReceiptKind::Refuted | ReceiptKind::Kept => same && one.of == other.of,
        ReceiptKind::Moved => same && one.of == other.of && one.location == other.location,
    }
}

#[cfg(test)]
#[path = "steps_tests.rs"]
mod tests;
