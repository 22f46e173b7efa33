-- What the fleet knows. Forward only: never edit a released file, add another.
--
-- Words (states, outcomes, kinds) are text without a list of allowed ones: a machine may be newer than the collector.
-- `number` is the machine's own counter: what has a lower one never replaces what has a higher one, whatever the clocks
-- say. `document` holds the JSON as it was sent, zstd-compressed.

-- Machines, and how they fared when they were last heard.
CREATE TABLE machine (
    id              integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site            text NOT NULL,
    name            text NOT NULL,
    -- When the broker took its newest heartbeat; before the first one, when it took the first document.
    heard_at        timestamptz NOT NULL,
    -- From the newest heartbeat; NULL before the first one.
    number          bigint NOT NULL DEFAULT 0,
    said_at         timestamptz,               -- when that was by the machine's own clock
    program         text,
    host            text,
    started_at      timestamptz,
    ports           integer,
    needs_attention integer,
    states          jsonb,                     -- ports that rounds choose, by state
    waiting         bigint,                    -- in the agent's outbox
    oldest_at       timestamptz,               -- the oldest that waits there
    given_up        bigint,
    troubles        text[],
    accepts_requests boolean NOT NULL DEFAULT false,
    UNIQUE (site, name)
) WITH (fillfactor = 50);                      -- written each minute: room for it beside the row


-- Every port as it stands.
CREATE TABLE port (
    id              integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    machine_id      integer NOT NULL REFERENCES machine,
    name            text NOT NULL,
    number          bigint NOT NULL DEFAULT 0, -- of the newest state; 0: known from a document only
    kind            text NOT NULL DEFAULT '',
    simulated       boolean NOT NULL DEFAULT false,
    label           text,
    cable           text,
    cabinet         text,
    spare           boolean NOT NULL DEFAULT false,
    permanent_address text,                    -- from the run below
    address_run     uuid,
    driver          text,
    bus             text,
    watched         boolean NOT NULL DEFAULT false,
    present         boolean NOT NULL DEFAULT true,
    forgotten       boolean NOT NULL DEFAULT false, -- the machine knows nothing of it any more
    state           text NOT NULL DEFAULT 'never-tested',
    since           timestamptz,
    why             text NOT NULL DEFAULT '',
    location        text NOT NULL DEFAULT '',  -- places among which a fault lies, joined by commas
    next_action     text,
    run             uuid,                      -- that the state rests on
    placement       text,                      -- where the plug was in that run
    proven_at       timestamptz,
    proof_ends_at   timestamptz,
    needs_attention boolean NOT NULL DEFAULT false,
    acknowledged_by text,
    open_case       uuid,
    UNIQUE (machine_id, name)
);

CREATE INDEX port_by_state ON port (state, machine_id);
CREATE INDEX port_in_need ON port (machine_id) WHERE needs_attention;
CREATE INDEX port_by_proof ON port (proof_ends_at) WHERE proof_ends_at IS NOT NULL;
CREATE INDEX port_by_cabinet ON port (cabinet, machine_id) WHERE cabinet IS NOT NULL;
-- Search by the beginning of a word, in capitals or not.
CREATE INDEX port_by_label ON port (lower(label) text_pattern_ops) WHERE label IS NOT NULL;
CREATE INDEX port_by_cable ON port (lower(cable) text_pattern_ops) WHERE cable IS NOT NULL;
CREATE INDEX port_by_address ON port (lower(permanent_address) text_pattern_ops) WHERE permanent_address IS NOT NULL;

-- Runs by month. An id is a UUID of version 7 and so begins with the time: the range of a month is a range of ids, and
-- the key on the id alone lets each run in once.
CREATE TABLE run (
    id                uuid NOT NULL,
    machine_id        integer NOT NULL,
    port_id           integer NOT NULL,
    started_at        timestamptz NOT NULL,    -- by the machine's clock
    received_at       timestamptz NOT NULL,    -- by the broker's clock
    kind              text NOT NULL,
    simulated         boolean NOT NULL,
    permanent_address text,
    port_label        text,
    cable             text,
    segment           text,
    far_end           text,
    plug              text,
    placement         text NOT NULL,
    profile           text NOT NULL,
    outcome           text NOT NULL,
    location          text NOT NULL,           -- places joined by commas
    rule              text,                    -- the deciding one
    error_ratio       double precision,
    error_ratio_upper double precision,
    loss_ratio        double precision,
    latency_ns_p50    bigint,
    link_mbps         integer,
    program           text NOT NULL,
    without_series    boolean NOT NULL,        -- the report was too large: its series stayed at the machine
    document          bytea NOT NULL,
    PRIMARY KEY (id)
) PARTITION BY RANGE (id);

