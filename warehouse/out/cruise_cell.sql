-- out.cruise_cell: the steady part-throttle mixture of a stage on throttle and engine speed.
--
-- Grain:  one row per stage_id, throttle_from_pct and speed_from_rpm that was visited.
-- Writes: flows/steps/rides.py
-- Units:  lean_error_pct against the edge of the cruise band: 0 inside it [%].
CREATE TABLE IF NOT EXISTS out.cruise_cell (
    stage_id VARCHAR NOT NULL,
    throttle_from_pct DOUBLE NOT NULL,
    throttle_to_pct DOUBLE NOT NULL,
    speed_from_rpm DOUBLE NOT NULL,
    speed_to_rpm DOUBLE NOT NULL,
    lambda_median DOUBLE NOT NULL,
    lambda_spread DOUBLE NOT NULL,
    lean_error_pct DOUBLE NOT NULL,
    dwell_s DOUBLE NOT NULL,
    hits BIGINT NOT NULL,
    in_band_share DOUBLE NOT NULL,
    PRIMARY KEY (stage_id, throttle_from_pct, speed_from_rpm)
);
