-- out.ride: each road log, how much of it is evidence, and the delay that was taken out.
--
-- Grain:  one row per ride_id.
-- Writes: flows/steps/rides.py
-- Units:  delay_s: transport and the probe's lag together; the middle one where it falls with
--         flow [s].
-- Nulls:  delay_lower_s, delay_upper_s and probe_lag_s where the log's throttle movements did not
--         tell; delay_by_log_s where they do not correlate with the mixture.
CREATE TABLE IF NOT EXISTS out.ride (
    ride_id VARCHAR PRIMARY KEY,
    stage_id VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    duration_s DOUBLE NOT NULL,
    steady_s DOUBLE NOT NULL,
    in_band_share DOUBLE,
    closed_loop_s DOUBLE NOT NULL,
    lambda_from VARCHAR NOT NULL,
    delay_s DOUBLE,
    delay_lower_s DOUBLE,
    delay_upper_s DOUBLE,
    probe_lag_s DOUBLE,
    probe_moves BIGINT NOT NULL,
    delay_origin VARCHAR NOT NULL,
    delay_by_log_s DOUBLE,
    probe_place VARCHAR,
    trouble VARCHAR,
    notes VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
