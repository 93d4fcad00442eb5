//! At start: the ledger and the spool are brought together.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use serde_json::json;

use super::finish::HANDS;
use super::{Partial, Record, Spool, SpoolError, file_of, group_of, packed, record};
use crate::durable::{Disk, read_small};
use crate::killpoint;
use crate::ledger::state::{Happening, State};
use crate::ledger::{Adopted, Ledger, LedgerError, Mark, VersionId, WentBack};

/// What was found and done.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Partials cut back to their mark.
    pub resumed: u64,
    /// Partials that begin again, since the disk does not hold what their mark says.
    pub restarted: u64,
    /// Whole files that the ledger did not know to be whole.
    pub adopted: u64,
    /// Left-overs removed.
    pub removed: u64,
    /// Whole files of the ledger that are not in the spool, as spool names.
    pub missing: Vec<String>,
    /// Files that bear a whole name, and whose records are not there or cannot be read.
    pub unexplained: Vec<String>,
    /// Bytes that lie in the spool.
    pub bytes: u64,
    /// The records know of more than the ledger: it went back to an older state.
    pub behind: bool,
}

/// What lies in the spool, by name, with lengths in bytes.
#[derive(Debug, Default)]
struct Lying {
    parts: BTreeMap<String, u64>,
    wholes: BTreeMap<String, u64>,
    /// Groups that have their records; read when they are first asked for.
    groups: BTreeMap<String, Option<BTreeMap<String, Record>>>,
    /// Whole files that are not the ledger's.
    strange: Vec<Strange>,
}

/// A whole file that has its record, and is not the ledger's.
#[derive(Debug)]
struct Strange {
    record: Record,
    /// All of its bytes are there.
    all: bool,
    /// It would lie there anyway, for the sake of others of the ledger's in the same file.
    anyway: bool,
}

/// What the ledger is to be told.
enum Mending {
    /// With whether it says nothing that it lies there.
    Adopt(Box<Record>, bool),
    /// Of a file that is being fetched.
    Restart(VersionId),
    /// Of one that was lost or set aside on the way, or that is whole by an older ledger alone.
    Forget(VersionId),
}

impl Spool {
    /// Cuts partials back to their marks, adopts whole files by their records, removes left-overs.
    /// Nothing whole is removed unless the ledger says that it is archived. What a ledger says of
    /// partials that is known not to be the latest (`doubted`), or is found to be so here, is proven
    /// by their bytes. One that is found to be so here has said so before it adopts anything.
    pub async fn recover(&self, ledger: &Ledger, doubted: bool) -> Result<Recovered, RecoverError> {
        let owners: BTreeMap<_, _> = ledger
            .spool_owners()
            .await?
            .into_iter()
            .map(|(name, id, state, mark, _)| (name, (id, state, mark)))
            .collect();
        let spool = self.clone();
        let seen = self.edges.blocking(move |disk| {
            let last = read_small(disk, &spool.last(), record::LIMIT).ok().flatten();
            let last = last.as_deref().map(Record::parse).unwrap_or_default();
            let mut found = Recovered::default();
            let lying = look(disk, &spool, &owners, &mut found)?;
            Ok((owners, last.into_values().collect::<Vec<_>>(), lying, found))
        });
        let (owners, last, lying, mut found) = seen.await.map_err(self.failed("be read at start"))?;
        // The ledger lets go of files before they go: one that has them still, or never had them, is older.
        let has = last.iter().any(|record| owners.contains_key(&record.name));
        let went = has || !ledger.unknown(last).await?.is_empty();
        let strange = lying.strange.iter().map(|strange| strange.record.clone()).collect();
        let groups: BTreeSet<_> =
            ledger.unknown(strange).await?.iter().map(|name| group_of(name).to_owned()).collect();
        // So many groups a crash can leave that were on their way.
        found.behind = went || groups.len() > HANDS;
        if found.behind && !doubted {
            ledger.went_back(older()).await?;
        }
        let doubted = doubted || found.behind;
        let spool = self.clone();
        let sorted = self.edges.blocking(move |disk| sort(disk, &spool, &owners, lying, doubted, found));
        let (mut found, mend) = sorted.await.map_err(self.failed("be read at start"))?;
        let mut gone = Vec::new();
        for mend in mend {
            match mend {
                Mending::Restart(id) => {
                    found.restarted += 1;
                    let why = "the disk does not hold what its mark says".to_owned();
                    ledger.restart(id, Happening::Restarted, why).await?;
                }
                Mending::Forget(id) => ledger.unlinked(vec![id])?,
                Mending::Adopt(record, anyway) => match ledger.adopt_file(&record, anyway).await? {
                    Adopted::Whole => found.adopted += 1,
                    Adopted::Done => {
                        found.removed += 1;
                        gone.push(record.name);
                    }
                    Adopted::Known => {}
                },
            }
        }
        self.budget.found(found.bytes);
        self.unlink(gone).await;
        found.removed += self.sweep(ledger).await?;
        Ok(found)
    }

