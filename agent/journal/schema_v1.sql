-- Version 1 of the journal. Frozen: a later change is a new file, schema_v2.sql.

-- One row per start of the agent: what ran, on which boot, and whether it ended cleanly.
CREATE TABLE runs (
    run INTEGER PRIMARY KEY,
    version TEXT NOT NULL,
    config TEXT NOT NULL,
    boot_id TEXT NOT NULL,
    started_ns INTEGER NOT NULL,
    ended_ns INTEGER
);

-- The audit trail and the outbox in one: what the agent said, in the order in which it said it.
CREATE TABLE records (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    cell TEXT NOT NULL,
    gun TEXT,
    at TEXT NOT NULL,
    point_ns INTEGER NOT NULL UNIQUE,
    body TEXT NOT NULL,
    run INTEGER NOT NULL,
    monotonic_ns INTEGER NOT NULL,
    wall_ns INTEGER NOT NULL,
    time_trusted INTEGER NOT NULL,
    evidence_sha BLOB,
    crc INTEGER NOT NULL,
    hash BLOB NOT NULL
);
-- Newest first within a kind, with what is asked for most beside it.
CREATE INDEX records_of_kind ON records (kind, seq, cell, gun);

-- The raw readings behind a dispense, compressed.
CREATE TABLE evidence (
    seq INTEGER PRIMARY KEY,
    data BLOB NOT NULL
);

-- What came from outside and must not be lost: controller events, replies, commands.
CREATE TABLE events (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    cell TEXT NOT NULL,
    gun TEXT,
    t_ns INTEGER NOT NULL,
    body TEXT NOT NULL,
    run INTEGER NOT NULL,
    monotonic_ns INTEGER NOT NULL,
    wall_ns INTEGER NOT NULL,
    time_trusted INTEGER NOT NULL,
    crc INTEGER NOT NULL,
    hash BLOB NOT NULL
);
-- Rare events are found among many; a commit of the frequent ones does not pay for it.
CREATE INDEX events_rare ON events (kind, seq) WHERE kind NOT IN ('gun_opened', 'gun_closed');

-- Where each chain ends, and where it begins after the oldest rows were let go.
CREATE TABLE chains (
    name TEXT PRIMARY KEY,
    last_seq INTEGER NOT NULL,
    last_hash BLOB NOT NULL,
    pruned_seq INTEGER NOT NULL,
    pruned_hash BLOB NOT NULL
) WITHOUT ROWID;
INSERT INTO chains VALUES ('records', 0, zeroblob(32), 0, zeroblob(32));
INSERT INTO chains VALUES ('events', 0, zeroblob(32), 0, zeroblob(32));
-- Raw readings are let go before their records: up to pruned_seq none need be there.
INSERT INTO chains VALUES ('evidence', 0, zeroblob(32), 0, zeroblob(32));

-- What was let go, and whether anyone had not been told of it yet.
CREATE TABLE prunings (
    number INTEGER PRIMARY KEY,
    wall_ns INTEGER NOT NULL,
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    unsent TEXT NOT NULL
);

-- Who forwards the journal's records, and which of them each has settled.
CREATE TABLE outlets (
    outlet TEXT PRIMARY KEY,
    active INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE settled (
    outlet TEXT NOT NULL,
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    PRIMARY KEY (outlet, first_seq)
) WITHOUT ROWID;
CREATE TABLE set_aside (
    outlet TEXT NOT NULL,
    seq INTEGER NOT NULL,
    why TEXT NOT NULL,
    wall_ns INTEGER NOT NULL,
    PRIMARY KEY (outlet, seq)
) WITHOUT ROWID;

-- Rows written while the clock could not be trusted, and the time each was given once it could.
CREATE TABLE untrusted (
    seq INTEGER PRIMARY KEY
);
CREATE TABLE mended (
    seq INTEGER PRIMARY KEY,
    point_ns INTEGER NOT NULL UNIQUE
);

-- Small named values that survive a restart.
CREATE TABLE kept (
    name TEXT PRIMARY KEY,
    value BLOB NOT NULL,
    crc INTEGER NOT NULL
) WITHOUT ROWID;

-- Messages that could not be read, as they came: the newest of them.
CREATE TABLE quarantine (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    bytes INTEGER NOT NULL,
    code TEXT NOT NULL,
    fault TEXT NOT NULL,
    arrived_ns INTEGER NOT NULL
);
