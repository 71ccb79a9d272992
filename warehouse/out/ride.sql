-- out.ride: each road log, how much of it is evidence, and the delay that was taken out.
--
-- Grain:  one row per ride_id.
-- Writes: flows/steps/rides.py
CREATE TABLE IF NOT EXISTS out.ride (
    ride_id VARCHAR PRIMARY KEY,
    stage_id VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    duration_s DOUBLE NOT NULL,
    steady_s DOUBLE NOT NULL,
    in_band_share DOUBLE,
    delay_s DOUBLE,
    delay_origin VARCHAR NOT NULL,
    probe_place VARCHAR,
    trouble VARCHAR NOT NULL,
    notes VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
