//! Rounds with simulated loggers on loopback, a real spool and a real archive folder.

use std::sync::Arc;

use jiff::Timestamp;
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;

use super::{Round, ServiceError};
use crate::config::{Config, load};
use crate::edges::Edges;
use crate::ledger::state::State;
use crate::ledger::{self, FileRow, Query};
use crate::link::NetDialer;
use crate::progress::Progress;
use crate::sim::{Content, Options, SimLogger};

/// One logger, one archive, and what a depot keeps.
struct Depot {
    dir: TempDir,
    logger: SimLogger,
    /// Further lines of the kind.
    kind: &'static str,
    /// The archives' names.
    archives: Vec<&'static str>,
}

impl Depot {
    async fn new(kind: &'static str) -> Self {
        Self::with(Options::http(), kind).await
    }

    async fn with(options: Options, kind: &'static str) -> Self {
        let dir = tempfile::tempdir().expect("dir");
        std::fs::create_dir(dir.path().join("state")).expect("state");
        let logger = SimLogger::start(options).await.expect("logger");
        Self { dir, logger, kind, archives: vec!["central"] }
    }

    /// Puts a closed file on the card, changed at that second of the year 2025.
    fn add(&self, path: &str, content: Content, second: i64) {
        self.logger.card().add(path, content, at(second));
    }

    fn config(&self) -> Config {
        let dir = self.dir.path();
        let mut depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"UTC\"\nstate_dir = {:?}\nspool_reserve = \"1 kB\"\n\
             [poll]\nidle_timeout = \"2s\"\n",
            dir.join("state")
        );
        for name in &self.archives {
            let root = dir.join(name);
            std::fs::create_dir_all(&root).expect("archive");
            depot += &format!("[[archive]]\nname = \"{name}\"\nurl = \"file://{}\"\n", root.display());
        }
        let vehicles = format!(
            "[kind.wifi]\nopen_file = \"none\"\n{}\n[[vehicle]]\nid = \"PLOW-01\"\n\
             [[logger]]\nid = \"L-0101\"\nvehicle = \"PLOW-01\"\nkind = \"wifi\"\nurl = \"{}\"\n",
            self.kind,
            self.logger.url()
        );
        let vehicles = if self.kind.contains("open_file") {
            vehicles.replace("open_file = \"none\"\n", "")
        } else {
            vehicles
        };
        std::fs::write(dir.join("yarder.toml"), depot).expect("written");
        std::fs::write(dir.join("vehicles.toml"), vehicles).expect("written");
        load(&dir.join("yarder.toml")).map_err(|e| e.to_string()).expect("configuration").config
    }

    async fn try_once(&self) -> Result<Round, ServiceError> {
        let edges = Edges::real();
        let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
        super::once(edges, dialer, Progress::default(), self.config(), CancellationToken::new()).await
    }

    async fn once(&self) -> Round {
        self.try_once().await.expect("the round ends well")
    }

    fn ledger(&self) -> Query {
        ledger::read(&self.dir.path().join("state")).expect("ledger")
    }

    fn files(&self) -> Vec<FileRow> {
        let mut all = Vec::new();
        self.ledger()
            .files(None, None, |row| {
                all.push(row);
                true
            })
            .expect("files");
        all
    }

    /// Path, state and size of every version, as text.
    fn states(&self) -> Vec<String> {
        self.files().iter().map(|f| format!("{} {} {}", f.path, f.state, f.size.unwrap_or(0))).collect()
    }
}

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(1_750_000_000 + second).expect("time")
}

#[tokio::test]
async fn old_stock_that_stays_where_it_is_ends_nothing_and_is_wanted_once_it_grows() {
    let depot = Depot::new("open_file = \"newest\"\nsettle = \"1s\"\nbacklog = \"none\"").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    depot.add("00002.log", Content::noise(2, 5000), 2);
    depot.once().await;
    assert_eq!(depot.states(), ["00001.log skipped 5000", "00002.log skipped 5000"]);
    depot.logger.card().grow("00002.log", 1000, at(60));
    depot.once().await;
    let grown = depot.files().into_iter().find(|f| f.path.as_bytes() == b"00002.log").expect("known");
    assert_ne!(grown.state, State::Skipped, "what is recorded from now on is wanted");
}
