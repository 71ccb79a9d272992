-- out.expected_mixture_bike: the stages behind each expected mixture, one a bike.
--
-- Grain:  one row per expected_id and stage_id.
-- Writes: flows/steps/expected.py
CREATE TABLE IF NOT EXISTS out.expected_mixture_bike (
    expected_id VARCHAR NOT NULL,
    stage_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    job_id VARCHAR NOT NULL,
    PRIMARY KEY (expected_id, stage_id)
);
