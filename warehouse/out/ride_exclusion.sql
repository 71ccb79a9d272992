-- out.ride_exclusion: the time of each ride that is not evidence, by reason.
--
-- Grain:  one row per ride_id and exclusion_reason.
-- Writes: flows/steps/rides.py
CREATE TABLE IF NOT EXISTS out.ride_exclusion (
    ride_id VARCHAR NOT NULL,
    exclusion_reason VARCHAR NOT NULL,
    excluded_s DOUBLE NOT NULL,
    PRIMARY KEY (ride_id, exclusion_reason)
);
