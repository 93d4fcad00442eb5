//! From a listing to what changed: the looks and comparisons that need the logger, and the pure
//! judgements of [`crate::listing`].

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use jiff::Timestamp;
use serde_json::json;

use super::visit::{End, Visit};
use crate::config::Backlog;
use crate::ledger::state::State;
use crate::ledger::{Change, Content, Known, Remains, Seen, Severity, VersionId};
use crate::link::{Ends, LinkFailure, Listing, read_ends, tells};
use crate::listing::{Match, Standing, card_sign, closed, closed_by_order, incredible, matches};
use crate::model::{ListedSize, Look, Precision, RemoteFile, RemotePath};

/// Known files compared by their ends once a visit: the oldest, the newest, and eight others.
const SPOT_CHECKS: usize = 10;
/// One file's ends are read in a visit so often at most: there are loggers whose listings show another
/// time at every look.
const COMPARED: u32 = 16;
/// Smaller contents may well be equal on two loggers.
const TELLING: u64 = 4096;

/// What one listing came to.
#[derive(Default)]
pub(super) struct Sighted {
    /// What the ledger is told.
    pub changes: Vec<Change>,
    /// Files that may still be written.
    pub open: BTreeSet<RemotePath>,
    /// Whether the listing's times can be believed.
    pub credible: bool,
    /// Whether it has a file whose content waits in the spool under an earlier card.
    pub waits: bool,
    /// Files beside which a later one of their stream is listed.
    pub earlier: BTreeSet<RemotePath>,
}

