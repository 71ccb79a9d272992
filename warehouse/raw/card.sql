-- raw.card: every job card as it was received, also the ones with mistakes and the replaced ones.
--
-- Grain:  one row per job_folder and file_sha256.
-- Writes: flows/steps/cards.py
-- Nulls:  job_id is null when the card could not be understood.
CREATE TABLE IF NOT EXISTS raw.card (
    job_folder VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    card_text VARCHAR NOT NULL,
    job_id VARCHAR,
    problems VARCHAR NOT NULL,
    is_in_force BOOLEAN NOT NULL,
    PRIMARY KEY (job_folder, file_sha256)
);
