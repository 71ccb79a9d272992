-- out.same_ride: rides that are one, exported more than once, in another layout, rate or name.
--
-- Grain:  one row per ride_id and kept_ride_id; of each pair the one that tells more counts.
-- Reads:  core.ride, raw.reading
-- Writes: flows/steps/ride_repeats.py
CREATE TABLE IF NOT EXISTS out.same_ride (
    ride_id VARCHAR NOT NULL,
    kept_ride_id VARCHAR NOT NULL,
    PRIMARY KEY (ride_id, kept_ride_id)
);
