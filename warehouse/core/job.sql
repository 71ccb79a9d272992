-- core.job: one visit of one bike, as its card says.
--
-- Grain:  one row per job_id.
-- Writes: flows/steps/link.py
-- Nulls:  model_year and cylinders when this card does not say.
CREATE TABLE IF NOT EXISTS core.job (
    job_id VARCHAR PRIMARY KEY,
    job_folder VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    received_on DATE NOT NULL,
    model_year BIGINT,
    is_control BOOLEAN NOT NULL,
    cylinders BIGINT,
    card_sha256 VARCHAR NOT NULL
);
