-- out.gearing: the models whose logs are held against each other, by gearing and power.
--
-- Grain:  one row per model_id.
-- Reads:  core.ride, core.pull, out.pull and the facts of their readings.
-- Writes: flows/steps/gearing.py
CREATE TABLE IF NOT EXISTS out.gearing (
    model_id VARCHAR PRIMARY KEY,
    logs BIGINT NOT NULL,
    made_from VARCHAR NOT NULL
);
