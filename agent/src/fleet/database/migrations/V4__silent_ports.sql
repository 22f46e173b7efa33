-- Of a port whose machine is silent nobody knows how it stands: what it told last counts no more, unless that was bad.

-- Whether a machine that was last heard then missed three heartbeats.
CREATE FUNCTION is_silent(heard_at timestamptz) RETURNS boolean
LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT heard_at < now() - interval '200 seconds'
$$;

-- Whether a port is shown as silent, whatever it told last.
CREATE FUNCTION is_unknown(told text, heard_at timestamptz) RETURNS boolean
LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT is_silent(heard_at) AND state_rank(told) > 3
$$;

-- The state that is shown of a port; told is what its machine told last.
CREATE FUNCTION shown_state(told text, heard_at timestamptz) RETURNS text
LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT CASE WHEN is_unknown(told, heard_at) THEN 'silent' ELSE told END
$$;
