-- out.stage_cruise: the part-throttle mixture of a stage in one line, all its rides together.
--
-- Grain:  one row per stage_id that has a ride.
-- Writes: flows/steps/rides.py
CREATE TABLE IF NOT EXISTS out.stage_cruise (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    rides BIGINT NOT NULL,
    steady_s DOUBLE NOT NULL,
    in_band_share DOUBLE,
    cells BIGINT NOT NULL,
    worst_lean_error_pct DOUBLE,
    worst_throttle_pct DOUBLE,
    worst_speed_rpm DOUBLE,
    made_from VARCHAR NOT NULL
);
