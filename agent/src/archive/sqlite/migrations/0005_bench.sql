-- Card tests and lots of the bench: whole documents, replaced at every change.
CREATE TABLE bench_document (
    id          INTEGER PRIMARY KEY,
    document_id TEXT NOT NULL UNIQUE,    -- UUID
    kind        TEXT NOT NULL,           -- card-test, lot
    label       TEXT NOT NULL,           -- of the card or lot
    lot         TEXT,                    -- of a card test: label of its lot; NULL for the reference card
    changed_ms  INTEGER NOT NULL,        -- milliseconds since 1970 UTC
    document    TEXT NOT NULL            -- JSON
) STRICT;

CREATE INDEX bench_document_by_label ON bench_document (kind, label);
