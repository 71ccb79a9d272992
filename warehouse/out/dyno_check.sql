-- out.dyno_check: each session of the control bike, and what it says of the dyno that day.
--
-- Grain:  one row per stage_id of a control bike as it was in its first sessions (parts, map, fuel,
--         gear); sessions of any other state are left out.
-- Writes: flows/steps/stability.py
-- Units:  level_pct: mean corrected power against the reference period [%]; sum_*: standard
--         deviations; the sums start again after each shift of the level.
-- Nulls:  level_lower_pct and level_upper_pct of sessions that are not judged: the first ones, from
--         which the scatter is learnt, and those in doubtful air.
CREATE TABLE IF NOT EXISTS out.dyno_check (
    stage_id VARCHAR PRIMARY KEY,
    bike_id VARCHAR NOT NULL,
    dyno VARCHAR NOT NULL,
    run_on DATE NOT NULL,
    level_pct DOUBLE NOT NULL,
    level_lower_pct DOUBLE,
    level_upper_pct DOUBLE,
    sum_above DOUBLE NOT NULL,
    sum_below DOUBLE NOT NULL,
    sum_limit DOUBLE NOT NULL,
    shift_pct DOUBLE NOT NULL,
    is_reference BOOLEAN NOT NULL,
    air_density_kg_m3 DOUBLE,
    has_air_doubt BOOLEAN NOT NULL,
    signal VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
