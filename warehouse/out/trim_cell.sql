-- out.trim_cell: the fuel that the ECU's trims add in closed loop: what the base map lacks there.
--
-- Grain:  one row per stage_id, throttle_from_pct and speed_from_rpm seen in closed loop.
-- Writes: flows/steps/rides.py
-- Units:  trim_pct: short and long together, positive adds fuel, a lean base map [%].
-- Nulls:  long_trim_pct where it was not logged.
CREATE TABLE IF NOT EXISTS out.trim_cell (
    stage_id VARCHAR NOT NULL,
    throttle_from_pct DOUBLE NOT NULL,
    throttle_to_pct DOUBLE NOT NULL,
    speed_from_rpm DOUBLE NOT NULL,
    speed_to_rpm DOUBLE NOT NULL,
    throttle_mean_pct DOUBLE NOT NULL,
    speed_mean_rpm DOUBLE NOT NULL,
    trim_pct DOUBLE NOT NULL,
    trim_se_pct DOUBLE NOT NULL,
    trim_lower_pct DOUBLE NOT NULL,
    trim_upper_pct DOUBLE NOT NULL,
    long_trim_pct DOUBLE,
    dwell_s DOUBLE NOT NULL,
    hits BIGINT NOT NULL,
    PRIMARY KEY (stage_id, throttle_from_pct, speed_from_rpm)
);
