-- out.map_revision_bike: the latest stage of each bike on a map revision.
--
-- Grain:  one row per map_id and stage_id.
-- Writes: flows/steps/map_revisions.py
CREATE TABLE IF NOT EXISTS out.map_revision_bike (
    map_id VARCHAR NOT NULL,
    stage_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    job_id VARCHAR NOT NULL,
    parts_key VARCHAR NOT NULL,
    level VARCHAR NOT NULL,
    PRIMARY KEY (map_id, stage_id)
);