impl Visit<'_> {
    /// Judges a listing. Ends the visit where the logger is not the one it should be.
    pub(super) async fn sight(&mut self, listing: &Listing, now: Timestamp) -> Result<Sighted, End> {
        let paths = listing.files.iter().map(|file| file.path.clone()).collect();
        let known = self.yard.ledger.known(&self.row, paths, listing.is_whole()).await?;
        self.says_who_it_is().await?;
        let (seen, unread) = self.look(listing, &known).await?;
        let by_path = on_card(&known);
        let matched: Vec<Match> = seen.iter().map(|s| matches(by_path.get(&s.path).copied(), s)).collect();
        let doubtful = incredible(&seen, now);

        if !self.identified {
            // What was told of the card in an earlier visit has been told.
            self.yard.ledger.clear("card-changed", self.logger.id.as_str())?;
        }
        let mut sign = None;
        if matched.contains(&Match::Returned) {
            sign = Some("a file came back that was gone");
        } else if matched.contains(&Match::Shrunk) {
            sign = Some("a file is shorter than it was");
        } else if listing.is_whole() {
            let paths: Vec<_> = seen.iter().map(|s| s.path.clone()).collect();
            let kept = |(_, m): &(&Seen, &Match)| **m != Match::TimeOnly;
            let kept: Vec<_> = seen.iter().zip(&matched).filter(kept).map(|(s, _)| s.path.clone()).collect();
            sign = card_sign(&known, &paths, &kept);
        }
        sign = self.right_logger(&seen, &matched, &by_path).await?.or(sign);

        let mut sighted = Sighted { credible: !doubtful.contains(&true), ..Sighted::default() };
        if let Some(why) = sign {
            let leaving = known.iter().filter(|k| k.on_card && k.state == State::Removing);
            let remains = |k: &Known| Change::Remains { id: k.id, why: Remains::OtherCard };
            sighted.changes.extend(leaving.map(remains));
            self.new_card(why).await?;
            for seen in &seen {
                self.fresh(seen, "a new card", &mut sighted).await?;
            }
            self.absent(listing, &known, &BTreeSet::new(), &unread, &mut sighted);
        } else {
            for ((seen, matched), doubtful) in seen.iter().zip(&matched).zip(&doubtful) {
                let known = by_path.get(&seen.path).copied();
                self.one(seen, *matched, known, *doubtful, &mut sighted).await?;
            }
            let listed: BTreeSet<_> = seen.iter().map(|s| &s.path).collect();
            self.absent(listing, &known, &listed, &unread, &mut sighted);
            self.unwanted_on_its_way_out(listing, &known, &mut sighted).await?;
        }
        self.open_or_closed(&seen, &matched, &by_path, &doubtful, sign.is_some(), now, &mut sighted);
        Ok(sighted)
    }

    /// Every entry with its exact look, asking the logger where the listing alone does not tell.
    /// Known files that are listed and cannot be looked at are given apart; an unknown one is taken
    /// as a file of which nothing is told, so that it is not forgotten.
    async fn look(
        &mut self,
        listing: &Listing,
        known: &[Known],
    ) -> Result<(Vec<Seen>, BTreeSet<RemotePath>), End> {
        let by_path = on_card(known);
        let mut seen = Vec::with_capacity(listing.files.len());
        let mut unread = BTreeSet::new();
        for file in &listing.files {
            let listed = file.fingerprint();
            let before = by_path.get(&file.path);
            let look = if asks(file, &listed, before.copied()) {
                match self.link.look(&file.path).await {
                    Ok(look) => look,
                    Err(e) if e.is_answer() && before.is_none() => Look::default(),
                    Err(e) if e.is_answer() => {
                        unread.insert(file.path.clone());
                        continue;
                    }
                    Err(e) => return Err(End::Link(e)),
                }
            } else {
                match before {
                    Some(known) if known.listed == listed => known.look.clone(),
                    _ => as_listed(file),
                }
            };
            seen.push(Seen { path: file.path.clone(), listed, look });
        }
        Ok((seen, unread))
    }

    /// Does it say that it is the logger it should be, where it says so at all? Once a visit.
    async fn says_who_it_is(&mut self) -> Result<(), End> {
        let logger = self.logger.clone();
        let Some(serial) = logger.serial.as_ref().filter(|_| !self.identified) else { return Ok(()) };
        let said = match tells(&mut *self.link, serial).await {
            Ok(Ok(_)) => return Ok(()),
            Ok(Err(said)) => format!("\"{}\"", said.escape_debug()),
            Err(e) if e.is_answer() => format!("nothing (it {e})"),
            Err(e) => return Err(End::Link(e)),
        };
        Err(End::SaysOther { said, number: serial.number.clone() })
    }

    /// Is it the logger it should be? Once a visit, by the ends of files it is known to have, or,
    /// where it shares none, by the ends of files that other loggers are known to have. Gives the
    /// sign of another card where bytes say so.
    async fn right_logger(
        &mut self,
        seen: &[Seen],
        matched: &[Match],
        known: &BTreeMap<RemotePath, &Known>,
    ) -> Result<Option<&'static str>, End> {
        if self.identified {
            return Ok(None);
        }
        let shared: Vec<&Seen> = seen
            .iter()
            .zip(matched)
            .filter(|(s, m)| **m == Match::Same && known.get(&s.path).is_some_and(|k| k.edges.is_some()))
            .map(|(s, _)| s)
            .collect();
        let mut sign = None;
        if shared.is_empty() {
            let telling: Vec<&Seen> =
                seen.iter().filter(|s| s.look.size.is_some_and(|n| n >= TELLING)).collect();
            for seen in self.sample(&telling) {
                self.not_anothers(seen, None).await?;
            }
        }
        for seen in self.sample(&shared) {
            let edges = known.get(&seen.path).and_then(|k| k.edges);
            let (Some(ends), Some(edges)) = (self.ends(seen).await?, edges) else { continue };
            if !ends.are_of(&edges) {
                self.not_anothers(seen, Some(ends)).await?;
                sign = Some("bytes of a known file differ");
            }
        }
        self.identified = true;
        Ok(sign)
    }

    /// Ends the visit when a file's ends are those of a file that another logger is known to have.
    async fn not_anothers(&mut self, seen: &Seen, ends: Option<Ends>) -> Result<(), End> {
        let size = seen.look.size.unwrap_or(0);
        if size < TELLING {
            return Ok(());
        }
        let theirs = self.yard.ledger.contents_at(self.row.key, &seen.path, size, true).await?;
        if theirs.is_empty() {
            return Ok(());
        }
        let ends = match ends {
            Some(ends) => ends,
            None => match self.ends(seen).await? {
                Some(ends) => ends,
                None => return Ok(()),
            },
        };
        match theirs.into_iter().find(|content| ends.are_of(&content.edges)) {
            Some(Content { owner, .. }) => Err(End::WrongLogger { owner, path: seen.path.to_string() }),
            None => Ok(()),
        }
    }

    fn sample<'s>(&self, all: &[&'s Seen]) -> Vec<&'s Seen> {
        if all.len() <= SPOT_CHECKS {
            return all.to_vec();
        }
        let mut chosen = BTreeSet::from([0, all.len() - 1]);
        while chosen.len() < SPOT_CHECKS {
            chosen.insert(self.yard.edges.random.below(all.len()));
        }
        chosen.into_iter().map(|at| all[at]).collect()
    }

    async fn ends(&mut self, seen: &Seen) -> Result<Option<Ends>, End> {
        let size = seen.look.size.unwrap_or(0);
        read_ends(&mut *self.link, &seen.path, size, &mut self.counts.bytes).await.map_err(End::Link)
    }

    async fn new_card(&mut self, why: &'static str) -> Result<(), End> {
        self.row = self.yard.ledger.new_card(&self.row, why).await?;
        super::trouble::raise(
            self.yard,
            &self.logger,
            "card-changed",
            Severity::Note,
            json!({ "why": why, "card": self.row.card_number }),
            format!("the logger has another card, or its card was formatted: {why}"),
            "Nothing if you know of it. Otherwise check the logger: what was on the old card and had not come home is lost.",
        )?;
        Ok(())
    }

    /// An entry that the present card has not had: a new content, unless it is not the logger's first
    /// card and its ends are those of a content that this logger had under that name.
    async fn fresh(&mut self, seen: &Seen, why: &'static str, sighted: &mut Sighted) -> Result<(), End> {
        let may_be_known = self.row.card_number > 1;
        self.known_or_new(seen, may_be_known, why, sighted).await
    }

    async fn known_or_new(
        &mut self,
        seen: &Seen,
        may_be_known: bool,
        why: &'static str,
        sighted: &mut Sighted,
    ) -> Result<(), End> {
        let mut same_as: Option<Content> = None;
        // Of one whose size is not told nothing is compared: it is not empty for that.
        if may_be_known && let Some(size) = seen.look.size {
            let before = self.yard.ledger.contents_at(self.row.key, &seen.path, size, false).await?;
            if !before.is_empty()
                && let Some(ends) = self.ends(seen).await?
            {
                same_as = before.into_iter().find(|content| ends.both_of(&content.edges));
            }
        }
        // It counts as archived once it is, and not before: until then each listing looks again.
        if same_as.as_ref().is_some_and(|content| content.waits) {
            sighted.waits = true;
            return Ok(());
        }
        let same_as = same_as.map(|content| content.id);
        self.add(seen, same_as, why, sighted);
        Ok(())
    }

    fn add(&self, seen: &Seen, same_as: Option<VersionId>, why: &'static str, sighted: &mut Sighted) {
        let old_stock = !self.row.met && self.row.card_number == 1;
        let backlog = old_stock && self.logger.kind.backlog != Backlog::All;
        sighted.changes.push(Change::New { seen: seen.clone(), backlog, same_as, why });
        if old_stock && self.logger.kind.backlog == Backlog::None {
            sighted.changes.push(Change::Unwanted { path: seen.path.clone() });
        }
    }

    async fn one(
        &mut self,
        seen: &Seen,
        matched: Match,
        known: Option<&Known>,
        doubtful: bool,
        sighted: &mut Sighted,
    ) -> Result<(), End> {
        let Some(known) = known else { return self.fresh(seen, "not known", sighted).await };
        let (id, before) = (known.id, sighted.changes.len());
        match matched {
            Match::Same if known.state == State::Skipped && !known.backlog => {
                sighted.changes.push(Change::Wanted { path: seen.path.clone() });
            }
            Match::Same if doubtful && known.edges.is_some() => {
                self.by_ends(seen, matched, known, sighted).await?
            }
            Match::Same if known.listed != seen.listed => {
                sighted.changes.push(Change::Same { id, seen: seen.clone(), presumed: false });
            }
            Match::Same => {}
            // It is written now: what it holds since is no old stock.
            Match::Changed if known.state == State::Skipped => {
                sighted.changes.push(Change::Wanted { path: seen.path.clone() });
                sighted.changes.push(Change::Changed { id, seen: seen.clone() });
            }
            Match::Changed => sighted.changes.push(Change::Changed { id, seen: seen.clone() }),
            Match::TimeOnly => self.by_ends(seen, matched, known, sighted).await?,
            Match::CameBack => sighted.changes.push(Change::CameBack { id, seen: seen.clone() }),
            // The name is there again, with the content that it had or with a new one.
            Match::New if known.state == State::Removed => {
                self.known_or_new(seen, true, "its name was removed before", sighted).await?;
            }
            Match::New => self.add(seen, None, "not known", sighted),
            Match::Grown | Match::Shrunk | Match::Returned => self.add(seen, None, "it grew", sighted),
        }
        if known.state == State::Removing {
            let replaced = sighted.changes.iter().skip(before).any(|c| matches!(c, Change::New { .. }));
            let why = if replaced { Remains::Replaced } else { Remains::Listed };
            sighted.changes.push(Change::Remains { id, why });
        }
        Ok(())
    }

    /// Same name and size, and a time that differs or cannot be believed: the ends decide, once a
    /// visit for what it shows.
    async fn by_ends(
        &mut self,
        seen: &Seen,
        matched: Match,
        known: &Known,
        sighted: &mut Sighted,
    ) -> Result<(), End> {
        // Again where it shows what it has not shown in this visit: a ring of files is written over while
        // the vehicle stands there.
        let (shown, times) = self.compared.entry(seen.path.clone()).or_default();
        if *times >= COMPARED || (*times > 0 && *shown == seen.listed) {
            return Ok(());
        }
        shown.clone_from(&seen.listed);
        *times += 1;
        let Some(ends) = self.ends(seen).await? else { return Ok(()) };
        // Where the logger tells another time, the first bytes alone are not enough: a file of fixed size
        // may have been written on.
        let same = |edges| if matched == Match::TimeOnly { ends.both_of(edges) } else { ends.are_of(edges) };
        if known.edges.as_ref().is_some_and(same) {
            if known.listed != seen.listed || !known.presumed {
                sighted.changes.push(Change::Same { id: known.id, seen: seen.clone(), presumed: true });
            }
        } else {
            self.add(seen, None, "its bytes differ", sighted);
        }
        Ok(())
    }

    /// What a whole listing lacks is absent; what the patterns no longer want is not.
    fn absent(
        &self,
        listing: &Listing,
        known: &[Known],
        listed: &BTreeSet<&RemotePath>,
        unread: &BTreeSet<RemotePath>,
        sighted: &mut Sighted,
    ) {
        for known in known {
            if (known.on_card && listed.contains(&known.path)) || unread.contains(&known.path) {
                continue;
            }
            let unfinished = matches!(known.state, State::Listed | State::Open | State::Fetching);
            if !self.logger.kind.files.wants(&known.path) {
                if unfinished {
                    sighted.changes.push(Change::NotWanted { id: known.id });
                }
            } else if listing.is_whole()
                && (unfinished
                    || (known.on_card
                        && matches!(
                            known.state,
                            State::Archived | State::Removing | State::Whole | State::Held
                        )))
            {
                sighted.changes.push(Change::Absent { id: known.id });
            }
        }
    }

    /// What the patterns keep out of a listing may be there all the same: a file whose removal has begun is
    /// looked at.
    async fn unwanted_on_its_way_out(
        &mut self,
        listing: &Listing,
        known: &[Known],
        sighted: &mut Sighted,
    ) -> Result<(), End> {
        let leaving = |k: &&Known| k.on_card && k.state == State::Removing && listing.is_whole();
        for Known { id, path, .. } in known.iter().filter(leaving) {
            if self.logger.kind.files.wants(path) {
                continue;
            }
            match self.link.look(path).await {
                Ok(_) => sighted.changes.push(Change::Remains { id: *id, why: Remains::Listed }),
                Err(e) if e.failure == LinkFailure::NotFound => {
                    sighted.changes.push(Change::Absent { id: *id })
                }
                Err(e) if e.is_answer() => {}
                Err(e) => return Err(End::Link(e)),
            }
        }
        Ok(())
    }

    #[expect(clippy::too_many_arguments, reason = "all of it is one listing's judgement")]
    fn open_or_closed(
        &self,
        seen: &[Seen],
        matched: &[Match],
        known: &BTreeMap<RemotePath, &Known>,
        doubtful: &[bool],
        new_card: bool,
        now: Timestamp,
        sighted: &mut Sighted,
    ) {
        let before = known.iter().filter(|_| !new_card).map(|(path, k)| (path.clone(), k.state));
        let states = states_after(before.collect(), &sighted.changes);
        let standings: Vec<Standing> = seen
            .iter()
            .zip(matched)
            .zip(doubtful)
            .map(|((seen, matched), doubtful)| {
                let before = known.get(&seen.path).filter(|_| !new_card && *matched == Match::Same);
                let still = before.map_or(0, |k| (now.as_millisecond() - k.still).max(0));
                Standing {
                    path: seen.path.clone(),
                    still: Duration::from_millis(still.unsigned_abs()),
                    time: seen.look.time.filter(|_| !doubtful),
                }
            })
            .collect();
        sighted.earlier = closed_by_order(&self.logger.kind, &standings);
        for (path, closed) in closed(&self.logger.kind, &standings) {
            let Some(state @ (State::Listed | State::Open | State::Fetching)) = states.get(&path) else {
                continue;
            };
            let was = match state {
                State::Listed => false,
                State::Open => true,
                _ => known.get(&path).is_some_and(|known| known.open),
            };
            match (was, closed) {
                (true, true) => sighted.changes.push(Change::Closed { path: path.clone() }),
                (false, false) => sighted.changes.push(Change::Open { path: path.clone() }),
                _ => {}
            }
            if !closed {
                sighted.open.insert(path);
            }
        }
    }
}