-- It is compressed already.
ALTER TABLE run ALTER COLUMN document SET STORAGE EXTERNAL;

CREATE INDEX run_by_port ON run (port_id, id);
CREATE INDEX run_by_machine ON run (machine_id, id);
CREATE INDEX run_by_cable ON run (cable, id) WHERE cable IS NOT NULL;
CREATE INDEX run_by_address ON run (permanent_address, id) WHERE permanent_address IS NOT NULL;
CREATE INDEX run_with_fault ON run (id) WHERE outcome = 'fault';

-- Ids that hold no time, or one far from today.
CREATE TABLE run_at_odd_times PARTITION OF run DEFAULT;

-- Changes of ports' states by month.
CREATE TABLE state_change (
    id          uuid NOT NULL,
    machine_id  integer NOT NULL,
    port_id     integer NOT NULL,
    at          timestamptz NOT NULL,          -- by the machine's clock
    received_at timestamptz NOT NULL,          -- by the broker's clock
    from_state  text NOT NULL,
    to_state    text NOT NULL,
    why         text NOT NULL,
    PRIMARY KEY (id)
) PARTITION BY RANGE (id);

CREATE INDEX state_change_by_port ON state_change (port_id, id);
CREATE TABLE state_change_at_odd_times PARTITION OF state_change DEFAULT;

-- Cases, card tests and lots: the latest revision of each.
CREATE TABLE case_document (
    id          uuid PRIMARY KEY,
    machine_id  integer NOT NULL REFERENCES machine,
    port_id     integer NOT NULL REFERENCES port,
    number      bigint NOT NULL,
    opened_at   timestamptz NOT NULL,
    changed_at  timestamptz NOT NULL,
    received_at timestamptz NOT NULL,
    cable       text NOT NULL,
    state       text NOT NULL,
    outcome     text NOT NULL,
    location    text NOT NULL,
    segment     text,
    document    bytea NOT NULL
);

ALTER TABLE case_document ALTER COLUMN document SET STORAGE EXTERNAL;
CREATE INDEX case_by_port ON case_document (port_id, changed_at);
CREATE INDEX case_by_cable ON case_document (cable, changed_at);
CREATE INDEX case_by_state ON case_document (state, changed_at);

CREATE TABLE card_test (
    id          uuid PRIMARY KEY,
    machine_id  integer NOT NULL REFERENCES machine,
    number      bigint NOT NULL,
    label       text NOT NULL,
    lot         text,
    serial      text,
    addresses   text[] NOT NULL,               -- burnt into the card, one a port
    grade       text NOT NULL,
    outcome     text NOT NULL,
    started_at  timestamptz NOT NULL,
    changed_at  timestamptz NOT NULL,
    received_at timestamptz NOT NULL,
    document    bytea NOT NULL
);

ALTER TABLE card_test ALTER COLUMN document SET STORAGE EXTERNAL;
CREATE INDEX card_test_by_serial ON card_test (lower(serial) text_pattern_ops) WHERE serial IS NOT NULL;
CREATE INDEX card_test_by_label ON card_test (lower(label) text_pattern_ops);
CREATE INDEX card_test_by_lot ON card_test (lot, changed_at) WHERE lot IS NOT NULL;
CREATE INDEX card_test_by_address ON card_test USING gin (addresses);

CREATE TABLE lot (
    id          uuid PRIMARY KEY,
    machine_id  integer NOT NULL REFERENCES machine,
    number      bigint NOT NULL,
    label       text NOT NULL,
    outcome     text NOT NULL,
    quantity    integer NOT NULL,
    opened_at   timestamptz NOT NULL,
    changed_at  timestamptz NOT NULL,
    received_at timestamptz NOT NULL,
    document    bytea NOT NULL
);

ALTER TABLE lot ALTER COLUMN document SET STORAGE EXTERNAL;
CREATE INDEX lot_by_label ON lot (lower(label) text_pattern_ops);

-- Messages that no collector could take, whole, with the reason.
CREATE TABLE poison (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    subject         text NOT NULL,
    message_id      text NOT NULL,             -- empty where the message had none
    stream_sequence bigint NOT NULL,
    published_at    timestamptz NOT NULL,      -- by the broker's clock
    set_aside_at    timestamptz NOT NULL DEFAULT now(),
    tries           integer NOT NULL,
    reason          text NOT NULL,
    headers         jsonb NOT NULL,
    payload         bytea NOT NULL,
    -- A stream that was made anew counts from 1 again.
    UNIQUE (stream_sequence, published_at)
);

-- Changes that are to be announced and are in no announcement yet. Written with the change itself.
CREATE TABLE unannounced (
    change_id   uuid PRIMARY KEY,
    port_id     integer NOT NULL,
    from_state  text NOT NULL,
    to_state    text NOT NULL,
    why         text NOT NULL,
    at          timestamptz NOT NULL,
    received_at timestamptz NOT NULL
);

