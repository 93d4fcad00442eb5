//! At start: the ledger and the spool are brought together.

use std::collections::BTreeMap;
use std::io;

use super::{Partial, Record, Spool, SpoolError, record};
use crate::durable::{Disk, read_small};
use crate::killpoint;
use crate::ledger::state::{Happening, State};
use crate::ledger::{Adopted, Ledger, LedgerError, Mark, VersionId};

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
    /// Bytes that lie in the spool.
    pub bytes: u64,
}

/// What lies under one name.
#[derive(Debug, Default, Clone)]
struct Lying {
    part: Option<u64>,
    whole: Option<u64>,
    record: bool,
}

/// What is to be done about one name.
enum Mending {
    Adopt(Box<Record>),
    /// Of a file that is being fetched.
    Restart(VersionId),
    /// Of one that was lost or set aside on the way.
    Forget(VersionId),
}

impl Spool {
    /// Cuts partials back to their marks, adopts whole files by their records, removes left-overs.
    /// Nothing whole is removed unless the ledger says that it is archived.
    pub async fn recover(&self, ledger: &Ledger) -> Result<Recovered, RecoverError> {
        let owners: BTreeMap<_, _> = ledger
            .spool_owners()
            .await?
            .into_iter()
            .map(|(name, id, state, mark, _)| (name, (id, state, mark)))
            .collect();
        let spool = self.clone();
        let (found, mend) = self
            .edges
            .blocking(move |disk| sort(disk, &spool, &owners))
            .await
            .map_err(self.failed("be read at start"))?;
        let mut found = found;
        let mut gone = Vec::new();
        for (name, mend) in mend {
            match mend {
                Mending::Restart(id) => {
                    found.restarted += 1;
                    let why = "the disk does not hold what its mark says".to_owned();
                    ledger.restart(id, Happening::Restarted, why).await?;
                }
                Mending::Forget(id) => ledger.unlinked(vec![id])?,
                Mending::Adopt(record) => match ledger.adopt_file(&name, &record).await? {
                    Adopted::Whole => found.adopted += 1,
                    // It came back after a power cut that took its removal away.
                    Adopted::Done => {
                        found.removed += 1;
                        gone.push(name);
                    }
                    Adopted::Known => {}
                },
            }
        }
        self.budget.found(found.bytes);
        self.unlink(gone).await?;
        found.removed += self.sweep(ledger).await?;
        Ok(found)
    }

    /// Removes the whole files that the ledger has let go; gives how many.
    pub async fn sweep(&self, ledger: &Ledger) -> Result<u64, RecoverError> {
        let (ids, names): (Vec<_>, Vec<_>) = ledger.free_spool().await?.into_iter().unzip();
        let count = names.len() as u64;
        if count > 0 {
            self.unlink(names).await?;
            killpoint::pass("spool-unlinked");
            ledger.unlinked(ids)?;
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

fn sort(disk: &dyn Disk, spool: &Spool, owners: &Owners) -> io::Result<(Recovered, Vec<(String, Mending)>)> {
    let mut lying: BTreeMap<String, Lying> = BTreeMap::new();
    for entry in disk.read_dir(&spool.dir, usize::MAX)? {
        let Some((name, kind)) = entry.name.to_str().and_then(|n| n.rsplit_once('.')) else { continue };
        let lies = lying.entry(name.to_owned()).or_default();
        match kind {
            "part" => lies.part = Some(entry.stat.len),
            "log" => lies.whole = Some(entry.stat.len),
            "json" => lies.record = true,
            _ => {}
        }
    }
    let mut found = Recovered::default();
    let mut mend = Vec::new();
    for (name, (id, state, _)) in owners {
        match state {
            State::Fetching if !lying.contains_key(name) => mend.push((name.clone(), Mending::Restart(*id))),
            State::Whole | State::Held
                if lying.get(name).is_none_or(|l| l.whole.is_none() && l.part.is_none()) =>
            {
                found.missing.push(name.clone());
            }
            _ => {}
        }
    }
    for (name, lies) in &lying {
        one(disk, spool, name, lies, owners.get(name), &mut found, &mut mend)?;
    }
    disk.flush_dir(&spool.dir)?;
    Ok((found, mend))
}

fn one(
    disk: &dyn Disk,
    spool: &Spool,
    name: &str,
    lies: &Lying,
    owner: Option<&(VersionId, State, Mark)>,
    found: &mut Recovered,
    mend: &mut Vec<(String, Mending)>,
) -> io::Result<()> {
    if let Some(len) = lies.whole {
        found.bytes += len;
        let known = owner.is_some_and(|(_, state, _)| *state != State::Fetching);
        if !known && lies.record {
            let record = read_small(disk, &spool.record(name), record::LIMIT);
            // A record that cannot be read leaves the file where it is: it may be all there is.
            let record = record.ok().flatten().as_deref().and_then(Record::parse);
            mend.extend(
                record.filter(|r| r.size == len).map(|r| (name.to_owned(), Mending::Adopt(Box::new(r)))),
            );
        }
        return Ok(());
    }
    if lies.record && owner.is_none_or(|(_, state, _)| *state != State::Whole) {
        // The crash came before the rename: the partial goes on from its mark.
        disk.remove(&spool.record(name))?;
    }
    if lies.part.is_none() {
        return Ok(());
    }
    match owner {
        Some((id, state, mark)) if may_go_on(*state) => match Partial::reopen(disk, spool, name, mark) {
            Ok(Some((partial, _))) => {
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
                let todo_of = if fetching { Mending::Restart } else { Mending::Forget };
                mend.push((name.to_owned(), todo_of(*id)));
            }
        },
        Some((_, State::Held, _)) => found.bytes += lies.part.unwrap_or(0),
        // The disk lost the last rename and kept what came after it.
        Some((_, State::Whole, _)) => {
            disk.rename(&spool.part(name), &spool.whole(name))?;
            found.bytes += lies.part.unwrap_or(0);
        }
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
