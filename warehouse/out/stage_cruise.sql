-- out.stage_cruise: the part-throttle mixture of a stage in one line, all its rides together.
--
-- Grain:  one row per stage_id that has a ride.
-- Writes: flows/steps/rides.py
-- Units:  covered_share: of the cells from 2 % throttle and 1,000 rpm up to the fastest speed
--         logged, those seen for 2 s [1]; lean_tip_ins, rich_lift_offs: at warn level and beyond.
CREATE TABLE IF NOT EXISTS out.stage_cruise (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    rides BIGINT NOT NULL,
    steady_s DOUBLE NOT NULL,
    in_band_share DOUBLE,
    closed_loop_s DOUBLE NOT NULL,
    cells BIGINT NOT NULL,
    covered_share DOUBLE,
    tip_ins BIGINT NOT NULL,
    lean_tip_ins BIGINT NOT NULL,
    lift_offs BIGINT NOT NULL,
    rich_lift_offs BIGINT NOT NULL,
    worst_lean_error_pct DOUBLE,
    worst_throttle_pct DOUBLE,
    worst_speed_rpm DOUBLE,
    made_from VARCHAR NOT NULL
);
