-- out.health: each bike's baseline, untouched map and standard parts, against its siblings'.
--
-- Grain:  one row per bike_id that has a session.
-- Reads:  the first standard session of each bike; siblings: same model, fuel, gear and dyno.
-- Writes: flows/steps/health.py
-- Units:  changes [%] of the siblings' median, lean_change_pct in points of lean error; z [1].
-- Nulls:  stage_id and run_on without a baseline; figures where nothing could be compared.
CREATE TABLE IF NOT EXISTS out.health (
    bike_id VARCHAR PRIMARY KEY,
    model_id VARCHAR NOT NULL,
    stage_id VARCHAR,
    run_on DATE,
    power_health VARCHAR NOT NULL,
    mixture_health VARCHAR NOT NULL,
    siblings BIGINT NOT NULL,
    mixture_siblings BIGINT NOT NULL,
    peak_change_pct DOUBLE,
    peak_z DOUBLE,
    shape_distance_pct DOUBLE,
    shape_z DOUBLE,
    lean_change_pct DOUBLE,
    lean_z DOUBLE,
    has_air_doubt BOOLEAN NOT NULL,
    power_reason VARCHAR,
    mixture_reason VARCHAR,
    told VARCHAR NOT NULL,
    further VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
