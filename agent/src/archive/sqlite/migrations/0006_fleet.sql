-- Documents and changes on their way to the fleet: ids only, the records hold the rest. Each is entered in the
-- transaction that records it, whichever program does that.
CREATE TABLE fleet_outbox (
    number     INTEGER PRIMARY KEY AUTOINCREMENT, -- never used again: one that waited and one entered anew differ
    kind       TEXT NOT NULL,           -- run, case, card-test, lot, change
    document   TEXT NOT NULL,           -- id of the document; of a change the id of its row
    entered_ms INTEGER NOT NULL,        -- milliseconds since 1970 UTC
    UNIQUE (kind, document)
) STRICT;

-- One row while this machine belongs to a fleet, none otherwise: then nothing is entered.
CREATE TABLE fleet_member (
    only   INTEGER PRIMARY KEY CHECK (only = 1),
    host   TEXT NOT NULL,               -- the machine's name in its own reports: what was imported is not ours to send
    number INTEGER NOT NULL             -- no message had a higher number
) STRICT;

CREATE TRIGGER fleet_run AFTER INSERT ON report
WHEN EXISTS (SELECT 1 FROM fleet_member JOIN run ON run.machine = fleet_member.host WHERE run.id = NEW.run_id)
BEGIN
    INSERT INTO fleet_outbox (kind, document, entered_ms)
        SELECT 'run', run.run, CAST(unixepoch('subsec') * 1000 AS INTEGER) FROM run WHERE run.id = NEW.run_id
            AND NOT EXISTS (SELECT 1 FROM fleet_outbox WHERE kind = 'run' AND document = run.run);
END;

CREATE TRIGGER fleet_change AFTER INSERT ON state_change
WHEN EXISTS (SELECT 1 FROM fleet_member)
BEGIN
    INSERT INTO fleet_outbox (kind, document, entered_ms)
        VALUES ('change', NEW.id, CAST(unixepoch('subsec') * 1000 AS INTEGER));
END;

-- A document that changes goes to the end of the line: whoever has read its old entry strikes out that one alone.
CREATE TRIGGER fleet_case_new AFTER INSERT ON case_document
WHEN EXISTS (SELECT 1 FROM fleet_member)
BEGIN
    DELETE FROM fleet_outbox WHERE kind = 'case' AND document = NEW.case_id;
    INSERT INTO fleet_outbox (kind, document, entered_ms)
        VALUES ('case', NEW.case_id, CAST(unixepoch('subsec') * 1000 AS INTEGER));
END;

CREATE TRIGGER fleet_case_changed AFTER UPDATE OF document ON case_document
WHEN EXISTS (SELECT 1 FROM fleet_member)
BEGIN
    DELETE FROM fleet_outbox WHERE kind = 'case' AND document = NEW.case_id;
    INSERT INTO fleet_outbox (kind, document, entered_ms)
        VALUES ('case', NEW.case_id, CAST(unixepoch('subsec') * 1000 AS INTEGER));
END;

CREATE TRIGGER fleet_bench_new AFTER INSERT ON bench_document
WHEN EXISTS (SELECT 1 FROM fleet_member)
BEGIN
    DELETE FROM fleet_outbox WHERE kind = NEW.kind AND document = NEW.document_id;
    INSERT INTO fleet_outbox (kind, document, entered_ms)
        VALUES (NEW.kind, NEW.document_id, CAST(unixepoch('subsec') * 1000 AS INTEGER));
END;

CREATE TRIGGER fleet_bench_changed AFTER UPDATE OF document ON bench_document
WHEN EXISTS (SELECT 1 FROM fleet_member)
BEGIN
    DELETE FROM fleet_outbox WHERE kind = NEW.kind AND document = NEW.document_id;
    INSERT INTO fleet_outbox (kind, document, entered_ms)
        VALUES (NEW.kind, NEW.document_id, CAST(unixepoch('subsec') * 1000 AS INTEGER));
END;
