-- core.pull: one full-throttle run that belongs to a stage, with what its file says of it.
--
-- Grain:  one row per pull_id (one file's bytes are one pull, however often they were dropped).
-- Writes: flows/steps/link.py
-- Units:  as in schemas/columns.py.
-- Nulls:  what the file did not say; set_aside_reason where no person set the pull aside.
CREATE TABLE IF NOT EXISTS core.pull (
    pull_id VARCHAR PRIMARY KEY,
    stage_id VARCHAR NOT NULL,
    pull_no BIGINT NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    equipment VARCHAR NOT NULL,
    read_with VARCHAR NOT NULL,
    started_at TIMESTAMP,
    rows_kept BIGINT NOT NULL,
    rows_rejected BIGINT NOT NULL,
    power_state VARCHAR NOT NULL,
    file_standard VARCHAR,
    file_factor DOUBLE,
    ambient_temp_k DOUBLE,
    ambient_pressure_pa DOUBLE,
    ambient_humidity_pct DOUBLE,
    probe_place VARCHAR,
    probe_delay_s DOUBLE,
    is_delay_assumed BOOLEAN,
    file_gear BIGINT,
    set_aside_reason VARCHAR,
    set_aside_by VARCHAR
);
