-- core.job: one visit of one bike, as its card says.
--
-- Grain:  one row per job_id.
-- Writes: flows/steps/link.py
CREATE TABLE IF NOT EXISTS core.job (
    job_id VARCHAR PRIMARY KEY,
    job_folder VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    received_on DATE NOT NULL,
    card_sha256 VARCHAR NOT NULL
);
