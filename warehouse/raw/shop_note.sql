-- raw.shop_note: every version of every note of a person, also with mistakes or replaced.
--
-- Grain:  one row per note_name and file_sha256.
-- Writes: flows/steps/shop_notes.py
-- Nulls:  what the note does not name; everything it says when it could not be understood.
CREATE TABLE IF NOT EXISTS raw.shop_note (
    note_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    problems VARCHAR NOT NULL,
    is_in_force BOOLEAN NOT NULL,
    job_id VARCHAR,
    stage_no BIGINT,
    category VARCHAR,
    maker VARCHAR,
    part_name VARCHAR,
    model_id VARCHAR,
    noted_on DATE,
    noted_by VARCHAR,
    note_text VARCHAR,
    is_taken_back BOOLEAN,
    PRIMARY KEY (note_name, file_sha256)
);
