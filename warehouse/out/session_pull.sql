-- out.session_pull: where each pull of a session stands against the others.
--
-- Grain:  one row per pull_id that counts in a session.
-- Writes: flows/steps/sessions.py
-- Units:  level_pct: mean power against the session's own [%]; weight: what the pull counts in the
--         session's mean, 1 in full [1].
CREATE TABLE IF NOT EXISTS out.session_pull (
    pull_id VARCHAR PRIMARY KEY,
    stage_id VARCHAR NOT NULL,
    level_pct DOUBLE,
    weight DOUBLE NOT NULL,
    odd VARCHAR
);
