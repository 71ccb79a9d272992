-- out.need_member: the stages behind each remap need.
--
-- Grain:  one row per need_id and stage_id.
-- Writes: flows/steps/need.py
CREATE TABLE IF NOT EXISTS out.need_member (
    need_id VARCHAR NOT NULL,
    stage_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    worst_lean_error_pct DOUBLE,
    worst_speed_rpm DOUBLE,
    level VARCHAR NOT NULL,
    PRIMARY KEY (need_id, stage_id)
);
