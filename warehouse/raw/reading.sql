-- raw.reading: what came of reading each file: read, refused, or of a layout nobody has taught.
--
-- Grain:  one row per file_sha256 (cards are not readings).
-- Writes: flows/steps/read.py
-- Nulls:  layout is null when none matched; sample_path when nothing was kept.
CREATE TABLE IF NOT EXISTS raw.reading (
    file_sha256 VARCHAR PRIMARY KEY,
    sample_id VARCHAR NOT NULL,
    state VARCHAR NOT NULL CHECK (state IN ('read', 'refused', 'untaught')),
    layout VARCHAR,
    layout_kind VARCHAR,
    equipment VARCHAR,
    read_with VARCHAR NOT NULL,
    recognised_with VARCHAR NOT NULL,
    reason_code VARCHAR NOT NULL,
    reason VARCHAR,
    rows_read BIGINT NOT NULL,
    rows_kept BIGINT NOT NULL,
    rows_rejected BIGINT NOT NULL,
    facts VARCHAR NOT NULL,
    sample_path VARCHAR
);
