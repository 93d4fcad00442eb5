//! Right bytes over wrong ones in an archive: from the spool, or from another archive.

use crate::archive::{Archive, ArchiveFailure, Archives, StoreItem};
use crate::config::{Config, Loaded};
use crate::control::Request;
use crate::edges::Edges;
use crate::ledger::Query;
use crate::model::Digest;
use crate::spool::{self, Lies};

use super::out::Failure;
use super::{Cx, ask, calls};

/// What a repair works with.
pub(super) struct Mender<'a> {
    edges: &'a Edges,
    loaded: &'a Loaded,
    query: &'a Query,
    archives: &'a Archives,
}

impl<'a> Mender<'a> {
    pub fn new(cx: &'a Cx, loaded: &'a Loaded, query: &'a Query, archives: &'a Archives) -> Self {
        Self { edges: &cx.edges, loaded, query, archives }
    }

    /// Repairs one copy. Gives where its bytes came from; `None` where they are nowhere else.
    pub async fn mend(
        &self,
        archive: &dyn Archive,
        name: &str,
        location: &str,
        size: u64,
        sha256: Digest,
    ) -> Result<Option<String>, Failure> {
        for (from, source) in self.sources(name, sha256)? {
            let Lies { path: source, at, .. } = source;
            let item = StoreItem { source, at, own: false, key: location.to_owned(), size, sha256 };
            match archive.repair(item).await {
                Ok(_) => {
                    self.write_down(name, location, sha256, &from).await?;
                    return Ok(Some(from));
                }
                // That copy is wrong too, or not there.
                Err(e) if e.failure == ArchiveFailure::Source => {}
                Err(e) => return Err(Failure::Failed(format!("archive {name} {e}. {}", e.help()))),
            }
        }
        Ok(None)
    }

    fn sources(&self, name: &str, sha256: Digest) -> Result<Vec<(String, Lies)>, Failure> {
        let config: &Config = &self.loaded.config;
        let mut all = Vec::new();
        for spooled in self.query.in_spool(sha256)? {
            all.push(("the spool".to_owned(), spool::lies_in(&config.depot.state_dir, &spooled)));
        }
        for (other, location) in self.query.in_archives(sha256, name)? {
            let file = self.archives.get(&other).and_then(|archive| archive.file(&location));
            all.extend(file.map(|path| (format!("archive {other}"), Lies { path, at: 0, own: false })));
        }
        Ok(all)
    }

    /// It belongs into the story of the file.
    async fn write_down(
        &self,
        archive: &str,
        location: &str,
        sha256: Digest,
        from: &str,
    ) -> Result<(), Failure> {
        let (archive, location, from) = (archive.to_owned(), location.to_owned(), from.to_owned());
        let request = Request::Repaired { archive, location, sha256: sha256.hex(), from };
        if ask(self.loaded, &request)?.is_none() {
            calls::repaired(self.edges, &self.loaded.config, &request).await?;
        }
        Ok(())
    }
}