/// Where each path of the present card stands once these changes are written down.
fn states_after(mut states: BTreeMap<RemotePath, State>, changes: &[Change]) -> BTreeMap<RemotePath, State> {
    for change in changes {
        let (path, state) = match change {
            Change::New { seen, same_as: None, .. } => (&seen.path, State::Listed),
            Change::New { seen, .. } => (&seen.path, State::Archived),
            Change::Unwanted { path } => (path, State::Skipped),
            Change::Wanted { path } => (path, State::Listed),
            Change::CameBack { seen, .. } if states.get(&seen.path) == Some(&State::Lost) => {
                (&seen.path, State::Listed)
            }
            _ => continue,
        };
        states.insert(path.clone(), state);
    }
    states
}

fn on_card(known: &[Known]) -> BTreeMap<RemotePath, &Known> {
    known.iter().filter(|k| k.on_card).map(|k| (k.path.clone(), k)).collect()
}

/// Whether the listing alone does not tell what must be known of an entry.
fn asks(file: &RemoteFile, listed: &str, known: Option<&Known>) -> bool {
    let sized = matches!(file.size, ListedSize::Exact(_));
    match known {
        None => !sized,
        Some(known) if known.listed == listed => {
            !sized && matches!(known.state, State::Listed | State::Open | State::Fetching)
        }
        Some(_) => !(sized && file.time.is_some_and(|t| t.precision == Precision::Second && t.zone_told)),
    }
}

fn as_listed(file: &RemoteFile) -> Look {
    let size = match file.size {
        ListedSize::Exact(size) => Some(size),
        _ => None,
    };
    Look { size, time: file.time.map(|t| t.at), validator: file.validator.clone(), strong: false }
}
