-- out.cruise_cell: the steady part-throttle mixture of a stage on throttle and engine speed.
--
-- Grain:  one row per stage_id, is_closed_loop, throttle_from_pct and speed_from_rpm visited.
-- Writes: flows/steps/rides.py
-- Units:  lean_error_pct against the edge of the wanted band at this opening: 0 inside it [%];
--         lambda_se leaves the gauge's own accuracy out, lambda_lower and lambda_upper hold it;
--         lambda_lower also what outside air in a tailpipe may have added.
-- Nulls:  long_trim_pct where it was not logged.
CREATE TABLE IF NOT EXISTS out.cruise_cell (
    stage_id VARCHAR NOT NULL,
    is_closed_loop BOOLEAN NOT NULL,
    throttle_from_pct DOUBLE NOT NULL,
    throttle_to_pct DOUBLE NOT NULL,
    speed_from_rpm DOUBLE NOT NULL,
    speed_to_rpm DOUBLE NOT NULL,
    throttle_mean_pct DOUBLE NOT NULL,
    speed_mean_rpm DOUBLE NOT NULL,
    lambda_median DOUBLE NOT NULL,
    lambda_spread DOUBLE NOT NULL,
    lambda_se DOUBLE NOT NULL,
    lambda_lower DOUBLE NOT NULL,
    lambda_upper DOUBLE NOT NULL,
    effective_samples DOUBLE NOT NULL,
    target_low DOUBLE NOT NULL,
    target_high DOUBLE NOT NULL,
    lean_error_pct DOUBLE NOT NULL,
    dwell_s DOUBLE NOT NULL,
    hits BIGINT NOT NULL,
    in_band_share DOUBLE NOT NULL,
    outside_air_most_pct DOUBLE NOT NULL,
    long_trim_pct DOUBLE,
    PRIMARY KEY (stage_id, is_closed_loop, throttle_from_pct, speed_from_rpm)
);
