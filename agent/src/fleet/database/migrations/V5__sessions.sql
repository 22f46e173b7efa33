-- Sessions that people opened in a browser with a token of the page: so they outlive a process that serves it, and count
-- in each of several. Of a session's name its SHA-256 digest is kept. It ends with its token.
CREATE TABLE view_session (
    digest    bytea PRIMARY KEY,
    token     bytea NOT NULL REFERENCES view_token (digest) ON DELETE CASCADE,
    opened_at timestamptz NOT NULL,
    ends_at   timestamptz NOT NULL
);

CREATE INDEX view_session_by_token ON view_session (token);
