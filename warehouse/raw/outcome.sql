-- raw.outcome: where each file in the inbox stands now: taken in, waiting, refused or a duplicate.
--
-- Grain:  one row per job_folder and file_name.
-- Writes: flows/steps/link.py, flows/steps/shop_notes.py
-- Nulls:  stage_id is null unless the file is taken in.
CREATE TABLE IF NOT EXISTS raw.outcome (
    job_folder VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR,
    state VARCHAR NOT NULL CHECK (
        state IN (
            'taken in', 'waiting', 'refused', 'duplicate', 'card', 'note', 'missing', 'withdrawn'
        )
    ),
    reason_code VARCHAR NOT NULL,
    reason VARCHAR,
    stage_id VARCHAR,
    PRIMARY KEY (job_folder, file_name)
);