    /// Removes the files that may go; gives how many. The ledger lets go of them first: what is owed
    /// again meanwhile must not rely on a file that is about to be removed. One that a kill leaves has
    /// its record still.
    pub async fn sweep(&self, ledger: &Ledger) -> Result<u64, LedgerError> {
        let names = ledger.let_go().await?;
        let count = names.len() as u64;
        if count > 0 {
            killpoint::pass("spool-let-go");
            self.unlink(names).await;
        }
        Ok(count)
    }
}

/// Why the spool and the ledger could not be brought together.
#[derive(Debug, thiserror::Error)]
pub enum RecoverError {
    /// The disk failed.
    #[error(transparent)]
    Spool(#[from] SpoolError),
    /// The ledger failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

type Owners = BTreeMap<String, (VersionId, State, Mark)>;

/// How a ledger is called that the records know more than.
fn older() -> WentBack {
    let cause = "the ledger is older than what the spool's records tell: its newest part (the file ledger.sqlite-wal) \
                 was lost, or an older copy was put in its place";
    tracing::error!("{cause}");
    WentBack::told("ledger-went-back", "the spool knows more".to_owned(), cause.to_owned(), json!({}))
}

/// Reads what lies there, and gives whole files of the ledger their names again that the disk lost.
fn look(disk: &dyn Disk, spool: &Spool, owners: &Owners, found: &mut Recovered) -> io::Result<Lying> {
    let mut lying = Lying::read(disk, spool)?;
    for (name, _) in of_state(owners, State::Whole) {
        let file = file_of(name);
        if lying.wholes.contains_key(file) {
            continue;
        }
        // The disk lost the last rename and kept what came after it?
        let part = match packed(name) {
            Some(_) => Some(file.to_owned()),
            None => lying.record(disk, spool, name).map(|record| record.part.clone()),
        };
        match part.and_then(|part| Some((lying.parts.remove(&part)?, part))) {
            Some((len, part)) => {
                disk.rename(&spool.part(&part), &spool.whole(name))?;
                lying.wholes.insert(file.to_owned(), len);
            }
            None => found.missing.push(name.clone()),
        }
    }
    for (name, len) in lying.wholes.clone() {
        found.bytes += len;
        if is_pack(&name) {
            lying.packed(disk, spool, (&name, len), owners, found);
            continue;
        }
        spool.groups().entry(group_of(&name).to_owned()).or_default().own += 1;
        if is_known(owners, &name) {
            continue;
        }
        match lying.record(disk, spool, &name).cloned() {
            Some(record) => {
                let all = record.size == len;
                lying.strange.push(Strange { record, all, anyway: false });
            }
            // It may be all there is.
            None => found.unexplained.push(name),
        }
    }
    Ok(lying)
}

fn of_state(owners: &Owners, wanted: State) -> impl Iterator<Item = (&String, &(VersionId, State, Mark))> {
    owners.iter().filter(move |(_, (_, state, _))| *state == wanted)
}

/// Whether the ledger has a whole file of that name.
fn is_known(owners: &Owners, name: &str) -> bool {
    owners.get(name).is_some_and(|(_, state, _)| *state != State::Fetching)
}

fn sort(
    disk: &dyn Disk,
    spool: &Spool,
    owners: &Owners,
    mut lying: Lying,
    doubted: bool,
    mut found: Recovered,
) -> io::Result<(Recovered, Vec<Mending>)> {
    let mut mend = Vec::new();
    let mut grown = BTreeSet::new();
    for Strange { record, all, anyway } in std::mem::take(&mut lying.strange) {
        let partial = owners.get(&record.part).map(|(_, state, _)| *state);
        // It was being kept, and is not yet; or its group failed, and it went back to its mark.
        let back = partial == Some(State::Held) || !all && partial == Some(State::Fetching);
        if back && packed(&record.name).is_none() {
            disk.rename(&spool.whole(&record.name), &spool.part(&record.part))?;
            spool.was_last(group_of(&record.name), true);
            let len = lying.wholes.remove(&record.name).unwrap_or_default();
            found.bytes -= len;
            lying.parts.insert(record.part, len);
        } else if all {
            grown.insert(record.part.clone());
            mend.push(Mending::Adopt(Box::new(record), anyway && !doubted));
        } else {
            found.unexplained.push(record.name);
        }
    }
    for (name, (id, ..)) in of_state(owners, State::Fetching) {
        if !lying.parts.contains_key(name) && !grown.contains(name) {
            mend.push(Mending::Restart(*id));
        }
    }
    // An older ledger may call whole what has been archived and let go since: another archive, or the
    // logger, is its source.
    if doubted {
        let missing: BTreeSet<String> = std::mem::take(&mut found.missing).into_iter().collect();
        let lacking = of_state(owners, State::Whole).filter(|(name, _)| missing.contains(*name));
        mend.extend(lacking.map(|(_, (id, ..))| Mending::Forget(*id)));
    }
    for (name, _) in of_state(owners, State::Held) {
        if !lying.parts.contains_key(name) {
            found.missing.push(name.clone());
        }
    }
    for group in lying.groups.keys().filter(|group| !spool.groups().contains_key(*group)) {
        // The crash came before the first rename: the partials go on from their marks.
        disk.remove(&spool.record(group))?;
    }
    for (name, len) in &lying.parts {
        one(disk, spool, name, *len, owners.get(name), doubted, &mut found, &mut mend)?;
    }
    disk.flush_dir(&spool.dir)?;
    // A record may tell of a version whose partial is gone too: once it is whole it does not begin again.
    mend.sort_by_key(|mending| matches!(mending, Mending::Adopt(..)));
    Ok((found, mend))
}

impl Lying {
    fn read(disk: &dyn Disk, spool: &Spool) -> io::Result<Self> {
        let mut lying = Self::default();
        for entry in disk.read_dir(&spool.dir, usize::MAX)? {
            let Some((name, kind)) = entry.name.to_str().and_then(|n| n.rsplit_once('.')) else { continue };
            let name = name.to_owned();
            match kind {
                "part" => drop(lying.parts.insert(name, entry.stat.len)),
                "log" => drop(lying.wholes.insert(name, entry.stat.len)),
                "json" => drop(lying.groups.insert(name, None)),
                _ => {}
            }
        }
        Ok(lying)
    }

    /// Finds out what lies one behind the other in the file of a group. Its records are many, and are let
    /// go before the next group's are read.
    fn packed(
        &mut self,
        disk: &dyn Disk,
        spool: &Spool,
        (group, len): (&str, u64),
        owners: &Owners,
        found: &mut Recovered,
    ) {
        let prefix = format!("{group}-");
        let ours = owners.range(prefix.clone()..).take_while(|(name, _)| name.starts_with(&prefix));
        let mut lies: BTreeSet<_> = ours.filter_map(|(name, _)| packed(name)).collect();
        let (mut told, anyway) = (0_u64, !lies.is_empty());
        self.record(disk, spool, group);
        let records = self.groups.get_mut(group).and_then(Option::take).unwrap_or_default();
        for (name, record) in records {
            let Some(place) = packed(&name) else { continue };
            told = record.size.saturating_add(told);
            lies.insert(place);
            if !is_known(owners, &name) && place.0.saturating_add(record.size) <= len {
                self.strange.push(Strange { record, all: true, anyway });
            }
        }
        if told != len {
            // Records that cannot be read leave the file where it is: it may be all there is.
            lies.insert((u64::MAX, u32::MAX));
            found.unexplained.push(group.to_owned());
        }
        spool.groups().entry(group.to_owned()).or_default().packed = lies;
    }

    /// The record of a whole file.
    fn record(&mut self, disk: &dyn Disk, spool: &Spool, name: &str) -> Option<&Record> {
        let records = self.groups.get_mut(group_of(name))?;
        let read = || {
            let bytes = read_small(disk, &spool.record(group_of(name)), record::LIMIT).ok().flatten();
            bytes.as_deref().map(Record::parse).unwrap_or_default()
        };
        records.get_or_insert_with(read).get(name)
    }
}

/// Whether a file of the spool is that of a group's small files.
fn is_pack(name: &str) -> bool {
    !name.contains('-')
}

/// What becomes of a partial.
#[expect(clippy::too_many_arguments, reason = "all of it is one judgement")]
fn one(
    disk: &dyn Disk,
    spool: &Spool,
    name: &str,
    len: u64,
    owner: Option<&(VersionId, State, Mark)>,
    doubted: bool,
    found: &mut Recovered,
    mend: &mut Vec<Mending>,
) -> io::Result<()> {
    match owner {
        Some((id, state, mark)) if may_go_on(*state) => match Partial::reopen(disk, spool, name, mark) {
            Ok(Some((partial, _))) if !doubted || partial.is_as_marked().unwrap_or(false) => {
                found.bytes += partial.len();
                found.resumed += 1;
            }
            worthless => {
                // One that cannot be opened may not be removable either; it only takes room.
                match disk.remove(&spool.part(name)) {
                    Err(e) if worthless.is_ok() => return Err(e),
                    _ => {}
                }
                let fetching = *state == State::Fetching;
                let mending_of = if fetching { Mending::Restart } else { Mending::Forget };
                mend.push(mending_of(*id));
            }
        },
        Some((_, State::Held, _)) => found.bytes += len,
        _ => {
            disk.remove(&spool.part(name))?;
            found.removed += 1;
        }
    }
    Ok(())
}

/// Whether a partial of a file in that state can still be continued.
fn may_go_on(state: State) -> bool {
    matches!(state, State::Fetching | State::Listed | State::Open | State::Lost)
}

#[cfg(test)]
#[path = "recover_tests.rs"]
mod tests;
