-- What the daemon must not forget.

-- One row a port: what is held of it, its charts, what is dealt with. One JSON document (PortMemory), read at start.
CREATE TABLE watched_port (
    port     TEXT PRIMARY KEY,
    document TEXT NOT NULL
) STRICT;

-- Changes of a port's state.
CREATE TABLE state_change (
    id       INTEGER PRIMARY KEY,
    port     TEXT NOT NULL,
    at_ms    INTEGER NOT NULL,       -- milliseconds since 1970 UTC
    document TEXT NOT NULL           -- JSON
) STRICT;

CREATE INDEX state_change_by_port ON state_change (port, id);

-- Announcements that are not delivered yet, one row for each target.
CREATE TABLE outbox (
    id          TEXT NOT NULL,       -- of the announcement
    target      TEXT NOT NULL,
    port        TEXT NOT NULL,
    at_ms       INTEGER NOT NULL,
    document    TEXT NOT NULL,       -- JSON, as it is told
    attempts    INTEGER NOT NULL,
    next_try_ms INTEGER NOT NULL,
    last_error  TEXT,
    PRIMARY KEY (id, target)
) STRICT;

-- Drawn once: delays are drawn from it.
CREATE TABLE agent_seed (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    seed INTEGER NOT NULL            -- 64 bits, as a signed number
) STRICT;
