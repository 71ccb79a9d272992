-- core.stage: one state of a bike within a job, in order.
--
-- Grain:  one row per stage_id.
-- Writes: flows/steps/link.py
-- Units:  gear [1], target_lambda [1].
-- Nulls:  what the card does not say; without target_lambda the shop's own target holds.
CREATE TABLE IF NOT EXISTS core.stage (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    stage_no BIGINT NOT NULL,
    stage_name VARCHAR NOT NULL,
    build_id VARCHAR NOT NULL,
    mounting VARCHAR NOT NULL,
    map_from BIGINT,
    gear BIGINT,
    tyre VARCHAR,
    dyno VARCHAR,
    target_lambda DOUBLE,
    suggestion_entered BOOLEAN NOT NULL
);
