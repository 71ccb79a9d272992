-- core.ride: one road log that belongs to a stage.
--
-- Grain:  one row per ride_id.
-- Writes: flows/steps/link.py
CREATE TABLE IF NOT EXISTS core.ride (
    ride_id VARCHAR PRIMARY KEY,
    stage_id VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    equipment VARCHAR NOT NULL,
    read_with VARCHAR NOT NULL,
    started_at TIMESTAMP,
    rows_kept BIGINT NOT NULL,
    rows_rejected BIGINT NOT NULL,
    probe_place VARCHAR,
    probe_delay_s DOUBLE,
    is_delay_assumed BOOLEAN
);
