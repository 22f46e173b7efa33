-- "tbrk": tells our file from any other database.
PRAGMA application_id = 0x7462726b;

-- One row a run: what runs are found and listed by. Read without touching the documents.
CREATE TABLE run (
    id                  INTEGER PRIMARY KEY,
    run                 TEXT NOT NULL UNIQUE,   -- UUID, as in the report
    started_at          TEXT NOT NULL,          -- RFC 3339, as in the report
    started_ms          INTEGER NOT NULL,       -- the same in milliseconds since 1970 UTC, to sort by
    machine             TEXT NOT NULL,
    port                TEXT NOT NULL,
    kind                TEXT NOT NULL,
    address             TEXT,
    permanent_address   TEXT,
    bus                 TEXT,
    driver              TEXT,
    firmware            TEXT,
    return_port         TEXT,
    placement           TEXT NOT NULL,
    cable               TEXT,
    segment             TEXT,
    port_label          TEXT,
    far_end             TEXT,
    plug                TEXT,
    note                TEXT,
    profile             TEXT NOT NULL,
    outcome             TEXT NOT NULL,
    location            TEXT NOT NULL,          -- places joined by commas
    rule                TEXT,                   -- the deciding one
    error_basis         TEXT,
    error_trials        INTEGER,
    errors              INTEGER,
    error_ratio         REAL,
    error_ratio_lower   REAL,
    error_ratio_upper   REAL,
    error_ratio_limit   REAL,
    frames_sent         INTEGER,
    frames_lost_on_wire INTEGER,
    loss_ratio          REAL,
    latency_clock       TEXT,
    latency_ns_p50      INTEGER,
    latency_ns_p99      INTEGER,
    link_mbps           INTEGER,
    link_flaps          INTEGER,
    program             TEXT NOT NULL
) STRICT;

CREATE INDEX run_by_time ON run (started_ms);
CREATE INDEX run_by_port ON run (port, started_ms);
CREATE INDEX run_by_port_label ON run (port_label, started_ms) WHERE port_label IS NOT NULL;
CREATE INDEX run_by_permanent_address ON run (permanent_address, started_ms) WHERE permanent_address IS NOT NULL;
CREATE INDEX run_by_cable ON run (cable, started_ms) WHERE cable IS NOT NULL;
CREATE INDEX run_by_outcome ON run (outcome, started_ms);
CREATE INDEX run_by_machine ON run (machine, started_ms);
CREATE INDEX run_by_placement ON run (placement, started_ms);
CREATE INDEX run_by_segment ON run (segment, started_ms) WHERE segment IS NOT NULL;
CREATE INDEX run_by_plug ON run (plug, started_ms) WHERE plug IS NOT NULL;

-- The whole report as one JSON document. A run that came in as CSV has none.
CREATE TABLE report (
    run_id   INTEGER PRIMARY KEY REFERENCES run (id) ON DELETE CASCADE,
    document TEXT NOT NULL
) STRICT;

-- One row a case, with what it is found by and the whole document.
CREATE TABLE case_document (
    id                INTEGER PRIMARY KEY,
    case_id           TEXT NOT NULL UNIQUE,     -- as in the document
    opened_at         TEXT NOT NULL,            -- RFC 3339
    changed_at        TEXT NOT NULL,            -- RFC 3339
    changed_ms        INTEGER NOT NULL,         -- the same in milliseconds since 1970 UTC
    port              TEXT NOT NULL,
    kind              TEXT NOT NULL,
    permanent_address TEXT,
    cable             TEXT NOT NULL,
    state             TEXT NOT NULL,
    outcome           TEXT NOT NULL,
    location          TEXT NOT NULL,            -- places joined by commas
    segment           TEXT,
    document          TEXT NOT NULL
) STRICT;

CREATE INDEX case_by_time ON case_document (changed_ms);
CREATE INDEX case_by_state ON case_document (state, cable);

-- Which runs a case rests on: those of an open case are not dropped.
CREATE TABLE case_run (
    case_id INTEGER NOT NULL REFERENCES case_document (id) ON DELETE CASCADE,
    run     TEXT NOT NULL,
    PRIMARY KEY (case_id, run)
) STRICT, WITHOUT ROWID;

CREATE INDEX case_by_run ON case_run (run);

-- The rule of retention that is applied after every kept run; no row: keep all.
CREATE TABLE retention (
    only         INTEGER PRIMARY KEY CHECK (only = 1),
    older_than_s INTEGER,
    keep         INTEGER
) STRICT;
