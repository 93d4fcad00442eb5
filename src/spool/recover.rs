//! At start: the ledger and the spool are brought together.

use std::collections::BTreeMap;
use std::io;

use super::{Partial, Record, Spool, SpoolError, record};
use crate::durable::{Disk, read_small};
use crate::ledger::state::{Happening, State};
use crate::ledger::{Ledger, LedgerError, Mark, VersionId};

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
enum Todo {
    Adopt(Box<Record>),
    Restart(VersionId),
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
        let (found, todo) = self
            .edges
            .blocking(move |disk| sort(disk, &spool, &owners))
            .await
            .map_err(self.failed("be read at start"))?;
        let mut found = found;
        for (name, todo) in todo {
            match todo {
                Todo::Restart(id) => {
                    found.restarted += 1;
                    let why = "the disk does not hold what its mark says".to_owned();
                    ledger.restart(id, Happening::Restarted, why).await?;
                }
                Todo::Adopt(record) => {
                    if ledger.adopt_file(&name, &record).await? {
                        found.adopted += 1;
                    }
                }
            }
        }
        self.budget.found(found.bytes);
        found.removed += self.sweep(ledger).await?;
        Ok(found)
    }

    /// Removes the whole files that the ledger has let go; gives how many.
    pub async fn sweep(&self, ledger: &Ledger) -> Result<u64, RecoverError> {
        let (ids, names): (Vec<_>, Vec<_>) = ledger.free_spool().await?.into_iter().unzip();
        let count = names.len() as u64;
        self.unlink(names).await?;
        ledger.unlinked(ids)?;
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

fn sort(disk: &dyn Disk, spool: &Spool, owners: &Owners) -> io::Result<(Recovered, Vec<(String, Todo)>)> {
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
    let mut todo = Vec::new();
    for (name, (id, state, _)) in owners {
        match state {
            State::Fetching if !lying.contains_key(name) => todo.push((name.clone(), Todo::Restart(*id))),
            State::Whole | State::Held
                if lying.get(name).is_none_or(|l| l.whole.is_none() && l.part.is_none()) =>
            {
                found.missing.push(name.clone());
            }
            _ => {}
        }
    }
    for (name, lies) in &lying {
        one(disk, spool, name, lies, owners.get(name), &mut found, &mut todo)?;
    }
    disk.flush_dir(&spool.dir)?;
    Ok((found, todo))
}

fn one(
    disk: &dyn Disk,
    spool: &Spool,
    name: &str,
    lies: &Lying,
    owner: Option<&(VersionId, State, Mark)>,
    found: &mut Recovered,
    todo: &mut Vec<(String, Todo)>,
) -> io::Result<()> {
    if let Some(len) = lies.whole {
        found.bytes += len;
        let known = owner.is_some_and(|(_, state, _)| *state != State::Fetching);
        if !known && lies.record {
            let record =
                read_small(disk, &spool.record(name), record::LIMIT)?.as_deref().and_then(Record::parse);
            // A record that cannot be read leaves the file where it is: it may be all there is.
            todo.extend(
                record.filter(|r| r.size == len).map(|r| (name.to_owned(), Todo::Adopt(Box::new(r)))),
            );
        }
        return Ok(());
    }
    if lies.record {
        // The crash came before the rename: the partial goes on from its mark.
        disk.remove(&spool.record(name))?;
    }
    if lies.part.is_none() {
        return Ok(());
    }
    match owner {
        Some((id, State::Fetching, mark)) => match Partial::reopen(disk, spool, name, mark)? {
            Some((partial, _)) => {
                found.bytes += partial.len();
                found.resumed += 1;
            }
            None => {
                disk.remove(&spool.part(name))?;
                todo.push((name.to_owned(), Todo::Restart(*id)));
            }
        },
        Some((_, State::Held | State::Lost, _)) => found.bytes += lies.part.unwrap_or(0),
        _ => {
            disk.remove(&spool.part(name))?;
            found.removed += 1;
        }
    }
    Ok(())
}
