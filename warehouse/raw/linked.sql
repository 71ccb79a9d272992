-- raw.linked: what each job folder was last linked from, so that only changed ones are done again.
--
-- Grain:  one row per job_folder.
-- Writes: flows/steps/link.py, flows/steps/shop_notes.py
CREATE TABLE IF NOT EXISTS raw.linked (
    job_folder VARCHAR PRIMARY KEY,
    linked_from VARCHAR NOT NULL
);
