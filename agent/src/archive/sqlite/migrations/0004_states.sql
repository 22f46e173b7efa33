-- States say more than `unknown`: never tested, expired or undecided. What a state rests on is kept with it.
UPDATE state_change SET document = json_set(document, '$.to',
    CASE WHEN json_extract(document, '$.why') = 'the proof is too old' THEN 'expired' ELSE 'undecided' END)
WHERE json_valid(document) AND json_extract(document, '$.to') = 'unknown';

UPDATE state_change SET document = json_set(document, '$.from', coalesce(
    (SELECT json_extract(before.document, '$.to') FROM state_change AS before
        WHERE before.port = state_change.port AND before.id < state_change.id ORDER BY before.id DESC LIMIT 1),
    'never-tested'))
WHERE json_valid(document) AND json_extract(document, '$.from') = 'unknown';

UPDATE watched_port SET document = json_set(document, '$.standing.state', CASE
    WHEN json_extract(document, '$.standing.since_ms') = 0 THEN 'never-tested'
    WHEN json_extract(document, '$.standing.why') = 'the proof is too old' THEN 'expired'
    ELSE 'undecided' END)
WHERE json_valid(document) AND json_extract(document, '$.standing.state') = 'unknown';

-- A proof rests on the last run that passed. Where the chip alone passed, the port is not proven.
UPDATE watched_port SET document = json_set(document, '$.standing.rests_on', json((
    SELECT json_object('placement', run.placement, 'speed', CASE WHEN run.link_mbps IS NOT NULL
        THEN run.link_mbps || ' Mb/s' END, 'profile', run.profile, 'run', run.run,
        'at_ms', json_extract(watched_port.document, '$.standing.proven_ms'))
    FROM run WHERE run.port = watched_port.port AND run.outcome = 'pass' ORDER BY run.started_ms DESC LIMIT 1)))
WHERE json_valid(document) AND json_extract(document, '$.standing.state') = 'proven'
    AND EXISTS (SELECT 1 FROM run WHERE run.port = watched_port.port AND run.outcome = 'pass');

UPDATE watched_port SET document = json_set(document, '$.standing.state', 'chip-proven', '$.standing.proven_ms', NULL)
WHERE json_valid(document) AND json_extract(document, '$.standing.state') = 'proven'
    AND json_extract(document, '$.standing.rests_on.placement') = 'internal';

-- Where a fault was found was not kept: taken to be with the plug at the port.
UPDATE watched_port SET document = json_set(document, '$.standing.trouble_at', 'at-port')
WHERE json_valid(document) AND json_extract(document, '$.standing.state') IN ('suspect', 'failed');

-- Documents of the agent itself, by name: what waits in its queue, pauses, tokens and sessions.
CREATE TABLE agent_note (
    name     TEXT PRIMARY KEY,
    document TEXT NOT NULL           -- JSON
) STRICT;

-- What people did: asked for a check, acknowledged, muted, paused.
CREATE TABLE action (
    id       INTEGER PRIMARY KEY,
    at_ms    INTEGER NOT NULL,       -- milliseconds since 1970 UTC
    document TEXT NOT NULL           -- JSON
) STRICT;

-- Announcements that targets have accepted.
CREATE TABLE sent (
    id       INTEGER PRIMARY KEY,
    sent_ms  INTEGER NOT NULL,       -- milliseconds since 1970 UTC
    announcement TEXT NOT NULL,      -- its id
    target   TEXT NOT NULL,
    port     TEXT NOT NULL,
    at_ms    INTEGER NOT NULL,
    attempts INTEGER NOT NULL,
    document TEXT NOT NULL           -- JSON, as it was told
) STRICT;
