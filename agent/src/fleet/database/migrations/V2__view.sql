-- What the fleet's page asks for.

-- The place of a state in a list: the worst first. A state that this program does not know stands after the bad ones.
CREATE FUNCTION state_rank(state text) RETURNS smallint
LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
    SELECT (CASE state
        WHEN 'failed' THEN 0 WHEN 'suspect' THEN 1 WHEN 'gone' THEN 2 WHEN 'undecided' THEN 3 WHEN 'expired' THEN 4
        WHEN 'never-tested' THEN 5 WHEN 'chip-proven' THEN 6 WHEN 'skipped' THEN 7 WHEN 'proven' THEN 8
        ELSE 4 END)::smallint
$$;

CREATE INDEX port_by_rank ON port (state_rank(state), id) WHERE NOT forgotten;
CREATE INDEX port_in_need_by_rank ON port (state_rank(state), since) WHERE needs_attention AND NOT forgotten;
CREATE INDEX port_watched_by_proof ON port (proof_ends_at) WHERE watched AND NOT forgotten AND proof_ends_at IS NOT NULL;
CREATE INDEX port_by_word ON port (lower(name) text_pattern_ops);
CREATE INDEX port_by_cabinet_word ON port (lower(cabinet) text_pattern_ops) WHERE cabinet IS NOT NULL;
CREATE INDEX machine_by_word ON machine (lower(name) text_pattern_ops);
CREATE INDEX machine_by_site_word ON machine (lower(site) text_pattern_ops);
CREATE INDEX machine_by_heard ON machine (heard_at);

-- Failures of the last day, by when the broker had them: a machine may come back with those of a week.
CREATE INDEX state_change_to_worse ON state_change (received_at)
    WHERE to_state IN ('failed', 'suspect', 'gone', 'undecided');
CREATE INDEX card_test_by_change ON card_test (changed_at);
