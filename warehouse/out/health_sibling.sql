-- out.health_sibling: the other bikes of a bike's model that have a baseline, counted or not.
--
-- Grain:  one row per bike_id and other_bike_id.
-- Writes: flows/steps/health.py
CREATE TABLE IF NOT EXISTS out.health_sibling (
    bike_id VARCHAR NOT NULL,
    other_bike_id VARCHAR NOT NULL,
    other_stage_id VARCHAR NOT NULL,
    is_power_sibling BOOLEAN NOT NULL,
    is_mixture_sibling BOOLEAN NOT NULL,
    left_out VARCHAR NOT NULL,
    PRIMARY KEY (bike_id, other_bike_id)
);
