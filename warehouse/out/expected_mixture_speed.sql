-- out.expected_mixture_speed: the full-throttle lean error to expect, by engine speed.
--
-- Grain:  one row per expected_id and engine_speed_rpm, every 250 rpm.
-- Writes: flows/steps/expected.py
-- Units:  19 of 20 next bikes lie above lower_pct, 19 of 20 below upper_pct [%].
-- Nulls:  lower_pct and upper_pct where too few bikes tell.
CREATE TABLE IF NOT EXISTS out.expected_mixture_speed (
    expected_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    expected_error_pct DOUBLE NOT NULL,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    bikes BIGINT NOT NULL,
    PRIMARY KEY (expected_id, engine_speed_rpm)
);
