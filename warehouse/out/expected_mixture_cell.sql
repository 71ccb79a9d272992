-- out.expected_mixture_cell: the part-throttle lean error to expect, by throttle and engine speed.
--
-- Grain:  one row per expected_id, throttle_from_pct and speed_from_rpm that a bike so built rode.
-- Writes: flows/steps/expected.py
-- Units:  speeds are an eighth of the speed at peak power wide [rpm]; errors are against the wanted
--         band, 0 inside it [%].
-- Nulls:  lower_pct and upper_pct where too few bikes tell.
CREATE TABLE IF NOT EXISTS out.expected_mixture_cell (
    expected_id VARCHAR NOT NULL,
    throttle_from_pct DOUBLE NOT NULL,
    throttle_to_pct DOUBLE NOT NULL,
    speed_from_rpm DOUBLE NOT NULL,
    speed_to_rpm DOUBLE NOT NULL,
    expected_error_pct DOUBLE NOT NULL,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    bikes BIGINT NOT NULL,
    PRIMARY KEY (expected_id, throttle_from_pct, speed_from_rpm)
);