CREATE INDEX unannounced_by_time ON unannounced (received_at);

-- Announcements on their way to targets, and those that were delivered: one row for each target.
CREATE TABLE announcement (
    id          uuid NOT NULL,
    target      text NOT NULL,
    made_at     timestamptz NOT NULL DEFAULT now(),
    changes     integer NOT NULL,              -- how many it lists
    document    jsonb NOT NULL,
    attempts    integer NOT NULL DEFAULT 0,
    next_try_at timestamptz NOT NULL DEFAULT now(),
    last_error  text,
    sent_at     timestamptz,
    PRIMARY KEY (id, target)
);

CREATE INDEX announcement_waiting ON announcement (next_try_at) WHERE sent_at IS NULL;

-- Who may use the fleet's page and API. Of a token its SHA-256 digest is kept.
CREATE TABLE view_token (
    name         text PRIMARY KEY,
    role         text NOT NULL,                -- read, write
    digest       bytea NOT NULL UNIQUE,
    made_by      text NOT NULL,
    made_at      timestamptz NOT NULL DEFAULT now(),
    last_used_at timestamptz
);

-- What people asked of agents, and what became of it.
CREATE TABLE request (
    id          uuid PRIMARY KEY,
    machine_id  integer NOT NULL REFERENCES machine,
    port        text NOT NULL,
    document    jsonb NOT NULL,                -- what is asked for
    asked_by    text NOT NULL,
    asked_at    timestamptz NOT NULL DEFAULT now(),
    state       text NOT NULL,                 -- asked, accepted, refused, done, lost
    answer      text,                          -- in words
    progress    jsonb,
    run         uuid,
    changed_at  timestamptz NOT NULL DEFAULT now()
);

CREATE INDEX request_by_time ON request (asked_at);
CREATE INDEX request_by_machine ON request (machine_id, asked_at);

-- The lowest id of version 7 that a moment can have.
CREATE FUNCTION lowest_id(moment timestamptz) RETURNS uuid
LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
    SELECT (lpad(to_hex(floor(extract(epoch FROM moment) * 1000)::bigint), 12, '0') || repeat('0', 20))::uuid
$$;

-- Makes the partitions of the month that holds this moment, unless they are there. What was put among the odd times
-- before that moves over.
CREATE FUNCTION make_month(moment timestamptz) RETURNS boolean
LANGUAGE plpgsql AS $$
DECLARE
    first timestamptz := date_trunc('month', moment AT TIME ZONE 'UTC') AT TIME ZONE 'UTC';
    next timestamptz := (date_trunc('month', moment AT TIME ZONE 'UTC') + interval '1 month') AT TIME ZONE 'UTC';
    month text := to_char(moment AT TIME ZONE 'UTC', 'YYYY_MM');
    made boolean := false;
    parent text;
    part text;
BEGIN
    -- Two collectors must not make the same month.
    PERFORM pg_advisory_xact_lock(7440, 1);
    FOREACH parent IN ARRAY ARRAY['run', 'state_change'] LOOP
        part := parent || '_' || month;
        CONTINUE WHEN to_regclass(part) IS NOT NULL;
        EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING STORAGE)', part, parent);
        EXECUTE format('LOCK TABLE %I IN ACCESS EXCLUSIVE MODE', parent || '_at_odd_times');
        EXECUTE format('WITH moved AS (DELETE FROM %I WHERE id >= %L AND id < %L RETURNING *) INSERT INTO %I SELECT * '
            'FROM moved', parent || '_at_odd_times', lowest_id(first), lowest_id(next), part);
        EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', parent, part,
            lowest_id(first), lowest_id(next));
        made := true;
    END LOOP;
    RETURN made;
END
$$;

-- Drops what is older, by whole months, and what lies among the odd times and was received earlier. Returns the names
-- of dropped partitions.
CREATE FUNCTION drop_before(parent text, moment timestamptz) RETURNS SETOF text
LANGUAGE plpgsql AS $$
DECLARE
    last text := to_char(moment AT TIME ZONE 'UTC', 'YYYY_MM');
    part text;
BEGIN
    PERFORM pg_advisory_xact_lock(7440, 1);
    FOR part IN
        SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
        WHERE i.inhparent = to_regclass(parent) AND c.relname ~ ('^' || parent || '_[0-9]{4}_[0-9]{2}$')
            AND right(c.relname, 7) < last
        ORDER BY c.relname
    LOOP
        EXECUTE format('DROP TABLE %I', part);
        RETURN NEXT part;
    END LOOP;
    EXECUTE format('DELETE FROM %I WHERE received_at < %L', parent || '_at_odd_times', moment);
END
$$;
