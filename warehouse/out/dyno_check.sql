-- out.dyno_check: each session of the control bike, and what it says of the dyno that day.
--
-- Grain:  one row per stage_id of a control bike as it was in its first sessions (parts, map, fuel,
--         gear); sessions of any other state are left out.
-- Writes: flows/steps/stability.py
-- Units:  level_pct: mean corrected power against the reference period [%]; the sums start again
--         after each shift of the level.
CREATE TABLE IF NOT EXISTS out.dyno_check (
    stage_id VARCHAR PRIMARY KEY,
    bike_id VARCHAR NOT NULL,
    dyno VARCHAR NOT NULL,
    run_on DATE NOT NULL,
    level_pct DOUBLE NOT NULL,
    individual_centre_pct DOUBLE NOT NULL,
    individual_lower_pct DOUBLE NOT NULL,
    individual_upper_pct DOUBLE NOT NULL,
    ewma_pct DOUBLE NOT NULL,
    ewma_lower_pct DOUBLE NOT NULL,
    ewma_upper_pct DOUBLE NOT NULL,
    cusum_high_pct DOUBLE NOT NULL,
    cusum_low_pct DOUBLE NOT NULL,
    cusum_limit_pct DOUBLE NOT NULL,
    shift_pct DOUBLE NOT NULL,
    is_reference BOOLEAN NOT NULL,
    air_density_kg_m3 DOUBLE,
    has_air_doubt BOOLEAN NOT NULL,
    signal VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
