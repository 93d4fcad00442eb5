//! The tables, as a list of migrations that only ever grows.
//!
//! `user_version` says how many of them a ledger has seen. Each runs in a transaction of its own.
//! A released migration is never edited.

use rusqlite::{Connection, TransactionBehavior};

use super::LedgerError;

/// All of them, oldest first.
pub(super) const MIGRATIONS: &[&str] = &[
    // 1: the spine
    "
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE loggers (
    id          INTEGER PRIMARY KEY,
    name        TEXT NOT NULL UNIQUE,
    vehicle     TEXT NOT NULL,
    first_met   INTEGER,           -- ms; the first listing of the right logger
    last_seen   INTEGER,           -- ms; the last listing
    last_whole  INTEGER,           -- ms; the last whole listing
    pending     INTEGER NOT NULL DEFAULT 0,  -- closed files not archived at the last listing
    open        INTEGER NOT NULL DEFAULT 0   -- open files at the last listing
) STRICT;

CREATE TABLE cards (
    id      INTEGER PRIMARY KEY,
    logger  INTEGER NOT NULL REFERENCES loggers,
    number  INTEGER NOT NULL,
    began   INTEGER NOT NULL,
    why     TEXT NOT NULL,
    ended   INTEGER,
    UNIQUE (logger, number)
) STRICT;

CREATE TABLE versions (
    id        INTEGER PRIMARY KEY,
    logger    INTEGER NOT NULL REFERENCES loggers,
    card      INTEGER NOT NULL REFERENCES cards,
    path      BLOB NOT NULL,
    number    INTEGER NOT NULL,    -- 1 for the first content under that path on that card
    vehicle   TEXT NOT NULL,       -- the vehicle that carried the logger when it was listed
    state     TEXT NOT NULL,
    backlog   INTEGER NOT NULL DEFAULT 0,
    presumed  INTEGER NOT NULL DEFAULT 0,
    listed    TEXT NOT NULL,       -- the fingerprint in the last listing
    size      INTEGER,
    time      INTEGER,             -- ms, as the logger's clock says it
    validator TEXT,
    listed_at INTEGER NOT NULL,    -- ms, ours
    still     INTEGER NOT NULL,    -- ms, ours: unchanged since that listing
    absent    INTEGER,             -- ms, ours: absent from whole listings since
    spool     TEXT,                -- name of its file in the spool
    mark      INTEGER NOT NULL DEFAULT 0,
    hash      BLOB,                -- running hash at the mark
    furthest  INTEGER NOT NULL DEFAULT 0,
    stuck_at  INTEGER,
    stuck     INTEGER NOT NULL DEFAULT 0,  -- visits that ended at stuck_at
    sha256    BLOB,
    head      BLOB,
    tail      BLOB,
    blocks    BLOB,
    proof     TEXT,
    whole_at  INTEGER,
    archived_at INTEGER,
    extends   INTEGER REFERENCES versions,
    same_as   INTEGER REFERENCES versions
) STRICT;
CREATE UNIQUE INDEX versions_name ON versions (card, path, number);
CREATE INDEX versions_unfinished ON versions (logger, state)
    WHERE state IN ('listed', 'open', 'fetching', 'settling', 'whole', 'held', 'removing', 'lost');
CREATE INDEX versions_path ON versions (path);
CREATE INDEX versions_content ON versions (sha256) WHERE sha256 IS NOT NULL;
CREATE INDEX versions_archived ON versions (archived_at) WHERE archived_at IS NOT NULL;

CREATE TABLE archives (
    id    INTEGER PRIMARY KEY,
    name  TEXT NOT NULL UNIQUE,
    place TEXT NOT NULL,           -- where it was when it was accepted
    uuid  TEXT NOT NULL            -- the id in its archive.json
) STRICT;

CREATE TABLE obligations (
    version  INTEGER NOT NULL REFERENCES versions,
    archive  TEXT NOT NULL,        -- the archive's name
    state    TEXT NOT NULL,
    k0       TEXT,
    k1       TEXT,
    location TEXT,
    folded   TEXT,                 -- location without case
    shared   INTEGER NOT NULL DEFAULT 0,
    seq      INTEGER,
    verified TEXT,
    at       INTEGER NOT NULL,     -- ms of the last step
    PRIMARY KEY (version, archive)
) STRICT, WITHOUT ROWID;
CREATE INDEX obligations_due ON obligations (archive, state) WHERE state IN ('owed', 'claimed', 'stored', 'blocked');
CREATE INDEX obligations_place ON obligations (archive, folded) WHERE folded IS NOT NULL;

CREATE TABLE receipts (            -- what has been read of an archive's receipts
    archive  TEXT NOT NULL,
    logger   TEXT NOT NULL,
    seq      INTEGER NOT NULL,
    line     INTEGER NOT NULL,
    key      TEXT NOT NULL,
    kind     TEXT NOT NULL,
    path     TEXT NOT NULL,
    location TEXT NOT NULL,
    depot    TEXT NOT NULL,
    PRIMARY KEY (archive, logger, seq, line)
) STRICT, WITHOUT ROWID;
CREATE INDEX receipts_key ON receipts (archive, logger, key);

CREATE TABLE manifests (           -- day folders whose manifest is behind
    archive TEXT NOT NULL,
    folder  TEXT NOT NULL,
    PRIMARY KEY (archive, folder)
) STRICT, WITHOUT ROWID;

CREATE TABLE events (
    id      INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    version INTEGER,
    logger  INTEGER,
    what    TEXT NOT NULL,
    detail  TEXT NOT NULL          -- a JSON object
) STRICT;
CREATE INDEX events_version ON events (version) WHERE version IS NOT NULL;
CREATE INDEX events_logger ON events (logger, at) WHERE version IS NULL;

CREATE TABLE visits (
    id       INTEGER PRIMARY KEY,
    logger   INTEGER NOT NULL REFERENCES loggers,
    began    INTEGER NOT NULL,
    ended    INTEGER,
    listings INTEGER NOT NULL DEFAULT 0,
    files    INTEGER NOT NULL DEFAULT 0,
    bytes    INTEGER NOT NULL DEFAULT 0,   -- delivered, overlaps and restarts included
    twice    INTEGER NOT NULL DEFAULT 0,   -- of which delivered before
    cuts     INTEGER NOT NULL DEFAULT 0,
    why      TEXT                          -- how it ended
) STRICT;
CREATE INDEX visits_logger ON visits (logger, began);
CREATE INDEX visits_began ON visits (began);

CREATE TABLE findings (
    id       TEXT PRIMARY KEY,     -- code and subject
    code     TEXT NOT NULL,
    severity TEXT NOT NULL,
    vehicle  TEXT,
    logger   TEXT,
    since    INTEGER NOT NULL,
    last     INTEGER NOT NULL,
    gone     INTEGER,
    evidence TEXT NOT NULL,
    cause    TEXT NOT NULL,
    action   TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE uptimes (
    id    INTEGER PRIMARY KEY,
    began INTEGER NOT NULL,
    last  INTEGER NOT NULL
) STRICT;

CREATE TABLE dropped (             -- contents that a person dropped
    sha256 BLOB PRIMARY KEY,
    at     INTEGER NOT NULL,
    reason TEXT NOT NULL
) STRICT, WITHOUT ROWID;
",
    // 2: questions by state and by spool name read what they ask for, not all that ever was
    "
DROP INDEX versions_unfinished;
CREATE INDEX versions_state ON versions (logger, state);
CREATE INDEX versions_whole ON versions (state) WHERE state = 'whole';
CREATE INDEX versions_spool ON versions (spool) WHERE spool IS NOT NULL;
",
    // 3: what is due is read in its order, and a step on the way leaves the index alone
    "
DROP INDEX obligations_due;
CREATE INDEX obligations_due ON obligations (archive, version) WHERE state IN ('owed', 'claimed', 'stored', 'blocked');
CREATE INDEX findings_open ON findings (logger) WHERE gone IS NULL;
",
    // 4: a copy at which an archive failed alone waits by itself
    "
ALTER TABLE obligations ADD COLUMN tries INTEGER NOT NULL DEFAULT 0;  -- that failed one after the other
ALTER TABLE obligations ADD COLUMN after INTEGER NOT NULL DEFAULT 0;  -- ms of the next try
",
    // 5: partials that wait for their end
    "
ALTER TABLE versions ADD COLUMN waits INTEGER;  -- ms of lived time: its partial waits for its end since
",
    // 6: an open file is fetched ahead; questions about the present card read no earlier one
    "
ALTER TABLE versions ADD COLUMN open INTEGER NOT NULL DEFAULT 0;   -- may still be written; also while it is fetched ahead
ALTER TABLE versions ADD COLUMN ahead INTEGER NOT NULL DEFAULT 0;  -- bytes of its partial may have been written again since
UPDATE versions SET open = 1 WHERE state = 'open';
ALTER TABLE versions ADD COLUMN gaps TEXT;  -- JSON: what its logger cannot read of it
CREATE INDEX versions_card ON versions (card, state);
",
    // 7: reports as they were made, what they said of findings, and what people know
    "
CREATE TABLE days (                -- days that the service lived, or missed while it was down
    date   TEXT PRIMARY KEY,
    opened INTEGER NOT NULL,       -- ms; what lies before is not made up for
    last   INTEGER NOT NULL,       -- ms; the last moment of it that the service lived
    closed INTEGER NOT NULL DEFAULT 0  -- its last report is stored
) STRICT, WITHOUT ROWID;
CREATE INDEX days_open ON days (date) WHERE closed = 0;
CREATE INDEX days_last ON days (last);

CREATE TABLE reports (             -- never rewritten
    id    INTEGER PRIMARY KEY,
    date  TEXT NOT NULL,
    as_of INTEGER NOT NULL,        -- ms
    final INTEGER NOT NULL,
    lived INTEGER NOT NULL,        -- ms of lived time when it was made
    json  TEXT NOT NULL
) STRICT;
CREATE INDEX reports_date ON reports (date, id);
CREATE INDEX reports_lived ON reports (lived);

CREATE TABLE told (                -- what the last stored report said of each finding that was there
    finding  TEXT PRIMARY KEY,
    severity TEXT NOT NULL,
    evidence TEXT NOT NULL         -- when it was new or worse: from there it grows
) STRICT, WITHOUT ROWID;

CREATE TABLE notes (
    id       INTEGER PRIMARY KEY,
    about    TEXT NOT NULL,        -- id of a vehicle, logger or finding
    kind     TEXT NOT NULL,
    since    TEXT NOT NULL,        -- the depot's day from which it holds
    until    TEXT,                 -- the last one; NULL: open
    reason   TEXT NOT NULL,
    by       TEXT NOT NULL,        -- who wrote it
    began    INTEGER NOT NULL,     -- ms
    ended    INTEGER,              -- ms
    why      TEXT,                 -- how it ended before its time
    severity TEXT,                 -- of the finding, when it was snoozed
    evidence TEXT
) STRICT;
CREATE UNIQUE INDEX notes_open ON notes (about) WHERE ended IS NULL;
CREATE INDEX notes_ended ON notes (ended) WHERE ended IS NOT NULL;
",
    // 8: what a day's report asks is read by index; when the service ran and could not see
    "
CREATE TABLE blind (
    id    INTEGER PRIMARY KEY,
    why   TEXT NOT NULL,           -- network or clock
    began INTEGER NOT NULL,
    last  INTEGER NOT NULL
) STRICT;
CREATE INDEX blind_last ON blind (last);
CREATE INDEX uptimes_last ON uptimes (last);
CREATE INDEX uptimes_began ON uptimes (began);
CREATE INDEX versions_still ON versions (still);
CREATE INDEX versions_time ON versions (logger, time, archived_at) WHERE archived_at IS NOT NULL;
CREATE INDEX versions_whole_at ON versions (whole_at, proof, backlog, size) WHERE whole_at IS NOT NULL;
CREATE INDEX events_known ON events (at) WHERE what IN ('known-content', 'alias');
CREATE INDEX findings_gone ON findings (gone);
",
    // 9: what is in the files
    "
CREATE TABLE facts (
    version INTEGER PRIMARY KEY REFERENCES versions,
    format  TEXT NOT NULL,         -- candump, pcap, pcapng, mdf4, csv or unknown
    frames  INTEGER NOT NULL,
    first   INTEGER,               -- ms, by the logger's clock
    last    INTEGER,
    json    TEXT NOT NULL          -- all of it
) STRICT;
",
    // 10: what is archived waits for its removal from the logger
    "
ALTER TABLE versions ADD COLUMN safe INTEGER;  -- ms of lived time: archived since
",
    // 11: what a logger brought lately is read by index
    "
CREATE INDEX versions_came ON versions (logger, whole_at) WHERE whole_at IS NOT NULL;
",
    // 12: when other depots had a logger, as their receipts tell
    "
CREATE TABLE elsewhere (
    at      INTEGER NOT NULL,      -- ms; the quarter of an hour in which it fetched something
    logger  TEXT NOT NULL,
    depot   TEXT NOT NULL,
    PRIMARY KEY (at, logger, depot)
) STRICT, WITHOUT ROWID;
",
    // 13: events are folded by lived time; an audit looks places up
    "
UPDATE versions SET safe = coalesce((SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'lived'), 0)
  WHERE archived_at IS NOT NULL AND safe IS NULL;
CREATE INDEX versions_safe ON versions (safe) WHERE safe IS NOT NULL;
CREATE INDEX receipts_place ON receipts (archive, location);
",
    // 14: what waits for its removal always has a beginning, and names the version that has the copies
    "
UPDATE versions SET safe = coalesce((SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'lived'), 0)
  WHERE safe IS NULL AND state IN ('archived', 'removing');
UPDATE versions SET same_as =
  (WITH RECURSIVE up (id, same) AS (
     SELECT v.id, v.same_as FROM versions v WHERE v.id = versions.same_as
     UNION ALL SELECT v.id, v.same_as FROM versions v JOIN up ON v.id = up.same)
   SELECT id FROM up WHERE same IS NULL OR EXISTS (SELECT 1 FROM obligations WHERE version = up.id) ORDER BY id DESC LIMIT 1)
  WHERE same_as IS NOT NULL;
",
    // 15: what was offered and never came is read by index; what went over a metered access point
    "
CREATE INDEX versions_not_here ON versions (logger, listed_at) WHERE whole_at IS NULL;
CREATE TABLE metered (
    access_point TEXT NOT NULL,
    day          TEXT NOT NULL,    -- the depot's day, by the date on which it begins
    bytes        INTEGER NOT NULL, -- delivered, overlaps and restarts included
    PRIMARY KEY (access_point, day)
) STRICT, WITHOUT ROWID;
",
    // 16: how long the transfers of a visit took; of earlier ones nobody knows
    "
ALTER TABLE visits ADD COLUMN took INTEGER NOT NULL DEFAULT 0;  -- ms
",
    // 17: what a logger's own clock shows
    "
ALTER TABLE loggers ADD COLUMN ahead INTEGER;     -- ms; by how much it was ahead of ours when a reply last told it
ALTER TABLE loggers ADD COLUMN ahead_at INTEGER;  -- ms, ours; when that was
",
    // 18: when bytes came over the air
    "
CREATE TABLE air (
    quarter INTEGER NOT NULL,  -- quarters of an hour since 1970
    logger  INTEGER NOT NULL REFERENCES loggers,
    bytes   INTEGER NOT NULL,  -- delivered, overlaps and restarts included
    PRIMARY KEY (quarter, logger)
) STRICT, WITHOUT ROWID;
",
];

/// The version of the schema that this program writes.
pub const VERSION: i64 = MIGRATIONS.len() as i64;

/// How many migrations a ledger has seen.
pub fn version(db: &Connection) -> Result<i64, LedgerError> {
    Ok(db.pragma_query_value(None, "user_version", |row| row.get(0))?)
}

/// Refuses a ledger of a newer program: what it holds could mean something that this one does not know.
pub fn refuse_newer(db: &Connection) -> Result<(), LedgerError> {
    match version(db)? {
        found if found > VERSION => Err(LedgerError::Newer { found, known: VERSION }),
        _ => Ok(()),
    }
}

/// Brings a ledger to this program's schema.
pub fn migrate(db: &mut Connection) -> Result<(), LedgerError> {
    refuse_newer(db)?;
    loop {
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let seen = version(&tx)?;
        let Some(step) = usize::try_from(seen).ok().and_then(|seen| MIGRATIONS.get(seen)) else {
            return Ok(());
        };
        tx.execute_batch(step)?;
        tx.pragma_update(None, "user_version", seen + 1)?;
        tx.commit()?;
    }
}
