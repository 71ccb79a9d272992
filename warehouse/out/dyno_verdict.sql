-- out.dyno_verdict: the dyno's state in sentences, each with its figures.
--
-- Grain:  one row per verdict_no.
-- Writes: flows/steps/stability.py
CREATE TABLE IF NOT EXISTS out.dyno_verdict (
    verdict_no BIGINT PRIMARY KEY,
    subject VARCHAR NOT NULL,
    is_of_dyno BOOLEAN NOT NULL,
    state VARCHAR NOT NULL CHECK (state IN ('good', 'watch', 'act', 'unknown')),
    told VARCHAR NOT NULL,
    figure DOUBLE,
    figure_lower DOUBLE,
    figure_upper DOUBLE,
    made_from VARCHAR NOT NULL
);
